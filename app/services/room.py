"""The recording room: who comes next under which number, what is played, what the proctor says."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.identities import Entry, Student
from app.db.models import CANDIDATE_STATES, Audition, Candidate, Piece, Round, Take, Turn
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.day import RESTART_SENTENCES, SCRIPT
from app.domain.errors import BadInput, NotFound, WrongState
from app.domain.texts import one_line
from app.services import custody, intake, room_sounds, turns
from app.services.attendance import NOT_HEARD
from app.services.piece_reading import length_of
from app.services.sheet_cells import round_pieces

NEEDS_REASON = ("late", "absent", "withdrawn", "no-show")
LONGEST_REASON = 300
AT_ONCE = 5_000  # ids in one question to the database: all engines take as many


@dataclass(frozen=True, slots=True)
class RoomTake:
    """A take as the recording room sees it."""

    take_id: str
    piece_id: str
    state: str
    void_cause: str
    void_reason: str
    duration_sec: float
    word: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RoomCandidate:
    """A candidate with the name: the recording room knows who stands behind a number."""

    candidate_id: str
    blind_number: str
    playing_order: int
    name: str
    instrument: str
    written_a: str  # what this instrument calls the sounding tuning note; "": it has no pitch to tune
    state: str
    state_reason: str
    accommodation: str
    consent: bool
    extra_time_percent: int
    enlarged_music: bool
    room_id: str | None
    place: int
    called_at: datetime | None
    entered_at: datetime | None
    left_at: datetime | None
    restarts: dict[str, int]  # by piece
    last_restarts: dict[str, str]  # by piece: the id of the one that was counted last
    takes: tuple[RoomTake, ...]


@dataclass(frozen=True, slots=True)
class RoomNumber:
    """A number with the name, and which pieces a kept take is there of: all that a choice or a short list shows."""

    candidate_id: str
    blind_number: str
    name: str
    recorded: tuple[str, ...]  # ids of pieces


@dataclass(frozen=True, slots=True)
class RoomView:
    """Everything the recording room's screen shows."""

    audition: dict[str, Any]
    rounds: tuple[dict[str, str], ...]
    round: dict[str, Any] | None
    rooms: tuple[dict[str, str], ...]
    room_id: str | None  # whose candidates are shown; None: everybody's
    restarts: str  # the declared policy in words
    study_sec: int
    pieces: tuple[dict[str, Any], ...]
    script: tuple[str, ...]
    candidates: tuple[RoomCandidate, ...]  # in the order of calling, all that are looked for or a page of them
    total: int  # candidates that are looked for
    drawn: int  # everybody who plays here
    next: RoomCandidate | None  # the first who waits and has not recorded every piece
    chosen: RoomCandidate | None  # the one that was asked for by id, on whichever page


def look(
    session: Session,
    audition_id: str,
    round_id: str | None = None,
    room_id: str | None = None,
    *,
    find: str = "",
    offset: int = 0,
    limit: int | None = None,
    candidate_id: str | None = None,
) -> RoomView:
    """The room of an audition: of the round asked for, or of the newest one that is drawn and not opened.

    ``room_id`` leaves out who plays in another room. With ``limit`` a page of those whose name holds ``find`` or whose
    number begins so; ``candidate_id`` asks for one besides.
    """
    audition = session.get(Audition, audition_id)
    if audition is None:
        raise NotFound("This audition is not there any more; ask the section leader.")
    rounds = session.exec(select(Round).where(Round.audition_id == audition_id).order_by(col(Round.position))).all()
    chosen = chosen_round(list(rounds), round_id)
    plan = turns.plan_of(chosen) if chosen is not None else None
    if room_id is not None and turns.get_room(session, room_id).audition_id != audition_id:
        raise NotFound("This recording room is not one of this audition's; reload the page.")
    line = _Line(session, chosen, room_id)
    asked = line.ids(find, offset, limit)
    pieces = () if chosen is None else tuple(_piece(piece) for piece in round_pieces(session, chosen))
    drawn = line.total("")
    following = line.following([piece["piece_id"] for piece in pieces])
    seen = line.candidates([*asked, *(one for one in (following, candidate_id) if one is not None)])
    return RoomView(
        audition={
            "id": audition.id,
            "name": audition.name,
            "a4_hz": audition.a4_hz,
            "sounds": room_sounds.sounds_of(audition).to_dict(),
        },
        rounds=tuple({"id": row.id, "name": row.name, "state": row.state} for row in rounds),
        round=None if chosen is None else {"id": chosen.id, "name": chosen.name, "state": chosen.state},
        pieces=pieces,
        rooms=tuple({"id": one.id, "name": one.name} for one in turns.rooms(session, audition_id)),
        room_id=room_id,
        restarts=RESTART_SENTENCES[plan.restarts if plan is not None else "none"],
        study_sec=plan.study_sec if plan is not None else 0,
        script=plan.script if plan is not None else SCRIPT,
        candidates=tuple(seen[one] for one in asked),
        total=line.total(find) if find.strip() else drawn,
        drawn=drawn,
        next=seen.get(following or ""),
        chosen=seen.get(candidate_id or ""),
    )


def mark(
    session: Session,
    candidate_id: str,
    state: str,
    reason: str,
    *,
    actor: Actor,
    now: datetime | None = None,
    audition_id: str | None = None,
) -> RoomCandidate:
    """Note that a candidate is present, late, absent, withdrawn or did not show, with the reason where one is due."""
    candidate, round_row = turns.candidate_of(session, candidate_id, audition_id)
    if state not in CANDIDATE_STATES:
        raise BadInput(f"A candidate is one of {', '.join(CANDIDATE_STATES)}.")
    tidy = one_line(reason, what="reason", longest=LONGEST_REASON, required=state in NEEDS_REASON)
    has_take = session.exec(
        select(Take.id).where(Take.candidate_id == candidate_id, Take.state == "kept").limit(1)
    ).first()
    if state == "heard" and has_take is None:
        raise WrongState("A candidate counts as heard once a take is in; send the recording.")
    if state in ("present", "late"):
        turns.check_lateness(session, candidate, round_row, state, now=now or now_utc(), actor=actor)
    before, candidate.state, candidate.state_reason = candidate.state, state, tidy
    session.add(candidate)
    session.flush()
    if state in ("present", "late"):
        turns.arrived(session, candidate, round_row, now=now or now_utc())
    facts = {"from": before, "to": state, "reason_hash": custody.content_hash(tidy) if tidy else None}
    custody.record(session, round_row.id, actor, "candidate-marked", candidate.id, facts)
    return _Line(session, round_row, None).candidates([candidate_id])[candidate_id]


def numbers(session: Session, round_row: Round, room_id: str | None) -> tuple[RoomNumber, ...]:
    """Who plays in a round, or in one of its rooms, in the order of calling."""
    return _Line(session, round_row, room_id).numbers()


def found(session: Session, round_row: Round, find: str) -> frozenset[str]:
    """The ids of a round's candidates whose name holds ``find`` or whose number begins so."""
    return frozenset(_Line(session, round_row, None).ids(find, 0, None))


def chosen_round(rounds: list[Round], round_id: str | None) -> Round | None:
    """The round asked for; else the newest that is drawn and not opened, else the newest."""
    if round_id is not None:
        found = next((row for row in rounds if row.id == round_id), None)
        if found is None:
            raise NotFound("This round is not part of the audition; choose another.")
        return found
    drawn = [row for row in rounds if row.state == "drawn"]
    return drawn[-1] if drawn else rounds[-1] if rounds else None


def _piece(piece: Piece) -> dict[str, Any]:
    length = length_of(piece)
    return {
        "piece_id": piece.id,
        "title": piece.title,
        "position": piece.position,
        "kind": piece.kind,
        "marked_sec": None if length is None else length.marked_sec,
        "shortest_sec": None if length is None else length.shortest_sec,
    }


#: The order of calling.
_ORDER = (sa.func.coalesce(Turn.place, Candidate.playing_order).label("turn"), col(Candidate.playing_order))


class _Line:
    """Who plays in a round, or in one of its rooms, in the order of calling."""

    def __init__(self, session: Session, round_row: Round | None, room_id: str | None) -> None:
        self._session = session
        self._round = round_row
        here = [col(Candidate.round_id) == (round_row.id if round_row is not None else None)]
        if room_id is not None:
            here.append(sa.or_(col(Turn.room_id).is_(None), col(Turn.room_id) == room_id))
        self._here = (
            select(Candidate.id)
            .join(Turn, col(Turn.candidate_id) == Candidate.id, isouter=True)
            .where(*here)
            .order_by(*_ORDER)
        )

    def _found(self, find: str) -> Any:
        if not (wanted := find.strip()):
            return self._here
        return self._named().where(
            sa.or_(
                col(Candidate.blind_number).startswith(wanted, autoescape=True),
                col(Student.name).icontains(wanted, autoescape=True),
            )
        )

    def _named(self) -> Any:
        return self._here.join(Entry, col(Entry.id) == Candidate.entry_id).join(
            Student, col(Student.id) == Entry.student_id
        )

    def numbers(self) -> tuple[RoomNumber, ...]:
        """All of them, with little about each."""
        asked = self._named().with_only_columns(
            col(Candidate.id), col(Candidate.blind_number), col(Student.name), maintain_column_froms=True
        )
        recorded: dict[str, list[str]] = {}
        takes = (
            self._here.order_by(None)
            .join(Take, col(Take.candidate_id) == Candidate.id)
            .where(Take.state == "kept")
            .with_only_columns(col(Take.candidate_id), col(Take.piece_id), maintain_column_froms=True)
        )
        for of, piece_id in self._session.execute(takes):
            recorded.setdefault(of, []).append(piece_id)
        return tuple(
            RoomNumber(one, number, name, tuple(recorded.get(one, ())))
            for one, number, name in self._session.execute(asked)
        )

    def total(self, find: str) -> int:
        """How many are found."""
        asked = self._found(find).order_by(None).with_only_columns(sa.func.count(), maintain_column_froms=True)
        return int(self._session.scalar(asked) or 0)

    def ids(self, find: str, offset: int, limit: int | None) -> list[str]:
        """Their ids, all or a page."""
        return list(self._session.exec(self._found(find).offset(offset).limit(limit)).all())

    def following(self, piece_ids: Sequence[str]) -> str | None:
        """Who comes next: the first who is not out and has no take of one of the pieces."""
        waits = self._here.add_columns(*_ORDER).where(col(Candidate.state).not_in(NOT_HEARD)).subquery()
        recorded = (
            select(sa.func.count(sa.distinct(col(Take.piece_id))))
            .where(Take.candidate_id == waits.c.id, Take.state == "kept", col(Take.piece_id).in_(list(piece_ids)))
            .scalar_subquery()
        )
        # One after the other in their order, so that nobody's takes are counted who comes later.
        asked = sa.select(waits.c.id).where(recorded < len(piece_ids)).order_by(waits.c.turn, waits.c.playing_order)
        return self._session.scalar(asked.limit(1))

    def candidates(self, ids: Sequence[str]) -> dict[str, RoomCandidate]:
        """The candidates with these ids who are of this round."""
        found: dict[str, RoomCandidate] = {}
        for start in range(0, len(ids), AT_ONCE):
            found |= self._some(list(ids[start : start + AT_ONCE]))
        return found

    def _some(self, ids: list[str]) -> dict[str, RoomCandidate]:
        session = self._session
        rows = session.exec(
            select(Candidate, Entry, Student, Turn)
            .join(Entry, col(Entry.id) == Candidate.entry_id)
            .join(Student, col(Student.id) == Entry.student_id)
            .join(Turn, col(Turn.candidate_id) == Candidate.id, isouter=True)
            .where(col(Candidate.id).in_(ids), Candidate.round_id == (self._round.id if self._round else None))
        ).all()
        takes: dict[str, list[RoomTake]] = {}
        for take in session.exec(
            select(Take).where(col(Take.candidate_id).in_(ids)).order_by(col(Take.received_at))
        ).all():
            takes.setdefault(take.candidate_id, []).append(_take(take))
        counts: dict[str, dict[str, int]] = {}
        for (of, piece), count in turns.restarts(session, ids).items():
            counts.setdefault(of, {})[piece] = count
        last: dict[str, dict[str, str]] = {}
        for (of, piece), one in turns.last_restarts(session, ids).items():
            last.setdefault(of, {})[piece] = one
        return {
            candidate.id: RoomCandidate(
                candidate_id=candidate.id,
                blind_number=candidate.blind_number,
                playing_order=candidate.playing_order,
                name=student.name,
                instrument=candidate.instrument or entry.instrument,
                written_a=room_sounds.written_a(candidate.instrument or entry.instrument),
                state=candidate.state,
                state_reason=candidate.state_reason,
                accommodation=entry.accommodation,
                consent=student.consent_on is not None,
                extra_time_percent=entry.extra_time_percent,
                enlarged_music=entry.enlarged_music,
                room_id=turn.room_id if turn is not None else None,
                place=turn.place if turn is not None else candidate.playing_order,
                called_at=turn.called_at if turn is not None else None,
                entered_at=turn.entered_at if turn is not None else None,
                left_at=turn.left_at if turn is not None else None,
                restarts=counts.get(candidate.id, {}),
                last_restarts=last.get(candidate.id, {}),
                takes=tuple(takes.get(candidate.id, ())),
            )
            for candidate, entry, student, turn in rows
        }


def _take(take: Take) -> RoomTake:
    seen = intake.view(take)
    return RoomTake(
        take_id=seen.take_id,
        piece_id=seen.piece_id,
        state=seen.state,
        void_cause=seen.void_cause,
        void_reason=seen.void_reason,
        duration_sec=seen.duration_sec,
        word=seen.quality["word"],
        sentences=tuple(seen.quality["sentences"]),
    )

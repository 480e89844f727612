"""The door: who has come, who is called next, which room is how far behind. With names: for proctor and leader only."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session, col, select

from app.db.identities import Entry, Student
from app.db.models import Candidate, Round, Turn
from app.domain.actor import Actor
from app.domain.day import LATE_SENTENCES, RESTART_SENTENCES
from app.domain.errors import BadInput
from app.services import room, schedule, turns
from app.services.attendance import NOT_HEARD
from app.services.declaring import get_audition
from app.services.schedule import ScheduledTurn

NOT_BY_THE_DEADLINE = "not checked in when check-in closed"


@dataclass(frozen=True, slots=True)
class DoorTurn:
    """A line of the door's list."""

    turn: ScheduledTurn
    name: str
    school: str
    instrument: str
    accommodation: str
    extra_time_percent: int
    enlarged_music: bool
    consent: bool
    state_reason: str


@dataclass(frozen=True, slots=True)
class RoomBoard:
    """What is called out for one room: numbers only, fit for a screen in the corridor."""

    room_id: str | None
    name: str
    in_the_room: str | None
    on_deck: str | None
    on_deck_called: bool
    warm_up: tuple[str, ...]
    behind_minutes: float | None


@dataclass(frozen=True, slots=True)
class DoorView:
    """Everything the door's screen shows."""

    audition: dict[str, str]
    rounds: tuple[dict[str, str], ...]
    round: dict[str, str] | None
    now: datetime
    plan: dict[str, Any] | None
    late_rule: str
    restarts: str
    suggested_minutes: float | None
    rooms: tuple[dict[str, str], ...]
    boards: tuple[RoomBoard, ...]
    turns: tuple[DoorTurn, ...]  # all that are looked for, in order of playing, or a page of them
    total: int  # how many are looked for
    offset: int  # how many of them stand before the page
    counts: dict[str, int]
    sentence: str


def look(
    session: Session,
    audition_id: str,
    round_id: str | None,
    *,
    now: datetime,
    find: str = "",
    offset: int | None = None,
    limit: int | None = None,
) -> DoorView:
    """The door of an audition: of the round asked for, or of the newest one that is drawn and not opened.

    With ``limit`` a page of those whose name holds ``find`` or whose number begins so; without ``offset`` it begins
    with the first who has not played.
    """
    audition = get_audition(session, audition_id)
    rounds = session.exec(select(Round).where(Round.audition_id == audition_id).order_by(col(Round.position))).all()
    row = room.chosen_round(list(rounds), round_id)
    plan = turns.plan_of(row) if row is not None else None
    rooms = turns.rooms(session, audition_id)
    scheduled: list[ScheduledTurn] = []
    if row is not None and plan is not None and row.state in ("drawn", "opened"):
        scheduled = schedule.schedule(session, row, now=now)
    found = scheduled
    if row is not None and find.strip():
        wanted = room.found(session, row, find)
        found = [turn for turn in scheduled if turn.candidate_id in wanted]
    if offset is None:
        offset = _first_waiting(found) if limit is not None and len(found) > limit else 0
    page = found[offset:] if limit is None else found[offset : offset + limit]
    names = {one.id: one.name for one in rooms}
    by_room: dict[str | None, list[ScheduledTurn]] = {}
    for turn in scheduled:
        by_room.setdefault(turn.room_id, []).append(turn)
    boards = tuple(
        _board(by_room[room_id], room_id, names.get(room_id or "", "")) for room_id in _rooms_used(scheduled, names)
    )
    counts = _counts(scheduled)
    return DoorView(
        audition={"id": audition.id, "name": audition.name},
        rounds=tuple({"id": r.id, "name": r.name, "state": r.state} for r in rounds),
        round=None if row is None else {"id": row.id, "name": row.name, "state": row.state},
        now=now,
        plan=plan.to_dict() if plan is not None else None,
        late_rule=LATE_SENTENCES[plan.late_rule] if plan is not None else "",
        restarts=RESTART_SENTENCES[plan.restarts] if plan is not None else "",
        suggested_minutes=(
            schedule.suggested_minutes(session, row, plan.study_sec if plan is not None else 30)
            if row is not None
            else None
        ),
        rooms=tuple({"id": one.id, "name": one.name} for one in rooms),
        boards=boards,
        turns=tuple(_named(session, page)),
        total=len(found),
        offset=offset,
        counts=counts,
        sentence=_sentence(row, plan is not None, scheduled, counts),
    )


def door_list(session: Session, row: Round, *, now: datetime | None) -> list[DoorTurn]:
    """Every number with the name behind it, in order of playing."""
    return _named(session, schedule.schedule(session, row, now=now))


def _named(session: Session, scheduled: Sequence[ScheduledTurn]) -> list[DoorTurn]:
    who: dict[str, tuple[Candidate, Entry, Student]] = {}
    for start in range(0, len(scheduled), room.AT_ONCE):
        ids = [turn.candidate_id for turn in scheduled[start : start + room.AT_ONCE]]
        rows = session.exec(
            select(Candidate, Entry, Student).where(
                col(Candidate.id).in_(ids), Candidate.entry_id == Entry.id, Entry.student_id == Student.id
            )
        ).all()
        who |= {candidate.id: (candidate, entry, student) for candidate, entry, student in rows}
    found = []
    for turn in scheduled:
        candidate, entry, student = who[turn.candidate_id]
        found.append(
            DoorTurn(
                turn=turn,
                name=student.name,
                school=student.school,
                instrument=candidate.instrument or entry.instrument,
                accommodation=entry.accommodation,
                extra_time_percent=entry.extra_time_percent,
                enlarged_music=entry.enlarged_music,
                consent=student.consent_on is not None,
                state_reason=candidate.state_reason,
            )
        )
    return found


def check_in(
    session: Session, candidate_id: str, reason: str, *, now: datetime, actor: Actor, audition_id: str | None
) -> None:
    """The candidate is at the door. After the deadline, or when marked as missing before, it counts as late."""
    candidate, _ = turns.candidate_of(session, candidate_id, audition_id)
    turn = session.get(Turn, candidate_id)
    if turn is not None and turn.checked_in_at is not None and candidate.state not in NOT_HEARD:
        return
    deadline = turn.check_in_by if turn is not None else None
    late = candidate.state in NOT_HEARD or (deadline is not None and now > deadline)
    if late and not reason.strip():
        raise BadInput(
            f"Number {candidate.blind_number} comes late; write down the reason, it is kept with the record.", late=True
        )
    state = "late" if late else "present"
    why = reason if late else ""
    room.mark(session, candidate_id, state, why, actor=actor, now=now, audition_id=audition_id)


def close_check_in(session: Session, round_id: str, *, now: datetime, actor: Actor, audition_id: str | None) -> int:
    """Mark everybody whose check-in has closed without them as a no-show; returns how many."""
    row = schedule.own_round(session, round_id, audition_id)
    overdue = [turn for turn in schedule.schedule(session, row, now=now) if turn.overdue]
    for turn in overdue:
        room.mark(
            session, turn.candidate_id, "no-show", NOT_BY_THE_DEADLINE, actor=actor, now=now, audition_id=audition_id
        )
    return len(overdue)


def _rooms_used(scheduled: Sequence[ScheduledTurn], names: dict[str, str]) -> list[str | None]:
    used = {turn.room_id for turn in scheduled if turn.stage != "out"}
    return [*(room_id for room_id in names if room_id in used), *([None] if None in used else [])]


def _first_waiting(scheduled: Sequence[ScheduledTurn]) -> int:
    """Where the first stands who has not played; 0 when everybody has."""
    return next((at for at, turn in enumerate(scheduled) if turn.stage not in ("played", "out")), 0)


def _board(own: Sequence[ScheduledTurn], room_id: str | None, name: str) -> RoomBoard:
    inside = next((turn for turn in own if turn.stage == "in the room"), None)
    deck = next((turn for turn in own if turn.stage == "on deck"), None)
    ahead = next((turn for turn in own if turn.stage in ("on deck", "warm up", "waits")), None)
    return RoomBoard(
        room_id=room_id,
        name=name or "Recording room",
        in_the_room=inside.blind_number if inside else None,
        on_deck=deck.blind_number if deck else None,
        on_deck_called=deck is not None and deck.called_at is not None,
        warm_up=tuple(turn.blind_number for turn in own if turn.stage == "warm up"),
        behind_minutes=ahead.behind_minutes if ahead else None,
    )


def _counts(scheduled: Sequence[ScheduledTurn]) -> dict[str, int]:
    return {
        "expected": sum(turn.state == "expected" for turn in scheduled),
        "here": sum(turn.checked_in_at is not None and turn.stage != "out" for turn in scheduled),
        "overdue": sum(turn.overdue for turn in scheduled),
        "played": sum(turn.stage == "played" for turn in scheduled),
        "out": sum(turn.stage == "out" for turn in scheduled),
    }


def _sentence(row: Round | None, planned: bool, scheduled: Sequence[ScheduledTurn], counts: dict[str, int]) -> str:
    if row is None:
        return "There is no round yet; the section leader makes the first one."
    if not planned:
        return "The day is not planned yet; the section leader plans it under Day."
    if row.state not in ("drawn", "opened"):
        return "The round is not drawn yet; numbers and times come with the draw."
    if counts["overdue"]:
        late = "1 number has" if counts["overdue"] == 1 else f"{counts['overdue']} numbers have"
        return f"{late} not come although check-in has closed."
    if all(turn.stage in ("played", "out") for turn in scheduled):
        return "Everybody has played."
    return f"{counts['here']} of {len(scheduled) - counts['out']} are here, {counts['played']} have played."

"""Rooms, and where in the day each candidate is: called, in the room, gone. No name can be reached from this module.

A candidate's turn keeps the draw's playing order until somebody comes late or is put back; the panel's order never
follows it.
"""

from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import (
    AccessLink,
    AccessToken,
    Candidate,
    DayRecording,
    Piece,
    RecordingRoom,
    Restart,
    Round,
    Take,
    Turn,
)
from app.domain.actor import Actor
from app.domain.day import DayPlan, allowed_restarts, validate_day
from app.domain.errors import BadInput, Duplicate, NotAllowed, NotFound, WrongState
from app.domain.ids import is_id
from app.domain.texts import one_line
from app.services import custody
from app.services.attendance import NOT_HEARD
from app.services.declaring import get_audition
from app.services.rounds import get_round
from app.services.sheet_cells import round_pieces

LONGEST_REASON = 300
MOST_ROOMS = 30  # our choice
_POLICY = ("late_rule", "restarts", "panel_sees_restarts")  # declared before the round's first take, then fixed


def plan_of(row: Round) -> DayPlan | None:
    """The day's plan of a round, or None while none was made."""
    return validate_day(row.day) if row.day else None


def set_plan(session: Session, round_id: str, plan: DayPlan, *, actor: Actor) -> None:
    """Keep the day's plan. What it declares (lateness, restarts) stays once the round's first take is in."""
    row = get_round(session, round_id)
    if row.state == "opened":
        raise WrongState("This round is opened; its day is over.")
    before = plan_of(row)
    if before is not None and any(getattr(before, key) != getattr(plan, key) for key in _POLICY):
        first = select(Take.id).where(Take.candidate_id == Candidate.id, Candidate.round_id == round_id).limit(1)
        if session.exec(first).first() is not None:
            raise WrongState("The round's first take is in, so the rules for lateness and restarts stay as declared.")
    row.day = plan.to_dict()
    session.add(row)
    session.flush()
    custody.record(session, round_id, actor, "day-planned", round_id, {"plan": custody.content_hash(row.day)})


# Rooms ------------------------------------------------------------------------------------------------------------


def rooms(session: Session, audition_id: str) -> list[RecordingRoom]:
    """The recording rooms of an audition, in order."""
    return list(
        session.exec(
            select(RecordingRoom)
            .where(RecordingRoom.audition_id == audition_id)
            .order_by(col(RecordingRoom.position), col(RecordingRoom.id))
        ).all()
    )


def add_room(session: Session, audition_id: str, name: str, *, actor: Actor) -> RecordingRoom:
    """A further recording room."""
    get_audition(session, audition_id)
    there = rooms(session, audition_id)
    if len(there) >= MOST_ROOMS:
        raise BadInput(f"An audition has at most {MOST_ROOMS} recording rooms.")
    row = RecordingRoom(
        audition_id=audition_id,
        position=1 + max((room.position for room in there), default=-1),
        name=_free_name(there, name, besides=None),
    )
    session.add(row)
    session.flush()
    custody.record(session, audition_id, actor, "room-made", row.id, {})
    return row


def rename_room(session: Session, room_id: str, name: str, *, actor: Actor) -> RecordingRoom:
    """Give a room another name."""
    row = get_room(session, room_id)
    row.name = _free_name(rooms(session, row.audition_id), name, besides=room_id)
    session.add(row)
    session.flush()
    custody.record(session, row.audition_id, actor, "room-renamed", row.id, {})
    return row


def remove_room(session: Session, room_id: str, *, actor: Actor) -> None:
    """Give a room up: nobody may be in it; who waits for it goes to the other rooms in turn, its tablets serve all."""
    row = get_room(session, room_id)
    own = session.exec(select(Turn).where(Turn.room_id == room_id).order_by(col(Turn.place))).all()
    if any(turn.entered_at is not None and turn.left_at is None for turn in own):
        raise WrongState("Somebody is in this room; let them finish or send them out first.")
    others = [room.id for room in rooms(session, row.audition_id) if room.id != room_id]
    for at, turn in enumerate(own):
        turn.room_id = others[at % len(others)] if others else None
        session.add(turn)
    for table in (AccessLink, AccessToken, DayRecording):
        session.exec(sa.update(table).where(col(table.room_id) == room_id).values(room_id=None))
    session.delete(row)
    session.flush()
    custody.record(session, row.audition_id, actor, "room-removed", room_id, {"moved": len(own)})


def get_room(session: Session, room_id: str) -> RecordingRoom:
    """A room by id; raises ``NotFound``."""
    row = session.get(RecordingRoom, room_id)
    if row is None:
        raise NotFound("This recording room is not there any more; reload the page.")
    return row


def _free_name(there: Sequence[RecordingRoom], name: str, *, besides: str | None) -> str:
    tidy = one_line(name, what="name of the room", longest=80)
    if any(room.name.casefold() == tidy.casefold() and room.id != besides for room in there):
        raise Duplicate(f"There is a room called {tidy} already; give this one another name.")
    return tidy


# Turns ------------------------------------------------------------------------------------------------------------


def turns_of(session: Session, round_id: str) -> dict[str, Turn]:
    """The turns of a round by candidate id; every drawn candidate has one (made on first use when none was planned)."""
    rows = session.exec(select(Turn).where(Turn.candidate_id == Candidate.id, Candidate.round_id == round_id)).all()
    found = {turn.candidate_id: turn for turn in rows}
    for candidate in session.exec(select(Candidate).where(Candidate.round_id == round_id)).all():
        if candidate.id not in found:
            found[candidate.id] = Turn(candidate_id=candidate.id, place=candidate.playing_order)
    return found


def turn_of(session: Session, candidate: Candidate) -> Turn:
    """A candidate's turn; a new one (not yet added) keeps the draw's place."""
    return session.get(Turn, candidate.id) or Turn(candidate_id=candidate.id, place=candidate.playing_order)


def candidate_of(session: Session, candidate_id: str, audition_id: str | None) -> tuple[Candidate, Round]:
    """A candidate and the round; a tablet reaches its own audition only, and nothing changes once it is opened."""
    candidate = session.get(Candidate, candidate_id)
    if candidate is None:
        raise NotFound("This candidate is not there any more; reload the page.")
    round_row = session.get_one(Round, candidate.round_id)
    if audition_id is not None and round_row.audition_id != audition_id:
        raise NotAllowed("This tablet belongs to another audition's recording room.")
    if round_row.state == "opened":
        raise WrongState("This round is opened, so its candidates stay as they are.")
    return candidate, round_row


def call(session: Session, candidate_id: str, *, now: datetime, actor: Actor, audition_id: str | None) -> None:
    """Note that a candidate was called to wait at the door. Calling again is harmless: the last call counts."""
    candidate, round_row = candidate_of(session, candidate_id, audition_id)
    _require_waiting(session, candidate)
    turn = turn_of(session, candidate)
    turn.called_at = now
    _keep(session, turn, round_row, "called", actor)


def enter(
    session: Session,
    candidate_id: str,
    *,
    now: datetime,
    actor: Actor,
    audition_id: str | None,
    room_id: str | None = None,
) -> None:
    """Note that a candidate has come into the room (``room_id``: the room the tablet stands in)."""
    candidate, round_row = candidate_of(session, candidate_id, audition_id)
    if candidate.state in NOT_HEARD:
        raise WrongState(
            f"Number {candidate.blind_number} is marked as {candidate.state}; check the candidate in first."
        )
    turn = turn_of(session, candidate)
    turn.room_id = room_id or turn.room_id
    _refuse_occupied(session, round_row, candidate, turn)
    turn.entered_at, turn.left_at = now, None
    turn.checked_in_at = turn.checked_in_at or now
    if candidate.state == "expected":
        candidate.state = "present"
        session.add(candidate)
    _keep(session, turn, round_row, "came-in", actor)


def leave(session: Session, candidate_id: str, *, now: datetime, actor: Actor, audition_id: str | None) -> None:
    """Note that a candidate has left the room."""
    candidate, round_row = candidate_of(session, candidate_id, audition_id)
    turn = turn_of(session, candidate)
    if turn.entered_at is None:
        raise WrongState(f"Number {candidate.blind_number} has not come in yet, so nobody can leave.")
    turn.left_at = max(now, turn.entered_at)
    _keep(session, turn, round_row, "went-out", actor)


def put_back(session: Session, candidate_id: str, reason: str, *, actor: Actor, audition_id: str | None) -> None:
    """Put a candidate to the end of the list, with the reason; who has come in comes in again."""
    candidate, round_row = candidate_of(session, candidate_id, audition_id)
    tidy = one_line(reason, what="reason", longest=LONGEST_REASON)
    if candidate.state == "heard":
        raise WrongState(f"Number {candidate.blind_number} has been heard already; void a take to hear a piece again.")
    turn = turn_of(session, candidate)
    turn.place = last_place(session, round_row.id) + 1
    turn.called_at = turn.entered_at = turn.left_at = None
    candidate.state_reason = tidy
    session.add(candidate)
    _keep(session, turn, round_row, "put-back", actor, {"reason_hash": custody.content_hash(tidy)})


def move(session: Session, candidate_id: str, room_id: str, *, actor: Actor, audition_id: str | None) -> None:
    """Send a candidate to another room; the place in the order stays."""
    candidate, round_row = candidate_of(session, candidate_id, audition_id)
    room = get_room(session, room_id)
    if room.audition_id != round_row.audition_id:
        raise NotFound("This recording room is not one of this audition's; reload the page.")
    turn = turn_of(session, candidate)
    if turn.entered_at is not None and turn.left_at is None:
        raise WrongState(f"Number {candidate.blind_number} is in the room; let the candidate come out first.")
    turn.room_id = room.id
    _keep(session, turn, round_row, "moved", actor, {"room": room.id})


def check_lateness(
    session: Session, candidate: Candidate, round_row: Round, state: str, *, now: datetime, actor: Actor
) -> None:
    """Refuse who comes after check-in has closed, unless as late; or at all, where that was declared."""
    turn, plan = turn_of(session, candidate), plan_of(round_row)
    if plan is None or turn.checked_in_at is not None or turn.check_in_by is None or now <= turn.check_in_by:
        return
    closed = plan.local(turn.check_in_by).strftime("%H:%M")
    if state == "present":
        raise WrongState(
            f"Check-in for number {candidate.blind_number} closed at {closed}; note the reason for coming late."
        )
    if plan.late_rule == "not-heard" and actor.role != "leader":
        raise WrongState(
            f"Check-in for number {candidate.blind_number} closed at {closed}, and who comes late is not heard in this "
            "round; only the section leader may decide otherwise."
        )


def arrived(session: Session, candidate: Candidate, round_row: Round, *, now: datetime) -> None:
    """The candidate is here: note when, and where a late one plays by the declared rule."""
    turn = turn_of(session, candidate)
    turn.checked_in_at = turn.checked_in_at or now
    plan = plan_of(round_row)
    if candidate.state == "late" and turn.entered_at is None and (plan is None or plan.late_rule == "end"):
        turn.place = last_place(session, round_row.id) + 1
    session.add(turn)
    session.flush()


def took(session: Session, candidate: Candidate, *, at: datetime) -> None:
    """A take came in: whoever was recorded has been in the room, and has left it when every take is in."""
    turn = turn_of(session, candidate)
    turn.checked_in_at = turn.checked_in_at or at
    turn.entered_at = turn.entered_at or at
    if candidate.state == "heard":
        turn.left_at = turn.left_at or max(at, turn.entered_at)
    session.add(turn)
    session.flush()


def last_place(session: Session, round_id: str) -> int:
    """The highest place of a round's order."""
    return max((turn.place for turn in turns_of(session, round_id).values()), default=0)


# Restarts ---------------------------------------------------------------------------------------------------------


def count_restart(
    session: Session, restart_id: str, candidate_id: str, piece_id: str, *, actor: Actor, audition_id: str | None
) -> tuple[int, str | None]:
    """Count that a piece was begun again: how often by now, and what the declared policy says when it is too often."""
    if not is_id(restart_id):
        raise BadInput("The id of a restart must be 32 hexadecimal digits made at random by the sender.")
    _, round_row = candidate_of(session, candidate_id, audition_id)
    if piece_id not in {piece.id for piece in round_pieces(session, round_row)}:
        raise NotFound("This piece is not played in this round; choose one of the round's pieces.")
    there = session.get(Restart, restart_id)
    if there is not None and (there.candidate_id, there.piece_id) != (candidate_id, piece_id):
        raise Duplicate("Another restart was counted under this id before; count this one under an id of its own.")
    if there is None:
        session.add(Restart(id=restart_id, candidate_id=candidate_id, piece_id=piece_id))
        session.flush()
        custody.record(session, round_row.id, actor, "restarted", candidate_id, {"piece": piece_id})
    count = restarts(session, [candidate_id]).get((candidate_id, piece_id), 0)
    plan = plan_of(round_row)
    allowed = allowed_restarts(plan.restarts if plan is not None else "none")
    if allowed is None or count <= allowed:
        return count, None
    title = session.get_one(Piece, piece_id).title
    may = "not be begun again" if allowed == 0 else "be begun again once"
    return count, f"{title} may {may} in this round; go on, and tell the section leader."


def take_back_restart(session: Session, restart_id: str, *, actor: Actor, audition_id: str | None) -> None:
    """Take back a restart that was counted by mistake."""
    row = session.get(Restart, restart_id)
    if row is None:
        raise NotFound("This restart is not counted any more; reload the page.")
    candidate, round_row = candidate_of(session, row.candidate_id, audition_id)
    session.delete(row)
    session.flush()
    custody.record(session, round_row.id, actor, "restart-taken-back", candidate.id, {"piece": row.piece_id})


def restarts(session: Session, candidate_ids: Sequence[str]) -> dict[tuple[str, str], int]:
    """How often pieces were begun again: {(candidate id, piece id): count}."""
    rows = session.exec(
        select(Restart.candidate_id, Restart.piece_id, sa.func.count())
        .where(col(Restart.candidate_id).in_(list(candidate_ids)))
        .group_by(col(Restart.candidate_id), col(Restart.piece_id))
    ).all()
    return {(candidate, piece): count for candidate, piece, count in rows}


def last_restarts(session: Session, candidate_ids: Sequence[str]) -> dict[tuple[str, str], str]:
    """The restart of each piece that was counted last, so that any device can take it back."""
    rows = session.exec(
        select(Restart)
        .where(col(Restart.candidate_id).in_(list(candidate_ids)))
        .order_by(col(Restart.counted_at), col(Restart.id))
    ).all()
    return {(row.candidate_id, row.piece_id): row.id for row in rows}


def seen_by_panel(session: Session, row: Round, candidate_ids: Sequence[str]) -> dict[tuple[str, str], int] | None:
    """The restarts the panel is shown: all of them when that was declared, else None."""
    plan = plan_of(row)
    return restarts(session, candidate_ids) if plan is not None and plan.panel_sees_restarts else None


def _require_waiting(session: Session, candidate: Candidate) -> None:
    if candidate.state in NOT_HEARD:
        raise WrongState(
            f"Number {candidate.blind_number} is marked as {candidate.state}; check the candidate in first."
        )
    turn = session.get(Turn, candidate.id)
    if turn is not None and turn.entered_at is not None:
        raise WrongState(f"Number {candidate.blind_number} has come in already.")


def _refuse_occupied(session: Session, round_row: Round, candidate: Candidate, turn: Turn) -> None:
    if turn.room_id is None:
        return
    inside = session.exec(
        select(Candidate.blind_number).where(
            Turn.candidate_id == Candidate.id,
            Candidate.id != candidate.id,
            Candidate.round_id == Round.id,
            Round.audition_id == round_row.audition_id,
            Turn.room_id == turn.room_id,
            col(Turn.entered_at).is_not(None),
            col(Turn.left_at).is_(None),
        )
    ).first()
    if inside is not None:
        raise WrongState(f"Number {inside} is still in this room; note that they have left first.")


def _keep(
    session: Session, turn: Turn, round_row: Round, action: str, actor: Actor, facts: dict[str, str] | None = None
) -> None:
    session.add(turn)
    session.flush()
    custody.record(session, round_row.id, actor, action, turn.candidate_id, {"room": turn.room_id, **(facts or {})})

"""The schedule of a round: rooms given out, times announced, and the day planned anew from what has happened.

Who is the same person, and who has extra time, is known here; neither leaves towards a panel.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.identities import Entry
from app.db.models import Candidate, Round, Turn
from app.domain.actor import Actor
from app.domain.day import DayPlan, Pause, minutes, validate_day
from app.domain.day_planning import PlannedTurn, TurnFacts, behind_minutes, plan_day
from app.domain.errors import NotAllowed, WrongState
from app.domain.texts import one_line
from app.services import custody, turns
from app.services.attendance import NOT_HEARD
from app.services.piece_reading import length_of
from app.services.rounds import get_round
from app.services.sheet_cells import round_pieces

UNREAD_PIECE_SEC = 90.0  # a piece without notation; our choice
BETWEEN_PIECES_SEC = 20.0  # announcing, turning the page; our choice
GREETING_SEC = 60.0  # the script and adjusting the stand; our choice
_OF_TURN = ("room_id", "planned_at", "check_in_by", "checked_in_at", "called_at", "entered_at", "left_at")


@dataclass(frozen=True, slots=True)
class ScheduledTurn:
    """One number in the schedule, without a name."""

    candidate_id: str
    blind_number: str
    room_id: str | None
    place: int
    state: str
    stage: str
    warm_up_at: datetime | None
    plays_at: datetime | None
    ends_at: datetime | None
    planned_at: datetime | None
    check_in_by: datetime | None
    checked_in_at: datetime | None
    called_at: datetime | None
    entered_at: datetime | None
    left_at: datetime | None
    behind_minutes: float | None
    overdue: bool  # not here although check-in has closed


def require_plan(row: Round) -> DayPlan:
    """The day's plan; raises ``WrongState`` while there is none."""
    plan = turns.plan_of(row)
    if plan is None:
        raise WrongState("This round's day is not planned yet; the section leader plans it under Day.")
    return plan


def suggested_minutes(session: Session, row: Round, study_sec: int) -> float:
    """How long one candidate is in the room: the music at its marked tempo, and what is said around it."""
    total = GREETING_SEC
    for piece in round_pieces(session, row):
        total += BETWEEN_PIECES_SEC + (study_sec if piece.kind == "sight-reading" else 0)
        length = length_of(piece)
        total += length.marked_sec if length is not None else UNREAD_PIECE_SEC
    return math.ceil(total / 30) / 2


def announce(session: Session, round_id: str, *, actor: Actor) -> None:
    """Give the candidates to the rooms in turn and fix the times that slips and lists carry. Again until it begins."""
    row = get_round(session, round_id)
    if row.state != "drawn":
        raise WrongState("Draw the round first: its schedule goes by numbers and playing order.")
    plan = require_plan(row)
    own = turns.turns_of(session, round_id)
    if any(turn.entered_at is not None for turn in own.values()):
        raise WrongState("The day has begun, so the announced times stay; the schedule itself follows what happens.")
    rooms = [room.id for room in turns.rooms(session, row.audition_id)]
    candidates = session.exec(
        select(Candidate).where(Candidate.round_id == round_id).order_by(col(Candidate.playing_order))
    ).all()
    waiting = [c for c in candidates if c.state not in NOT_HEARD]
    for at, candidate in enumerate(waiting):
        own[candidate.id].room_id = rooms[at % len(rooms)] if rooms else None
    for turn in own.values():
        session.add(turn)
    session.flush()
    planned = plan_day(plan, facts(session, row))
    for turn in own.values():
        turn.planned_at = planned[turn.candidate_id].plays_at
        turn.check_in_by = turn.planned_at - minutes(plan.check_in_minutes) if turn.planned_at else None
        session.add(turn)
    session.flush()
    custody.record(
        session, round_id, actor, "schedule-announced", round_id, {"rooms": len(rooms), "turns": len(waiting)}
    )


def pause(
    session: Session,
    round_id: str,
    length: float,
    what: str,
    *,
    now: datetime,
    actor: Actor,
    audition_id: str | None,
) -> None:
    """Put a break in that begins now, after whoever is playing: a fire drill, a broken heater."""
    row = own_round(session, round_id, audition_id)
    plan = require_plan(row)
    at = plan.local(now).replace(microsecond=0)
    longer = (*plan.pauses, Pause(at, length, one_line(what, what="reason", longest=80)))
    values = plan.to_dict() | {
        "pauses": [{"at": p.at.isoformat(), "minutes": p.minutes, "what": p.what} for p in longer]
    }
    turns.set_plan(session, round_id, validate_day(values), actor=actor)


def own_round(session: Session, round_id: str, audition_id: str | None) -> Round:
    """A round, of the tablet's own audition when it comes from one."""
    row = get_round(session, round_id)
    if audition_id is not None and row.audition_id != audition_id:
        raise NotAllowed("This tablet belongs to another audition's recording room.")
    return row


def facts(session: Session, row: Round) -> list[TurnFacts]:
    """What planning knows of every candidate of a round."""
    return [_facts(one) for one in _everybody(session, row)]


def schedule(session: Session, row: Round, *, now: datetime | None) -> list[ScheduledTurn]:
    """Every number with its times as they stand now, in order of playing; who is out comes last."""
    plan = require_plan(row)
    everybody = _everybody(session, row)
    planned = plan_day(plan, [_facts(one) for one in everybody], now)
    found = [_scheduled(one, planned[one.id], now) for one in everybody]
    return sorted(found, key=lambda t: (t.plays_at is None, t.plays_at or plan.starts_at, t.place))


def _everybody(session: Session, row: Round) -> Sequence[Any]:
    """One row to the candidate, columns only: a day may be long, and doors ask every few seconds."""
    columns: list[Any] = [
        Candidate.id, Candidate.blind_number, Candidate.state, Entry.student_id, Entry.extra_time_percent,
        sa.func.coalesce(Turn.place, Candidate.playing_order).label("place"),
        *(getattr(Turn, name) for name in _OF_TURN),
    ]  # fmt: skip
    return session.execute(
        sa.select(*columns)
        .select_from(Candidate)
        .join(Entry, col(Entry.id) == Candidate.entry_id)
        .join(Turn, col(Turn.candidate_id) == Candidate.id, isouter=True)
        .where(col(Candidate.round_id) == row.id)
    ).all()


def _facts(one: Any) -> TurnFacts:
    return TurnFacts(
        candidate_id=one.id,
        person=one.student_id,
        room_id=one.room_id,
        place=one.place,
        extra_percent=one.extra_time_percent,
        out=one.state in NOT_HEARD,
        here=one.checked_in_at is not None,
        entered_at=one.entered_at,
        left_at=one.left_at,
    )


def _scheduled(one: Any, planned: PlannedTurn, now: datetime | None) -> ScheduledTurn:
    return ScheduledTurn(
        candidate_id=one.id,
        blind_number=one.blind_number,
        room_id=one.room_id,
        place=one.place,
        state=one.state,
        stage=planned.stage,
        warm_up_at=planned.warm_up_at,
        plays_at=planned.plays_at,
        ends_at=planned.ends_at,
        planned_at=one.planned_at,
        check_in_by=one.check_in_by,
        checked_in_at=one.checked_in_at,
        called_at=one.called_at,
        entered_at=one.entered_at,
        left_at=one.left_at,
        behind_minutes=behind_minutes(planned, one.planned_at),
        overdue=_is_overdue(one, now),
    )


def _is_overdue(one: Any, now: datetime | None) -> bool:
    """Whether check-in has closed for somebody who has not come."""
    if now is None or one.check_in_by is None or one.checked_in_at is not None:
        return False
    return bool(one.state == "expected" and now > one.check_in_by)

"""The printed pieces of the audition day: slips, door list, schedule, script, blank adjudication sheets."""

from collections.abc import Callable
from datetime import datetime

from sqlmodel import Session, col, select

from app.db.models import Absence, Adjudicator, Audition, Candidate, Recusal, Round
from app.domain.day import LATE_SENTENCES, RESTART_SENTENCES, SCRIPT, DayPlan
from app.domain.errors import NotFound, WrongState
from app.material.instruments import INSTRUMENTS
from app.services import declaring, schedule, turns
from app.services.attendance import NOT_HEARD
from app.services.door import DoorTurn, door_list
from app.services.sheet_cells import round_pieces
from app.services.sheet_models import date_text
from app.sheets.blank_sheet import render_blank_sheet
from app.sheets.day_models import (
    BlankCaption,
    BlankSheetModel,
    DayHeading,
    DoorLine,
    RoomSchedule,
    ScheduleLine,
    ScriptModel,
    Slip,
)
from app.sheets.day_sheets import render_door_list, render_schedule, render_script
from app.sheets.slips import render_slips

SPOILT = (
    "When equipment, noise or an injury spoils a take: void it with its cause and record again; the panel is not told."
)
ONE_ROOM = "Recording room"
BLANK_NUMBERS = 12  # lines for numbers to write in by hand before the draw; our choice


def slips(session: Session, round_id: str, *, audition_id: str | None) -> bytes:
    """Number slips in the order of the door list, with the announced times; no name stands on them."""
    row, heading, plan = _drawn(session, round_id, audition_id)
    rooms = _room_names(session, row)
    found = [
        Slip(
            blind_number=line.turn.blind_number,
            instrument=_instrument(line.instrument),
            room=rooms(line.turn.room_id) if len(turns.rooms(session, row.audition_id)) > 1 else "",
            check_in_by=_clock(plan, line.turn.check_in_by),
            warm_up_at=_clock(plan, line.turn.warm_up_at),
            plays_at=_clock(plan, line.turn.planned_at or line.turn.plays_at),
        )
        for line in door_list(session, row, now=None)
        if line.turn.state not in NOT_HEARD
    ]
    return render_slips(heading, found)


def door_sheet(session: Session, round_id: str, *, audition_id: str | None) -> bytes:
    """The door list with names, as announced."""
    row, heading, plan = _drawn(session, round_id, audition_id)
    rooms = _room_names(session, row)
    lines = [
        DoorLine(
            plays_at=_clock(plan, line.turn.planned_at or line.turn.plays_at),
            check_in_by=_clock(plan, line.turn.check_in_by),
            blind_number=line.turn.blind_number,
            name=line.name,
            school=line.school,
            instrument=_instrument(line.instrument),
            room=rooms(line.turn.room_id),
            notes=_notes(line),
        )
        for line in door_list(session, row, now=None)
    ]
    return render_door_list(heading, lines)


def schedule_sheet(session: Session, round_id: str, *, now: datetime, audition_id: str | None) -> bytes:
    """The schedule for the wall, as the day stands now: numbers only."""
    row, heading, plan = _drawn(session, round_id, audition_id)
    name_of = _room_names(session, row)
    by_room: dict[str | None, list[ScheduleLine]] = {}
    for turn in schedule.schedule(session, row, now=now):
        if turn.stage == "out":
            continue
        note = "played" if turn.stage == "played" else "in the room" if turn.stage == "in the room" else ""
        line = ScheduleLine(_clock(plan, turn.warm_up_at), _clock(plan, turn.plays_at), turn.blind_number, note)
        by_room.setdefault(turn.room_id, []).append(line)
    rooms = [RoomSchedule(name_of(room_id), tuple(lines)) for room_id, lines in by_room.items()]
    rooms.sort(key=lambda room: room.room)
    breaks = [
        f"{pause.what}: {plan.local(pause.at).strftime('%H:%M')}, {pause.minutes:g} minutes, after whoever is playing."
        for pause in plan.pauses
    ]
    closing = f"Check-in closes {plan.check_in_minutes:g} minutes before your time."
    as_of = f"As it stood at {_clock(plan, now)}; the door knows better." if now >= plan.starts_at else ""
    return render_schedule(heading, rooms, [t for t in (closing, *breaks, as_of) if t])


def script(session: Session, round_id: str, *, audition_id: str | None) -> bytes:
    """The proctor's script, the material in order and what was declared for the day."""
    row = schedule.own_round(session, round_id, audition_id)
    plan = turns.plan_of(row)
    pieces = tuple(
        (
            p.title,
            f"Study time: {plan.study_sec if plan else 30} seconds, in silence." if p.kind == "sight-reading" else "",
        )
        for p in round_pieces(session, row)
    )
    return render_script(
        ScriptModel(
            heading=day_heading(session, row),
            sentences=plan.script if plan is not None else SCRIPT,
            pieces=pieces,
            declared=(
                RESTART_SENTENCES[plan.restarts if plan is not None else "none"],
                *((LATE_SENTENCES[plan.late_rule],) if plan is not None else ()),
                SPOILT,
            ),
        )
    )


def blank_sheets(session: Session, round_id: str, adjudicator_id: str, *, audition_id: str | None) -> bytes:
    """Blank adjudication sheets of one adjudicator, a block for every number; before the draw with empty numbers."""
    row = schedule.own_round(session, round_id, audition_id)
    adjudicator = session.get(Adjudicator, adjudicator_id)
    if adjudicator is None or adjudicator.audition_id != row.audition_id:
        raise NotFound("This adjudicator is not on the panel any more; reload the page.")
    audition = declaring.get_audition(session, row.audition_id)
    rubric = declaring.rubric_of(audition)
    titles = tuple(piece.title for piece in round_pieces(session, row))
    return render_blank_sheet(
        BlankSheetModel(
            heading=day_heading(session, row),
            letter=adjudicator.letter,
            low=rubric.low,
            high=rubric.high,
            captions=tuple(
                BlankCaption(c.name, tuple(_level(level.low, level.high, level.descriptor) for level in c.levels))
                for c in rubric.captions
            ),
            rows=titles if audition.scored_per == "piece" else ("Everything played",),
            numbers=_numbers(session, row, adjudicator_id),
        )
    )


def _numbers(session: Session, row: Round, adjudicator_id: str) -> tuple[tuple[str, str], ...]:
    candidates = session.exec(
        select(Candidate).where(Candidate.round_id == row.id).order_by(col(Candidate.playing_order))
    ).all()
    if not candidates:
        return tuple(("……", "") for _ in range(BLANK_NUMBERS))
    recused = set(session.exec(select(Recusal.candidate_id).where(Recusal.adjudicator_id == adjudicator_id)).all())
    away = set(session.exec(select(Absence.candidate_id).where(Absence.adjudicator_id == adjudicator_id)).all())
    found = []
    for candidate in candidates:
        why = "recused: leave empty" if candidate.id in recused else "away: leave empty" if candidate.id in away else ""
        if candidate.state not in NOT_HEARD:
            found.append((candidate.blind_number, why))
    return tuple(found)


def _level(low: int, high: int, descriptor: str) -> str:
    return f"{low} {descriptor}" if low == high else f"{low} to {high} {descriptor}"


def _drawn(session: Session, round_id: str, audition_id: str | None) -> tuple[Round, DayHeading, DayPlan]:
    row = schedule.own_round(session, round_id, audition_id)
    if row.state not in ("drawn", "opened"):
        raise WrongState("Draw the round first: slips and lists carry its numbers.")
    return row, day_heading(session, row), schedule.require_plan(row)


def day_heading(session: Session, row: Round) -> DayHeading:
    """What every printed piece of a round's day says at its head."""
    audition = session.get_one(Audition, row.audition_id)
    return DayHeading(
        audition=audition.name,
        organisation=audition.organisation,
        held_on=date_text(audition.held_on),
        round_name=row.name,
        paper="a4" if audition.paper == "a4" else "letter",
        language="en-GB" if audition.note_names == "british" else "en-US",
    )


def _room_names(session: Session, row: Round) -> Callable[[str | None], str]:
    names = {room.id: room.name for room in turns.rooms(session, row.audition_id)}
    return lambda room_id: names.get(room_id or "", ONE_ROOM)


def _notes(line: DoorTurn) -> str:
    parts = [line.accommodation] if line.accommodation else []
    if line.extra_time_percent:
        parts.append(f"{line.extra_time_percent} % more time")
    if line.enlarged_music:
        parts.append("enlarged music")
    if not line.consent:
        parts.append("no consent to record noted")
    if line.turn.state in NOT_HEARD:
        parts.append(line.turn.state)
    return "; ".join(parts)


def _instrument(key: str) -> str:
    return INSTRUMENTS[key].name if key in INSTRUMENTS else key


def _clock(plan: DayPlan, moment: datetime | None) -> str:
    return plan.local(moment).strftime("%H:%M") if moment is not None else ""

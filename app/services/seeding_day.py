"""The demonstration's audition of today: two rooms, a planned day about to begin, sight-reading under its seal.

Nobody has played yet, so door, recording room and everything printed for a day can be tried. It is made from the
scenario's own people, through the same services as any audition.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from sqlmodel import Session

from app.domain.actor import Actor
from app.domain.day import validate_day
from app.services import audition as auditions
from app.services import declaring, draw, panel_setup, pieces, recusal, roster, schedule, turns
from app.services.roster_csv import RosterLine

ROUND_TO_MINUTES = 15  # a time that could stand on a slip


def make(session: Session, cast: Mapping[str, Any], *, now: datetime, actor: Actor) -> str:
    """Make the audition of today; returns its id. ``now`` gives the day and its clock (an aware time)."""
    today = cast["today"]
    values = {**cast["audition"], **today["audition"], "held_on": now.date()}
    audition_id = auditions.create(session, values, actor=actor).id
    pieces.add(session, audition_id, pieces.from_recipe(today["scale"], title=today["scale_title"]), actor=actor)
    pieces.add(
        session, audition_id, pieces.from_sight_recipe(today["sight_reading"], title=today["sight_title"]), actor=actor
    )
    for line in today["roster"]:
        person = next((one for one in cast["roster"] if one["key"] == line.get("student")), line)
        roster.add(session, audition_id, _line(person, line, now), actor=actor)
    for one in cast["adjudicators"]:
        panel_setup.add(session, audition_id, one["name"], actor=actor)
    for own in recusal.proposed(session, audition_id):
        recusal.declare(
            session,
            audition_id,
            adjudicator_id=own.adjudicator_id,
            entry_id=own.entry_id,
            reason=own.reason,
            actor=actor,
        )
    for name in today["rooms"]:
        turns.add_room(session, audition_id, name, actor=actor)
    declaring.declare(session, audition_id, actor=actor)
    made = draw.create_round(
        session,
        audition_id,
        name=today["round"],
        kind="first",
        seats=today["seats"],
        piece_ids=[],
        entry_ids=None,
        actor=actor,
    )
    draw.commit_seed(session, made.id, actor=actor)
    draw.draw_round(session, made.id, actor=actor)
    turns.set_plan(session, made.id, validate_day(_plan(today["day"], now)), actor=actor)
    schedule.announce(session, made.id, actor=actor)
    return audition_id


def _line(person: Mapping[str, Any], line: Mapping[str, Any], now: datetime) -> RosterLine:
    return RosterLine(
        name=person["name"],
        school=person["school"],
        teacher=person["teacher"],
        year=person["year"],
        instrument=line.get("instrument", person["instrument"]),
        consent_on=now.date() - timedelta(days=9) if line.get("consent", True) else None,
        consent_by="parent or guardian" if line.get("consent", True) else "",
        accommodation=line.get("accommodation", ""),
        extra_time_percent=line.get("extra_time_percent", 0),
        enlarged_music=line.get("enlarged_music", False),
    )


def _plan(day: Mapping[str, Any], now: datetime) -> dict[str, Any]:
    """The day's plan: it begins so that check-in is open for a good while yet."""
    early = now + timedelta(minutes=day["begins_in_minutes"])
    late_by = timedelta(minutes=early.minute % ROUND_TO_MINUTES, seconds=early.second, microseconds=early.microsecond)
    starts = early - late_by + timedelta(minutes=ROUND_TO_MINUTES)
    pause = {"at": (starts + timedelta(minutes=day["pause_after_minutes"])).isoformat(), **day["pause"]}
    rest = {key: day[key] for key in day if key not in ("begins_in_minutes", "pause_after_minutes", "pause")}
    return {"starts_at": starts.isoformat(), "pauses": [pause], **rest}

"""What is declared about the day of a round: times, breaks, lateness, restarts, the proctor's script.

Clock times keep the offset from UTC they were written with, so that paper and screens show the day's own clock.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal, cast, get_args

from app.domain.errors import BadInput
from app.domain.texts import one_line

LateRule = Literal["end", "keep", "not-heard"]
RestartPolicy = Literal["none", "one", "any"]

LATE_SENTENCES: dict[LateRule, str] = {
    "end": "Who comes late plays at the end of the list.",
    "keep": "Who comes late keeps the place in the order, or plays next when that has passed.",
    "not-heard": "Who comes late is not heard.",
}
RESTART_SENTENCES: dict[RestartPolicy, str] = {
    "none": "Nobody may begin a piece again.",
    "one": "Everybody may begin each piece again once.",
    "any": "Everybody may begin a piece again; every time is counted.",
}
MOST_PAUSES = 20  # our choice
MOST_SENTENCES = 30  # our choice
LONGEST_SENTENCE = 400  # our choice
#: Read out word by word to every candidate, so that all hear the same.
SCRIPT = (
    "Welcome. Please do not say your name or your school in this room; your number is all we need.",
    "Take a moment to adjust the stand and your reed or mouthpiece. You may play a few notes to warm up.",
    "I will announce your number and the name of each piece. Play when you are ready after that.",
    "If something goes wrong with the equipment or the room, tell me at once; we can record again.",
    "If you stop, go on from where you can, or ask me whether you may begin again.",
    "Thank you. Please leave the room quietly and do not talk about the music with those who wait.",
)


@dataclass(frozen=True, slots=True)
class Pause:
    """Time in which nobody is recorded: a meal, or what the day brings. It begins after whoever is playing."""

    at: datetime
    minutes: float
    what: str


@dataclass(frozen=True, slots=True)
class DayPlan:
    """How a round's day is meant to run. Minutes may be parts of minutes."""

    starts_at: datetime
    minutes: float  # one candidate in the room
    change_minutes: float = 1.0  # from one candidate to the next
    warm_up_minutes: float = 10.0
    check_in_minutes: float = 30.0  # check-in closes this long before the time that was announced
    late_rule: LateRule = "end"
    pauses: tuple[Pause, ...] = ()
    study_sec: int = 30  # to look at sight-reading
    restarts: RestartPolicy = "none"
    panel_sees_restarts: bool = False
    script: tuple[str, ...] = SCRIPT

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values, read back by :func:`validate_day`."""
        return {
            "starts_at": self.starts_at.isoformat(),
            "minutes": self.minutes,
            "change_minutes": self.change_minutes,
            "warm_up_minutes": self.warm_up_minutes,
            "check_in_minutes": self.check_in_minutes,
            "late_rule": self.late_rule,
            "pauses": [{"at": p.at.isoformat(), "minutes": p.minutes, "what": p.what} for p in self.pauses],
            "study_sec": self.study_sec,
            "restarts": self.restarts,
            "panel_sees_restarts": self.panel_sees_restarts,
            "script": list(self.script),
        }

    def local(self, moment: datetime) -> datetime:
        """``moment`` by the day's own clock."""
        return moment.astimezone(self.starts_at.tzinfo)


def validate_day(values: Mapping[str, Any]) -> DayPlan:
    """A plan from plain JSON values; one sentence of :class:`BadInput` where it can't be used."""
    starts_at = moment(values.get("starts_at"), "beginning of the day")
    pauses = values.get("pauses") or []
    if not isinstance(pauses, list | tuple) or len(pauses) > MOST_PAUSES:
        raise BadInput(f"A day has at most {MOST_PAUSES} breaks; leave some out.")
    script = [
        one_line(str(sentence), what="sentence of the script", longest=LONGEST_SENTENCE)
        for sentence in (values.get("script") or SCRIPT)
    ]
    if len(script) > MOST_SENTENCES:
        raise BadInput(f"The script has at most {MOST_SENTENCES} sentences; shorten it.")
    return DayPlan(
        starts_at=starts_at,
        minutes=_within(values.get("minutes"), 0.5, 120, "minutes for one candidate"),
        change_minutes=_within(values.get("change_minutes", 1), 0, 60, "minutes between candidates"),
        warm_up_minutes=_within(values.get("warm_up_minutes", 10), 0, 120, "minutes for warming up"),
        check_in_minutes=_within(values.get("check_in_minutes", 30), 0, 600, "minutes before check-in closes"),
        late_rule=cast(
            LateRule, _one_of(values.get("late_rule", "end"), get_args(LateRule), "rule for who comes late")
        ),
        pauses=tuple(sorted((_pause(one) for one in pauses), key=lambda pause: pause.at)),
        study_sec=round(_within(values.get("study_sec", 30), 0, 600, "seconds of study time")),
        restarts=cast(
            RestartPolicy, _one_of(values.get("restarts", "none"), get_args(RestartPolicy), "restart policy")
        ),
        panel_sees_restarts=bool(values.get("panel_sees_restarts", False)),
        script=tuple(script),
    )


def allowed_restarts(policy: RestartPolicy) -> int | None:
    """How often one piece may be begun again; ``None`` when there is no limit."""
    return {"none": 0, "one": 1, "any": None}[policy]


def moment(value: object, what: str) -> datetime:
    """A time with its offset from UTC, as browsers write it; :class:`BadInput` names ``what`` it is of."""
    try:
        found = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
    except ValueError:
        found = None
    if found is None or found.utcoffset() is None or not 2000 <= found.year <= 2200:
        raise BadInput(f"The {what} must be a date and a time with its offset, such as 2026-03-14T09:00-06:00.")
    return found


def minutes(count: float) -> timedelta:
    """A length of time."""
    return timedelta(minutes=count)


def _pause(values: object) -> Pause:
    if not isinstance(values, Mapping):
        raise BadInput("A break needs its time, its minutes and what it is for.")
    return Pause(
        at=moment(values.get("at"), "time of a break"),
        minutes=_within(values.get("minutes"), 1, 600, "minutes of a break"),
        what=one_line(str(values.get("what") or "Break"), what="name of a break", longest=80),
    )


def _within(value: object, low: float, high: float, what: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise BadInput(f"The {what} must be a number from {low:g} to {high:g}.")
    return float(value)


def _one_of(value: object, known: tuple[str, ...], what: str) -> str:
    if value not in known:
        raise BadInput(f"The {what} is one of {', '.join(known)}.")
    return str(value)

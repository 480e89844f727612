"""Auditions, rubric, rule and the audit list."""

from datetime import date, datetime
from typing import Annotated, Any, Literal

from pydantic import Field

from app.api.schemas.envelope import In, Out

Number = Annotated[float, Field(allow_inf_nan=False)]


class RoomSoundsIn(In):
    """What the recording room sounds before a take, and whether a click goes on through it."""

    tuning_note: bool = True
    count_in_bars: int = 0
    metronome: bool = False
    click: bool = False


class AuditionIn(In):
    """A new audition."""

    name: str = Field(max_length=400)
    organisation: str = Field(default="", max_length=400)
    held_on: date
    a4_hz: Number = 440.0
    temperament: Literal["equal", "just"] = "equal"
    note_names: Literal["american", "british"] = "american"
    paper: Literal["letter", "a4"] = "letter"
    scored_per: Literal["piece", "candidate"] = "piece"
    retention_until: date | None = None
    consent_required: bool = True
    room_sounds: RoomSoundsIn = RoomSoundsIn()


class AuditionChangeIn(In):
    """What changes; fields left out stay."""

    name: str = Field(default="", max_length=400)
    organisation: str = Field(default="", max_length=400)
    held_on: date = date.min
    a4_hz: Number = 440.0
    temperament: Literal["equal", "just"] = "equal"
    note_names: Literal["american", "british"] = "american"
    paper: Literal["letter", "a4"] = "letter"
    scored_per: Literal["piece", "candidate"] = "piece"
    retention_until: date | None = None
    consent_required: bool = True
    room_sounds: RoomSoundsIn = RoomSoundsIn()


class LevelIn(In):
    """A band of whole marks and its sentence."""

    from_: int = Field(alias="from")
    to: int
    descriptor: str


class CaptionIn(In):
    """A caption with its levels."""

    key: str
    name: str
    levels: list[LevelIn] = Field(max_length=200)


class RubricIn(In):
    """What is scored."""

    low: int
    high: int
    captions: list[CaptionIn] = Field(max_length=40)


class YardstickIn(In):
    """A ruler from one measure to a mark."""

    measure: str = Field(max_length=100)
    unit: str = Field(default="", max_length=40)
    points: list[tuple[Number, Number]] = Field(max_length=50)
    source: str = Field(default="", max_length=600)


class RuleIn(In):
    """How marks become a standing."""

    combine: str = Field(default="mean", max_length=40)
    piece_weights: dict[str, Number] = Field(default={}, max_length=200)
    caption_weights: dict[str, Number] = Field(default={}, max_length=40)
    measured_weights: dict[str, Number] = Field(default={}, max_length=40)
    tie_chain: list[str] = Field(default=[], max_length=20)
    tie_scope: str = Field(default="everywhere", max_length=20)
    minimum_total: Number | None = None
    alternates: int | None = None
    yardsticks: dict[str, YardstickIn] = Field(default={}, max_length=40)


class CountsOut(Out):
    """How much of everything is there."""

    pieces: int
    entries: int
    adjudicators: int
    rounds: int
    takes: int


class AuditionOut(Out):
    """An audition as the leader sees it."""

    id: str
    name: str
    organisation: str
    held_on: date
    a4_hz: float
    temperament: str
    note_names: str
    paper: str
    scored_per: str
    rubric: dict[str, Any]
    rule: dict[str, Any]
    rule_sentence: str
    rule_declared_at: datetime | None
    rule_hash: str | None
    rule_frozen: bool
    retention_until: date | None
    consent_required: bool
    room_sounds: dict[str, Any]
    created_at: datetime
    counts: CountsOut
    next_step: str


class ChoiceOut(Out):
    """One of several, by key."""

    key: str
    name: str


class InstrumentOut(ChoiceOut):
    """An instrument; of unpitched percussion neither pitch nor tone is judged."""

    unpitched: bool


class RuleChoiceOut(Out):
    """A way to combine marks."""

    key: str
    sentence: str


class RosterColumnOut(Out):
    """A column that a roster's table may have."""

    key: str
    holds: str
    example: str
    needed: bool


class DefaultsOut(Out):
    """What forms start from."""

    rubric: dict[str, Any]
    rule: dict[str, Any]
    instruments: list[InstrumentOut]
    rules: list[RuleChoiceOut]
    roster_columns: list[RosterColumnOut]


class AuditEntryOut(Out):
    """One entry of the audit."""

    id: str
    chain: str
    seq: int
    at: datetime
    actor: str
    action: str
    subject: str
    facts: dict[str, Any]
    previous_hash: str
    hash: str

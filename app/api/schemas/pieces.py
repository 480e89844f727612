"""Pieces: what comes in from forms, and how a piece looks to the leader."""

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field

from app.api.schemas.envelope import In, Out

Number = Annotated[float, Field(allow_inf_nan=False)]
LONGEST_ABC = 60_000


class AbcIn(In):
    """Typed bars."""

    text: Annotated[str, Field(max_length=LONGEST_ABC)]
    title: str = Field(default="", max_length=400)
    instrument: str = Field(default="", max_length=40)


class UntypedIn(In):
    """A piece that nobody has typed in."""

    title: str = Field(max_length=400)
    instrument: str = Field(default="", max_length=40)


class AbcCheckIn(In):
    """Typed bars to check."""

    text: Annotated[str, Field(max_length=LONGEST_ABC)]
    instrument: str = Field(default="", max_length=40)


class RecipeIn(In):
    """What to generate."""

    kind: Literal["scale", "arpeggio", "chromatic"]
    tonic: str = Field(max_length=20)
    mode: str = Field(default="major", max_length=40)
    octaves: int = 1
    rhythm: str = Field(default="eighths", max_length=200)
    tempo_bpm: Number = 96.0
    instrument: str = Field(default="clarinet-bb", max_length=40)
    direction: Literal["up-down", "up", "down"] = "up-down"
    start_octave: int | None = None
    beat_unit: str | None = Field(default=None, max_length=20)
    metre: str = Field(default="4/4", max_length=10)
    slurred: bool = False


class SightRecipeIn(In):
    """What sight-reading is made from. Without a seed one is drawn that nobody knows."""

    tonic: str = Field(default="C", max_length=20)
    mode: Literal["major", "minor"] = "major"
    instrument: str = Field(default="clarinet-bb", max_length=40)
    lowest: str = Field(default="", max_length=8)
    highest: str = Field(default="", max_length=8)
    metre: str = Field(default="4/4", max_length=10)
    bars: int = 8
    values: list[Annotated[str, Field(max_length=20)]] = Field(default_factory=list, max_length=10)
    largest_leap: str = Field(default="fifth", max_length=20)
    tempo_bpm: Number = 72.0
    each_own: bool = False
    seed: str = Field(default="", max_length=80)


class SightReadingIn(In):
    """Sight-reading for an audition."""

    recipe: SightRecipeIn
    title: str = Field(default="", max_length=400)


class SampleOut(Out):
    """A picture of other notes from the same recipe."""

    svg: str


class SightViewOut(Out):
    """A candidate's sight-reading; no notes while it is sealed."""

    candidate_id: str
    piece_id: str
    title: str
    sealed: bool
    printed: bool
    study_began_at: datetime | None
    svg: str | None


class GeneratedIn(In):
    """A generated piece."""

    recipe: RecipeIn
    title: str = Field(default="", max_length=400)


class PhraseIn(In):
    """A phrase by its notes."""

    start_note_id: str = Field(max_length=40)
    peak_note_id: str | None = Field(default=None, max_length=40)
    end_note_id: str = Field(max_length=40)


class PieceChangeIn(In):
    """What changes; fields left out stay, null takes a choice back."""

    title: str = Field(default="", max_length=400)
    position: int = Field(default=0, ge=0, le=1000)
    instrument: str = Field(default="", max_length=40)
    first_bar: str | None = Field(default=None, max_length=20)
    last_bar: str | None = Field(default=None, max_length=20)
    repeats: bool = True
    phrases: list[PhraseIn] | None = Field(default=None, max_length=200)
    tonic: str | None = Field(default=None, max_length=20)
    mode: str | None = Field(default=None, max_length=40)


class PartOut(Out):
    """A part of a file."""

    index: int
    name: str
    notes: int
    unpitched: bool
    instrument: str | None


class BarCheckOut(Out):
    """One typed bar."""

    number: str
    length_quarters: float
    expected_quarters: float
    ok: bool
    sentence: str


class AbcCheckOut(Out):
    """What to tell the typist."""

    ok: bool
    sentence: str
    problems: list[str]
    bars: list[BarCheckOut]
    svg: str


class NoteOut(Out):
    """One note."""

    note_id: str
    bar: str
    beat: float
    written_pitch: str
    length_quarters: float
    grace: bool
    engraved_ids: list[str]


class PhraseOut(Out):
    """One phrase."""

    start_note_id: str
    peak_note_id: str | None
    end_note_id: str
    guessed: bool


class PieceOut(Out):
    """A piece."""

    id: str
    audition_id: str
    title: str
    kind: str
    instrument: str
    unpitched: bool
    position: int
    bars: list[str]
    heard_bars: list[str]
    notes: list[NoteOut]
    tempo_text: str
    phrases: list[PhraseOut]
    tonic: str | None
    mode: str | None
    first_bar: str | None
    last_bar: str | None
    repeats: bool
    sealed: bool
    warnings: list[str]
    has_takes: bool


def plain(wanted: In) -> dict[str, Any]:
    """The fields that were sent, as plain values."""
    return wanted.model_dump(exclude_unset=True)

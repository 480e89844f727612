"""Bars as typed, before anything is checked: what the scanner of ABC text builds and the checks read."""

from dataclasses import dataclass, field
from fractions import Fraction

from app.files.abc_fields import Key, Metre
from app.material.pitch_names import Pitch
from app.material.written import Direction, GraceKind, Navigation, WrittenOrnament, WrittenTempo


@dataclass(frozen=True, slots=True)
class Problem:
    """Something that can't be read; ``bar`` counts from 0."""

    bar: int
    line: int
    sentence: str


@dataclass(slots=True)
class Event:
    """A note, chord or rest as typed; onset and grace order follow from its place in the bar."""

    pitches: list[Pitch]
    length: Fraction  # in quarters, tuplet and broken rhythm applied; nominal for a grace note
    grace: GraceKind | None = None
    tie_to: bool = False
    tie_from: bool = False
    slurs_begun: list[int] = field(default_factory=list)
    slurs_ended: list[int] = field(default_factory=list)
    articulations: list[str] = field(default_factory=list)
    ornament: WrittenOrnament | None = None
    fermata: bool = False
    breath_after: bool = False
    tuplet: tuple[int, int] | None = None


@dataclass(slots=True)
class TypedBar:
    """One bar as typed."""

    metre: Metre
    key: Key
    line: int
    events: list[Event] = field(default_factory=list)
    directions: list[Direction] = field(default_factory=list)
    tempos: list[WrittenTempo] = field(default_factory=list)
    navigation: Navigation = field(default_factory=Navigation)
    clef: str = ""
    double: bool = False
    multi_rest: bool = False

    @property
    def length(self) -> Fraction:
        """What the bar holds, in quarters."""
        return sum((one.length for one in self.events if one.grace is None), Fraction(0))


@dataclass(slots=True)
class Tune:
    """What was typed."""

    title: str = ""
    composer: str = ""
    bars: list[TypedBar] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

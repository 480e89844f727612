"""A part as it stands on the page: bars with repeats unopened, tied notes apart, pitches as written.

Every reader makes a :class:`WrittenPart`; :mod:`app.material.assembling` makes the playable piece from it, and the
notation writer can set it again. Positions and lengths are exact fractions of a quarter note.
"""

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from app.domain.piece import OrnamentKind
from app.material.pitch_names import Pitch

GraceKind = Literal["acciaccatura", "appoggiatura"]


@dataclass(frozen=True, slots=True)
class WrittenOrnament:
    """An ornament sign. The accidentals are those printed above and below it, in semitones; None: none printed."""

    kind: OrnamentKind
    accidental_above: int | None = None
    accidental_below: int | None = None
    other: Pitch | None = None  # the second pitch of a two-note tremolo


@dataclass(frozen=True, slots=True)
class WrittenNote:
    """One note head, chord or rest. ``pitches`` is empty for a rest, low to high for a chord."""

    onset: Fraction  # from the start of its bar
    length: Fraction  # 0 for a grace note
    pitches: tuple[Pitch, ...]
    head_ids: tuple[str, ...] = ()  # one per pitch, as engraved
    grace: GraceKind | None = None
    tie_from: bool = False  # every head is tied to the note before
    tie_to: bool = False  # one head at least is tied to the note after
    slurs_begun: tuple[int, ...] = ()  # each slur of a part has a number of its own
    slurs_ended: tuple[int, ...] = ()
    articulations: tuple[str, ...] = ()
    ornament: WrittenOrnament | None = None
    fermata: bool = False
    breath_after: bool = False
    tuplet: tuple[int, int] | None = None  # (3, 2): three in the time of two
    unpitched: bool = False
    printed_length: Fraction | None = None  # of the head itself where it differs from the sounding length

    @property
    def is_rest(self) -> bool:
        """Whether nothing sounds."""
        return not self.pitches

    @property
    def end(self) -> Fraction:
        """Where the note ends, from the start of its bar."""
        return self.onset + self.length


@dataclass(frozen=True, slots=True)
class Direction:
    """Something printed at a place of the bar. ``value`` depends on ``kind``.

    dynamic: "p"; hairpin: "crescendo", "diminuendo" or "stop"; words: the words.
    """

    onset: Fraction
    kind: Literal["dynamic", "hairpin", "words"]
    value: str


@dataclass(frozen=True, slots=True)
class WrittenTempo:
    """A metronome mark at a place of the bar; without a number (``beats_per_minute`` None) only words."""

    onset: Fraction
    beat_unit: Fraction  # quarters: 3/2 for a dotted quarter
    beats_per_minute: float
    text: str = ""
    printed: bool = True  # False: only a playback value of the file


@dataclass(frozen=True, slots=True)
class Navigation:
    """What leads a player from bar to bar other than straight on."""

    repeat_start: bool = False
    repeat_end: int = 0  # how many times the section is played in all; 0: no repeat sign
    endings: tuple[int, ...] = ()  # the passes for which this bar stands, empty: every pass
    segno: bool = False
    coda: bool = False
    to_coda: bool = False
    fine: bool = False
    jump: Literal["", "dacapo", "dalsegno"] = ""


@dataclass(frozen=True, slots=True)
class WrittenBar:
    """One printed bar."""

    number: str
    length: Fraction  # what it really holds
    beats: int
    beat_type: int
    fifths: int
    notes: tuple[WrittenNote, ...]  # in order; grace notes stand before the note they lead to
    directions: tuple[Direction, ...] = ()
    tempos: tuple[WrittenTempo, ...] = ()
    navigation: Navigation = field(default_factory=Navigation)
    transposition_semitones: int = 0
    clef: str = ""  # set where the clef is printed: treble | treble-8 | alto | tenor | bass | percussion
    pickup: bool = False  # begins on a later beat of the metre
    mode: str | None = None  # "minor" where the key signature says so
    barline: Literal["", "double"] = ""  # at its end, where no repeat and no ending says otherwise

    @property
    def metre_length(self) -> Fraction:
        """What the time signature asks for."""
        return Fraction(4 * self.beats, self.beat_type)


@dataclass(frozen=True, slots=True)
class WrittenPart:
    """One part of a page."""

    title: str
    bars: tuple[WrittenBar, ...]
    composer: str = ""
    warnings: tuple[str, ...] = ()


def felt_beat(beats: int, beat_type: int) -> Fraction:
    """Length of the felt beat in quarters: dotted in 6/8, 9/8, 12/8 and their like, else the metre's own unit.

    3/8 is felt in eighths (our choice; a fast 3/8 is felt in one, which the page does not say).
    """
    unit = Fraction(4, beat_type)
    return 3 * unit if beats % 3 == 0 and beats > 3 and beat_type >= 8 else unit

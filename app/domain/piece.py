"""A piece as a list of notes: the one thing the readers make and the listening follows.

Conventions: positions and lengths are in quarter notes from the start of the unfolded excerpt; ``written``
pitch is what the player reads, ``sounding`` pitch is what is measured. Repeats are unfolded, tied notes merged.
"""

from dataclasses import dataclass, field
from typing import Literal

OrnamentKind = Literal["trill", "mordent", "inverted-mordent", "turn", "inverted-turn", "tremolo"]


@dataclass(frozen=True, slots=True)
class Ornament:
    """What an ornamented note may bring besides its main pitch."""

    kind: OrnamentKind
    sounding_midi: tuple[int, ...]  # auxiliary pitches, sounding, main pitch excluded


@dataclass(frozen=True, slots=True)
class PieceNote:
    """One notated note after ties are merged, in the order it is to be played."""

    note_id: str  # unique in the unfolded piece: "n12", on a second pass "n12-2"
    bar: str  # printed bar number
    bar_index: int  # 0-based place of the bar in the unfolded order (identifies one pass of one bar)
    beat: float  # 1-based, in felt beats of the metre (dotted beats in compound metre)
    onset_quarters: float  # grace notes share the onset of the note they lead to
    length_quarters: float  # 0 for a grace note
    written_pitch: str  # "Bb4", "F#5": letter, accidental (# b ## bb), octave
    written_midi: int
    sounding_midi: int
    grace: bool = False
    ornament: Ornament | None = None
    slurred_from_previous: bool = False
    articulations: tuple[str, ...] = ()  # "staccato", "tenuto", "accent", "marcato", "staccatissimo"
    fermata: bool = False
    dynamic: str | None = None  # the printed marking in force: "p", "mf"
    hairpin: Literal["crescendo", "diminuendo"] | None = None
    breath_after: bool = False
    tied: bool = False  # made of two or more tied notes
    chord_sounding_midi: tuple[int, ...] = ()  # two or more pitches: a double stop, followed but not measured
    unpitched: bool = False
    engraved_ids: tuple[str, ...] = ()  # ids of the note heads in the engraving (several when tied)


@dataclass(frozen=True, slots=True)
class Bar:
    """One pass of one bar in the unfolded order."""

    index: int
    number: str
    onset_quarters: float
    length_quarters: float
    beats: int  # numerator of the time signature
    beat_type: int  # denominator
    felt_beat_quarters: float  # 1.5 in 6/8, 1 in 4/4
    fifths: int = 0  # written key signature, sharps positive
    pass_number: int = 1  # 2 on the second time through a repeat


@dataclass(frozen=True, slots=True)
class TempoMark:
    """A metronome mark: so many beats of a unit to the minute."""

    onset_quarters: float
    beat_unit_quarters: float  # 1.5 for a dotted quarter
    beats_per_minute: float
    text: str = ""

    @property
    def quarter_sec(self) -> float:
        """Seconds one quarter note lasts."""
        return 60.0 / (self.beats_per_minute * self.beat_unit_quarters)


@dataclass(frozen=True, slots=True)
class Phrase:
    """A phrase by note ids; the peak is the note the leader marked, or None."""

    start_note_id: str
    end_note_id: str
    peak_note_id: str | None = None
    guessed: bool = False  # from slurs, rests and breath marks instead of the leader's marks


@dataclass(frozen=True, slots=True)
class Piece:
    """What must be played, ready to be followed."""

    title: str
    instrument: str  # a key of ``app.material.instruments``
    transposition_semitones: int  # sounding minus written
    notes: tuple[PieceNote, ...]
    bars: tuple[Bar, ...]
    tempo_marks: tuple[TempoMark, ...]  # never empty; the first stands at 0
    phrases: tuple[Phrase, ...] = ()
    tonic_written: str | None = None  # pitch class of the drone as written: "D", "Bb"
    mode: str | None = None  # "major", "minor", ...
    warnings: tuple[str, ...] = field(default=())
    tempo_assumed: bool = False  # no metronome mark was printed: 96 to the quarter is assumed

    @property
    def length_quarters(self) -> float:
        """Length of the unfolded excerpt."""
        last = self.bars[-1]
        return last.onset_quarters + last.length_quarters

    @property
    def length_sec(self) -> float:
        """How long the unfolded excerpt takes at its marks; fermatas and breaths come on top."""
        starts = [0.0, *(mark.onset_quarters for mark in self.tempo_marks[1:]), self.length_quarters]
        return sum(
            mark.quarter_sec * max(0.0, min(end, self.length_quarters) - start)
            for mark, start, end in zip(self.tempo_marks, starts, starts[1:], strict=False)
        )

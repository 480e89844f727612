"""Frozen models of the printed sheets. Services fill them, the renderers draw them; nothing else goes in.

Equal models give equal bytes. :func:`model_hash` stands in every footer: it covers the model and the template
version, so a sheet can be checked against what was kept.
"""

import dataclasses
import hashlib
import json
from dataclasses import dataclass
from typing import Any, Literal

from app.domain.engraving import Engraving

TEMPLATE_VERSION = "5"  # raise it with every change that moves ink or gives a model another field

Paper = Literal["letter", "a4"]


@dataclass(frozen=True, slots=True)
class HeadMark:
    """What the lanes show under one note head."""

    engraved_id: str
    status: Literal["played", "wrong", "omitted"]
    cents: float | None = None  # above the notated pitch positive
    cents_look: bool = False  # worth a look: coloured, and printed where there is room
    timing_ms: float | None = None  # late positive
    timing_look: bool = False
    level_db: float | None = None
    heard: str | None = None  # written name of the pitch that stood in for it


@dataclass(frozen=True, slots=True)
class HeldMark:
    """A long note left early: the bracket runs from its head towards the next note as far as it was held."""

    engraved_id: str
    next_engraved_id: str | None
    ratio: float
    text: str


@dataclass(frozen=True, slots=True)
class ReturnMark:
    """The same written note coming back: a line between the two heads with the cents between them."""

    first_engraved_id: str
    second_engraved_id: str
    text: str  # beside the line
    text_alone: str  # when the first head stands in another system


@dataclass(frozen=True, slots=True)
class ChordMark:
    """A chord figure with a member that lay off: a bracket over its notes with both readings."""

    first_engraved_id: str
    last_engraved_id: str
    text: str


@dataclass(frozen=True, slots=True)
class LandingMark:
    """The note an ornament had to arrive on and how far off in time it came: a line from the ornament to it."""

    ornament_engraved_id: str | None
    engraved_id: str
    text: str


@dataclass(frozen=True, slots=True)
class PhraseMark:
    """One phrase: the peak the leader marked and the loudest note."""

    start_engraved_id: str
    end_engraved_id: str
    peak_engraved_id: str | None
    loudest_engraved_id: str | None


@dataclass(frozen=True, slots=True)
class BreakMark:
    """Where the playing left the score, in a word."""

    after_engraved_id: str
    text: str


@dataclass(frozen=True, slots=True)
class PartMarks:
    """Everything that the lanes of one part show."""

    heads: tuple[HeadMark, ...] = ()
    held: tuple[HeldMark, ...] = ()
    returns: tuple[ReturnMark, ...] = ()
    chords: tuple[ChordMark, ...] = ()
    landings: tuple[LandingMark, ...] = ()
    phrases: tuple[PhraseMark, ...] = ()
    breaks: tuple[BreakMark, ...] = ()
    look_cents: float = 12.0
    look_ms: float = 40.0
    level_low_db: float | None = None  # of the whole part: every system is drawn on this scale
    level_high_db: float | None = None


@dataclass(frozen=True, slots=True)
class TracedNote:
    """A note heard in a take without notation, with the nearest semitone (MIDI number at the take's own reference)."""

    note_id: str
    start_sec: float
    end_sec: float
    name: str  # as the player writes it: "B♭"
    semitone: int
    cents: float | None = None  # from that semitone, sharp positive
    look: bool = False  # worth a look: coloured, and printed where there is room
    level_db: float | None = None


@dataclass(frozen=True, slots=True)
class TracedArc:
    """The best rise and fall through the loudness of one breath: (start of a note in seconds, dB)."""

    points: tuple[tuple[float, float], ...]
    end_sec: float
    loudest_note_id: str | None = None


@dataclass(frozen=True, slots=True)
class SoundTrace:
    """Everything that the picture of a take without notation shows."""

    step_sec: float
    semitones: tuple[float | None, ...]  # MIDI numbers at the take's own reference; None: no sure tone
    notes: tuple[TracedNote, ...] = ()
    arcs: tuple[TracedArc, ...] = ()


@dataclass(frozen=True, slots=True)
class Finding:
    """A finding in words: bars, figure and doubt are in the sentence; ``weight`` ranks it among the others."""

    family: Literal["notes", "pitch", "rhythm", "musicianship", "tone"]
    sentence: str
    weight: float = 0.0


@dataclass(frozen=True, slots=True)
class Exercise:
    """One thing to practise: what, where, how."""

    kind: str
    title: str
    where: str  # "bars 3, 7"
    text: str
    weight: float = 0.0
    piece_title: str = ""


@dataclass(frozen=True, slots=True)
class PartOnSheet:
    """One piece on a comment sheet."""

    title: str
    heading: str  # "bars 1 to 16, dotted quarter = 52"
    engraving: Engraving | None
    marks: PartMarks | None
    findings: tuple[Finding, ...] = ()
    caption: str = ""  # how to read the lanes, what isn't shown
    why_no_findings: str | None = None
    short: bool = False  # a scale: the pitch lane only
    trace: SoundTrace | None = None  # in place of music where nobody typed the piece in


@dataclass(frozen=True, slots=True)
class CaptionRow:
    """One caption's marks. ``None`` in ``marks`` is a missing cell: recused or not given."""

    name: str
    marks: tuple[float | None, ...]  # one per adjudicator letter
    measured: float | None = None
    merged: float | None = None
    earned: str = ""  # the descriptor of the level reached; printed where there is one piece


@dataclass(frozen=True, slots=True)
class MarksBlock:
    """The marks for one piece, or for all pieces together."""

    title: str
    rows: tuple[CaptionRow, ...]


@dataclass(frozen=True, slots=True)
class OverallRow:
    """One caption over all pieces: the merged mark and the descriptor of the level it reached."""

    name: str
    merged: float | None
    earned: str = ""


@dataclass(frozen=True, slots=True)
class RemarkLine:
    """A sentence an adjudicator wrote."""

    letter: str
    text: str
    piece_title: str = ""
    bar: str | None = None


@dataclass(frozen=True, slots=True)
class CommentSheetModel:
    """The printed sheet one student takes home."""

    audition: str
    organisation: str
    held_on: str  # "14 November 2026"
    round_name: str
    blind_number: str
    student: str
    instrument: str
    letters: tuple[str, ...]
    blocks: tuple[MarksBlock, ...]
    overall: tuple[OverallRow, ...]  # the rubric's captions in order
    merged_total: float | None
    scale_low: int
    scale_high: int
    notes: tuple[str, ...] = ()  # "B did not score this candidate (recused)."
    remarks: tuple[RemarkLine, ...] = ()
    parts: tuple[PartOnSheet, ...] = ()
    practice: tuple[Exercise, ...] = ()
    why_no_practice: str | None = None
    progress: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    paper: Paper = "letter"
    detail: bool = False  # every system, however many pages
    language: str = "en-US"
    template_version: str = TEMPLATE_VERSION


@dataclass(frozen=True, slots=True)
class StandingLine:
    """One candidate of the ranked result. ``name`` is None before opening and on the number-only version."""

    place: str  # "3" or "3=" when tied
    blind_number: str
    name: str | None
    total: float | None
    captions: tuple[float | None, ...]
    adjudicators: tuple[float | None, ...]  # each letter's own total, None where recused
    place_value: float | None = None
    place_low: float | None = None
    place_high: float | None = None
    chance_of_seat: float | None = None
    seated: bool = False
    note: str = ""  # "absent", "no rank: ..."


@dataclass(frozen=True, slots=True)
class ScoreSheetModel:
    """The printed ranked result of a round."""

    audition: str
    organisation: str
    held_on: str
    round_name: str
    opened: str | None  # "opened 14 November 2026, 16:40 UTC", None while sealed
    lines: tuple[StandingLine, ...]
    caption_names: tuple[str, ...]
    letters: tuple[str, ...]
    seats: int | None
    brackets: tuple[tuple[str, ...], ...]  # blind numbers that the panel can't tell apart
    rule_sentence: str
    agreement_sentence: str
    sentences: tuple[str, ...] = ()  # what the standing says, most important first
    questions: tuple[str, ...] = ()  # places to listen again
    missing: tuple[str, ...] = ()
    yardsticks: tuple[str, ...] = ()
    seed: str | None = None
    seed_commitment: str | None = None
    rule_hash: str | None = None
    standing_hash: str | None = None
    audit_hash: str | None = None
    signatures: tuple[str, ...] = ()  # "A", "B", "Section leader"
    cautions: tuple[str, ...] = ()
    paper: Paper = "letter"
    language: str = "en-US"
    template_version: str = TEMPLATE_VERSION

    @property
    def is_shared(self) -> bool:
        """Whether ``letters`` are 1, 2, 3: each number was heard by a part of a panel too large for its letters."""
        return bool(self.letters) and self.letters[0].isdigit()


def model_to_dict(model: CommentSheetModel | ScoreSheetModel) -> dict[str, Any]:
    """The model as plain JSON values; an engraving is named by its digest."""

    def plain(value: Any) -> Any:
        if isinstance(value, Engraving):
            return {"engraving": value.digest}
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        if isinstance(value, tuple):
            return [plain(v) for v in value]
        return value

    return {"sheet": type(model).__name__, **plain(model)}


def model_hash(model: CommentSheetModel | ScoreSheetModel) -> str:
    """sha256 over the model's canonical JSON (sorted keys, UTF-8)."""
    text = json.dumps(model_to_dict(model), sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()

"""Findings: everything measured from one take. Made by ``app.listening``, read by all others.

A value the signal can't support is ``None`` and its reason stands beside it in words. Times are seconds from the
start of the take as stored. Ready for JSON through :func:`findings_to_dict`.
"""

import dataclasses
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

SCHEMA_VERSION = 1
UNPITCHED = "unpitched"  # why a stroke of unpitched percussion has no cents

NoteStatus = Literal["played", "wrong", "omitted"]
BreakKind = Literal["hesitation", "restart", "skip"]


@dataclass(frozen=True, slots=True)
class MeasuredNote:
    """One notated note and what was heard for it."""

    note_id: str
    bar: str
    beat: float
    written_pitch: str
    sounding_midi: int
    status: NoteStatus
    onset_sec: float | None = None
    offset_sec: float | None = None
    heard_midi: int | None = None
    deviation_cents: float | None = None  # from equal temperament at a4_hz_used; of the pitch heard when wrong
    deviation_uncertainty_cents: float | None = None  # about one standard deviation
    why_no_cents: str | None = None
    timing_ms: float | None = None  # against the local pulse, late positive
    timing_beats: float | None = None
    why_no_timing: str | None = None
    length_ratio: float | None = None  # onset to next onset over the notated length at the local pulse
    sounding_ratio: float | None = None  # onset to offset over the notated length
    level_db: float | None = None  # BS.1770 weighted
    grace: bool = False
    spread_cents: float | None = None
    slope_cents_per_sec: float | None = None
    scoop_cents: float | None = None
    vibrato_rate_hz: float | None = None
    vibrato_extent_cents: float | None = None  # peak to peak
    gap_ms: float | None = None  # silence before the next note, negative never


@dataclass(frozen=True, slots=True)
class ExtraNote:
    """Something played that stands nowhere."""

    onset_sec: float
    offset_sec: float
    sounding_midi: int | None


@dataclass(frozen=True, slots=True)
class Break:
    """A place where the playing left the score."""

    kind: BreakKind
    at_sec: float
    from_bar: str
    to_bar: str


@dataclass(frozen=True, slots=True)
class Findings:
    """All findings of one take. The four families are plain nested dictionaries with documented keys."""

    a4_hz_used: float
    a4_hz_fitted: float | None
    tempo_bpm_fitted: float | None  # in the beat unit of the piece's first metronome mark
    tempo_bpm_marked: float | None
    notes: tuple[MeasuredNote, ...]
    extra_notes: tuple[ExtraNote, ...]
    breaks: tuple[Break, ...]
    pitch: dict[str, Any]
    rhythm: dict[str, Any]
    musicianship: dict[str, Any]
    tone: dict[str, Any]
    warnings: tuple[str, ...]
    algorithm_version: str
    usable: bool = True  # False: no findings (wrong piece, silence); ``warnings`` says why
    marks: dict[str, Any] = field(default_factory=dict)  # filled by ``app.judging.yardsticks``
    duration_sec: float | None = None
    notated: bool = True  # False: nobody typed the piece in, so notes are those heard and bars mean nothing


def is_unpitched(notes: Iterable[Mapping[str, Any]]) -> bool:
    """Whether notes of a payload are unpitched percussion's: rhythm and level are judged, neither pitch nor tone."""
    heard = [note["why_no_cents"] for note in notes if note["status"] != "omitted"]
    return bool(heard) and all(why == UNPITCHED for why in heard)


def findings_to_dict(findings: Findings) -> dict[str, Any]:
    """The findings as plain JSON values; raises ``ValueError`` on a NaN or infinity, which are bugs."""
    out = {"schema_version": SCHEMA_VERSION, **dataclasses.asdict(findings)}
    _refuse_nan(out, "findings")
    return out


def findings_from_dict(values: dict[str, Any]) -> Findings:
    """The inverse of :func:`findings_to_dict`; unknown keys of a later version are refused."""
    if values.get("schema_version") != SCHEMA_VERSION:
        raise ValueError(f"findings of schema {values.get('schema_version')} can't be read by schema {SCHEMA_VERSION}")
    rest = {k: v for k, v in values.items() if k != "schema_version"}
    rest["notes"] = tuple(MeasuredNote(**n) for n in rest["notes"])
    rest["extra_notes"] = tuple(ExtraNote(**n) for n in rest["extra_notes"])
    rest["breaks"] = tuple(Break(**b) for b in rest["breaks"])
    rest["warnings"] = tuple(rest["warnings"])
    return Findings(**rest)


def _refuse_nan(value: Any, where: str) -> None:
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{where} is {value}")
    if isinstance(value, dict):
        for key, inner in value.items():
            _refuse_nan(inner, f"{where}.{key}")
    elif isinstance(value, (list, tuple)):
        for i, inner in enumerate(value):
            _refuse_nan(inner, f"{where}[{i}]")

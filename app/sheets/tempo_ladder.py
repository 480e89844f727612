"""Metronome arithmetic for practice: the click of a metre, the fastest clean tempo, the steps up to the mark."""

from dataclasses import dataclass

from app.domain.findings import Findings
from app.domain.piece import Piece, TempoMark

FASTEST_CLICK = 208.0  # the top of a pendulum metronome's scale (common practice)
CLEAN_BEATS = 0.12  # an onset within this part of a beat counts as clean; our choice
MOST_STEPS = 6  # our choice
SMALLEST_STEP = 2.0  # beats per minute; our choice


@dataclass(frozen=True, slots=True)
class Click:
    """How to set the metronome for a piece: clicks per minute and what one click stands for."""

    mark: TempoMark
    click_quarters: float
    clicks_per_minute: float


def click(piece: Piece) -> Click:
    """The subdivision that fits the metre: a dotted beat is clicked in three, a plain beat in two.

    Dotted quarter = N means clicks at 3 N to the eighth; quarter = N clicks at 2 N to the eighth, or at N to the
    quarter where 2 N runs off the metronome's scale.
    """
    mark = piece.tempo_marks[0]
    beat = piece.bars[0].felt_beat_quarters
    quarters_per_minute = mark.beats_per_minute * mark.beat_unit_quarters
    parts = 3 if is_dotted(beat) else 2
    unit = beat / parts
    if quarters_per_minute / unit > FASTEST_CLICK:
        unit = beat
    return Click(mark, unit, quarters_per_minute / unit)


def is_dotted(quarters: float) -> bool:
    """Whether a beat of this length has three parts: 0.75, 1.5, 3 and 6 quarters."""
    return any(abs(quarters - dotted) < 1e-9 for dotted in (0.375, 0.75, 1.5, 3.0, 6.0))


def fastest_clean_bpm(piece: Piece, findings: Findings) -> tuple[float, str] | None:
    """The highest tempo at which a bar was clean, in beats of the first metronome mark, with that bar's number.

    Clean: every note of the bar played as written and on the pulse, no break in it. The tempo comes from the tempo
    curve at the bar's first note, or from the whole take's where there is no curve.
    """
    by_bar: dict[str, list[int]] = {}
    for i, m in enumerate(findings.notes):
        by_bar.setdefault(m.bar, []).append(i)
    broken = {b.from_bar for b in findings.breaks} | {b.to_bar for b in findings.breaks}
    best: tuple[float, str] | None = None
    for bar, indices in by_bar.items():
        members = [findings.notes[i] for i in indices]
        if bar in broken or len(members) < 2:
            continue
        if any(m.status != "played" or (not m.grace and abs(m.timing_beats or 0.0) > CLEAN_BEATS) for m in members):
            continue
        onset = next((m.onset_sec for m in members if m.onset_sec is not None), None)
        tempo = _tempo_at(findings, onset)
        if tempo is not None and (best is None or tempo > best[0]):
            best = (tempo, bar)
    return best


def _tempo_at(findings: Findings, onset_sec: float | None) -> float | None:
    curve = findings.rhythm.get("tempo_curve") or []
    if not curve or onset_sec is None:
        return findings.tempo_bpm_fitted
    nearest = min(curve, key=lambda point: abs(point[0] - onset_sec))
    return float(nearest[1])


def ladder(start: float, goal: float) -> tuple[float, ...]:
    """Whole metronome numbers from ``start`` to ``goal`` in at most six even steps, none smaller than two beats."""
    low, high = round(min(start, goal)), round(goal)
    if high - low < SMALLEST_STEP:
        low = round(goal * 0.9)
    steps = max(1, min(MOST_STEPS - 1, int((high - low) / max(SMALLEST_STEP, 0.05 * high))))
    numbers = [round(low + (high - low) * i / steps) for i in range(steps + 1)]
    return tuple(float(n) for n in dict.fromkeys(numbers))

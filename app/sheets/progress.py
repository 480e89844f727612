"""Progress since the last mock audition: the same measures then and now, each with its doubt.

Pure: findings in, sentences out. A change smaller than its own doubt is called no change. A figure is compared only
where it means the same on both days: of the same pieces where there are such, and measured by the same version.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from app.domain.findings import Findings
from app.sheets.looks import SURE

FEWEST_NOTES = 8  # below this a mean says little; our choice
FEWEST_HELD = 3  # our choice


@dataclass(frozen=True, slots=True)
class Figure:
    """A mean over notes with its standard error; ``count`` notes went in."""

    value: float
    error: float
    count: int


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure as it is compared: its figure from findings, and its words."""

    name: str
    unit: str
    of: Callable[[Sequence[Findings]], Figure | None]
    better: str
    worse: str
    falls: bool  # a smaller figure is the better one
    digits: int = 0


def progress_sentences(
    now: Sequence[Findings], before: Sequence[Findings], *, since: str, same_pieces: bool, can_be_tuned: bool = True
) -> tuple[str, ...]:
    """What changed since ``since`` ("First round of Spring mock, 14 March 2026"); empty without anything to compare.

    Where the instrument can't be tuned (``can_be_tuned`` False) pitch is not compared: another one was played.
    """
    if {f.algorithm_version for f in now} != {f.algorithm_version for f in before}:
        if not now or not before:
            return ()
        return (
            f"Your takes of {since} were measured by another version, so their figures can't be laid beside these; "
            "your section leader can have them measured again.",
        )
    lines = [
        line
        for measure in MEASURES
        if can_be_tuned or measure.of is not pitch_distance
        if (line := _line(measure, now, before)) is not None
    ]
    if not lines:
        return ()
    what = "the same music" if same_pieces else "other music, which alone can move these figures"
    return (f"Against {since}, {what}. A change smaller than its doubt is no change.", *lines)


def _line(measure: Measure, now: Sequence[Findings], before: Sequence[Findings]) -> str | None:
    new, old = measure.of(now), measure.of(before)
    if new is None or old is None:
        return None
    change = new.value - old.value
    doubt = SURE * math.hypot(new.error, old.error)
    digits = measure.digits
    figures = f"{new.value:.{digits}f}{measure.unit} now, {old.value:.{digits}f} then"
    if abs(change) <= doubt or round(abs(change), digits) == 0:
        word = "no change"
    else:
        word = measure.better if (change < 0) == measure.falls else measure.worse
    # A doubt is rounded up: never smaller than it is.
    least = 10.0**-digits
    shown = max(least, math.ceil(doubt / least - 1e-9) * least)
    return f"{measure.name}: {figures} (a change counts from {shown:.{digits}f}): {word}."


def mean_figure(values: Sequence[float], doubts: Sequence[float], fewest: int) -> Figure | None:
    """Mean of values that each have a standard deviation of their own; None with fewer than ``fewest``."""
    count = len(values)
    if count < fewest:
        return None
    mean = sum(values) / count
    spread = sum((v - mean) ** 2 for v in values) / (count - 1)
    own = sum(d * d for d in doubts) / count
    return Figure(mean, math.sqrt((spread + own) / count), count)


def pitch_distance(takes: Sequence[Findings]) -> Figure | None:
    """Mean distance from the notated pitch over all notes judged, in cents."""
    notes = [n for f in takes for n in f.notes if n.status == "played" and n.deviation_cents is not None]
    return mean_figure(
        [abs(n.deviation_cents or 0.0) for n in notes],
        [n.deviation_uncertainty_cents or 0.0 for n in notes],
        FEWEST_NOTES,
    )


def time_distance(takes: Sequence[Findings]) -> Figure | None:
    """Mean distance from the pulse over all notes judged, in hundredths of a beat (so that tempos compare)."""
    beats = [abs(n.timing_beats) * 100.0 for f in takes for n in f.notes if not n.grace and n.timing_beats is not None]
    return mean_figure(beats, [0.0] * len(beats), FEWEST_NOTES)


def held_share(takes: Sequence[Findings]) -> Figure | None:
    """How much of their length held notes were given, in percent; a note held too long counts as whole."""
    held = [h for f in takes for h in f.rhythm.get("held_notes", ()) if h.get("ratio") is not None]
    return mean_figure(
        [100.0 * min(1.0, float(h["ratio"])) for h in held],
        [100.0 * float(h.get("uncertainty_ratio") or 0.0) for h in held],
        FEWEST_HELD,
    )


def right_notes(takes: Sequence[Findings]) -> Figure | None:
    """Share of the notes played as written, in percent.

    The error is that of a share with two notes added each way (Agresti and Coull 1998): none wrong is no certainty.
    """
    notes = [n for f in takes for n in f.notes]
    count = len(notes)
    if count < FEWEST_NOTES:
        return None
    played = sum(n.status == "played" for n in notes)
    near = (played + 2.0) / (count + 4.0)
    return Figure(100.0 * played / count, 100.0 * math.sqrt(near * (1.0 - near) / (count + 4.0)), count)


MEASURES = (
    Measure("Notes as written", " %", right_notes, "more of them", "fewer of them", falls=False),
    Measure("Distance from the pitch", " cents", pitch_distance, "closer", "farther off", falls=True, digits=1),
    Measure("Distance from the pulse", " % of a beat", time_distance, "closer", "farther off", falls=True, digits=1),
    Measure("Length given to held notes", " %", held_share, "fuller", "shorter", falls=False),
)

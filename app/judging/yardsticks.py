"""Yardsticks: the mark that one take's findings suggest, one named measure per caption.

A yardstick is piecewise linear from a measure of the findings to the rubric's scale and is printed on the score
sheet. The mark carries an interval from the measure's own uncertainty. Where the findings can't carry a mark, there
is none and the reason is said.

The default corner points are our choice, anchored where research gives an anchor:

* pitch, share of notes within 10 cents, and rhythm, share of notes in time: see :mod:`app.judging.shares`. A take
  without a miss is the top; below that the corner points are our choice, set so that a miss costs more near the top,
  as panels mark.
* musicianship, share of the phrase's level variance that one rise and fall explain (our choice; weight 0 by default).
* tone, harmonics-to-noise ratio; 20 dB is a sound 99 % periodic (Boersma 1993). It also depends on instrument, room and
  microphone, so it carries no weight unless the leader gives it one; the corner points are our choice.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.domain.errors import BadInput
from app.domain.findings import Findings
from app.domain.panel import MeasuredMark, Rubric, Yardstick
from app.judging.passages import bars_to_hear
from app.judging.rubric import HIGH, LOW
from app.judging.shares import IN_TIME_BEATS, IN_TIME_MS, IN_TUNE_CENTS, Share, share_in_time, share_in_tune

#: Fewer judged notes than this, or a smaller share of the piece's notes, say too little about a take. Our choice.
FEWEST_NOTES = 8
SMALLEST_SHARE = 0.5
#: Two-sided nine in ten for a median by order statistics: ranks n/2 -+ 1.645 sqrt(n)/2 (normal approximation).
Z_NINE_IN_TEN = 1.645
#: Half-width where the findings give no spread of their own. Our choice.
EVENNESS_HALF_WIDTH = 0.15
HNR_HALF_WIDTH_DB = 2.0

#: Measures counted here from the notes; all others are read from their family.
SHARES: dict[str, Callable[[Findings], Share]] = {
    "pitch.share_in_tune": share_in_tune,
    "rhythm.share_in_time": share_in_time,
}

_UNITS = {
    "pitch.share_in_tune": "share",
    "rhythm.share_in_time": "share",
    "pitch.median_abs_cents": "cents",
    "rhythm.median_abs_beats": "beats",
    "rhythm.median_abs_ms": "ms",
    "musicianship.evenness_median": "share of its variance",
    "tone.hnr_db": "dB",
}

MEASURE_WORDS = {
    "pitch.share_in_tune": f"share of notes within {IN_TUNE_CENTS:g} cents (wrong and left-out ones miss)",
    "rhythm.share_in_time": (
        f"share of notes within {IN_TIME_BEATS:g} beats or {IN_TIME_MS:g} ms of the pulse and held to their length "
        "(left-out ones and breaks miss)"
    ),
    "pitch.median_abs_cents": "median distance from the notated pitch",
    "rhythm.median_abs_beats": "median distance from the local pulse",
    "rhythm.median_abs_ms": "median distance from the local pulse",
    "musicianship.evenness_median": "how much of each phrase's loudness one rise and fall explain",
    "tone.hnr_db": "harmonics above noise",
}

_DEFAULTS: tuple[tuple[str, str, tuple[tuple[float, float], ...], str], ...] = (
    (
        "tone",
        "tone.hnr_db",
        ((0.0, 1.0), (8.0, 3.0), (14.0, 6.0), (20.0, 9.0), (25.0, 10.0)),
        "20 dB is 99 % periodic (Boersma 1993); corner points our choice",
    ),
    (
        "pitch",
        "pitch.share_in_tune",
        ((0.05, 1.0), (0.3, 3.0), (0.6, 5.5), (0.85, 8.0), (1.0, 10.0)),
        "10 cents: LSU dissertation 3723, Hill & Summers 2007; corner points our choice",
    ),
    (
        "rhythm",
        "rhythm.share_in_time",
        ((0.1, 1.0), (0.45, 3.0), (0.75, 5.5), (0.92, 8.0), (1.0, 10.0)),
        "twice the 2.5 % that is just noticeable (Friberg & Sundberg 1995); corner points our choice",
    ),
    (
        "musicianship",
        "musicianship.evenness_median",
        ((0.1, 1.0), (0.3, 3.0), (0.55, 5.5), (0.75, 8.0), (0.9, 10.0)),
        "our choice",
    ),
)


def default_yardsticks() -> dict[str, Yardstick]:
    """The default yardstick of each of the four captions, on the scale 1 to 10."""
    return {
        caption: Yardstick(caption, measure, _UNITS[measure], points, source)
        for caption, measure, points, source in _DEFAULTS
    }


def validate_yardsticks(values: Mapping[str, Any], rubric: Rubric | None = None) -> dict[str, Yardstick]:
    """Yardsticks from JSON ``{caption: {"measure", "points": [[value, mark], ...]}}``; ``BadInput`` otherwise."""
    if not isinstance(values, Mapping):
        raise BadInput("The yardsticks must be an object with one entry per caption.")
    out: dict[str, Yardstick] = {}
    for caption, item in values.items():
        if rubric is not None and caption not in rubric.keys:
            raise BadInput(
                f"A yardstick names the caption '{caption}', but the rubric scores {', '.join(rubric.keys)}."
            )
        if not isinstance(item, Mapping):
            raise BadInput(f"The yardstick of {caption} must be an object with measure and points.")
        measure = item.get("measure")
        if measure not in _UNITS:
            raise BadInput(f"'{measure}' is no measure a yardstick can use; use one of {', '.join(_UNITS)}.")
        points = _points(caption, item.get("points"), rubric)
        out[str(caption)] = Yardstick(
            str(caption), measure, _UNITS[measure], points, str(item.get("source", "declared"))
        )
    return out


def scaled(yardstick: Yardstick, low: float, high: float) -> Yardstick:
    """A default yardstick (made for 1 to 10) stretched to the scale ``low`` to ``high``."""
    points = tuple((x, low + (mark - LOW) * (high - low) / (HIGH - LOW)) for x, mark in yardstick.points)
    return Yardstick(yardstick.caption, yardstick.measure, yardstick.unit, points, yardstick.source)


def mark_on(yardstick: Yardstick, value: float) -> float:
    """The mark at ``value`` (in the measure's unit); beyond both ends the end marks hold."""
    xs, ys = zip(*yardstick.points, strict=True)
    return float(np.interp(value, xs, ys))


def yardsticks_in_force(
    rubric_scale: tuple[int, int] = (LOW, HIGH), declared: Mapping[str, Yardstick] | None = None
) -> dict[str, Yardstick]:
    """The defaults stretched to the scale (lowest, highest mark), with the declared ones in their captions' place."""
    return {c: scaled(y, *rubric_scale) for c, y in default_yardsticks().items()} | dict(declared or {})


def measured_marks(
    findings: Findings,
    rubric_scale: tuple[int, int] = (LOW, HIGH),
    yardsticks: Mapping[str, Yardstick] | None = None,
) -> dict[str, MeasuredMark]:
    """The measured mark of every caption that has a yardstick: {caption: :class:`MeasuredMark`}.

    ``rubric_scale`` is (lowest, highest mark). ``yardsticks`` empty or ``None`` means the defaults, stretched to that
    scale; declared ones are taken as they are, for the captions they name, with the defaults for the others.
    """
    low, high = rubric_scale
    rulers = yardsticks_in_force(rubric_scale, yardsticks)
    return {caption: _measured(findings, ruler, low, high) for caption, ruler in rulers.items()}


def yardstick_sentence(ruler: Yardstick, name: str) -> str:
    """The yardstick as a score sheet prints it; ``name`` is the caption's name."""
    return f"{name}: {MEASURE_WORDS[ruler.measure]}: {yardstick_points(ruler)}; {ruler.source}."


def yardstick_points(ruler: Yardstick) -> str:
    """The corner points in words: "60 % give 5.5, 85 % give 8" or "10 cents give 8"."""
    if ruler.measure in SHARES:
        return ", ".join(f"{100 * value:g} % give {mark:g}" for value, mark in ruler.points)
    return ", ".join(f"{value:g} {ruler.unit} give {mark:g}" for value, mark in ruler.points)


def _measured(findings: Findings, ruler: Yardstick, low: float, high: float) -> MeasuredMark:
    def none(why: str, value: float | None = None) -> MeasuredMark:
        return MeasuredMark(ruler.caption, ruler.measure, ruler.unit, value=value, why_null=why)

    if not findings.usable:
        return none(findings.warnings[0] if findings.warnings else "this take has no findings")
    family_name, _, key = ruler.measure.partition(".")
    family: dict[str, Any] = getattr(findings, family_name)
    if family.get("why_no_mark"):  # a figure that is worth telling and still no ground for a mark
        return none(str(family["why_no_mark"]))
    spread: tuple[float, float] | str
    if ruler.measure in SHARES:
        share = SHARES[ruler.measure](findings)
        expected = sum(not n.grace for n in findings.notes)
        if not share.judged:
            return none(family.get("why_null") or f"no note could be judged for {ruler.caption}")
        value, spread = share.value, _too_few(share.judged, expected, ruler.caption) or share.interval
    else:
        found = family.get(key)
        if found is None or not math.isfinite(found):
            return none(family.get("why_null") or f"the findings hold no {ruler.measure}")
        value = float(found)
        spread = _SPREADS[ruler.measure](findings, value)
    if isinstance(spread, str):
        return none(spread, value)
    ends = [mark_on(ruler, edge) for edge in spread]
    mark = mark_on(ruler, value)
    return MeasuredMark(
        caption=ruler.caption,
        measure=ruler.measure,
        unit=ruler.unit,
        value=value,
        mark=min(max(mark, low), high),
        low=max(min(*ends, mark), low),
        high=min(max(*ends, mark), high),
        bars=bars_to_hear(findings, ruler.caption),
    )


def _median_interval(values: NDArray[np.float64], value: float, extra: float) -> tuple[float, float]:
    """Nine-in-ten interval of a median of distances [n] by order statistics, widened by ``extra`` (same unit)."""
    n = len(values)
    half = Z_NINE_IN_TEN * math.sqrt(n) / 2
    ordered = np.sort(values)
    below = float(ordered[max(math.floor(n / 2 - half), 0)])
    above = float(ordered[min(math.ceil(n / 2 + half), n - 1)])
    low = value - math.hypot(max(value - below, 0.0), extra)
    high = value + math.hypot(max(above - value, 0.0), extra)
    return max(low, 0.0), high


def _too_few(judged: int, expected: int, what: str) -> str | None:
    if judged < FEWEST_NOTES:
        return f"only {judged} notes could be judged for {what}; {FEWEST_NOTES} are needed"
    if judged < SMALLEST_SHARE * expected:
        return f"only {judged} of {expected} notes could be judged for {what}; at least half are needed"
    return None


def _pitch_spread(findings: Findings, value: float) -> tuple[float, float] | str:
    """From the notes' distances in cents and the typical uncertainty of one note."""
    notes = [n for n in findings.notes if n.status == "played" and n.deviation_cents is not None]
    expected = sum(not n.grace for n in findings.notes)
    few = _too_few(len(notes), expected, "pitch")
    if few:
        return few
    off = np.array([abs(n.deviation_cents or 0.0) for n in notes])
    own = [n.deviation_uncertainty_cents for n in notes if n.deviation_uncertainty_cents is not None]
    return _median_interval(off, value, float(np.median(own)) if own else 0.0)


def _timing_spread(field: str) -> Callable[[Findings, float], tuple[float, float] | str]:
    def spread(findings: Findings, value: float) -> tuple[float, float] | str:
        off = [abs(v) for n in findings.notes if (v := getattr(n, field)) is not None and n.status != "omitted"]
        expected = sum(not n.grace for n in findings.notes)
        return _too_few(len(off), expected, "rhythm") or _median_interval(np.array(off), value, 0.0)

    return spread


def _evenness_spread(findings: Findings, value: float) -> tuple[float, float] | str:
    """From the phrases' own values: their whole range while there are few, never narrower than our choice."""
    each = [p["evenness"] for p in findings.musicianship.get("phrases", []) if p.get("evenness") is not None]
    if not each:
        return "no phrase has a loudness shape that could be judged"
    own = [p["evenness_uncertainty"] for p in findings.musicianship["phrases"] if p.get("evenness_uncertainty")]
    half = max(EVENNESS_HALF_WIDTH, Z_NINE_IN_TEN * max(own, default=0.0)) / math.sqrt(len(each))
    low, high = value - half, value + half
    if len(each) > 1:
        low, high = _widen(_median_interval(np.array(each, dtype=float), value, half), low, high)
    return max(low, 0.0), min(high, 1.0)


def _widen(interval: tuple[float, float], low: float, high: float) -> tuple[float, float]:
    return min(interval[0], low), max(interval[1], high)


def _hnr_spread(findings: Findings, value: float) -> tuple[float, float] | str:
    own = (findings.tone.get("uncertainty") or {}).get("hnr_db")
    half = max(HNR_HALF_WIDTH_DB, Z_NINE_IN_TEN * (own or 0.0))
    return value - half, value + half


_SPREADS: dict[str, Callable[[Findings, float], tuple[float, float] | str]] = {
    "pitch.median_abs_cents": _pitch_spread,
    "rhythm.median_abs_beats": _timing_spread("timing_beats"),
    "rhythm.median_abs_ms": _timing_spread("timing_ms"),
    "musicianship.evenness_median": _evenness_spread,
    "tone.hnr_db": _hnr_spread,
}


def _points(caption: object, values: object, rubric: Rubric | None) -> tuple[tuple[float, float], ...]:
    if not isinstance(values, Sequence) or isinstance(values, str) or len(values) < 2:
        raise BadInput(f"The yardstick of {caption} needs at least two points [value, mark].")
    points: list[tuple[float, float]] = []
    for point in values:
        pair = list(point) if isinstance(point, (list, tuple)) else []
        if len(pair) != 2 or any(
            isinstance(v, bool) or not isinstance(v, (int, float)) or not math.isfinite(v) for v in pair
        ):
            raise BadInput(f"Every point of the yardstick of {caption} must be two numbers, [value, mark].")
        points.append((float(pair[0]), float(pair[1])))
    xs, marks = [p[0] for p in points], [p[1] for p in points]
    if any(b <= a for a, b in pairwise(xs)):
        raise BadInput(f"The values of the yardstick of {caption} must rise from point to point.")
    steps = [b - a for a, b in pairwise(marks)]
    if any(s > 0 for s in steps) and any(s < 0 for s in steps):
        raise BadInput(f"The marks of the yardstick of {caption} must only rise or only fall.")
    if rubric is not None and not all(rubric.low <= m <= rubric.high for m in marks):
        raise BadInput(f"A mark of the yardstick of {caption} is off the scale {rubric.low} to {rubric.high}.")
    return tuple(points)

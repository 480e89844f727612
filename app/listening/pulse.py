"""The local pulse: a smooth tempo curve through the onsets that were played.

The model has, at every onset, a place on the pulse (``phase``) and a tempo (seconds per beat). Tempo bends smoothly
over some beats; the phase follows the tempo except where the player shifts the pulse at once (a held note left early,
and all that follows comes early), and a played onset lies on the phase except where one note is late or early. Both
exceptions are rare and large, so both residuals are weighted as Student's t distribution would have them (iteratively
reweighted least squares): one late note moves nothing, and a shifted pulse is a shift, not a change of tempo.

Positions are in *beats*: felt beats of the first bar, with printed tempo changes taken out.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from app.domain.piece import Piece
from app.listening.robust import spread, weighted_median

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Our choices, set on simulated players with rubato, late notes and shortened holds.
SMOOTH_BEATS = 1.0  # the curve follows tempo waves longer than about six times this
HELD_REACH_BEATS = 12.0  # either side of a held note
HELD_SMOOTH_BEATS = 1.0  # around a held note: longer errs by twice as much under rubato, shorter follows odd neighbours
TIMING_FLOOR_BEATS, TIMING_FLOOR_SEC = 0.012, 0.006  # least scale of onset residuals; 6 ms: Friberg & Sundberg 1995
SHIFT_SCALE = 0.2  # scale of small phase shifts against that of onset residuals
TIMING_FREEDOM, SHIFT_FREEDOM = 3.0, 1.5  # degrees of freedom of the two t distributions
ROUNDS = 30
SETTLED = 0.01  # of the residuals' scale: further rounds change nothing worth a word
BACK_SHARE = 0.4  # what may be left of a late note when the pulse is back
TEMPO_BEND = 0.02  # share of the tempo that neighbouring intervals may differ by
MEDIAN_REACH_BEATS = 5.0  # either side, for the first guess of the tempo
WILD = 3.5  # scales off the first guess from which an onset or a shift starts with little weight
WAVE_SHARE = 2.0  # the fitted curve shows about half of a wave that is a few beats long
LEAST_ONSETS = 4  # in one stretch between breaks
GIVEN_DOUBT = 0.001  # relative, of a metronome's beat


@dataclass(frozen=True, slots=True)
class Pulse:
    """A pulse fitted to onsets. Arrays [n] follow the onsets given; ``judged`` is False where nothing can be said."""

    beats: FloatArray
    times_sec: FloatArray
    phase_sec: FloatArray  # where the pulse puts each onset, after any shift before it
    expected_sec: FloatArray  # where the pulse before it puts each onset; NaN after a break
    beat_sec: FloatArray  # seconds per beat
    judged: BoolArray
    noise_sec: float  # robust scale of the onsets about the pulse
    given: bool = False  # a click's grid, not fitted to the onsets


def beats_of(piece: Piece, quarters: FloatArray) -> FloatArray:
    """Positions ``quarters`` [n] in felt beats of the first bar, with printed tempo changes taken out.

    Under a later mark that is twice as fast a beat counts half, so an even performance has one even tempo.
    """
    first = piece.tempo_marks[0]
    starts = [0.0] + [mark.onset_quarters for mark in piece.tempo_marks[1:]]
    out = np.zeros(quarters.shape, dtype=np.float64)
    for mark, start, end in zip(piece.tempo_marks, starts, [*starts[1:], np.inf], strict=True):
        out += np.clip(quarters - start, 0.0, end - start) * (mark.quarter_sec / first.quarter_sec)
    return out / piece.bars[0].felt_beat_quarters


def fit_pulse(
    beats: FloatArray, times_sec: FloatArray, free: BoolArray, *, smooth_beats: float = SMOOTH_BEATS
) -> Pulse | None:
    """The pulse through onsets at ``beats`` [n] played at ``times_sec`` [n]; None when there are too few.

    ``free`` [n - 1] marks intervals that say nothing about the pulse (a break, a fermata, a held note left out).
    Beats must rise along every stretch between free intervals.
    """
    n = beats.size
    if n < LEAST_ONSETS:
        return None
    step = np.where(free, 1.0, np.diff(beats))
    usable = ~free & (step > 1e-6)
    if usable.sum() < 2:
        return None
    intervals = np.diff(times_sec)
    beat = weighted_median(intervals[usable] / step[usable], step[usable])
    z = times_sec / beat
    density = _share_of_beat(step, free)
    floor = max(TIMING_FLOOR_BEATS, TIMING_FLOOR_SEC / beat)
    phase, tempo, scale = _fitted(z, step, usable, density, floor, smooth_beats**4)
    expected = np.full(n, np.nan)
    expected[1:] = np.where(usable, phase[:-1] + step * 0.5 * (tempo[1:] + tempo[:-1]), np.nan)
    judged = _long_stretches(usable)
    first = np.concatenate([[True], ~usable])
    expected[first] = phase[first]  # the first of a stretch lies where the rest of it says
    return Pulse(beats, times_sec, phase * beat, expected * beat, tempo * beat, judged, float(scale * beat))


def beat_without(pulse: Pulse, interval: int, free: BoolArray) -> tuple[float, float] | None:
    """Seconds per beat over ``interval`` (between onsets i and i + 1) from a pulse that does not know this interval.

    Returns the value and its relative standard deviation, or None when too few onsets lie around it.
    """
    if pulse.given:
        return float(pulse.beat_sec[interval]), GIVEN_DOUBT
    n = pulse.beats.size
    a = max(0, min(int(np.searchsorted(pulse.beats, pulse.beats[interval] - HELD_REACH_BEATS)), interval - 12))
    b = min(n, max(int(np.searchsorted(pulse.beats, pulse.beats[interval + 1] + HELD_REACH_BEATS)), interval + 14))
    left_out = free[a : b - 1].copy()
    here = interval - a
    left_out[here] = True
    beats = pulse.beats[a:b] - pulse.beats[a]
    found = fit_pulse(beats, pulse.times_sec[a:b], left_out, smooth_beats=HELD_SMOOTH_BEATS)
    if found is None:
        return None
    used = np.flatnonzero(~left_out & (np.diff(beats) > 1e-6))
    near = used[np.abs(beats[used] - beats[here]) <= 3.0 * HELD_SMOOTH_BEATS]
    if near.size < 3:
        return None
    value = float(0.5 * (found.beat_sec[here] + found.beat_sec[here + 1]))
    ratios = np.diff(found.times_sec)[near] / (np.diff(beats)[near] * found.beat_sec[near])
    span = float(np.sum(np.diff(beats)[near]))
    scatter = min(spread(ratios), 0.3) / np.sqrt(near.size)
    # Tempo that waves around the note can't be known inside it.
    around = np.abs(pulse.beats - 0.5 * (pulse.beats[interval] + pulse.beats[interval + 1])) <= 4.0
    waving = WAVE_SHARE * float(np.std(pulse.beat_sec[around])) / value
    return value, float(np.sqrt(scatter**2 + (found.noise_sec / value / max(span, 1.0)) ** 2 + waving**2))


def expected_without(pulse: Pulse, onset: int, free: BoolArray) -> float | None:
    """Where a pulse that does not know onset ``onset`` puts it (s); None after a break or with too few onsets around.

    A late note pulls the curve it is part of a little towards itself; read this way it is as late as it was played.
    """
    if pulse.given:
        return float(pulse.expected_sec[onset])
    if onset == 0 or free[onset - 1]:
        return None
    a = max(0, min(int(np.searchsorted(pulse.beats, pulse.beats[onset] - HELD_REACH_BEATS)), onset - 12))
    b = min(pulse.beats.size, max(int(np.searchsorted(pulse.beats, pulse.beats[onset] + HELD_REACH_BEATS)), onset + 14))
    kept = np.delete(np.arange(a, b), onset - a)
    breaks = np.delete(free[a : b - 1], onset - 1 - a)  # the interval before the onset, which is not free
    found = fit_pulse(pulse.beats[kept] - pulse.beats[a], pulse.times_sec[kept], breaks)
    before = onset - 1 - a
    if found is None or not found.judged[before]:
        return None
    tempo = found.beat_sec[before]
    step = float(pulse.beats[onset] - pulse.beats[onset - 1])
    if onset + 1 < b and not free[onset]:  # the tempo at the onset itself lies between its neighbours'
        whole = float(pulse.beats[onset + 1] - pulse.beats[onset - 1])
        tempo += 0.5 * step / whole * (found.beat_sec[before + 1] - tempo)
    return float(found.phase_sec[before] + step * tempo)


@njit(cache=True)
def _fitted(z, step, usable, density, floor, stiffness):  # type: ignore[no-untyped-def]
    """Phase [n], tempo [n] and the scale of the onsets about the phase, all in beats."""
    on_weight, shift_weight, scale = _first_weights(z, step, usable, floor)
    phase, tempo = z.copy(), np.ones(z.size)
    for _ in range(ROUNDS):
        before = phase
        phase, tempo = _solve(z, step, density * on_weight, shift_weight / SHIFT_SCALE**2, usable, stiffness)
        off = z - phase
        shift = np.diff(phase) - step * 0.5 * (tempo[1:] + tempo[:-1])
        scale = max(floor, min(scale, 1.5 * spread(off)))
        on_weight = (TIMING_FREEDOM + 1.0) / (TIMING_FREEDOM + (off / scale) ** 2)
        shift_sizes = shift / (SHIFT_SCALE * scale * np.sqrt(np.minimum(np.maximum(step, 0.25), 4.0)))
        shift_weight = (SHIFT_FREEDOM + 1.0) / (SHIFT_FREEDOM + shift_sizes**2)
        if np.max(np.abs(phase - before)) < SETTLED * scale:
            break
    return phase, tempo, scale


@njit(cache=True)
def _first_weights(z, step, usable, floor):  # type: ignore[no-untyped-def]
    """Starting weights of onsets [n] and shifts [n - 1], and a first scale, from a running median of the tempo.

    Intervals that are off and make up for each other are one or two late (or early) notes; one alone is a shift of the
    pulse.
    """
    n = z.size
    interval = np.diff(z)
    place = np.zeros(n)
    place[1:] = np.cumsum(step)
    middle = 0.5 * (place[1:] + place[:-1])
    surplus = _surplus(interval, step, usable, middle, floor)
    scale = max(floor, spread(surplus[usable]) / np.sqrt(2.0))
    wild = np.abs(surplus) > WILD * scale
    on_weight, shift_weight = np.ones(n), np.ones(n - 1)
    taken = np.zeros(n - 1, np.bool_)
    for length in (1, 2):  # onsets that lie off together before the pulse is back
        for i in range(n - 1 - length):
            after = i + length + 1
            if not (wild[i] and wild[i + length]) or taken[i:after].any() or not usable[i:after].all():
                continue
            if abs(surplus[i:after].sum()) < BACK_SHARE * np.abs(surplus[i:after]).max():
                on_weight[i + 1 : after] = (scale / np.abs(surplus[i:after]).max()) ** 2
                taken[i:after] = True
    for i in range(n - 1):
        if wild[i] and not taken[i]:
            shift_weight[i] = 1.0 / (surplus[i] / (SHIFT_SCALE * scale)) ** 2
    return on_weight, shift_weight, scale


@njit(cache=True)
def _surplus(interval, step, usable, middle, floor):  # type: ignore[no-untyped-def]
    """How much longer each interval [n - 1] is than the tempo most of its neighbours agree on.

    That tempo is sought from the weighted median towards where the intervals lie closest (biweight). An interval's own
    doubt is two jittering onsets over its length, and a little for tempo that bends.
    """
    m = interval.size
    out = np.zeros(m)
    for i in range(m):
        if not usable[i]:
            continue
        a = min(np.searchsorted(middle, middle[i] - MEDIAN_REACH_BEATS), max(0, i - 3))
        b = min(m, max(np.searchsorted(middle, middle[i] + MEDIAN_REACH_BEATS), i + 4))
        near = np.flatnonzero(usable[a:b]) + a
        ratio = interval[near] / step[near]
        doubt = np.sqrt(2.0 * (floor / step[near]) ** 2 + TEMPO_BEND**2)
        weight = 1.0 / doubt**2
        order = np.argsort(ratio)
        half = np.cumsum(weight[order]) - 0.5 * weight[order]
        value = np.interp(0.5 * weight.sum(), half, ratio[order])
        for reach in (6.0, 5.0, 4.0, 4.0):
            total, mass = 0.0, 0.0
            for j in range(near.size):
                closeness = 1.0 - ((ratio[j] - value) / (reach * doubt[j])) ** 2
                if closeness > 0.0:
                    total += closeness**2 * weight[j] * ratio[j]
                    mass += closeness**2 * weight[j]
            if mass <= 0.0:
                break
            value = total / mass
        out[i] = interval[i] - step[i] * value
    return out


def _share_of_beat(step: FloatArray, free: BoolArray) -> FloatArray:
    """How much of a beat each onset stands for [n], so that many short notes don't stiffen the curve."""
    inner = np.where(free, 1.0, step)
    before = np.concatenate([inner[:1], inner])
    after = np.concatenate([inner, inner[-1:]])
    return np.asarray(np.clip(0.5 * (before + after), 0.2, 1.0))


def _long_stretches(usable: BoolArray) -> BoolArray:
    """Which onsets [n] lie in a stretch of at least ``LEAST_ONSETS`` between breaks."""
    stretch = np.concatenate([[0], np.cumsum(~usable)])
    counts = np.bincount(stretch)
    return np.asarray(counts[stretch] >= LEAST_ONSETS)


@njit(cache=True)
def _solve(z, step, on, shift, usable, stiffness):  # type: ignore[no-untyped-def]
    """Weighted least squares for phase and tempo [n] each: a banded system, solved in place by Cholesky.

    The unknowns alternate, p0 r0 p1 r1 and so on; ``band[i, d]`` is the element d places right of the diagonal.
    """
    n = z.size
    size = 2 * n
    band = np.zeros((size, 4))
    x = np.zeros(size)
    for i in range(n):
        band[2 * i, 0] += on[i]
        x[2 * i] += on[i] * z[i]
        # A faint pull to the median tempo keeps lone onsets between breaks solvable.
        band[2 * i + 1, 0] += 1e-6
        x[2 * i + 1] += 1e-6
    for i in range(n - 1):
        d = max(step[i], 0.05)
        if usable[i]:
            # Phase goes on by the tempo: (p1 - p0 - d (r0 + r1) / 2)^2 * w
            w = shift[i] / d
            half = 0.5 * step[i]
            parts = (-1.0, -half, 1.0, -half)
            for a in range(4):
                for b in range(a, 4):
                    band[2 * i + a, b - a] += w * parts[a] * parts[b]
        # Tempo bends little: (r1 - r0)^2 * stiffness / d; across a break it may change more.
        bend = stiffness / d * (1.0 if usable[i] else 0.25)
        band[2 * i + 1, 0] += bend
        band[2 * i + 3, 0] += bend
        band[2 * i + 1, 2] -= bend
    for i in range(size):
        for d in range(1, min(4, size - i)):
            factor = band[i, d] / band[i, 0]
            for e in range(d, min(4, size - i)):
                band[i + d, e - d] -= factor * band[i, e]
            x[i + d] -= factor * x[i]
    for i in range(size - 1, -1, -1):
        for d in range(1, min(4, size - i)):
            x[i] -= band[i, d] * x[i + d]
        x[i] /= band[i, 0]
    return x[0::2].copy(), x[1::2].copy()

"""The pitch of one note: the energy-weighted mean of its steady part over whole vibrato cycles.

Listeners place a note with vibrato at its mean (Geringer 2012), so vibrato is averaged over whole cycles and never
punished. Without vibrato the middle value (median) of the steady part stands for the mean: a start that is still
settling would pull a mean, and on an even tone the two are the same.

All cents here are against equal temperament at A4 = 440 Hz of the pitch that was heard; the caller moves them to the
audition's reference. Whatever the signal can't support is ``None`` with a reason in words.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.units import A4_HZ, midi_to_hz
from app.listening.followed import Features
from app.listening.robust import spread

FloatArray = NDArray[np.float64]

# Our choices, set on synthesised takes; the errors they lead to are measured by benchmarks/listening.py.
LONGEST_OFF_CENTS = 90.0  # a frame further than this from the note's own tuning shows another pitch
SHORTEST_NOTE_SEC = 0.075
SHORTEST_STEADY_SEC = 0.03
SHORTEST_PERIODS = 5.0  # a pitch needs this many periods of steady tone
SPEAKS_DB = 6.0  # a note has spoken when its level is this close to its first peak
SPEAKS_WITHIN_SEC = 0.3
SETTLES_SEC = 0.06  # after it has spoken
SLUR_SETTLES_SEC = 0.035  # after a slur's change of pitch
END_GUARD_SEC = 0.045  # the end of a note is told to a few hundredths of a second
SHORT_PART = (0.4, 0.85)  # of a note too short for these guards
LEAST_CONFIDENCE = 0.6
LEAST_SHARE_HEARD = 0.55  # of the steady part's frames
UNSTEADY_CENTS = 35.0  # spread without vibrato beyond which a note has no one pitch
EDGE_TOLERANCE_CENTS = 20.0
EDGE_TOLERANCE_SPREADS = 3.5
LONGEST_EDGE_SHARE = 0.4
WEIGHT_RANGE_DB = 20.0  # frames this far below the loudest count least
FLOOR_CENTS, SHORT_CENTS_SEC, WANDER_SHARE, VIBRATO_SHARE = 0.08, 0.09, 0.3, 0.06  # fitted, see uncertainty
EDGE_SEC = 0.02  # at either end of a note, where the neighbours still sound
SLOPE_FROM_SEC = 0.25
SCOOP_FROM_SEC = 0.2
SCOOP_WINDOW_SEC = 0.03

# Vibrato: strings 4-7.5 Hz, students 5-6, artists 6-7 (MacLeod); a little wider is looked at.
VIBRATO_LOWEST_HZ, VIBRATO_HIGHEST_HZ = 3.5, 9.0
VIBRATO_STEP_HZ = 0.1  # grid on which the rate is sought before it is read between
VIBRATO_CYCLES = 2.0  # fewer can't be told from a bend: our choice
VIBRATO_LEAST_CENTS = 6.0  # peak to peak, our choice
VIBRATO_LEAST_SHARE = 0.5  # of the contour's variance, our choice

TOO_SHORT = "too short to judge pitch"
NOT_STEADY = "voice not steady"
NOT_HEARD = "pitch not heard clearly"
DOUBLE_STOP = "two or more pitches at once: not measured"
OMITTED = "not played"


@dataclass(frozen=True, slots=True)
class NotePitch:
    """Pitch of one note. ``cents`` is against A4 = 440 Hz; None with ``why`` when it can't be told."""

    cents: float | None
    why: str | None = None
    uncertainty_cents: float | None = None  # about one standard deviation
    spread_cents: float | None = None
    slope_cents_per_sec: float | None = None
    scoop_cents: float | None = None  # start against the steady part; below is negative
    vibrato_rate_hz: float | None = None
    vibrato_extent_cents: float | None = None  # peak to peak
    steadiness_cents: float | None = None  # spread left when vibrato and slope are taken out
    steady_start_sec: float | None = None
    steady_end_sec: float | None = None


@dataclass(frozen=True, slots=True)
class Vibrato:
    """A sinusoid found in a pitch contour."""

    rate_hz: float
    extent_cents: float  # peak to peak
    share: float  # of the contour's variance that it explains


def measure_note(
    features: Features,
    onset_sec: float,
    offset_sec: float,
    heard_midi: int,
    tuning_cents: float,
    *,
    slurred: bool = False,
) -> NotePitch:
    """Pitch of the note between two moments (s) of the take.

    ``tuning_cents`` is the take's own reference against 440 Hz: frames are looked for around it.
    ``slurred``: no attack of its own, so no scoop is read.
    """
    length = offset_sec - onset_sec
    if length < SHORTEST_NOTE_SEC:
        return NotePitch(None, TOO_SHORT)
    first, last = np.searchsorted(features.times_sec, [onset_sec, offset_sec])
    times = features.times_sec[first:last]
    hz = features.f0_hz[first:last]
    cents = _cents(hz, midi_to_hz(heard_midi, A4_HZ))
    heard = np.isfinite(cents) & (np.abs(cents - tuning_cents) <= LONGEST_OFF_CENTS)
    heard &= features.confidence[first:last] >= LEAST_CONFIDENCE
    level = features.level_db[first:last]
    start, end = settled_part(times, level, onset_sec, offset_sec, slurred=slurred)
    inside = _steady_frames(times, cents, heard, start, end)
    if inside is None:
        return NotePitch(None, TOO_SHORT if heard.sum() * features.hop_sec >= 0.5 * length else NOT_HEARD)
    a, b = inside
    steady = np.arange(a, b)
    kept = heard[a:b]
    period = 1.0 / midi_to_hz(heard_midi, A4_HZ)
    if kept.mean() < LEAST_SHARE_HEARD:
        return NotePitch(None, NOT_HEARD)
    steady_sec = float(kept.sum() * features.hop_sec)
    if steady_sec < max(SHORTEST_STEADY_SEC, SHORTEST_PERIODS * period):
        return NotePitch(None, TOO_SHORT)
    steady = steady[kept]
    t, c = times[steady], cents[steady]
    weight = 10.0 ** (np.maximum(level[steady] - level[steady].max(), -WEIGHT_RANGE_DB) / 10.0)
    vibrato = find_vibrato(t, c)
    residual = _residual(t, c, vibrato)
    rough = spread(residual)
    if rough > UNSTEADY_CENTS:
        return NotePitch(None, NOT_STEADY)
    mean = _mean_over_cycles(t, c, weight, vibrato) if vibrato else float(np.median(c))
    long_enough = t[-1] - t[0] >= SLOPE_FROM_SEC
    return NotePitch(
        cents=mean,
        uncertainty_cents=uncertainty(steady_sec, _whole_spread(times, cents, heard, onset_sec, offset_sec), vibrato),
        spread_cents=float(np.std(c)),
        slope_cents_per_sec=_slope(t, c, vibrato) if long_enough else None,
        scoop_cents=None if slurred or length < SCOOP_FROM_SEC else _scoop(times, cents, heard, onset_sec, mean),
        vibrato_rate_hz=vibrato.rate_hz if vibrato else None,
        vibrato_extent_cents=vibrato.extent_cents if vibrato else None,
        steadiness_cents=rough if long_enough else None,
        steady_start_sec=float(t[0]),
        steady_end_sec=float(t[-1]),
    )


def uncertainty(steady_sec: float, whole_spread_cents: float, vibrato: Vibrato | None) -> float:
    """About one standard deviation of a note's cents, from replicas: fifteen rendered instruments, dry and in a room.

    A floor for the tracker, a part that falls with the steady time, and a share of the wandering over the whole note
    (how far its pitch depends on which stretch of it one takes: a short note with a scooped start has no one pitch).
    With vibrato that share is taken of the extent. benchmarks/README.md says how errors compare with it by length.
    """
    wandering = WANDER_SHARE * whole_spread_cents if vibrato is None else VIBRATO_SHARE * vibrato.extent_cents
    return float(np.sqrt(FLOOR_CENTS**2 + (SHORT_CENTS_SEC / steady_sec) ** 2 + wandering**2))


def _whole_spread(
    times: FloatArray, cents: FloatArray, heard: NDArray[np.bool_], onset_sec: float, offset_sec: float
) -> float:
    """Standard deviation in cents of everything heard of a note but its very edges, attack and release included."""
    whole = heard & (times >= onset_sec + EDGE_SEC) & (times <= offset_sec - EDGE_SEC)
    return float(np.std(cents[whole])) if whole.any() else 0.0


def _cents(hz: FloatArray, reference_hz: float) -> FloatArray:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(1200.0 * np.log2(hz / reference_hz))


def settled_part(
    times: FloatArray, level_db: FloatArray, onset_sec: float, offset_sec: float, *, slurred: bool
) -> tuple[float, float]:
    """Start and end (s) of the part of a note that is neither attack nor release.

    ``times`` [n] s and ``level_db`` [n] are the note's frames. It begins a moment after the level has come near its
    first peak (after a slur: after the change of pitch) and ends a moment before the note does.
    """
    length = offset_sec - onset_sec
    start = onset_sec + SLUR_SETTLES_SEC
    if not slurred:
        early = level_db[times <= onset_sec + SPEAKS_WITHIN_SEC]
        if early.size:
            spoken = int(np.argmax(early >= early.max() - SPEAKS_DB))
            start = float(times[spoken]) + SETTLES_SEC
    end = offset_sec - END_GUARD_SEC
    if end - start < 2.0 * SHORTEST_STEADY_SEC:
        low, high = SHORT_PART
        start = max(min(start, onset_sec + low * length), onset_sec + (1.0 - high) * length)
        end = max(end, onset_sec + high * length)
    return start, end


def _steady_frames(
    times: FloatArray, cents: FloatArray, heard: NDArray[np.bool_], start_sec: float, end_sec: float
) -> tuple[int, int] | None:
    """First and last (exclusive) frame of the steady part, or None when nothing is left."""
    a, b = (int(k) for k in np.searchsorted(times, [start_sec, end_sec]))
    if b - a < 2 or not heard[a:b].any():
        return None
    quarter = (b - a) // 4
    core = cents[a + quarter : b - quarter][heard[a + quarter : b - quarter]]
    if core.size == 0:
        core = cents[a:b][heard[a:b]]
    middle = float(np.median(core))
    # The core may hold vibrato: its full swing counts as steady.
    tolerance = max(EDGE_TOLERANCE_CENTS, EDGE_TOLERANCE_SPREADS * spread(core))
    fits = heard & (np.abs(cents - middle) <= tolerance)
    longest = int(LONGEST_EDGE_SHARE * (b - a))
    for _ in range(longest):
        if fits[a : a + 3].all():
            break
        a += 1
    for _ in range(longest):
        if fits[max(a, b - 3) : b].all():
            break
        b -= 1
    return (a, b) if b - a >= 2 else None


def find_vibrato(times_sec: FloatArray, cents: FloatArray) -> Vibrato | None:
    """The vibrato of a contour ``cents`` [n] at ``times_sec`` [n] (gaps allowed), or None when there is none to tell.

    The strongest rate of the flattened contour is taken and a sinusoid fitted there; it counts when at least two
    cycles fit, it explains half of the variance and swings wide enough.
    """
    span = float(times_sec[-1] - times_sec[0])
    lowest = max(VIBRATO_LOWEST_HZ, VIBRATO_CYCLES / span) if span > 0 else np.inf
    if lowest > VIBRATO_HIGHEST_HZ or times_sec.size < 12:
        return None
    t = times_sec - times_sec.mean()
    trend = np.polynomial.polynomial.polyfit(t, cents, 1)
    flat = cents - np.polynomial.polynomial.polyval(t, trend)
    total = float(np.sum(flat**2))
    if total <= 1e-9:
        return None
    hop = float(np.min(np.diff(times_sec)))
    frames = np.rint((times_sec - times_sec[0]) / hop).astype(int)
    grid = np.zeros(frames[-1] + 1)
    grid[frames] = flat
    size = 1 << int(np.ceil(np.log2(max(grid.size, 1.0 / (VIBRATO_STEP_HZ * hop)))))
    power = np.abs(np.fft.rfft(grid, size)) ** 2
    step = 1.0 / (size * hop)
    first, last = int(np.ceil(lowest / step)), int(VIBRATO_HIGHEST_HZ / step)
    if first >= last:
        return None
    best = first + int(np.argmax(power[first : last + 1]))
    offset = 0.0
    if first < best < last:
        left, mid, right = power[best - 1 : best + 2]
        bend = left - 2 * mid + right
        offset = float(0.5 * (left - right) / bend) if bend < 0 else 0.0
    rate = step * (best + offset)
    basis = np.stack([np.ones_like(t), t, np.cos(2 * np.pi * rate * t), np.sin(2 * np.pi * rate * t)], axis=1)
    solution, *_ = np.linalg.lstsq(basis, cents, rcond=None)
    share = 1.0 - float(np.sum((cents - basis @ solution) ** 2)) / total
    extent = 2.0 * float(np.hypot(solution[2], solution[3]))
    if share < VIBRATO_LEAST_SHARE or extent < VIBRATO_LEAST_CENTS:
        return None
    return Vibrato(rate, extent, share)


def _residual(times_sec: FloatArray, cents: FloatArray, vibrato: Vibrato | None) -> FloatArray:
    """The contour [n] without its mean, slope and vibrato (first two harmonics)."""
    t = times_sec - times_sec.mean()
    columns = [np.ones_like(t)]
    if t[-1] - t[0] >= SLOPE_FROM_SEC:
        columns.append(t)
    if vibrato:
        for harmonic in (1.0, 2.0):
            angle = 2 * np.pi * harmonic * vibrato.rate_hz * t
            columns += [np.cos(angle), np.sin(angle)]
    basis = np.stack(columns, axis=1)
    solution, *_ = np.linalg.lstsq(basis, cents, rcond=None)
    return np.asarray(cents - basis @ solution)


def _slope(times_sec: FloatArray, cents: FloatArray, vibrato: Vibrato | None) -> float:
    t = times_sec - times_sec.mean()
    columns = [np.ones_like(t), t]
    if vibrato:
        angle = 2 * np.pi * vibrato.rate_hz * t
        columns += [np.cos(angle), np.sin(angle)]
    solution, *_ = np.linalg.lstsq(np.stack(columns, axis=1), cents, rcond=None)
    return float(solution[1])


def _mean_over_cycles(times_sec: FloatArray, cents: FloatArray, weight: FloatArray, vibrato: Vibrato) -> float:
    """Energy-weighted mean of ``cents`` [n] over as many whole vibrato cycles as fit, taken from the middle.

    The energy is smoothed over one cycle first: a room is louder at some frequencies than at others, so inside a cycle
    its level follows the pitch and would pull the mean (0.6 cents in a small room, 0.1 when smoothed).
    """
    hop = float(np.median(np.diff(times_sec)))
    weight = _smoothed(weight, max(1, round(1.0 / (vibrato.rate_hz * hop))))
    span = float(times_sec[-1] - times_sec[0]) + hop
    whole = np.floor(span * vibrato.rate_hz + 1e-6) / vibrato.rate_hz
    trim = 0.5 * (span - whole)
    # Frames at the edges count by the part of their hop that lies inside.
    low, high = times_sec[0] - hop / 2 + trim, times_sec[-1] + hop / 2 - trim
    inside = np.clip((np.minimum(times_sec + hop / 2, high) - np.maximum(times_sec - hop / 2, low)) / hop, 0.0, 1.0)
    weight = weight * inside
    return float(np.sum(weight * cents) / np.sum(weight))


def _smoothed(values: FloatArray, width: int) -> FloatArray:
    """Running mean [n] over ``width`` frames; at the ends over as many as there are."""
    if width >= values.size:
        return np.full(values.size, values.mean())
    kernel = np.ones(width)
    return np.asarray(np.convolve(values, kernel, "same") / np.convolve(np.ones(values.size), kernel, "same"))


def _scoop(
    times: FloatArray, cents: FloatArray, heard: NDArray[np.bool_], onset_sec: float, mean_cents: float
) -> float | None:
    """How far the first sounding moment lies from the steady part, in cents; None when it is not heard."""
    a, b = np.searchsorted(times, [onset_sec, onset_sec + 0.1])
    seen = np.flatnonzero(heard[a:b]) + a
    if seen.size == 0:
        return None
    start = times[seen[0]]
    chosen = seen[times[seen] <= start + SCOOP_WINDOW_SEC]
    return float(np.mean(cents[chosen]) - mean_cents) if chosen.size >= 3 else None

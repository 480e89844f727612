"""Where a note begins while the one before still rings: in a room, on an open string.

The level then shows little: the old note falls while the new one rises. But the old note repeats itself with its
period, so what it will be is known: the signal a period earlier, times a gain that follows its dying away (the
long-term predictor of speech coding: Atal & Schroeder 1970, from memory). Taking that away leaves the new note nearly
alone. A new note of the same pitch has the same period but begins in a phase of its own: it shows until the signal
compared with is its own, so it is compared with one several periods earlier.
"""

import numpy as np
from numpy.typing import NDArray

from app.domain.units import midi_to_hz
from app.listening.envelopes import (
    ENVELOPE_RATE_HZ,
    RISEN_SHARE,
    STEP,
    back_to_a_tenth,
    envelope,
    highest_within,
    taper,
)
from app.listening.pitch_tracking import HOP_SEC, RATE_HZ

# Our choices, set on rendered takes with seeds 21 and 22 and looked at on others.
_BEFORE_SEC = 0.05  # the start is looked for from so long before the search's boundary ...
_AFTER_SEC = 0.02  # ... and its dip up to so long after
_GAIN_SEC = 0.015  # the gain is fitted over so long
_PITCH_SEC = 0.15  # the old note's pitch is read from so long before ...
_PITCH_FRAMES, _LEAST_FRAMES = 8, 3  # ... from the last frames there, at least so many
_SAME_PITCH = 0.6  # semitones within which a frame, or a note, is the old one's
_LEAST_STRETCH_SEC = 0.06
_PLAIN_ENOUGH = 10.0  # where the level itself falls by 20 dB, it tells the start
_STANDS_OUT = 2.0  # the new note must rise by 6 dB out of what is left ...
_CLEARER, _CLEARER_SAME = 1.5, 2.0  # ... and by 3.5 dB (6 on the same pitch) more than out of the plain level
_SAME_LAG_SEC = 0.02  # so much earlier on the same pitch, at least ...
_SAME_BACK_SEC = 0.02  # ... where it may stand out so long before the search's boundary only
_FLOOR_SEC = 0.0016  # the dip is the mean of so long: beats make the level touch nothing for a moment
_OVER_DIP = 0.08  # of the way out of the dip
_STILL_DIP = 10 ** (5.0 / 20.0)  # up to 5 dB over the dip it is the dip
_LATEST_SEC, _LATEST_SAME_SEC = 0.045, 0.02  # what rises later after the search's boundary is a swell
_HIDDEN_SEC = 0.012  # a start is never put further before the dip's end than this


def emerges(
    signal: NDArray[np.float32],
    midi: NDArray[np.float64],
    tuning_cents: float,
    old: tuple[float, float],
    new: tuple[float, float, float],
    length: int,
) -> float | None:
    """When a note begins to sound in a signal [n] out of the one before it, in seconds; None where that is no clearer.

    ``midi`` [T] is the pitch track against the take's ``tuning_cents``; ``old`` the onset (s) and MIDI number of the
    note before, ``new`` where the search has the new one, from and to (s), and its MIDI number; ``length`` of the
    envelope in samples.
    """
    (old_onset, old_midi), (boundary, end, new_midi) = old, new
    same = abs(new_midi - old_midi) < _SAME_PITCH
    a = max(round((old_onset + 0.03) / HOP_SEC), round((boundary - _PITCH_SEC) / HOP_SEC))
    near = midi[a : round((boundary - 0.01) / HOP_SEC)]
    near = near[np.isfinite(near) & (np.abs(near - old_midi) < _SAME_PITCH)]
    first = int(max(old_onset + 0.02, boundary - _BEFORE_SEC) * RATE_HZ)
    last = min(len(signal), int((boundary + 0.14) * RATE_HZ))
    at = int((boundary - first / RATE_HZ) * ENVELOPE_RATE_HZ)
    if len(near) < _LEAST_FRAMES or last - first < _LEAST_STRETCH_SEC * RATE_HZ or at < 4:
        return None
    period = RATE_HZ / midi_to_hz(float(np.median(near[-_PITCH_FRAMES:])) + tuning_cents / 100.0)
    if same:
        period *= np.ceil(_SAME_LAG_SEC * RATE_HZ / period)
    if first <= period:
        return None
    stretch = signal[first:last].astype(np.float64)
    level = envelope(stretch - _predicted(signal, first, last, period), length)
    plain = envelope(stretch, length)
    searched = at + int(_AFTER_SEC * ENVELOPE_RATE_HZ)
    mean = max(1, round(_FLOOR_SEC * ENVELOPE_RATE_HZ))
    floor = np.convolve(level[:searched], np.full(mean, 1.0 / mean), "valid")
    dip_at = mean // 2 + int(np.argmin(floor))
    back = int(_SAME_BACK_SEC * ENVELOPE_RATE_HZ) if same else 0
    dip, peak = float(floor.min()), float(level[max(0, at - back) : at + 1].max())
    peak = max(peak, highest_within(level, at, end - boundary))
    plain_depth = highest_within(plain, at, end - boundary) / float(plain[:searched].min())
    if plain_depth > _PLAIN_ENOUGH:
        return None
    if peak < _STANDS_OUT * dip or peak / dip < (_CLEARER_SAME if same else _CLEARER) * plain_depth:
        return None
    rise = level[dip_at:]
    most = np.flatnonzero(rise > 0.5 * peak)
    if not len(most):
        return None
    rise = rise[: int(most[0]) + 1]
    risen = _after_last(rise, max(RISEN_SHARE * peak, dip + _OVER_DIP * (peak - dip)))
    if dip > RISEN_SHARE * peak:
        hidden = int(most[0]) - back_to_a_tenth(level[dip_at:], int(most[0]), peak)
        earliest = _after_last(rise, _STILL_DIP * dip) - 1 - int(_HIDDEN_SEC * ENVELOPE_RATE_HZ)
        risen = min(risen, max(hidden, earliest))
    start = first / RATE_HZ + (dip_at + risen) / ENVELOPE_RATE_HZ
    return None if start > boundary + (_LATEST_SAME_SEC if same else _LATEST_SEC) else start


def _predicted(signal: NDArray[np.float32], first: int, last: int, period: float) -> NDArray[np.float64]:
    """What ``signal[first:last]`` would be if only what sounded a period earlier went on, dying away or not."""
    whole = int(period)
    share = period - whole
    earlier = (1.0 - share) * signal[first - whole : last - whole].astype(np.float64)
    earlier += share * signal[first - whole - 1 : last - whole - 1]
    gain = _smoothed(signal[first:last] * earlier) / (_smoothed(earlier * earlier) + 1e-12)
    return np.repeat(np.clip(gain, 0.0, 1.0), STEP)[: len(earlier)] * earlier


def _smoothed(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weighted means over ``_GAIN_SEC`` around every ``STEP``-th value."""
    whole = np.zeros(-(-len(values) // STEP) * STEP)
    whole[: len(values)] = values
    coarse = whole.reshape(-1, STEP).mean(axis=1)
    return np.convolve(coarse, taper(int(_GAIN_SEC * ENVELOPE_RATE_HZ)), "same")


def _after_last(rise: NDArray[np.float64], limit: float) -> int:
    """The index after the last value that does not pass ``limit``."""
    under = np.flatnonzero(rise <= limit)
    return int(under[-1]) + 1 if len(under) else 0

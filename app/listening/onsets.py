"""Evidence that a note starts, frame by frame: new energy in the spectrum and a rise of the level.

The spectral part follows the "SuperFlux" idea (Böck & Widmer 2013): a frame's log spectrum is compared with an
earlier frame's that was widened in frequency, so that vibrato and slides raise nothing.
"""

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from app.listening.pitch_tracking import HOP, frame_count

_LEVEL_WINDOW = 220  # samples, 10 ms
_WINDOW = 512  # samples, 23 ms
_LAG_FRAMES = 2
_COMPRESSION = 300.0  # log1p of magnitude over the take's own reference times this (our choice)
_RISE_FRAMES = 4  # level rise over 20 ms
_RISE_UNIT_DB = 8.0
_MOST = 2.5  # each part is cut here: one crash is no ten onsets
_RANGE_DB = 60.0  # levels further under the loud ones count as this
_BEFORE_FRAMES = 9  # the lowest level of the 45 ms before ...
_AFTER_FRAMES = 13  # ... and the highest of the 65 ms after
_CLIMB_UNIT_DB = 10.0
_MOST_CLIMB = 3.0
_FLUX_WEIGHT, _RISE_WEIGHT, _CLIMB_WEIGHT = 0.80, 0.48, 0.64  # fitted on rendered takes of 16 instruments
_FRAMES_AT_ONCE = 256


def fine_level_db(signal: NDArray[np.float32]) -> NDArray[np.float64]:
    """Level of 10 ms around every frame, [T] dBFS."""
    taper = np.hanning(_LEVEL_WINDOW + 2)[1:-1] * (2.0 / (_LEVEL_WINDOW + 1))
    half = _LEVEL_WINDOW // 2
    padded = np.pad(np.square(signal, dtype=np.float64), (half, half + HOP))
    stretches = np.lib.stride_tricks.sliding_window_view(padded, _LEVEL_WINDOW)[::HOP]
    return np.asarray(10.0 * np.log10(stretches[: frame_count(len(signal))] @ taper + 1e-12))


def spectral_rise(signal: NDArray[np.float32]) -> NDArray[np.float64]:
    """New spectral energy against two frames earlier, [T], in natural-log units summed over frequency."""
    frames = frame_count(len(signal))
    padded = np.pad(signal, (_WINDOW // 2, _WINDOW + HOP))
    stretches = np.lib.stride_tricks.sliding_window_view(padded, _WINDOW)[::HOP][:frames]
    window = np.hanning(_WINDOW).astype(np.float32)
    magnitude = np.empty((frames, _WINDOW // 2 + 1), np.float32)
    for first in range(0, frames, _FRAMES_AT_ONCE):
        rows = slice(first, first + _FRAMES_AT_ONCE)
        magnitude[rows] = np.abs(scipy.fft.rfft(stretches[rows] * window, axis=1))
    reference = float(np.percentile(magnitude.max(axis=1), 90)) + 1e-9
    np.multiply(magnitude, _COMPRESSION / reference, out=magnitude)
    np.log1p(magnitude, out=magnitude)
    out = np.zeros(frames)
    for first in range(_LAG_FRAMES, frames, _FRAMES_AT_ONCE):
        last = min(first + _FRAMES_AT_ONCE, frames)
        earlier = magnitude[first - _LAG_FRAMES : last - _LAG_FRAMES]
        widened = earlier.copy()
        np.maximum(widened[:, 1:], earlier[:, :-1], out=widened[:, 1:])
        np.maximum(widened[:, :-1], earlier[:, 1:], out=widened[:, :-1])
        out[first:last] = np.maximum(magnitude[first:last] - widened, 0.0).sum(axis=1)
    return out


def onset_strength(signal: NDArray[np.float32], level_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Evidence [T], 0 and up, that a note starts at a frame; 1 is undecided-to-likely, a plain attack about 2.

    Three parts, weighted as a logistic regression on rendered takes weighs them: new spectral energy, the rise of
    the level over 20 ms, and how far the level climbs from its lowest point shortly before to its highest after.
    """
    top = float(np.percentile(level_db, 95))
    level = np.maximum(level_db, top - _RANGE_DB)
    rise = np.zeros(len(level))
    rise[_RISE_FRAMES:] = np.maximum(level[_RISE_FRAMES:] - level[:-_RISE_FRAMES], 0.0)
    flux = spectral_rise(signal)
    active = flux[level > top - 35.0]
    usual, strong = (float(np.median(active)), float(np.percentile(active, 97))) if len(active) else (0.0, 1.0)
    flux_part = np.clip((flux - usual) / max(strong - usual, 1e-6), 0.0, _MOST)
    lowest = minimum_filter1d(level, _BEFORE_FRAMES, origin=_BEFORE_FRAMES // 2)
    highest = maximum_filter1d(level, _AFTER_FRAMES, origin=-(_AFTER_FRAMES // 2))
    climb = np.clip((highest - lowest) / _CLIMB_UNIT_DB, 0.0, _MOST_CLIMB)
    rise_part = np.clip(rise / _RISE_UNIT_DB, 0.0, _MOST)
    return _FLUX_WEIGHT * flux_part + _RISE_WEIGHT * rise_part + _CLIMB_WEIGHT * climb

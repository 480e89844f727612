"""Fundamental frequency of one voice, frame by frame.

Three steps. Candidates are the dips of the cumulative-mean-normalised difference function (de Cheveigné & Kawahara
2002, "YIN"), computed by FFT. A best path over candidates and "no pitch" decides the octave. The path is then made
precise from phases: how far each harmonic's phase advances from frame to frame, weighted as maximum likelihood asks
under white noise (amplitude times harmonic number, squared).

Arrays: ``signal`` is mono float32 [n] at :data:`RATE_HZ`; frame ``i`` is centred at sample ``i * HOP``.
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numba import njit
from numpy.typing import NDArray

RATE_HZ = 22050  # internal rate; harmonics up to 11 kHz are kept
HOP = 110  # samples, 4.99 ms
HOP_SEC = HOP / RATE_HZ
LOWEST_HZ = 36.0  # below the lowest B-flat of a tuba in use (about 39 Hz)
HIGHEST_HZ = 4700.0  # above the piccolo's C8 (4186 Hz) with room for sharp playing

_CORRELATION_SEC = 0.030  # length of the compared stretch; one period of the lowest note fits
_CANDIDATES = 5
_DIP_LIMIT = 0.7  # shallower dips of the difference function are no candidates (our choice)
_OCTAVE_BIAS = 0.01  # per octave of lag, against subharmonics; at 0.04 a bassoon in noise is lost (our choice)
_FINE = 4  # steps a sample ...
_FINE_UP_TO = 48  # ... for lags up to this many samples: a whole sample is a coarse step there
_TAPS, _KAISER = 16, 8.0  # samples on either side from which a value between samples is read, under this window
_FRAMES_AT_ONCE = 1000
_FINE_LAG_SAMPLES = 24  # shorter lags are found again in the spectrum: a lag is too coarse there
_SPECTRUM_LENGTH = 1024


@dataclass(frozen=True, slots=True)
class PitchTrack:
    """``f0_hz`` [T] with NaN where no pitch is heard; ``confidence`` [T], 0 to 1, how periodic the frame is."""

    f0_hz: NDArray[np.float64]
    confidence: NDArray[np.float64]


def frame_count(signal_length: int) -> int:
    """Number of frames of a signal of that many samples at :data:`RATE_HZ`."""
    return signal_length // HOP + 1


def track_pitch(signal: NDArray[np.float32], level_db: NDArray[np.float64], floor_db: float) -> PitchTrack:
    """Fundamental frequency of every frame.

    ``signal`` [n] mono at :data:`RATE_HZ`; ``level_db`` [T] level of every frame; ``floor_db`` level under which a
    frame counts as silent.
    """
    frames = frame_count(len(signal))
    window = int(_CORRELATION_SEC * RATE_HZ)
    longest = int(RATE_HZ / LOWEST_HZ) + 2
    shortest = int(RATE_HZ / HIGHEST_HZ) - 1
    # The stretch and its copy one period later sit symmetrically around the frame's centre for middle pitches.
    before = (window + 60) // 2
    padded = np.pad(signal, (before, window + longest + HOP))
    size = scipy.fft.next_fast_len(window + longest, real=True)
    stretches = np.lib.stride_tricks.sliding_window_view(padded, window + longest)[::HOP][:frames]
    energy = np.concatenate([[0.0], np.cumsum(padded.astype(np.float64) ** 2)])
    between = _between_samples()
    lag_samples = np.zeros((frames, _CANDIDATES), np.float32)
    cost = np.ones((frames, _CANDIDATES), np.float32)
    for first in range(0, frames, _FRAMES_AT_ONCE):
        block = stretches[first : first + _FRAMES_AT_ONCE]
        whole = scipy.fft.rfft(block, size, axis=1)
        part = scipy.fft.rfft(block[:, :window], size, axis=1)
        product = whole * np.conj(part)
        correlation = scipy.fft.irfft(product, size, axis=1)
        beside = np.concatenate([correlation[:, -_TAPS:], correlation[:, : _FINE_UP_TO + _TAPS + 1]], axis=1)
        fine = beside @ between
        rows = slice(first, first + len(block))
        _find_candidates(fine, correlation, energy, first, window, shortest, longest, lag_samples[rows], cost[rows])
    lags, unsure = _best_path(lag_samples, cost, level_db, floor_db)
    f0 = np.where(lags > 0, RATE_HZ / np.maximum(lags, 1.0), 0.0)
    _sharpen_high(signal, f0, lags)
    f0 = _refine_by_phase(np.ascontiguousarray(signal, dtype=np.float32), f0)
    return PitchTrack(np.where(f0 > 0, f0, np.nan), np.clip(1.0 - unsure, 0.0, 1.0))


def _between_samples() -> NDArray[np.float32]:
    """Reads a band-limited correlation between the samples, [2 * taps + samples + 1, steps], where lags are short.

    A sinc under a Kaiser window of ``_TAPS`` samples either way, exact to 80 dB below 9 kHz; a transform long enough to
    give the same costs ten times as much.
    """
    at = np.arange(_FINE * _FINE_UP_TO + 1) / _FINE
    away = at[None, :] - np.arange(-_TAPS, _FINE_UP_TO + _TAPS + 1)[:, None]
    window = np.i0(_KAISER * np.sqrt(np.maximum(1.0 - (away / _TAPS) ** 2, 0.0))) / np.i0(_KAISER)
    window[np.abs(away) >= _TAPS] = 0.0
    return np.asarray(np.sinc(away) * window, dtype=np.float32)


@njit(cache=True, fastmath=True)
def _find_candidates(fine, correlation, energy, first, window, shortest, longest, lags, cost):  # type: ignore[no-untyped-def]
    """Fill ``lags`` and ``cost`` [frames, candidates] with the deepest dips; unused places keep lag 0.

    Lags up to ``_FINE_UP_TO`` samples are looked at in steps of a quarter sample, longer ones in whole samples.
    """
    points = _FINE * _FINE_UP_TO + longest - _FINE_UP_TO - 1
    d = np.empty(points, np.float32)
    at = np.empty(points, np.float32)
    for q in range(points):
        at[q] = q / _FINE if q <= _FINE * _FINE_UP_TO else _FINE_UP_TO + q - _FINE * _FINE_UP_TO
    places = lags.shape[1]
    for row in range(correlation.shape[0]):
        start = (first + row) * HOP
        own = energy[start + window] - energy[start]
        total = 0.0
        d[0] = 1.0
        for q in range(1, points):
            lag = int(at[q])
            part = at[q] - lag
            other = energy[start + lag + window] - energy[start + lag]
            if part > 0.0:
                other += part * (energy[start + lag + 1 + window] - energy[start + lag + 1] - other)
            together = fine[row, q] if q <= _FINE * _FINE_UP_TO else correlation[row, lag]
            difference = max(own + other - 2.0 * together, 0.0)
            total += difference * (at[q] - at[q - 1])
            d[q] = difference * at[q] / (total + 1e-12)
        used = 0
        for q in range(max(2, _FINE * shortest), points - 1):
            if d[q] >= d[q - 1] or d[q] > d[q + 1] or d[q] >= _DIP_LIMIT:
                continue
            left = d[q - 1] - d[q]
            right = d[q + 1] - d[q]
            offset = 0.5 * (left - right) / (left + right + 1e-12)
            lag_here = at[q] + offset * (at[q] - at[q - 1])
            value = max(d[q] - 0.25 * (left - right) * offset, 0.0) + _OCTAVE_BIAS * math.log2(lag_here / 8.0)
            place = used
            if used < places:
                used += 1
            else:
                place = 0
                for k in range(1, places):
                    if cost[row, k] > cost[row, place]:
                        place = k
                if value >= cost[row, place]:
                    continue
            lags[row, place] = lag_here
            cost[row, place] = value


@njit(cache=True)
def _best_path(lags, cost, level_db, floor_db):  # type: ignore[no-untyped-def]
    """Cheapest way through candidates and "no pitch". Returns lag [T] (0: none) and cost [T]."""
    frames, places = lags.shape
    states = places + 1
    total = np.full((frames, states), 1e9)
    came_from = np.zeros((frames, states), np.int8)
    octave = np.zeros((frames, places))
    for i in range(frames):
        for k in range(places):
            if lags[i, k] > 0:
                octave[i, k] = math.log2(float(lags[i, k]))
    for i in range(frames):
        loud = level_db[i] > floor_db
        # The bias weighs candidates against each other, not against "no pitch": give it back there.
        given = 0.0
        least = 1e9
        for k in range(places):
            if lags[i, k] > 0 and cost[i, k] < least:
                least = cost[i, k]
                given = _OCTAVE_BIAS * math.log2(max(float(lags[i, k]), 1.0) / 8.0)
        for s in range(states):
            if s == places:
                here = 0.30 + given if loud else min(given, 0.0)
            elif lags[i, s] <= 0:
                continue
            else:
                here = cost[i, s] + (0.0 if loud else 0.5)
            if i == 0:
                total[i, s] = here
                continue
            best = 1e9
            arg = 0
            for p in range(states):
                before = total[i - 1, p]
                if before > 1e8:
                    continue
                if p == places and s == places:
                    step = 0.0
                elif p == places or s == places:
                    step = 0.08
                else:
                    jump = abs(octave[i, s] - octave[i - 1, p])
                    step = min(2.0 * jump, 0.25) if jump > 0.02 else jump
                if before + step < best:
                    best = before + step
                    arg = p
            total[i, s] = best + here
            came_from[i, s] = arg
    lag = np.zeros(frames)
    unsure = np.ones(frames)
    s = 0
    for k in range(states):
        if total[frames - 1, k] < total[frames - 1, s]:
            s = k
    for i in range(frames - 1, -1, -1):
        if s < places:
            lag[i] = lags[i, s]
            unsure[i] = max(cost[i, s] - _OCTAVE_BIAS * math.log2(max(float(lags[i, s]), 1.0) / 8.0), 0.0)
        s = came_from[i, s]
    return lag, unsure


def _sharpen_high(signal: NDArray[np.float32], f0: NDArray[np.float64], lags: NDArray[np.float64]) -> None:
    """Find short-lag pitches again as the spectral peak within 6 % (in place): phases need a start within 2 %."""
    which = np.flatnonzero((lags > 0) & (lags < _FINE_LAG_SAMPLES))
    if not len(which):
        return
    half = _SPECTRUM_LENGTH // 2
    padded = np.pad(signal, (half, half + HOP))
    stretches = np.lib.stride_tricks.sliding_window_view(padded, _SPECTRUM_LENGTH)[::HOP]
    window = np.hanning(_SPECTRUM_LENGTH).astype(np.float32)
    for first in range(0, len(which), _FRAMES_AT_ONCE):
        rows = which[first : first + _FRAMES_AT_ONCE]
        magnitude = np.abs(scipy.fft.rfft(stretches[rows] * window, axis=1))
        _nearest_peak(magnitude, f0, rows, RATE_HZ / _SPECTRUM_LENGTH)


@njit(cache=True)
def _nearest_peak(magnitude, f0, rows, bin_hz):  # type: ignore[no-untyped-def]
    for r in range(len(rows)):
        f = f0[rows[r]]
        low = max(1, int(f * 0.94 / bin_hz))
        high = min(magnitude.shape[1] - 2, int(f * 1.06 / bin_hz) + 1)
        best = low
        for b in range(low, high + 1):
            if magnitude[r, b] > magnitude[r, best]:
                best = b
        if best <= low or best >= high:
            continue
        a = np.log(magnitude[r, best - 1] + 1e-12)
        m = np.log(magnitude[r, best] + 1e-12)
        c = np.log(magnitude[r, best + 1] + 1e-12)
        curve = a - 2 * m + c
        if curve < 0:
            f0[rows[r]] = (best + 0.5 * (a - c) / curve) * bin_hz


_HARMONICS = 8
_HIGHEST_HARMONIC_HZ = 8000.0
_PERIODS = 6.0  # window of the phase estimate, within the two limits below (our choice, measured)
_SHORTEST_WINDOW_SEC = 0.022
_LONGEST_WINDOW_SEC = 0.110
_CLOSE_ENOUGH = 0.002  # of f0: after a smaller correction the harmonics were looked for in the right place (our choice)
_LARGEST_CORRECTION = 0.03  # of f0: a larger one means that the path and the phases speak of different notes


@njit(cache=True, fastmath=True)
def _refine_by_phase(signal, f0):  # type: ignore[no-untyped-def]
    """Precise f0 [T] by the phase advance of each harmonic over 4 ms around the frame's centre; 0 stays 0.

    All harmonics are turned at once, so that the compiler can keep them in vector registers.
    """
    frames = len(f0)
    n = len(signal)
    out = f0.copy()
    ahead = 88  # samples between the two looks, 4 ms: below half a turn for errors under 125 Hz
    step_re, step_im = np.empty(_HARMONICS), np.empty(_HARMONICS)
    re, im = np.empty(_HARMONICS), np.empty(_HARMONICS)
    first_re, first_im = np.empty(_HARMONICS), np.empty(_HARMONICS)
    later_re, later_im = np.empty(_HARMONICS), np.empty(_HARMONICS)
    for i in range(frames):
        f = f0[i]
        if f <= 0:
            continue
        for _ in range(2):
            length = int(min(max(_PERIODS / f, _SHORTEST_WINDOW_SEC), _LONGEST_WINDOW_SEC) * RATE_HZ)
            start = i * HOP - (length + ahead) // 2
            if start < 0 or start + length + ahead >= n:
                break
            turn = 2.0 * np.pi / length
            hr, hi = np.cos(turn), np.sin(turn)
            wr, wi = 1.0, 0.0
            for k in range(_HARMONICS):
                w = 2.0 * np.pi * (k + 1) * f / RATE_HZ
                step_re[k], step_im[k] = np.cos(w), -np.sin(w)
                re[k], im[k] = 1.0, 0.0
                first_re[k] = first_im[k] = later_re[k] = later_im[k] = 0.0
            for m in range(length):
                g = 0.5 - 0.5 * wr
                u = g * signal[start + m]
                v = g * signal[start + m + ahead]
                t = wr * hr - wi * hi
                wi = wr * hi + wi * hr
                wr = t
                for k in range(_HARMONICS):
                    x, y = re[k], im[k]
                    first_re[k] += u * x
                    first_im[k] += u * y
                    later_re[k] += v * x
                    later_im[k] += v * y
                    re[k] = x * step_re[k] - y * step_im[k]
                    im[k] = x * step_im[k] + y * step_re[k]
            num = 0.0
            den = 0.0
            for k in range(_HARMONICS):
                if (k + 1) * f > _HIGHEST_HARMONIC_HZ:
                    break
                w = 2.0 * np.pi * (k + 1) * f / RATE_HZ
                pr = later_re[k] * first_re[k] + later_im[k] * first_im[k]
                pi = later_im[k] * first_re[k] - later_re[k] * first_im[k]
                er = np.cos(w * ahead)
                ei = -np.sin(w * ahead)
                advance = np.arctan2(pr * ei + pi * er, pr * er - pi * ei)
                error = advance / (2.0 * np.pi * ahead) * RATE_HZ / (k + 1)
                weight = (first_re[k] ** 2 + first_im[k] ** 2) * (k + 1) ** 2
                if abs(error) < 0.06 * f:
                    num += weight * error
                    den += weight
            if den <= 0.0:
                break
            f += num / den
            if abs(num / den) < _CLOSE_ENOUGH * f:
                break
        if abs(f / f0[i] - 1.0) < _LARGEST_CORRECTION:
            out[i] = f
    return out

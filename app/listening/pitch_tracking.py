"""Fundamental frequency of one voice, frame by frame.

Three steps. Candidates are the dips of the cumulative-mean-normalised difference function (de Cheveigné & Kawahara
2002, "YIN"). A best path over candidates and "no pitch" decides the octave. The path is then made
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
_FRAMES_AT_ONCE = 256
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
    padded = np.pad(np.asarray(signal, dtype=np.float32), (before + _TAPS, window + longest + HOP))
    energy = np.concatenate([[0.0], np.cumsum(padded.astype(np.float64) ** 2)])
    lag_samples = np.zeros((frames, _CANDIDATES), np.float32)
    cost = np.ones((frames, _CANDIDATES), np.float32)
    _find_candidates(padded, energy, _between_samples(), window, shortest, longest, lag_samples, cost)
    lags, unsure = _best_path(lag_samples, cost, level_db, floor_db)
    f0 = np.where(lags > 0, RATE_HZ / np.maximum(lags, 1.0), 0.0)
    _sharpen_high(signal, f0, lags)
    f0 = _refine_by_phase(np.ascontiguousarray(signal, dtype=np.float32), f0)
    return PitchTrack(np.where(f0 > 0, f0, np.nan), np.clip(1.0 - unsure, 0.0, 1.0))


def _between_samples() -> NDArray[np.float32]:
    """Reads a band-limited correlation between two samples: weights [steps - 1, 2 * taps] of the samples around them.

    A sinc under a Kaiser window of ``_TAPS`` samples either way, exact to 80 dB below 9 kHz; a transform long enough to
    give the same costs ten times as much.
    """
    away = np.arange(1, _FINE)[:, None] / _FINE - np.arange(1 - _TAPS, _TAPS + 1)[None, :]
    window = np.i0(_KAISER * np.sqrt(1.0 - (away / _TAPS) ** 2)) / np.i0(_KAISER)
    return np.asarray(np.sinc(away) * window, dtype=np.float32)


@njit(cache=True, fastmath=True)
def _find_candidates(padded, energy, between, window, shortest, longest, lags, cost):  # type: ignore[no-untyped-def]
    """Fill ``lags`` and ``cost`` [frames, candidates] with the deepest dips; unused places keep lag 0.

    Lags up to ``_FINE_UP_TO`` samples are looked at in steps of a quarter sample, longer ones in whole samples.
    Products of samples are summed hop by hop, because most of a frame's stretch is the next one's too; that takes a
    quarter of the time of transforms. ``padded`` begins ``_TAPS`` samples before the first frame's stretch, ``energy``
    is the running sum of its squares.
    """
    width = _TAPS + longest  # lags from -_TAPS
    hops = window // HOP
    parts = np.zeros((hops, width), np.float32)
    together = np.zeros(width, np.float32)
    fine = _FINE * _FINE_UP_TO
    points = fine + longest - _FINE_UP_TO - 1
    at = np.empty(points)
    step = np.empty(points)
    for q in range(points):
        at[q] = q / _FINE if q <= fine else _FINE_UP_TO + q - fine
        step[q] = at[q] - at[q - 1] if q > 0 else 0.0
    near = np.empty(fine + 1, np.float32)  # the correlation in quarter samples
    difference = np.empty(points)
    total = np.empty(points)
    d = np.empty(points, np.float32)
    done = 0  # hops whose products are summed
    unsigned = np.uint64  # the compiler sums in vectors only where it knows that no index is negative
    for row in range(lags.shape[0]):
        start = _TAPS + row * HOP
        while done < row + hops:
            part = parts[done % hops]
            part[:] = 0.0
            for n in range(done * HOP, done * HOP + HOP, 2):
                x, y = padded[_TAPS + n], padded[_TAPS + n + 1]
                for lag in range(unsigned(0), unsigned(width)):
                    part[lag] += x * padded[unsigned(n) + lag] + y * padded[unsigned(n + 1) + lag]
            done += 1
        together[:] = parts[0]
        for k in range(1, hops):
            part = parts[k]
            for lag in range(width):
                together[lag] += part[lag]
        for n in range(hops * HOP, window):
            x = padded[start + n]
            for lag in range(unsigned(0), unsigned(width)):
                together[lag] += x * padded[unsigned(start + n - _TAPS) + lag]
        for lag in range(_FINE_UP_TO + 1):
            near[_FINE * lag] = together[_TAPS + lag]
        for k in range(1, _FINE):
            for lag in range(unsigned(0), unsigned(_FINE_UP_TO)):
                value = np.float32(0.0)
                for tap in range(unsigned(0), unsigned(2 * _TAPS)):
                    value += between[k - 1, tap] * together[lag + unsigned(1) + tap]
                near[unsigned(_FINE) * lag + unsigned(k)] = value
        own = energy[start + window] - energy[start]
        for lag in range(_FINE_UP_TO):
            other = energy[start + lag + window] - energy[start + lag]
            further = energy[start + lag + 1 + window] - energy[start + lag + 1]
            for k in range(_FINE):
                mean = other + k / _FINE * (further - other)
                difference[_FINE * lag + k] = max(own + mean - 2.0 * near[_FINE * lag + k], 0.0)
        for lag in range(unsigned(_FINE_UP_TO), unsigned(longest - 1)):
            other = energy[unsigned(start + window) + lag] - energy[unsigned(start) + lag]
            together_here = together[unsigned(_TAPS) + lag]
            difference[unsigned(fine - _FINE_UP_TO) + lag] = max(own + other - 2.0 * together_here, 0.0)
        so_far = 0.0
        for q in range(points):
            so_far += difference[q] * step[q]
            total[q] = so_far
        for q in range(points):
            d[q] = difference[q] * at[q] / (total[q] + 1e-12)
        d[0] = 1.0
        used = 0
        for q in range(max(2, _FINE * shortest), points - 1):
            if d[q] >= _DIP_LIMIT or d[q] >= d[q - 1] or d[q] > d[q + 1]:
                continue
            left = d[q - 1] - d[q]
            right = d[q + 1] - d[q]
            offset = 0.5 * (left - right) / (left + right + 1e-12)
            lag_here = at[q] + offset * step[q]
            value = max(d[q] - 0.25 * (left - right) * offset, 0.0) + _OCTAVE_BIAS * math.log2(lag_here / 8.0)
            place = used
            if used < _CANDIDATES:
                used += 1
            else:
                place = 0
                for k in range(1, _CANDIDATES):
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
_PIECE = 64  # samples; a power of two
_PERIODS = 6.0  # window of the phase estimate, within the two limits below (our choice, measured)
_SHORTEST_WINDOW_SEC = 0.022
_LONGEST_WINDOW_SEC = 0.110
_CLOSE_ENOUGH = 0.002  # of f0: after a smaller correction the harmonics were looked for in the right place (our choice)
_LARGEST_CORRECTION = 0.03  # of f0: a larger one means that the path and the phases speak of different notes


@njit(cache=True, fastmath=True)
def _refine_by_phase(signal, f0):  # type: ignore[no-untyped-def]
    """Precise f0 [T] by the phase advance of each harmonic over 4 ms around the frame's centre; 0 stays 0.

    A window is cut into pieces of :data:`_PIECE` samples: a harmonic's turns inside a piece are the same in each, and
    only the piece's own turn differs. So nothing waits for the sample before, and the compiler sums in vectors.
    """
    frames = len(f0)
    n = len(signal)
    out = f0.copy()
    ahead = 88  # samples between the two looks, 4 ms: below half a turn for errors under 125 Hz
    room = int(_LONGEST_WINDOW_SEC * RATE_HZ) + _PIECE
    here, later = np.empty(room), np.empty(room)
    turn_re, turn_im = np.empty(_PIECE), np.empty(_PIECE)
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
            pieces = (length + _PIECE - 1) // _PIECE
            for k in range(-1, _HARMONICS):  # first the window's own cosine
                if (k + 1) * f > _HIGHEST_HARMONIC_HZ:
                    break
                w = 2.0 * np.pi * (k + 1) * f / RATE_HZ if k >= 0 else 2.0 * np.pi / length
                turn_re[0], turn_im[0] = 1.0, 0.0
                known = 1
                while known < _PIECE:
                    x, y = np.cos(w * known), -np.sin(w * known)
                    for m in range(known):
                        turn_re[known + m] = turn_re[m] * x - turn_im[m] * y
                        turn_im[known + m] = turn_re[m] * y + turn_im[m] * x
                    known *= 2
                piece_re, piece_im = np.cos(w * _PIECE), -np.sin(w * _PIECE)
                x, y = 1.0, 0.0
                if k < 0:
                    for piece in range(pieces):
                        at = piece * _PIECE
                        for m in range(min(_PIECE, length - at)):
                            g = 0.5 - 0.5 * (x * turn_re[m] - y * turn_im[m])
                            here[at + m] = g * signal[start + at + m]
                            later[at + m] = g * signal[start + at + m + ahead]
                        x, y = x * piece_re - y * piece_im, x * piece_im + y * piece_re
                    here[length : pieces * _PIECE] = 0.0
                    later[length : pieces * _PIECE] = 0.0
                    continue
                a_re, a_im, b_re, b_im = 0.0, 0.0, 0.0, 0.0
                for piece in range(pieces):
                    at = piece * _PIECE
                    p, q, r, s = 0.0, 0.0, 0.0, 0.0
                    for m in range(_PIECE):
                        p += here[at + m] * turn_re[m]
                        q += here[at + m] * turn_im[m]
                        r += later[at + m] * turn_re[m]
                        s += later[at + m] * turn_im[m]
                    a_re += p * x - q * y
                    a_im += p * y + q * x
                    b_re += r * x - s * y
                    b_im += r * y + s * x
                    x, y = x * piece_re - y * piece_im, x * piece_im + y * piece_re
                first_re[k], first_im[k], later_re[k], later_im[k] = a_re, a_im, b_re, b_im
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

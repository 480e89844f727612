"""Loudness by ITU-R BS.1770-4: K-weighting, gated programme loudness, and the level of single notes.

The K-weighting is a high shelf and a high pass. The recommendation prints coefficients for 48 kHz only; for other
rates they are made again from the analogue prototypes behind them (De Man 2014, "Evaluation of implementations of the
EBU R128 loudness measurement", gives centre frequency, gain and Q). The printed high pass has an unscaled numerator
(1, -2, 1): its pass band lies 0.04 dB above the prototype's, and the -0.691 in the formula counts on that, so the same
gain is kept at every rate.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import sosfilt

FloatArray = NDArray[np.float64]

OFFSET_DB = -0.691  # BS.1770-4, annex 1
BLOCK_SEC, BLOCK_STEP_SEC = 0.4, 0.1  # 400 ms, 75 % overlap
ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU = -70.0, -10.0
SILENCE_DB = -120.0  # what digital silence reads: our choice, below any recording

_SHELF_HZ, _SHELF_GAIN_DB, _SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
_PASS_HZ, _PASS_Q = 38.13547087602444, 0.5003270373238773
_CHUNK_SAMPLES = 1 << 20
_BIN_SEC = 0.001  # resolution of the stored energy


def k_weighting(sample_rate: int) -> FloatArray:
    """Second-order sections [2, 6] of the K-weighting at ``sample_rate`` (Hz)."""
    k = np.tan(np.pi * _SHELF_HZ / sample_rate)
    high = 10.0 ** (_SHELF_GAIN_DB / 20.0)
    band = high**0.4996667741545416
    a0 = 1.0 + k / _SHELF_Q + k * k
    shelf = [
        (high + band * k / _SHELF_Q + k * k) / a0,
        2.0 * (k * k - high) / a0,
        (high - band * k / _SHELF_Q + k * k) / a0,
        1.0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / _SHELF_Q + k * k) / a0,
    ]
    gain_at_48k = 1.0 + np.tan(np.pi * _PASS_HZ / 48000) / _PASS_Q + np.tan(np.pi * _PASS_HZ / 48000) ** 2
    k = np.tan(np.pi * _PASS_HZ / sample_rate)
    a0 = 1.0 + k / _PASS_Q + k * k
    b = gain_at_48k / a0
    high_pass = [b, -2.0 * b, b, 1.0, 2.0 * (k * k - 1.0) / a0, (1.0 - k / _PASS_Q + k * k) / a0]
    return np.array([shelf, high_pass])


@dataclass(frozen=True, slots=True)
class KEnergy:
    """Running K-weighted energy of a take, so that the level between any two moments is two look-ups."""

    edges_sec: FloatArray  # [B + 1] s, edges of the bins
    cumulative: FloatArray  # [B + 1] sum of squares times seconds up to each edge

    def mean_square(self, start_sec: float, end_sec: float) -> float:
        """Mean square of the weighted signal between two moments (s); 0 outside the take."""
        if end_sec <= start_sec:
            return 0.0
        low, high = np.interp([start_sec, end_sec], self.edges_sec, self.cumulative)
        return float(max(high - low, 0.0) / (end_sec - start_sec))

    def level_db(self, start_sec: float, end_sec: float) -> float:
        """Loudness between two moments (s) in LUFS, ungated; ``SILENCE_DB`` at least."""
        return decibels(self.mean_square(start_sec, end_sec))

    def levels_db(self, times_sec: FloatArray, window_sec: float) -> FloatArray:
        """Loudness [T] in LUFS in windows of ``window_sec`` centred at ``times_sec`` [T]."""
        half = 0.5 * window_sec
        high = np.interp(times_sec + half, self.edges_sec, self.cumulative)
        low = np.interp(times_sec - half, self.edges_sec, self.cumulative)
        floor = 10.0 ** ((SILENCE_DB - OFFSET_DB) / 10.0)
        return np.asarray(OFFSET_DB + 10.0 * np.log10(np.maximum((high - low) / window_sec, floor)))


def decibels(mean_square: float) -> float:
    """BS.1770 loudness (LUFS) of one channel's weighted mean square."""
    floor = 10.0 ** ((SILENCE_DB - OFFSET_DB) / 10.0)
    return float(OFFSET_DB + 10.0 * np.log10(max(mean_square, floor)))


def k_energy(samples: NDArray[np.floating], sample_rate: int) -> KEnergy:
    """K-weighted energy of mono ``samples`` [n] (full scale 1) at ``sample_rate`` (Hz)."""
    sections = k_weighting(sample_rate)
    step = max(1, round(_BIN_SEC * sample_rate))
    chunk = max(step, _CHUNK_SAMPLES // step * step)
    state = np.zeros((2, 2))
    energies = []
    for begin in range(0, samples.shape[0], chunk):
        weighted, state = sosfilt(sections, samples[begin : begin + chunk].astype(np.float64), zi=state)
        np.square(weighted, out=weighted)
        energies.append(np.add.reduceat(weighted, np.arange(0, weighted.size, step)))
    energy = np.concatenate(energies) if energies else np.zeros(0)
    edges = np.minimum(np.arange(energy.size + 1) * step, samples.shape[0]) / sample_rate
    return KEnergy(edges, np.concatenate([[0.0], np.cumsum(energy)]) / sample_rate)


def integrated_loudness(samples: NDArray[np.floating], sample_rate: int) -> float | None:
    """Gated programme loudness in LUFS of ``samples`` [n] or [n, channels] (left, right, both weighted 1).

    ``None`` when the take is shorter than one block or nothing passes the absolute gate.
    """
    channels = samples[:, None] if samples.ndim == 1 else samples
    if channels.shape[0] < round(BLOCK_SEC * sample_rate):
        return None
    energy = [k_energy(channels[:, c], sample_rate) for c in range(channels.shape[1])]
    last = channels.shape[0] / sample_rate - BLOCK_SEC
    starts = np.arange(int(np.floor(last / BLOCK_STEP_SEC + 1e-6)) + 1) * BLOCK_STEP_SEC
    power = np.zeros(starts.size)
    for e in energy:
        ends = np.interp(starts + BLOCK_SEC, e.edges_sec, e.cumulative)
        power += (ends - np.interp(starts, e.edges_sec, e.cumulative)) / BLOCK_SEC
    loud = power[power > 10.0 ** ((ABSOLUTE_GATE_LUFS - OFFSET_DB) / 10.0)]
    if loud.size == 0:
        return None
    kept = loud[loud > loud.mean() * 10.0 ** (RELATIVE_GATE_LU / 10.0)]
    return decibels(float(kept.mean()))

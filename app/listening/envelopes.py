"""The level of a signal, fine enough in time to tell where a note begins."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from app.listening.pitch_tracking import RATE_HZ

STEP = 4  # samples between two values of an envelope
ENVELOPE_RATE_HZ = RATE_HZ / STEP
RISEN_SHARE = 0.1  # of the way to its level a note has begun to sound (20 dB down)


def envelope(signal: NDArray[np.floating], length: int) -> NDArray[np.float64]:
    """RMS over ``length`` samples around every ``STEP``-th sample, [n / STEP]; its rate is ``ENVELOPE_RATE_HZ``."""
    whole = len(signal) // STEP * STEP
    power = np.square(signal[:whole], dtype=np.float64).reshape(-1, STEP).mean(axis=1)
    return np.asarray(np.sqrt(np.convolve(power, taper(max(1, round(length / STEP))), "same") + 1e-14))


@lru_cache(maxsize=16)
def taper(length: int) -> NDArray[np.float64]:
    """A Hann window [length] whose sum is 1."""
    window = np.hanning(length + 2)[1:-1]
    return np.asarray(window / window.sum())


def highest_within(level: NDArray[np.float64], at: int, length_sec: float) -> float:
    """The highest value of the first 120 ms of a note of ``length_sec`` that begins at index ``at``."""
    reach = int(min(0.12, max(0.03, length_sec)) * ENVELOPE_RATE_HZ)
    return float(level[at : at + reach].max())


def back_to_a_tenth(ahead: NDArray[np.float64], half_at: int, peak: float) -> int:
    """How long before it passes half of ``peak``, at ``half_at``, a rise would have passed a tenth of it.

    The rise is taken for the straight line through the points where it passes 50 % and 80 %; where it does not pass
    80 % the answer is 0.
    """
    most = np.flatnonzero(ahead > 0.8 * peak)
    return int((0.5 - RISEN_SHARE) / 0.3 * (int(most[0]) - half_at)) if len(most) else 0

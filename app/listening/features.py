"""From samples to frame-wise features."""

import numpy as np
import soxr
from numpy.typing import NDArray

from app.domain.errors import BadAudio
from app.listening.followed import Features
from app.listening.onsets import fine_level_db, onset_strength
from app.listening.pitch_tracking import HOP_SEC, RATE_HZ, track_pitch

LOWEST_RATE_HZ = 8000  # below this too few harmonics are left
_BELOW_LOUD_DB = 45.0  # a frame this far under the loud ones is silent (our choice)
_ABOVE_ROOM_DB = 4.0  # and so is one this close to the room (our choice)


def to_internal_rate(samples: NDArray[np.float32], sample_rate: int) -> NDArray[np.float32]:
    """The take at the internal rate of 22,050 Hz, mono float32 [n]."""
    if samples.ndim != 1 or len(samples) == 0:
        raise BadAudio("The take holds no sound; send a recording with one channel and at least a second of playing.")
    if sample_rate < LOWEST_RATE_HZ:
        raise BadAudio(
            f"The take has {sample_rate} samples a second, too few to measure; record at 16,000 or more.",
            sample_rate=sample_rate,
        )
    plain = np.ascontiguousarray(samples, dtype=np.float32)
    if not np.isfinite(plain).all():
        raise BadAudio("The take holds values that are no numbers; export it again from the recorder.")
    if sample_rate == RATE_HZ:
        return plain
    return np.ascontiguousarray(soxr.resample(plain, sample_rate, RATE_HZ, quality="HQ"), dtype=np.float32)


def room_floor_db(level_db: NDArray[np.float64]) -> float:
    """Level in dBFS under which a frame counts as room: above the quietest frames, far below the loud ones."""
    loud = float(np.percentile(level_db, 95))
    room = float(np.percentile(level_db, 3))
    return min(max(loud - _BELOW_LOUD_DB, room + _ABOVE_ROOM_DB), loud - 6.0)


def extract(samples: NDArray[np.float32], sample_rate: int) -> Features:
    """Features of a take.

    ``samples`` float32 [n] mono, full scale 1; ``sample_rate`` in Hz. Raises ``BadAudio`` on an empty take, one
    with fewer than 8,000 samples a second or with values that are no numbers.
    """
    return features_of(to_internal_rate(samples, sample_rate))


def features_of(signal: NDArray[np.float32]) -> Features:
    """Features of a signal that is already at the internal rate."""
    level = fine_level_db(signal)
    floor = room_floor_db(level)
    track = track_pitch(signal, level, floor)
    return Features(
        hop_sec=HOP_SEC,
        times_sec=np.arange(len(level), dtype=np.float64) * HOP_SEC,
        f0_hz=track.f0_hz,
        confidence=track.confidence,
        level_db=level,
        onset_strength=onset_strength(signal, level),
        floor_db=floor,
    )

"""A recording of hours, looked at coarsely: how loud it is, and how much of it is held pitches.

The recording is read in blocks, so memory does not grow with its length but for four numbers per 50 ms. Read at the
internal rate of 22,050 Hz, mono.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from app.listening.features import room_floor_db
from app.listening.onsets import fine_level_db
from app.listening.pitch_tracking import HOP, HOP_SEC, track_pitch

FloatArray = NDArray[np.float64]
Read = Callable[[int, int], NDArray[np.float32]]  # samples from ``start`` to before ``stop``

FINE = 10  # pitch frames of 5 ms in one coarse frame
COARSE_SEC = FINE * HOP_SEC  # 49.9 ms
BLOCK_FRAMES = 600  # coarse frames read at once: 30 s, 2.6 MB of samples (our choice)
_MARGIN_FRAMES = 100  # read on either side, so that a block's edge is heard as its middle
_HELD_FRAMES = 30  # 150 ms: a pitch that stays this long ...
_HELD_SEMITONES = 0.9  # ... within this range is held. Vibrato of +-40 cents passes, speech seldom does (our choice)
_NOTHING_DB = -120.0
_STROKE_FRAMES, _STROKE_DB = 2, 12.0  # a level that rises so far within 10 ms was struck (our choice)
_FLAT_DB = 9.0  # a recording whose loud and quiet frames lie nearer together holds the room only (our choice)


@dataclass(frozen=True, slots=True)
class Coarse:
    """What is known of every 50 ms of a long recording; all arrays are [T]."""

    level_db: FloatArray  # dBFS
    pitched: FloatArray  # 0 to 1, share of the frame in which a pitch is heard
    held: FloatArray  # 0 to 1, share of the frame that lies in a held pitch
    strokes: FloatArray  # how many sharp rises of the level begin in the frame
    floor_db: float  # under this a frame is the room

    @property
    def loud(self) -> NDArray[np.bool_]:
        """Where something sounds, [T]."""
        return self.level_db > self.floor_db


def look_over(read: Read, length: int, told: Callable[[float], None] = lambda share: None) -> Coarse:
    """Look over a recording of ``length`` samples; ``told`` hears the share done, 0 to 1.

    ``read`` gives float32 samples [n], full scale 1. Where nothing sounds no pitch is looked for.
    """
    frames = length // (HOP * FINE)
    level = np.full(frames, _NOTHING_DB)
    pitched, held, strokes = np.zeros(frames), np.zeros(frames), np.zeros(frames)
    for block in _blocks(frames):
        signal, own = block.read(read, length)
        fine = fine_level_db(signal)
        level[block.frames] = 10.0 * np.log10(_by_frame(10.0 ** (fine[own] / 10.0)) + 1e-12)
        strokes[block.frames] = FINE * _by_frame(_struck(fine)[own].astype(np.float64))
        told(0.2 * block.last / frames)
    if frames == 0:
        return Coarse(level, pitched, held, strokes, _NOTHING_DB)
    floor = _floor_db(level)
    for block in _blocks(frames):
        if np.any(level[block.frames] > floor):
            signal, own = block.read(read, length)
            f0 = track_pitch(signal, fine_level_db(signal), floor).f0_hz
            pitched[block.frames] = _by_frame(np.isfinite(f0)[own].astype(np.float64))
            held[block.frames] = _by_frame(_held(f0)[own].astype(np.float64))
        told(0.2 + 0.8 * block.last / frames)
    strokes[level <= floor] = 0.0
    return Coarse(level, pitched, held, strokes, floor)


@dataclass(frozen=True, slots=True)
class _Block:
    """Coarse frames from ``first`` to before ``last``."""

    first: int
    last: int

    @property
    def frames(self) -> slice:
        return slice(self.first, self.last)

    def read(self, read: Read, length: int) -> tuple[NDArray[np.float32], slice]:
        """The block's samples with what lies around them, and which pitch frames of these are its own."""
        start = max(0, self.first * FINE - _MARGIN_FRAMES)
        stop = self.last * FINE + _MARGIN_FRAMES
        signal = read(start * HOP, min(length, stop * HOP))
        before = self.first * FINE - start
        return signal, slice(before, before + (self.last - self.first) * FINE)


def _blocks(frames: int) -> list[_Block]:
    return [_Block(first, min(frames, first + BLOCK_FRAMES)) for first in range(0, frames, BLOCK_FRAMES)]


def _floor_db(level_db: FloatArray) -> float:
    """Level under which a frame is the room; above every frame when nothing stands out of it."""
    quiet, loud = np.percentile(level_db, [3, 95])
    return float(level_db.max()) if loud - quiet < _FLAT_DB else room_floor_db(level_db)


def _by_frame(values: FloatArray) -> FloatArray:
    """Means over the pitch frames of every coarse frame."""
    return np.asarray(values.reshape(-1, FINE).mean(axis=1))


def _struck(level_db: FloatArray) -> NDArray[np.bool_]:
    """Pitch frames [t] in which a sharp rise of the level [t] begins."""
    rises = np.zeros(len(level_db), dtype=np.bool_)
    rises[_STROKE_FRAMES:] = level_db[_STROKE_FRAMES:] - level_db[:-_STROKE_FRAMES] >= _STROKE_DB
    rises[1:] &= ~rises[:-1]
    return rises


def _held(f0_hz: FloatArray) -> NDArray[np.bool_]:
    """Which pitch frames lie in a stretch whose pitch stays: [t], from ``f0_hz`` [t] with NaN where none is heard."""
    midi = 69.0 + 12.0 * np.log2(np.where(np.isfinite(f0_hz), f0_hz, 1.0) / 440.0)
    high = np.where(np.isfinite(f0_hz), midi, np.inf)
    low = np.where(np.isfinite(f0_hz), midi, -np.inf)
    width = maximum_filter1d(high, _HELD_FRAMES) - minimum_filter1d(low, _HELD_FRAMES)
    centre = width < _HELD_SEMITONES  # NaN never passes
    return np.asarray(maximum_filter1d(centre.astype(np.int8), _HELD_FRAMES) > 0)

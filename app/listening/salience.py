"""How well every semitone explains a frame's spectrum: pitch evidence that does not hang on one f0 path.

Spectral peaks are found, interpolated in frequency and credited to every pitch of which they can be a harmonic. Two
notes that sound at once (a room's tail under a new note, a double stop) both keep their evidence, where a single
f0 path would break.
"""

import numpy as np
import scipy.fft
from numba import njit
from numpy.typing import NDArray

from app.listening.pitch_tracking import HOP, RATE_HZ, frame_count

LOWEST_MIDI = 26  # about 37 Hz
HIGHEST_MIDI = 110  # about 4.7 kHz
PITCHES = HIGHEST_MIDI - LOWEST_MIDI + 1

_LONG = 2048  # samples, 93 ms: pitches below the border
_SHORT = 1024  # samples, 46 ms: pitches from the border up
_BORDER_MIDI = 50
_HARMONICS = 10
_FADE = 0.75  # weight of harmonic k is _FADE ** (k - 1) (our choice)
_ROOT = 0.5  # magnitudes are compressed by this power
_HIGHEST_PEAK_HZ = 8000.0
_PEAK_RANGE = 0.004  # peaks more than 48 dB under the frame's highest are left out
_FULL_CENTS = 35.0  # a partial this near counts fully ...
_NONE_CENTS = 70.0  # ... and this far not at all
# Of a reverberant room's return: this share of what sounded, building up and decaying per frame (our choice: a room
# that falls by 60 dB in a second, heard 6 dB under the player). A note in its first moments stands out of it.
_TAIL_SHARE, _TAIL_ATTACK, _TAIL_DECAY = 0.5, 0.08, 0.966
_ROOM_FACTOR = 2.0  # peaks must stand 6 dB over the room's own magnitude in their band
_FRAMES_AT_ONCE = 256


def semitone_salience(
    signal: NDArray[np.float32], tuning_cents: float
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Salience of every semitone in every frame, and how much of each frame stands out of the room.

    ``signal`` [n] at the internal rate; ``tuning_cents`` shifts the semitone grid against A4 = 440 Hz. Returns
    ([T, PITCHES] from 0 to 1, 1 for the frame's strongest pitch and all 0 where no peak stands out; [T] sum of the
    strongest pitch's credited magnitudes).
    """
    frames = frame_count(len(signal))
    border = _BORDER_MIDI - LOWEST_MIDI
    low = np.zeros((frames, PITCHES), np.float32)
    high = np.zeros((frames, PITCHES), np.float32)
    for length, out in ((_LONG, low), (_SHORT, high)):
        padded = np.pad(signal, (length // 2, length + HOP))
        stretches = np.lib.stride_tricks.sliding_window_view(padded, length)[::HOP][:frames]
        window = np.hanning(length).astype(np.float32)
        room = _room(stretches, window) * _ROOM_FACTOR
        tail = np.zeros(length // 2 + 1, np.float32)
        for first in range(0, frames, _FRAMES_AT_ONCE):
            rows = slice(first, first + _FRAMES_AT_ONCE)
            magnitude = np.abs(scipy.fft.rfft(stretches[rows] * window, axis=1))
            columns = (0, border) if length == _LONG else (border, PITCHES)
            _credit(magnitude, room, tail, RATE_HZ / length, tuning_cents, *columns, out[rows])
    # The long window's magnitudes are twice the short one's; the root makes that a factor of 1.41.
    both = high
    both[:, :border] = low[:, :border] / np.float32((_LONG / _SHORT) ** _ROOT)
    strongest = both.max(axis=1)
    np.divide(both, np.maximum(strongest, 1e-9)[:, None], out=both)
    return both, strongest.astype(np.float64)


def _room(stretches: NDArray[np.float32], window: NDArray[np.float32]) -> NDArray[np.float32]:
    """Magnitude of the steady room sound in every bin: a low percentile over time, smoothed over frequency.

    Smoothing by a running median keeps a note that sounds all through the take from counting as room.
    """
    step = max(1, len(stretches) // 400)
    magnitude = np.abs(scipy.fft.rfft(stretches[::step] * window, axis=1))
    quiet = np.percentile(magnitude, 10, axis=0)
    width = 31
    padded = np.pad(quiet, width // 2, mode="edge")
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    return np.asarray(smooth, dtype=np.float32)


@njit(cache=True, fastmath=True)
def _credit(magnitude, room, tail, bin_hz, tuning_cents, from_column, to_column, out):  # type: ignore[no-untyped-def]
    """Add every peak's compressed magnitude to the pitches it can be a harmonic of; ``out`` [frames, PITCHES].

    Only the pitches from ``from_column`` to before ``to_column`` are looked at. ``tail`` [bins] is what the room may
    still return of what sounded before; it is carried from frame to frame.
    """
    bins = magnitude.shape[1]
    last = min(bins - 2, int(_HIGHEST_PEAK_HZ / bin_hz))
    shift = np.empty(_HARMONICS)
    weight = np.empty(_HARMONICS)
    for k in range(_HARMONICS):
        shift[k] = 12.0 * np.log2(k + 1.0)
        weight[k] = _FADE**k
    # No harmonic of the highest of these pitches lies beyond this bin.
    highest_hz = 440.0 * 2.0 ** ((to_column + LOWEST_MIDI - 69.0 + tuning_cents / 100.0) / 12.0) * _HARMONICS
    last_peak = min(last, int(highest_hz / bin_hz) + 1)
    share, attack, decay = np.float32(_TAIL_SHARE), np.float32(_TAIL_ATTACK), np.float32(_TAIL_DECAY)
    new = np.zeros(last + 1, np.float32)  # what stands out of the room's return
    for row in range(magnitude.shape[0]):
        here = magnitude[row]
        for b in range(1, last + 1):
            new[b] = here[b] - share * tail[b]
        top = np.float32(0.0)
        for b in range(1, last + 1):
            top = max(top, new[b])
        least = top * _PEAK_RANGE
        for b in range(1, last_peak + 1):
            m = here[b]
            if new[b] < least or m < room[b] or m < here[b - 1] or m <= here[b + 1]:
                continue
            x = np.log(float(here[b - 1]) + 1e-12)
            y = np.log(float(m) + 1e-12)
            z = np.log(float(here[b + 1]) + 1e-12)
            place = b + 0.5 * (x - z) / min(x - 2.0 * y + z, -1e-9)
            midi = 69.0 + 12.0 * np.log2(place * bin_hz / 440.0) - tuning_cents / 100.0
            strength = float(new[b]) ** _ROOT
            for k in range(_HARMONICS):
                pitch = midi - shift[k]
                if pitch < LOWEST_MIDI + from_column - 1.0:
                    break
                nearest = int(np.floor(pitch + 0.5))
                beside = nearest + 1 if pitch > nearest else nearest - 1
                for semitone in (nearest, beside):
                    column = semitone - LOWEST_MIDI
                    away = abs(pitch - semitone) * 100.0
                    if away >= _NONE_CENTS or column < from_column or column >= to_column:
                        continue
                    part = 1.0 if away <= _FULL_CENTS else (_NONE_CENTS - away) / (_NONE_CENTS - _FULL_CENTS)
                    out[row, column] += weight[k] * strength * part
        for b in range(1, last + 1):
            tail[b] = max(tail[b] * decay, tail[b] + attack * (here[b] - tail[b]))

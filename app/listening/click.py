"""Takes played to an audible click: the click's grid stands for the pulse.

The click's tempo is known (the metronome mark, or the tempo asked for); its phase is not, because a take begins
anywhere. When at least two clicks are heard before the first note they say it. Otherwise it is where the played onsets
lie on the whole: then how late or early a player is *throughout* can't be told, only how far single notes lie off, and
this is said.
After a break the player comes in again on some whole beat of the same click.
"""

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from app.listening.followed import Features
from app.listening.pulse import Pulse

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Our choices.
MOST_OFF_TEMPO = 0.06  # a take whose own tempo lies further from the click's did not follow it
LEAST_CLICKS = 2
CLICK_STRENGTH = 1.0  # onset strength; a plain attack has about 2
CLICK_NEAR_SEC = 0.015  # clicks lie this near to one grid
CLEAR_SEC = 0.15  # before the first note: what lies nearer may be its attack
MOST_BEATS_AHEAD = 24.0  # clicks further before the first note say nothing more

Phase = Literal["heard", "fitted"]


def on_click(pulse: Pulse, free: BoolArray, beat_sec: float, clicks_sec: float | None) -> tuple[Pulse, Phase] | None:
    """The grid of a click of ``beat_sec`` a beat in place of a fitted ``pulse``; None when the take did not follow it.

    ``free`` [n - 1] marks the pulse's breaks. ``clicks_sec``: the moment of a click that was heard, or None.
    """
    kept = pulse.judged
    if not kept.any() or abs(float(np.median(pulse.beat_sec[kept])) / beat_sec - 1.0) > MOST_OFF_TEMPO:
        return None
    off = pulse.times_sec - pulse.beats * beat_sec
    if clicks_sec is None:
        around = float(np.angle(np.mean(np.exp(2j * np.pi * off[kept] / beat_sec)))) / (2.0 * np.pi) * beat_sec
        start = around + float(np.median(_wrapped(off[kept] - around, beat_sec)))
    else:
        start = clicks_sec
    stretch = np.concatenate([[0], np.cumsum(free)])
    grid = np.empty_like(off)
    for one in np.unique(stretch):
        here = stretch == one
        whole = np.rint(np.median(off[here] - start) / beat_sec)
        grid[here] = start + (pulse.beats[here] + whole) * beat_sec
    given = replace(
        pulse, phase_sec=grid, expected_sec=grid, beat_sec=np.full(off.size, beat_sec), noise_sec=0.0, given=True
    )
    return given, "fitted" if clicks_sec is None else "heard"


def heard_click(features: Features, first_note_sec: float, beat_sec: float) -> float | None:
    """The moment (s) of a click before the first note, or None when fewer than two lie on one grid there."""
    times = features.times_sec
    before = (times < first_note_sec - CLEAR_SEC) & (times > first_note_sec - MOST_BEATS_AHEAD * beat_sec)
    apart = max(1, round(0.1 * beat_sec / features.hop_sec))
    peaks, _ = find_peaks(features.onset_strength[before], height=CLICK_STRENGTH, distance=apart)
    at = times[before][peaks]
    if at.size < LEAST_CLICKS:
        return None
    # The grid on which most peaks lie: each is tried as its origin.
    near = np.abs(_wrapped(at[:, None] - at[None, :], beat_sec)) <= CLICK_NEAR_SEC
    best = int(np.argmax(near.sum(axis=0)))
    chosen = at[near[:, best]]
    beats = np.unique(np.rint((chosen - at[best]) / beat_sec))
    if beats.size < LEAST_CLICKS or 2 * chosen.size <= at.size:  # talking has peaks too, but not on a grid
        return None
    return float(at[best] + np.median(_wrapped(chosen - at[best], beat_sec)))


def _wrapped(seconds: FloatArray, beat_sec: float) -> FloatArray:
    """To the nearest beat: from minus half a beat to half a beat."""
    return np.asarray(seconds - np.rint(seconds / beat_sec) * beat_sec)

"""From features to the search's numbers: pitch evidence per frame, candidate boundaries, running sums.

Frame evidence is a log-likelihood ratio in nats per frame (5 ms) against "nothing is played". Neighbouring frames
say nearly the same, so each is given far less than it would weigh alone: a clear pitch earns about 1.5 nats in
50 ms, a clear other pitch costs about 2.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from app.listening.course import ANY_OF, UNPITCHED, Score
from app.listening.followed import Features
from app.listening.pitch_tracking import HOP_SEC
from app.listening.salience import LOWEST_MIDI, PITCHES
from app.listening.walk import Signs

# Nats per frame, our choice (tuned on rendered takes):
_FROM_SPECTRUM = ((0.0, -0.10), (0.35, -0.10), (0.75, -0.02), (1.0, 0.07))  # salience -> evidence
_FROM_TRACK = ((0.0, 0.06), (0.4, 0.05), (0.7, -0.10), (99.0, -0.10))  # distance in semitones -> evidence
_OCTAVE_APART = -0.01
_SILENT = -0.04  # per frame of silence under a sounding note
_GAP_LOUD = -0.07  # per loud frame inside a gap
_OUTSIDE_LOUD = -0.02  # per loud frame before or after the piece, under the best pitch there
_BREAK_LOUD = -0.05  # the same inside a break: what is played there is likelier a part of the piece
_UNPITCHED_LOUD = 0.05
_NEARBY_SEC = 1.0  # a frame is also silent when it lies ...
_TAIL_DB = 25.0  # ... so far under the loudest within this time: a room's tail (our choice)
_FADE_DB = 3.0  # width of the change from silent to loud
_REPEAT_RANGE_DB = 60.0  # levels further under the loud ones count as this
_DIP_FRAMES = 12
_BEFORE_FRAMES = 25
_MOST_FALL_DB = 12.0
# Onset strength plus so much per dB of the fall -> log-likelihood ratio, counted on 1,400 repeated notes and 2,900
# places inside held notes (the likeliest within 125 ms each) of 15 rendered instruments in a room.
_AGAIN_PER_DB = 0.12
_FROM_ATTACK = ((0.0, -6.0), (0.5, -4.6), (0.9, -2.3), (1.3, -0.9), (1.7, 0.3), (2.2, 1.3), (3.0, 2.5), (4.0, 5.0))
_SECOND_CHOICE = 0.02  # per frame: an auxiliary note of an ornament against its main note
_THIRD_CHOICE = 0.04  # per frame: the other second of an ornament against its main note


@dataclass(frozen=True, slots=True)
class FrameEvidence:
    """Per frame: ``pitch`` [T, PITCHES] and ``active`` [T] from 0 (silent) to 1, ``onset`` [T]."""

    pitch: NDArray[np.float32]
    active: NDArray[np.float64]
    onset: NDArray[np.float64]
    again: NDArray[np.float64]


def frame_evidence(features: Features, salience: NDArray[np.float32], tuning_cents: float) -> FrameEvidence:
    """Evidence of every frame for every semitone of a grid shifted by ``tuning_cents``."""
    level = uniform_filter1d(features.level_db, 3)
    nearby = maximum_filter1d(level, round(2.0 * _NEARBY_SEC / features.hop_sec) | 1)
    silent = np.maximum(features.floor_db, nearby - _TAIL_DB)
    active = 1.0 / (1.0 + np.exp(-(level - silent - 3.0) / _FADE_DB))
    confidence = uniform_filter1d(np.where(np.isfinite(features.f0_hz), features.confidence, 0.0), 7)
    tonal = np.clip((confidence - 0.2) / 0.5, 0.5, 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        midi = 69.0 + 12.0 * np.log2(features.f0_hz / 440.0) - tuning_cents / 100.0
    pitch = _frame_pitch(
        salience,
        midi,
        active * tonal,
        active,
        np.array([x for x, _ in _FROM_SPECTRUM]),
        np.array([y for _, y in _FROM_SPECTRUM]),
        np.array([x for x, _ in _FROM_TRACK]),
        np.array([y for _, y in _FROM_TRACK]),
        _OCTAVE_APART,
        _SILENT,
    )
    return FrameEvidence(pitch, active, onset_evidence(features), repeat_evidence(features))


@njit(cache=True)
def _frame_pitch(salience, midi, weight, active, sx, sy, tx, ty, octave, silent):  # type: ignore[no-untyped-def]
    frames, pitches = salience.shape
    out = np.empty((frames, pitches), np.float32)
    for i in range(frames):
        for p in range(pitches):
            r = salience[i, p]
            v = sy[len(sy) - 1]
            for k in range(1, len(sx)):
                if r <= sx[k]:
                    v = sy[k - 1] + (sy[k] - sy[k - 1]) * (r - sx[k - 1]) / (sx[k] - sx[k - 1])
                    break
            if np.isfinite(midi[i]):
                d = abs(midi[i] - (p + LOWEST_MIDI))
                times = 2.0 ** (d / 12.0)
                whole = np.floor(times + 0.5)
                partial = 1.5 < times < 10.5 and abs(12.0 * np.log2(times / whole)) < 0.5
                if abs(d - 12.0) < 0.5 or partial:
                    # Octaves share a period, two notes in a room share a longer one, and a reed's strong partial
                    # has a shorter one of its own: the spectrum tells.
                    v += octave
                    out[i, p] = weight[i] * v + (1.0 - active[i]) * silent
                    continue
                w = ty[len(ty) - 1]
                for k in range(1, len(tx)):
                    if d <= tx[k]:
                        w = ty[k - 1] + (ty[k] - ty[k - 1]) * (d - tx[k - 1]) / (tx[k] - tx[k - 1])
                        break
                v += w
            out[i, p] = weight[i] * v + (1.0 - active[i]) * silent
    return out


def onset_evidence(features: Features) -> NDArray[np.float64]:
    """Log-likelihood ratio [T] that a note starts at a frame, from the onset strength; only local peaks count."""
    strength = features.onset_strength
    highest = maximum_filter1d(strength, 7)
    return np.where(strength >= 0.98 * highest, 3.1 * strength - 2.7, np.minimum(1.6 * strength - 2.7, 1.0))


def repeat_evidence(features: Features) -> NDArray[np.float64]:
    """Log-likelihood ratio [T] that a note starts at a frame on the pitch that sounds already.

    The pitch says nothing here, so beside the onset strength it counts how far the level has fallen before: a quiet
    note after a loud one hardly rises, but nobody repeats a note without letting go of it.
    """
    strength = maximum_filter1d(features.onset_strength, 3)
    level = np.maximum(features.level_db, float(np.percentile(features.level_db, 95)) - _REPEAT_RANGE_DB)
    dip = minimum_filter1d(level, _DIP_FRAMES, origin=_DIP_FRAMES // 2 - 2)  # from 45 ms before to 10 ms after
    before = maximum_filter1d(level, _BEFORE_FRAMES, origin=_BEFORE_FRAMES // 2)
    fall = np.minimum(before - dip, _MOST_FALL_DB)
    attack, worth = np.array(_FROM_ATTACK).T
    return np.asarray(np.interp(strength + _AGAIN_PER_DB * fall, attack, worth))


def gather(frames: FrameEvidence, score: Score, boundaries: NDArray[np.int32]) -> Signs:
    """Running sums of all evidence at the candidate boundaries (frame indices, rising, the last one the end)."""
    active = frames.active
    columns = np.empty((len(active), len(score.special) + PITCHES), np.float32)
    first = len(score.special)
    columns[:, first:] = frames.pitch
    for c, column in enumerate(score.special):
        if column.kind == UNPITCHED:
            columns[:, c] = active * _UNPITCHED_LOUD + (1.0 - active) * _SILENT
        elif column.kind == ANY_OF:
            main = frames.pitch[:, column.midi[0] - LOWEST_MIDI]
            others = np.max([frames.pitch[:, m - LOWEST_MIDI] for m in column.midi[1:]], axis=0)
            columns[:, c] = np.maximum(main, others - _SECOND_CHOICE * active)
            for midi in column.mistaken:
                other = frames.pitch[:, midi - LOWEST_MIDI] - _THIRD_CHOICE * active
                np.maximum(columns[:, c], other, out=columns[:, c])
    strongest = np.maximum(frames.pitch.max(axis=1), 0.0)
    onset = maximum_filter1d(frames.onset, 3)
    return Signs(
        frame=boundaries,
        time_sec=boundaries.astype(np.float64) * HOP_SEC,
        evidence=_sums(columns, boundaries),
        gap=_sums((active * _GAP_LOUD)[:, None].astype(np.float32), boundaries)[:, 0],
        outside=_sums((strongest + active * _OUTSIDE_LOUD)[:, None].astype(np.float32), boundaries)[:, 0],
        inside_break=_sums((strongest + active * _BREAK_LOUD)[:, None].astype(np.float32), boundaries)[:, 0],
        onset=onset[np.minimum(boundaries, len(onset) - 1)],
        again=frames.again[np.minimum(boundaries, len(onset) - 1)],
    )


@njit(cache=True)
def _sums(values, boundaries):  # type: ignore[no-untyped-def]
    """Running sums over frames [T, C], read at the boundaries: [K, C]."""
    frames, columns = values.shape
    out = np.zeros((len(boundaries), columns))
    total = np.zeros(columns)
    t = 0
    for k in range(len(boundaries)):
        while t < boundaries[k] and t < frames:
            for c in range(columns):
                total[c] += values[t, c]
            t += 1
        for c in range(columns):
            out[k, c] = total[c]
    return out


_CHANGE_FRAMES = 5  # pitch evidence is compared over this many frames on either side
_LEAST_STRENGTH = 0.45  # onset strength of a candidate
_LEAST_CHANGE = 0.25
_CLOSEST_FRAMES = 3
_FARTHEST_FRAMES = 9  # a boundary at least every 45 ms: none can be far from the truth


def candidate_boundaries(features: Features, frames: FrameEvidence) -> NDArray[np.int32]:
    """Frame indices at which notes may start: attacks, changes of pitch, and a grid where there is neither."""
    count = len(frames.active)
    strength = features.onset_strength
    attack = (strength >= maximum_filter1d(strength, 5)) & (strength > _LEAST_STRENGTH)
    smooth = uniform_filter1d(frames.pitch, _CHANGE_FRAMES, axis=0)
    change = np.zeros(count)
    reach = _CHANGE_FRAMES // 2 + 1
    change[reach:-reach] = np.abs(smooth[2 * reach :] - smooth[: -2 * reach]).max(axis=1)
    turned = (change >= maximum_filter1d(change, 5)) & (change > _LEAST_CHANGE * 0.2)
    weight = np.where(attack, 1.0 + strength, 0.0) + np.where(turned, 1.0 + 5.0 * change, 0.0)
    return np.asarray(_thinned(weight, _CLOSEST_FRAMES, _FARTHEST_FRAMES), dtype=np.int32)


@njit(cache=True)
def _thinned(weight, closest, farthest):  # type: ignore[no-untyped-def]
    """Keep the weightier of two near candidates, then fill gaps evenly. First frame and end are always there."""
    count = len(weight)
    keep = np.zeros(count + 1, np.bool_)
    for i in range(count):
        if weight[i] <= 0.0:
            continue
        best = True
        for k in range(max(0, i - closest + 1), min(count, i + closest)):
            if weight[k] > weight[i] or (weight[k] == weight[i] and k < i):
                best = False
        keep[i] = best
    keep[0] = True
    keep[count] = True
    out = np.empty(count + 1, np.int32)
    used = 0
    before = 0
    for i in range(count + 1):
        if not keep[i]:
            continue
        span = i - before
        if used > 0 and span > farthest:
            parts = (span + farthest - 1) // farthest
            for p in range(1, parts):
                out[used] = before + span * p // parts
                used += 1
        out[used] = i
        used += 1
        before = i
    return out[:used]

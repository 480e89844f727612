"""From a boundary of the search (some 20 ms) to where a note begins and ends to a few milliseconds.

A tongued note begins where the level has risen a tenth of the way out of the dip before it; a slurred note where
the pitch crosses half-way between the two notes; one that is tongued while the note before still rings where it
comes out of that (``emerging``). A note ends where its level has fallen by 20 dB, or at the next onset when there is
no gap.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.listening.emerging import emerges
from app.listening.envelopes import ENVELOPE_RATE_HZ, RISEN_SHARE, back_to_a_tenth, envelope, highest_within
from app.listening.followed import Features
from app.listening.pitch_tracking import HOP_SEC, RATE_HZ

# Pitches from this MIDI number up are watched through an envelope of so many seconds: at least about a period.
_ENVELOPES = ((60.0, 0.004), (47.0, 0.009), (-999.0, 0.018))
_LEAST_STRETCH_SEC, _LEAST_NOTE_SEC = 0.0136, 0.0027  # shorter ones show nothing
_BEFORE_SEC = 0.05
_AFTER_SEC = 0.06
_DIP_DB = 6.0  # a shallower dip is no attack of its own
_SLURRED_DIP_DB = 14.0
_HIDDEN_SEC = 0.012  # a start is never put further before the dip than this (our choice)
_FALLEN_SHARE = 0.1  # 20 dB
_ATTACK_SEC = 0.03  # the dip between attack and body of a note is no end
_FILLED_SHARE = 0.35  # a gap that falls by less than 9 dB is none
_PAST_SLOT_SEC = 0.25  # a note may end so much later than its slot did (our choice)
_APART_SEC = 0.005  # onsets lie at least so far apart
_CLOSED_SEC = 0.012  # ends this near to the next onset are that onset


@dataclass(frozen=True, slots=True)
class Sounded:
    """One sounding thing: its boundaries in seconds and the pitch heard. ``slurred``: no attack is expected."""

    onset_sec: float
    slot_end_sec: float
    midi: float
    slurred: bool
    single: bool  # one pitch only, so that a pitch crossing tells the boundary


def refine(
    signal: NDArray[np.float32], features: Features, tuning_cents: float, sounded: list[Sounded]
) -> list[tuple[float, float]]:
    """Onset and offset in seconds of everything that sounded, in order of time."""
    levels = {_ENVELOPES[0]: envelope(signal, int(_ENVELOPES[0][1] * RATE_HZ))}
    with np.errstate(invalid="ignore", divide="ignore"):
        midi = 69.0 + 12.0 * np.log2(features.f0_hz / 440.0) - tuning_cents / 100.0
    quiet = float(np.percentile(levels[_ENVELOPES[0]], 5))
    onsets: list[float] = []
    chosen = []
    for i, note in enumerate(sounded):
        before = sounded[i - 1] if i > 0 else None
        lowest = note.midi if before is None else min(note.midi, before.midi)
        which = next(one for one in _ENVELOPES if lowest >= one[0])
        if which not in levels:  # most takes need one of them
            levels[which] = envelope(signal, int(which[1] * RATE_HZ))
        level = levels[which]
        chosen.append(level)
        previous = onsets[-1] if onsets else 0.0
        onset = None
        if before is not None and before.single and note.single and not note.slurred and _touches(before, note):
            old, new = (previous, before.midi), (note.onset_sec, note.slot_end_sec, note.midi)
            onset = emerges(signal, midi, tuning_cents, old, new, int(which[1] * RATE_HZ))
        if onset is None:
            onset = _onset(level, midi, note, before, previous)
        onsets.append(max(onset, previous + _APART_SEC) if before is not None else onset)
    out = []
    for i in range(len(sounded)):
        following = onsets[i + 1] if i + 1 < len(sounded) else len(chosen[i]) / ENVELOPE_RATE_HZ
        # Beyond its slot something else may sound: talking in a break, applause after the last note.
        following = min(following, max(sounded[i].slot_end_sec, onsets[i]) + _PAST_SLOT_SEC)
        out.append((onsets[i], _offset(chosen[i], quiet, onsets[i], following)))
    return out


def _touches(before: Sounded, note: Sounded) -> bool:
    return before.slot_end_sec >= note.onset_sec - 0.035


def _onset(
    level: NDArray[np.float64],
    midi: NDArray[np.float64],
    note: Sounded,
    before: Sounded | None,
    previous_onset: float,
) -> float:
    touching = before is not None and _touches(before, note)
    slurred = before is not None and note.slurred and round(before.midi) != round(note.midi)
    at = int(note.onset_sec * ENVELOPE_RATE_HZ)
    left = max(0, at - int(_BEFORE_SEC * ENVELOPE_RATE_HZ))
    if touching:
        left = max(left, int((previous_onset + 0.02) * ENVELOPE_RATE_HZ))
    right = min(len(level), at + int(_AFTER_SEC * ENVELOPE_RATE_HZ))
    stretch = level[left:right]
    if len(stretch) > _LEAST_STRETCH_SEC * ENVELOPE_RATE_HZ and at < len(level):
        length = note.slot_end_sec - note.onset_sec
        peak = highest_within(level, at, length)
        dip_at = int(np.argmin(stretch[: max(2, at - left + int(0.02 * ENVELOPE_RATE_HZ))]))
        dip = float(stretch[dip_at])
        depth_db = 20.0 * np.log10(peak / (dip + 1e-9) + 1e-12)
        if depth_db > (_SLURRED_DIP_DB if slurred else _DIP_DB):
            limit = max(RISEN_SHARE * peak, dip + 0.08 * (peak - dip))
            risen = np.flatnonzero(stretch[dip_at:] > limit)
            if len(risen):
                start = left + dip_at + int(risen[0])
                if dip > RISEN_SHARE * peak:
                    start = min(start, _hidden_start(level, left + dip_at, peak, start))
                return start / ENVELOPE_RATE_HZ
    if touching and before is not None and before.single and note.single and round(before.midi) != round(note.midi):
        crossing = _crossing(midi, before.midi, note.midi, round(note.onset_sec / HOP_SEC))
        if crossing is not None and crossing > previous_onset:
            return crossing
    return note.onset_sec


def _hidden_start(level: NDArray[np.float64], dip_at: int, peak: float, otherwise: int) -> int:
    """Where a rise that begins under the note before would have passed a tenth of its height, by a straight line.

    The line goes through the points where the level passes 50 % and 80 % of ``peak``.
    """
    ahead = level[dip_at : dip_at + int(0.25 * ENVELOPE_RATE_HZ)]
    half = np.flatnonzero(ahead > 0.5 * peak)
    if not len(half) or not np.any(ahead > 0.8 * peak):
        return otherwise
    back = back_to_a_tenth(ahead, int(half[0]), peak)
    return int(max(dip_at + int(half[0]) - back, dip_at - _HIDDEN_SEC * ENVELOPE_RATE_HZ))


def _crossing(midi: NDArray[np.float64], first: float, second: float, frame: int) -> float | None:
    """Time at which the pitch leaves ``first`` for ``second`` near a frame, or None."""
    leaves = arrives = -1
    for g in range(max(1, frame - 14), min(len(midi) - 1, frame + 8) + 1):
        if not np.isfinite(midi[g]):
            continue
        to_first, to_second = abs(midi[g] - first), abs(midi[g] - second)
        if to_first < to_second and to_first < 1.2:
            leaves, arrives = g, -1
        elif to_second < to_first and to_second < 1.2 and leaves >= 0 and arrives < 0:
            arrives = g
    return 0.5 * (leaves + arrives) * HOP_SEC if arrives > leaves >= 0 else None


def _offset(level: NDArray[np.float64], quiet: float, onset: float, following: float) -> float:
    """Where a note that begins at ``onset`` has fallen silent, at the latest at the next onset."""
    a = int(onset * ENVELOPE_RATE_HZ)
    b = max(a + 1, min(int(following * ENVELOPE_RATE_HZ), len(level)))
    if b - a < _LEAST_NOTE_SEC * ENVELOPE_RATE_HZ:
        return following
    stretch = level[a:b]
    begin = min(len(stretch) // 3, int(_ATTACK_SEC * ENVELOPE_RATE_HZ))
    lowest = begin + int(np.argmin(stretch[begin:]))
    sounding = stretch[: lowest + 1]
    loud = np.flatnonzero(sounding > 0.3 * float(np.percentile(sounding, 90)))
    # The level it falls from: what it had in the last third of its loud part.
    last_loud = int(loud[-1]) + 1
    steady = float(np.median(sounding[last_loud - max(1, last_loud // 3) : last_loud]))
    limit = max(_FALLEN_SHARE * steady, 1.5 * quiet)
    deepest = float(sounding[-1])
    if deepest > limit:  # a room's tail or noise fills the gap, or there is none
        limit = float(np.sqrt(deepest * steady))
        if deepest > _FILLED_SHARE * steady:
            return following
    above = np.flatnonzero(sounding > limit)
    end = (a + int(above[-1]) + 1) / ENVELOPE_RATE_HZ if len(above) else following
    return following if following - end < _CLOSED_SEC else end

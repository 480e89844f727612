"""When each note came against the local pulse, and how long it was held."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.piece import Piece
from app.listening.click import Phase, heard_click, on_click
from app.listening.followed import Features, Followed
from app.listening.note_pitch import SPEAKS_DB, SPEAKS_WITHIN_SEC
from app.listening.pulse import Pulse, beat_without, beats_of, expected_without, fit_pulse

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

HELD_FROM_BEATS = 0.999  # notes of a beat or more are read against a pulse fitted without them
BREAK_SLACK_SEC = 0.06  # a break and the note it stands before are told within this
LATE_SEC = 0.03  # a note this far off is read again against a pulse without it: our choice

SLURRED_DOUBT_SEC, ATTACK_DOUBT_SEC, ATTACK_DOUBT_SHARE = 0.003, 0.003, 0.15  # fitted, see onset_doubts
NO_EDGE_RISE_SEC, NO_EDGE_DOUBT_SEC = 0.005, 0.02

GRACE = "a grace note has no place of its own in the pulse"
AFTER_BREAK = "first note after a break in the playing"
AFTER_FERMATA = "first note after a fermata"
NOT_PLAYED = "not played"
TOO_FEW = "too few notes between breaks to fit a pulse"


@dataclass(frozen=True, slots=True)
class NoteTiming:
    """Timing of one note; None with ``why`` when it can't be told."""

    timing_sec: float | None = None  # against the local pulse, late positive
    why: str | None = None
    beat_sec: float | None = None  # local beat
    length_ratio: float | None = None  # onset to next onset over the notated distance at the local pulse
    length_uncertainty: float | None = None  # of the ratio, about one standard deviation
    sounding_ratio: float | None = None  # onset to offset over the notated length
    gap_sec: float | None = None  # silence before the next note, where no rest is notated


@dataclass(frozen=True, slots=True)
class Timing:
    """Timing of a take; ``notes`` follows ``piece.notes``. ``pulse`` is None when none can be fitted."""

    notes: tuple[NoteTiming, ...]
    pulse: Pulse | None
    members: tuple[int, ...]  # indices of the notes that carry the pulse
    free: BoolArray  # [members - 1] intervals that say nothing about the pulse
    click: Phase | None = None  # judged on a click's grid, and how its phase is known


def onset_doubts(piece: Piece, followed: Followed, features: Features) -> FloatArray:
    """About one standard deviation of each note's onset in seconds [n], from replicas of rendered takes in two rooms.

    A slur's change of pitch is told to some ms, a clean attack the better the faster it rises; a note that comes into
    a room still full of the note before has no edge of its own. NaN where nothing was played.
    """
    out = np.full(len(piece.notes), np.nan)
    for i, (note, heard) in enumerate(zip(piece.notes, followed.notes, strict=True)):
        if heard.onset_sec is None or heard.offset_sec is None:
            continue
        if note.slurred_from_previous:
            out[i] = SLURRED_DOUBT_SEC
            continue
        end = min(heard.offset_sec, heard.onset_sec + SPEAKS_WITHIN_SEC)
        a, b = np.searchsorted(features.times_sec, [heard.onset_sec, end])
        level = features.level_db[a:b]
        if level.size < 2:
            out[i] = NO_EDGE_DOUBT_SEC
            continue
        rise = float(features.times_sec[a + int(np.argmax(level >= level.max() - SPEAKS_DB))]) - heard.onset_sec
        edge = float(np.hypot(ATTACK_DOUBT_SEC, ATTACK_DOUBT_SHARE * rise))
        out[i] = NO_EDGE_DOUBT_SEC if rise < NO_EDGE_RISE_SEC else edge
    return out


def read_timing(
    piece: Piece, followed: Followed, doubts_sec: Sequence[float] | FloatArray, click_in: Features | None = None
) -> Timing:
    """Timing of every note. ``doubts_sec`` [n]: one standard deviation of each onset.

    With ``click_in``, the features of the take, it was played to a click at the piece's mark and is judged on that
    grid, if it followed it.
    """
    members = [
        i
        for i, note in enumerate(piece.notes)
        if not note.grace and followed.notes[i].onset_sec is not None and followed.notes[i].status != "omitted"
    ]
    quarters = np.array([piece.notes[i].onset_quarters for i in members], dtype=np.float64)
    times = np.array([followed.notes[i].onset_sec for i in members], dtype=np.float64)
    beats = beats_of(piece, quarters)
    free, reasons = _free_intervals(piece, followed, members, beats, times)
    pulse = fit_pulse(beats, times, free) if len(members) >= 2 else None
    click: Phase | None = None
    if click_in is not None and pulse is not None:
        beat_sec = piece.tempo_marks[0].quarter_sec * piece.bars[0].felt_beat_quarters
        found = on_click(pulse, free, beat_sec, heard_click(click_in, followed.start_sec, beat_sec))
        pulse, click = found or (pulse, None)
    notes = [NoteTiming(why=GRACE if note.grace else NOT_PLAYED) for note in piece.notes]
    for k, i in enumerate(members):
        notes[i] = _note_timing(piece, followed, members, k, pulse, free, reasons, doubts_sec)
    return Timing(tuple(notes), pulse, tuple(members), free, click)


def _free_intervals(
    piece: Piece, followed: Followed, members: list[int], beats: FloatArray, times: FloatArray
) -> tuple[BoolArray, dict[int, str]]:
    """Intervals [members - 1] that are no part of the pulse, and for the member after each the reason."""
    free = np.zeros(max(0, len(members) - 1), dtype=bool)
    reasons: dict[int, str] = {}
    for k in range(len(members) - 1):
        before, after = followed.notes[members[k]], followed.notes[members[k + 1]]
        broke = before.pass_number != after.pass_number or times[k + 1] <= times[k] or beats[k + 1] <= beats[k]
        broke = broke or any(
            times[k] + BREAK_SLACK_SEC < b.at_sec <= times[k + 1] + BREAK_SLACK_SEC for b in followed.breaks
        )
        if broke:
            free[k] = True
            reasons[k + 1] = AFTER_BREAK
        elif piece.notes[members[k]].fermata:
            free[k] = True
            reasons[k + 1] = AFTER_FERMATA
    return free, reasons


def _note_timing(
    piece: Piece,
    followed: Followed,
    members: list[int],
    k: int,
    pulse: Pulse | None,
    free: BoolArray,
    reasons: dict[int, str],
    doubts_sec: Sequence[float] | FloatArray,
) -> NoteTiming:
    i = members[k]
    if pulse is None or not pulse.judged[k]:
        return NoteTiming(why=reasons.get(k, TOO_FEW))
    note, heard = piece.notes[i], followed.notes[i]
    beat = float(pulse.beat_sec[k])
    beats_long = float(
        beats_of(piece, np.array([note.onset_quarters, note.onset_quarters + note.length_quarters])) @ [-1, 1]
    )
    ratio = doubt = gap = None
    if k + 1 < len(members) and not free[k] and not _left_out_between(piece, followed, i, members[k + 1]):
        step = float(pulse.beats[k + 1] - pulse.beats[k])
        interval = float(pulse.times_sec[k + 1] - pulse.times_sec[k])
        local, relative = 0.5 * (beat + float(pulse.beat_sec[k + 1])), 0.02
        if step >= HELD_FROM_BEATS:
            without = beat_without(pulse, k, free)
            if without is not None:
                local, relative = without
        ratio = interval / (step * local)
        doubt = float(ratio * np.hypot(relative, np.hypot(doubts_sec[i], doubts_sec[members[k + 1]]) / interval))
        rest = piece.notes[members[k + 1]].onset_quarters - note.onset_quarters - note.length_quarters
        following = _next_onset(piece, followed, i, members[k + 1])
        if heard.offset_sec is not None and rest < 0.01 and following is not None:
            gap = max(0.0, following - heard.offset_sec)
        beat = local
    sounding = None
    if heard.offset_sec is not None and heard.onset_sec is not None and beats_long > 0:
        sounding = (heard.offset_sec - heard.onset_sec) / (beats_long * beat)
    why = reasons.get(k)
    timing = None if why else float(pulse.times_sec[k] - pulse.expected_sec[k])
    if timing is not None and (abs(timing) > LATE_SEC or lands(piece, i)):
        expected = expected_without(pulse, k, free)
        timing = timing if expected is None else float(pulse.times_sec[k]) - expected
    return NoteTiming(timing, why, beat, ratio, doubt, sounding, gap)


def lands(piece: Piece, index: int) -> bool:
    """Whether the note is where a grace group, trill, turn or mordent arrives."""
    before = piece.notes[index - 1] if index else None
    return before is not None and not piece.notes[index].grace and (before.grace or before.ornament is not None)


def _left_out_between(piece: Piece, followed: Followed, first: int, second: int) -> bool:
    """Whether a notated note between two members was not played (so the interval is not the first one's length)."""
    return any(not piece.notes[j].grace and followed.notes[j].status == "omitted" for j in range(first + 1, second))


def _next_onset(piece: Piece, followed: Followed, first: int, second: int) -> float | None:
    """Onset of whatever is played next after ``first``: a grace note or the next main note."""
    for j in range(first + 1, second + 1):
        onset = followed.notes[j].onset_sec
        if onset is not None:
            return onset
    return None

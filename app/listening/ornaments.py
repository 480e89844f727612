"""Trills, landings and runs: how fast, how even, and whether the arrival is in time."""

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from app.domain.piece import Piece, PieceNote
from app.domain.units import A4_HZ, midi_to_hz
from app.listening import robust
from app.listening.course import other_second
from app.listening.followed import Features, Followed
from app.listening.timing import Timing

FloatArray = NDArray[np.float64]

# Our choices.
SHORTEST_STAY_SEC = 0.018  # a stay on one trill note shorter than this is the way between two
FASTEST_TRILL_HZ = 12.0  # beyond this the two pitches melt in the analysis window
FEWEST_CHANGES = 3
CHANGE_DOUBT_SEC = 0.01  # one standard deviation of a change of pitch: two frames
LEAST_SHARE_PITCHED = 0.6
NEAR_CENTS = 45.0  # under half a semitone, so that no frame counts for two
RUN_FROM_NOTES = 4
RUN_LONGEST_BEATS = 0.5
ORNAMENT_WORD = {"trill": "trill", "tremolo": "trill", "turn": "turn", "inverted-turn": "turn"}


def trills(piece: Piece, followed: Followed, features: Features) -> list[dict[str, Any]]:
    """One dictionary per notated trill that was played. ``rate_hz`` counts pairs of notes per second."""
    out = []
    for note, heard in zip(piece.notes, followed.notes, strict=True):
        if note.ornament is None or note.ornament.kind not in ("trill", "tremolo") or not note.ornament.sounding_midi:
            continue
        if heard.onset_sec is None or heard.offset_sec is None or heard.status == "omitted":
            continue
        found = trill_content(
            features,
            heard.onset_sec,
            heard.offset_sec,
            note.sounding_midi,
            note.ornament.sounding_midi[0],
            followed.tuning_cents,
        )
        written = 100.0 * (note.ornament.sounding_midi[0] - note.sounding_midi)
        out.append({"note_id": note.note_id, "bar": note.bar, "written_interval_cents": written, **found})
    return out


def trill_content(
    features: Features, onset_sec: float, offset_sec: float, main_midi: int, other_midi: int, tuning_cents: float
) -> dict[str, Any]:
    """Rate (pairs of notes per second), number of pairs, first pitch and interval of a trill between two moments (s).

    ``interval_cents`` is the one that was played: with the other second of the main note where that is heard more than
    the written one. Values are None with ``why_null`` when no alternation can be told; where the pitch is clear and
    does not alternate, ``alternations`` says so (0, or 1 for a single turn to the other note).
    """
    keys = ("rate_hz", "rate_uncertainty_hz", "alternations", "first", "interval_cents", "interval_uncertainty_cents")
    nothing: dict[str, Any] = dict.fromkeys(keys)
    a, b = np.searchsorted(features.times_sec, [onset_sec, offset_sec])
    times, hz = features.times_sec[a:b], features.f0_hz[a:b]
    with np.errstate(invalid="ignore"):
        cents = 1200.0 * np.log2(hz / midi_to_hz(main_midi, A4_HZ)) - tuning_cents
    interval = 100.0 * _played_step(cents, other_midi - main_midi)
    place = cents / interval  # 0 on the main note, 1 on the other
    near = np.isfinite(place) & (place > -1.0) & (place < 2.0)
    if near.size == 0 or near.mean() < LEAST_SHARE_PITCHED:
        return {**nothing, "why_null": "the pitches of the trill are not heard clearly"}
    stays = _stays(place[near] > 0.5, times[near], features.hop_sec)
    if len(stays) - 1 < FEWEST_CHANGES:
        return {**nothing, "alternations": len(stays) // 2, "why_null": "no alternation was heard"}
    changes = np.array([start for _, start, _ in stays[1:]])
    rate = 0.5 * (changes.size - 1) / (changes[-1] - changes[0])
    if rate > FASTEST_TRILL_HZ:
        return {**nothing, "why_null": "too fast to tell the two pitches apart"}
    levels: dict[bool, list[float]] = {False: [], True: []}
    kept_times, kept_place = times[near], place[near]
    for other, start, end in stays:
        third = (end - start) / 3.0
        inside = (kept_times >= start + third) & (kept_times <= end - third)
        if inside.any():
            levels[other].append(float(np.median(kept_place[inside])))
    apart = apart_doubt = None
    if levels[False] and levels[True]:
        apart = float((np.median(levels[True]) - np.median(levels[False])) * interval)
        errors = [e for values in levels.values() if (e := robust.median_error(values)) is not None]
        apart_doubt = float(np.linalg.norm(errors) * abs(interval)) if len(errors) == 2 else None
    first: Literal["main", "upper", "lower"] = "main"
    if stays[0][0]:
        first = "upper" if other_midi > main_midi else "lower"
    return {
        "rate_hz": float(rate),
        "rate_uncertainty_hz": float(rate * np.sqrt(2.0) * CHANGE_DOUBT_SEC / (changes[-1] - changes[0])),
        "alternations": len(stays) // 2,
        "first": first,
        "interval_cents": apart,
        "interval_uncertainty_cents": apart_doubt,
        "why_null": None,
    }


def _played_step(cents: FloatArray, written: int) -> int:
    """Semitones from the main note to the one it alternates with: the other second where that is heard more.

    ``cents`` [n] are the frames against the main note. A frame counts for the interval that it lies within
    ``NEAR_CENTS`` of.
    """
    other = other_second(written)
    if other is None:
        return written

    def heard(step: int) -> int:
        return int(np.sum(np.abs(cents - 100.0 * step) <= NEAR_CENTS))

    return other if heard(other) > heard(written) else written


def _stays(on_other: NDArray[np.bool_], times: FloatArray, hop_sec: float) -> list[tuple[bool, float, float]]:
    """Stays on one of two pitches as (on the other pitch, start s, end s); passing frames join their neighbours."""
    edges = np.flatnonzero(np.diff(on_other.astype(np.int8))) + 1
    starts, ends = np.concatenate([[0], edges]), np.concatenate([edges, [on_other.size]])
    out: list[tuple[bool, float, float]] = []
    for a, b in zip(starts, ends, strict=True):
        start, end = float(times[a]), float(times[b - 1]) + hop_sec
        if end - start < SHORTEST_STAY_SEC:
            continue
        if out and out[-1][0] == bool(on_other[a]):
            out[-1] = (out[-1][0], out[-1][1], end)
        else:
            out.append((bool(on_other[a]), start, end))
    return out


def landings(piece: Piece, timing: Timing, doubts_sec: Sequence[float] | FloatArray) -> list[dict[str, Any]]:
    """The note each trill, turn, mordent or grace group must arrive on, and when it came.

    ``doubts_sec`` [n] follows ``piece.notes``. The doubt of a landing is that of its onset and of the pulse it is read
    against.
    """
    out = []
    pulse_doubt = timing.pulse.noise_sec if timing.pulse is not None else 0.0
    pending: tuple[str, str] | None = None
    grace_first: str | None = None
    for i, note in enumerate(piece.notes):
        if note.grace:
            grace_first = grace_first or note.note_id
            continue
        ornament = pending or (("grace", grace_first) if grace_first else None)
        when = timing.notes[i].timing_sec
        if ornament is not None and when is not None:
            out.append(
                {
                    "note_id": note.note_id,
                    "bar": note.bar,
                    "after": ornament[0],
                    "ornament_note_id": ornament[1],
                    "timing_ms": 1000.0 * when,
                    "uncertainty_ms": 1000.0 * float(np.hypot(doubts_sec[i], pulse_doubt)),
                }
            )
        grace_first = None
        pending = (_word(note), note.note_id) if note.ornament is not None else None
    return out


def _word(note: PieceNote) -> str:
    return ORNAMENT_WORD.get(note.ornament.kind, "mordent") if note.ornament else ""


def runs(piece: Piece, timing: Timing) -> list[dict[str, Any]]:
    """Evenness of groups of at least four equal short notes: spread of their lengths about an even change, percent."""
    out = []
    for members in _equal_groups(piece, timing):
        times = np.array([timing.pulse.times_sec[k] for k in members]) if timing.pulse else np.zeros(0)
        lengths = np.diff(times)
        if lengths.size < RUN_FROM_NOTES - 1 or lengths.min() <= 0:
            continue
        at = np.arange(lengths.size, dtype=np.float64)
        trend = np.polynomial.polynomial.polyval(at, np.polynomial.polynomial.polyfit(at, lengths, 1))
        uneven = float(np.sqrt(np.sum((lengths - trend) ** 2) / max(1, lengths.size - 2)) / lengths.mean())
        notes = [piece.notes[timing.members[k]] for k in members]
        unit = notes[0].length_quarters
        strong = np.array([round(note.onset_quarters / unit) % 2 == 0 for note in notes[:-1]])
        flat = lengths / trend
        ratio = float(flat[strong].mean() / flat[~strong].mean()) if strong.any() and (~strong).any() else None
        out.append(
            {
                "note_ids": [note.note_id for note in notes],
                "bar_first": notes[0].bar,
                "bar_last": notes[-1].bar,
                "evenness_percent": 100.0 * uneven,
                "long_short_ratio": ratio,
                "notes_per_sec": float(1.0 / lengths.mean()),
            }
        )
    return out


def _equal_groups(piece: Piece, timing: Timing) -> list[list[int]]:
    """Places in ``timing.members`` of consecutive played notes of one short value with nothing between."""
    if timing.pulse is None:
        return []
    groups: list[list[int]] = []
    current: list[int] = []
    for k, i in enumerate(timing.members):
        note = piece.notes[i]
        short = note.length_quarters <= RUN_LONGEST_BEATS * piece.bars[note.bar_index].felt_beat_quarters + 1e-6
        joined = bool(current) and not timing.free[k - 1] and _adjacent(piece, timing.members[k - 1], i)
        same = joined and abs(piece.notes[timing.members[current[0]]].length_quarters - note.length_quarters) < 1e-6
        if short and note.ornament is None and timing.pulse.judged[k]:
            if same:
                current.append(k)
                continue
            groups.append(current)
            current = [k]
        else:
            groups.append(current)
            current = []
    groups.append(current)
    return [g for g in groups if len(g) >= RUN_FROM_NOTES]


def _adjacent(piece: Piece, before: int, after: int) -> bool:
    first, second = piece.notes[before], piece.notes[after]
    return after == before + 1 and abs(second.onset_quarters - first.onset_quarters - first.length_quarters) < 1e-6

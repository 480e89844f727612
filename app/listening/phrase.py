"""The musicianship family: loudness per note, phrase arcs, contrasts.

A phrase arc is the best rise-then-fall through the levels of a phrase's notes: isotonic regression up to the peak and
down after it, the peak chosen where the fit is best. Evenness is the share of the levels' variance that the arc
explains; a bump is a note that goes against it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from app.domain.piece import Phrase, Piece
from app.listening.followed import Followed
from app.listening.loudness import KEnergy

FloatArray = NDArray[np.float64]

# Our choices.
BUMP_DB = 2.0
SUSPECT_DB = 0.7  # off the arc with everything in it
LEAST_NOTES = 5  # in a phrase
FLAT_DB = 1.5  # a phrase whose levels range less has no arc to judge
SHORTEST_LEVEL_SEC = 0.005
BURIED_DB = 3.0  # a note this close to the room has no level of its own
REST_ENDS_PHRASE_BEATS = 0.9
LONGEST_GUESS_BARS = 8
SHORTEST_GUESS_NOTES = 4
LEVEL_DOUBT_DB = 0.5  # one standard deviation of a note's level, from replicas
REPLICAS, REPLICA_SEED = 60, 3
DYNAMIC_ORDER = ("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff")


@dataclass(frozen=True, slots=True)
class Arc:
    """A rise-then-fall fit. ``fit_db`` [n]; the peak is the place of its highest value."""

    fit_db: FloatArray
    peak: int
    evenness: float  # share of the variance explained, 0 to 1


def note_level_db(energy: KEnergy, start_sec: float, end_sec: float, floor_db: float) -> float | None:
    """Loudness (LUFS, ungated) of the settled part of a note; None when it is empty or buried in the room."""
    if end_sec - start_sec < SHORTEST_LEVEL_SEC:
        return None
    level = energy.level_db(start_sec, end_sec)
    return level if level > floor_db + BURIED_DB else None


def fit_arc(levels_db: FloatArray, weights: FloatArray) -> Arc:
    """The best rise-then-fall through ``levels_db`` [n] with positive ``weights`` [n], n >= 1."""
    fit = _arc(levels_db, weights)
    return Arc(fit, int(np.argmax(fit)), float(_evenness(levels_db, weights, fit)))


def evenness_doubt(levels_db: FloatArray, weights: FloatArray) -> float:
    """One standard deviation of the evenness of ``levels_db`` [n]: replicas whose levels err as measured ones do.

    The replicas are the same at every call, so that findings can be recomputed.
    """
    errors = np.random.default_rng(REPLICA_SEED).normal(0.0, LEVEL_DOUBT_DB, (REPLICAS, levels_db.size))
    return float(np.std(_evennesses(levels_db + errors, weights)))


def find_bumps(levels_db: FloatArray, weights: FloatArray) -> list[tuple[int, float]]:
    """Places in ``levels_db`` [n] that go against the arc of all the others by more than ``BUMP_DB``, with how far.

    A bump drags the arc along, so each suspect is held against the arc fitted without it: it may lie anywhere between
    its neighbours there. The worst is taken out first, then the rest is looked at again.
    """
    kept = np.arange(levels_db.size)
    out: list[tuple[int, float]] = []
    while kept.size > LEAST_NOTES:
        levels, mass = levels_db[kept], weights[kept]
        worst: tuple[float, int] | None = None
        for k in np.flatnonzero(np.abs(levels - _arc(levels, mass)) > SUSPECT_DB):
            others = np.delete(np.arange(kept.size), k)
            fit = _arc(levels[others], mass[others])
            beside = fit[max(0, k - 1) : k + 1]
            low = float(beside.min()) if 0 < k < kept.size - 1 else -np.inf  # an end may be as soft as it likes
            high = float(beside.max())
            if high >= float(fit.max()) - 1e-9:
                high = np.inf  # beside the peak it may be the peak
            off = float(levels[k] - np.clip(levels[k], low, high))
            if abs(off) > BUMP_DB and (worst is None or abs(off) > abs(worst[0])):
                worst = (off, int(k))
        if worst is None:
            break
        out.append((int(kept[worst[1]]), worst[0]))
        kept = np.delete(kept, worst[1])
    return sorted(out)


@njit(cache=True)
def isotonic(values, weights):  # type: ignore[no-untyped-def]
    """Least-squares rising fit [n] to ``values`` [n] with positive ``weights`` [n], float64, by pooling adjacent
    violators (Ayer and others 1955)."""
    mean = np.empty(values.size)
    mass = np.empty(values.size)
    first = np.empty(values.size + 1, np.int64)
    used = 0
    for i in range(values.size):
        mean[used], mass[used], first[used] = values[i], weights[i], i
        used += 1
        while used > 1 and mean[used - 2] > mean[used - 1]:
            together = mass[used - 2] + mass[used - 1]
            mean[used - 2] = (mean[used - 2] * mass[used - 2] + mean[used - 1] * mass[used - 1]) / together
            mass[used - 2] = together
            used -= 1
    first[used] = values.size
    out = np.empty(values.size)
    for k in range(used):
        out[first[k] : first[k + 1]] = mean[k]
    return out


@njit(cache=True)
def _prefix_errors(values, weights):  # type: ignore[no-untyped-def]
    """Weighted squared error [n] of the rising fit to the first 1, 2, ... n values, in one pass."""
    mean = np.empty(values.size)
    mass = np.empty(values.size)
    error = np.empty(values.size)
    out = np.empty(values.size)
    used = 0
    total = 0.0
    for i in range(values.size):
        heavy, middle, own = weights[i], values[i], 0.0
        while used > 0 and mean[used - 1] > middle:
            used -= 1
            m, v = mass[used], mean[used]
            total -= error[used]
            own += error[used] + m * heavy / (m + heavy) * (v - middle) ** 2
            middle = (m * v + heavy * middle) / (m + heavy)
            heavy += m
        mean[used], mass[used], error[used] = middle, heavy, own
        used += 1
        total += own
        out[i] = total
    return out


@njit(cache=True)
def _arc(levels, weights):  # type: ignore[no-untyped-def]
    """The best rising-then-falling fit [n]; the peak belongs to the rise, the fall starts after it."""
    n = levels.size
    down, down_weights = levels[::-1].copy(), weights[::-1].copy()
    rising, falling = _prefix_errors(levels, weights), _prefix_errors(down, down_weights)
    peak, least = 0, np.inf
    for k in range(n):
        error = rising[k] + (falling[n - 2 - k] if k + 1 < n else 0.0)
        if error < least - 1e-9:
            peak, least = k, error
    out = np.empty(n)
    out[: peak + 1] = isotonic(levels[: peak + 1], weights[: peak + 1])
    out[peak + 1 :] = isotonic(down[: n - 1 - peak], down_weights[: n - 1 - peak])[::-1]
    return out


@njit(cache=True)
def _evenness(levels, weights, fit):  # type: ignore[no-untyped-def]
    """Share of the weighted variance of ``levels`` [n] that ``fit`` [n] explains."""
    mean = np.sum(weights * levels) / np.sum(weights)
    total = np.sum(weights * (levels - mean) ** 2)
    return 1.0 - np.sum(weights * (levels - fit) ** 2) / total if total > 1e-12 else 1.0


@njit(cache=True)
def _evennesses(replicas, weights):  # type: ignore[no-untyped-def]
    """Evenness of each row of ``replicas`` [r, n]."""
    out = np.empty(replicas.shape[0])
    for k in range(replicas.shape[0]):
        out[k] = _evenness(replicas[k], weights, _arc(replicas[k], weights))
    return out


def phrases_of(piece: Piece) -> tuple[Phrase, ...]:
    """The leader's phrases, or a guess from rests, breath marks and the ends of slurs, said to be one."""
    if piece.phrases:
        return piece.phrases
    out: list[Phrase] = []
    main = [i for i, note in enumerate(piece.notes) if not note.grace]
    start = 0
    for k, i in enumerate(main):
        note = piece.notes[i]
        bar = piece.bars[note.bar_index]
        last = k + 1 == len(main)
        rest = 0.0
        if not last:
            rest = piece.notes[main[k + 1]].onset_quarters - note.onset_quarters - note.length_quarters
        bars_long = note.bar_index - piece.notes[main[start]].bar_index + 1
        slur_ends = not last and not piece.notes[main[k + 1]].slurred_from_previous
        ends = last or note.breath_after or rest >= REST_ENDS_PHRASE_BEATS * bar.felt_beat_quarters
        long_enough = bars_long >= LONGEST_GUESS_BARS // 2 and note.length_quarters >= bar.felt_beat_quarters
        ends = ends or (long_enough and slur_ends and note.fermata)
        ends = ends or (bars_long >= LONGEST_GUESS_BARS and slur_ends)
        if ends:
            if k - start + 1 >= SHORTEST_GUESS_NOTES or not out:
                out.append(Phrase(piece.notes[main[start]].note_id, note.note_id, None, guessed=True))
            start = k + 1
    return tuple(out)


def musicianship_family(piece: Piece, followed: Followed, levels_db: Sequence[float | None]) -> dict[str, Any]:
    """The ``musicianship`` dictionary of the findings. ``levels_db`` follows ``piece.notes``."""
    phrases = [_phrase(piece, phrase, levels_db) for phrase in phrases_of(piece)]
    evenness = [p["evenness"] for p in phrases if p["evenness"] is not None]
    known = np.array([v for v in levels_db if v is not None], dtype=np.float64)
    why = None
    if not evenness:
        why = "no phrase has enough notes with a level of their own" if phrases else "the piece has no phrases"
        reasons = {p["why_null"] for p in phrases}
        if len(reasons) == 1:
            why = reasons.pop()
    return {
        "phrases": phrases,
        "evenness_median": float(np.median(evenness)) if evenness else None,
        "why_null": why,
        "contrasts": _contrasts(piece, levels_db),
        "level_range_db": float(np.percentile(known, 95) - np.percentile(known, 5)) if known.size >= 4 else None,
        "level_uncertainty_db": LEVEL_DOUBT_DB,
    }


def _phrase(piece: Piece, phrase: Phrase, levels_db: Sequence[float | None]) -> dict[str, Any]:
    place = {note.note_id: i for i, note in enumerate(piece.notes)}
    first, last = place[phrase.start_note_id], place[phrase.end_note_id]
    out: dict[str, Any] = {
        "start_note_id": phrase.start_note_id,
        "end_note_id": phrase.end_note_id,
        "bar_first": piece.notes[first].bar,
        "bar_last": piece.notes[last].bar,
        "guessed": phrase.guessed,
        "peak_marked_note_id": phrase.peak_note_id,
        "loudest_note_id": None,
        "loudest_bar": None,
        "peak_distance_beats": None,
        "evenness": None,
        "evenness_uncertainty": None,
        "bumps": [],
        "rise_db": None,
        "fall_db": None,
        "why_null": None,
        "arc": [],
    }
    members = [i for i in range(first, last + 1) if levels_db[i] is not None and not piece.notes[i].grace]
    if len(members) < LEAST_NOTES:
        return {**out, "why_null": f"fewer than {LEAST_NOTES} notes with a level of their own"}
    levels = np.array([levels_db[i] for i in members], dtype=np.float64)
    # Long notes carry a phrase more than short ones, though not in proportion.
    weights = np.sqrt(np.array([max(piece.notes[i].length_quarters, 0.125) for i in members]))
    arc = fit_arc(levels, weights)
    out["arc"] = [[piece.notes[i].note_id, float(v)] for i, v in zip(members, arc.fit_db, strict=True)]
    if float(levels.max() - levels.min()) < FLAT_DB:
        return {**out, "why_null": f"the level changes by less than {FLAT_DB:g} dB, too little for an arc"}
    top = np.flatnonzero(arc.fit_db >= arc.fit_db.max() - 1e-9)
    loudest = members[int(top[np.argmax(levels[top])])]
    out["loudest_note_id"], out["loudest_bar"] = piece.notes[loudest].note_id, piece.notes[loudest].bar
    out["rise_db"], out["fall_db"] = float(arc.fit_db.max() - arc.fit_db[0]), float(arc.fit_db.max() - arc.fit_db[-1])
    out["evenness"], out["evenness_uncertainty"] = arc.evenness, evenness_doubt(levels, weights)
    out["bumps"] = [
        {"note_id": piece.notes[members[k]].note_id, "bar": piece.notes[members[k]].bar, "db": off}
        for k, off in find_bumps(levels, weights)
    ]
    if phrase.peak_note_id is not None:
        peak = piece.notes[place[phrase.peak_note_id]]
        distance = piece.notes[loudest].onset_quarters - peak.onset_quarters
        out["peak_distance_beats"] = distance / piece.bars[peak.bar_index].felt_beat_quarters
    return out


def _contrasts(piece: Piece, levels_db: Sequence[float | None]) -> list[dict[str, Any]]:
    """Median level from one printed dynamic to the next, inside this take only."""
    stretches: list[tuple[str, list[float], str]] = []
    for note, level in zip(piece.notes, levels_db, strict=True):
        if note.dynamic not in DYNAMIC_ORDER or level is None or note.grace:
            continue
        if not stretches or stretches[-1][0] != note.dynamic:
            stretches.append((note.dynamic, [], note.bar))
        stretches[-1][1].append(level)
    out = []
    for (before, levels_before, _), (after, levels_after, bar) in pairwise(stretches):
        louder = DYNAMIC_ORDER.index(after) > DYNAMIC_ORDER.index(before)
        out.append(
            {
                "from": before,
                "to": after,
                "bar": bar,
                "db": float(np.median(levels_after) - np.median(levels_before)),
                "expected": "louder" if louder else "softer",
            }
        )
    return out

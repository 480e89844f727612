"""Listening orders for recorded rounds, and what hidden repeats say about an adjudicator's own consistency.

Every adjudicator hears the candidates in another order, so that nobody is always first, last or after the same
player. Orders come from Williams squares (Williams 1949): in the square for an even number of candidates every
candidate stands once in every place and follows every other exactly once; for an odd number a square and its mirror
image do so together. A panel is smaller than a square, so it gets rows chosen to stay balanced: a row and its reverse
together put every candidate in the middle on average, so rows are taken in such pairs as far as they go.
"""

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from hashlib import sha256
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.domain.errors import BadInput
from app.domain.panel import PanelMark

#: Both hearings of a take lie at least this share of the round apart, so that it isn't remembered. Our choice.
REPEAT_GAP_SHARE = 1 / 3
FEWEST_REPEATS = 2  # marks scored twice before an adjudicator's own consistency is shown; our choice


@dataclass(frozen=True, slots=True)
class Hearing:
    """One item of an adjudicator's list."""

    candidate_id: str
    repeat: bool = False  # the same take under a second number; its marks don't count in the merge
    practice: bool = False  # a take with agreed marks, heard first


def williams_rows(n: int) -> NDArray[np.intp]:
    """Williams' design for ``n`` items: [n, n] for even n, [2 n, n] for odd n (the second half mirrors the first)."""
    if n < 1:
        raise BadInput("A listening order needs at least one candidate.")
    zigzag = [0]
    low, high = 1, n - 1
    while len(zigzag) < n:
        zigzag.append(low if len(zigzag) % 2 else high)
        low, high = (low + 1, high) if len(zigzag) % 2 == 0 else (low, high - 1)
    rows = (np.array(zigzag)[None, :] + np.arange(n)[:, None]) % n
    return rows if n % 2 == 0 else np.concatenate([rows, rows[:, ::-1]])


def design_generator(seed_hex: str) -> np.random.Generator:
    """The generator of a round's listening design, from the seed of its draw: the same seed gives the same design."""
    return np.random.default_rng(int(sha256(f"{seed_hex}:listening".encode()).hexdigest(), 16))


def choose_repeats(
    candidate_ids: Sequence[str], count: int, rng: np.random.Generator, *, later_only: bool = False
) -> tuple[str, ...]:
    """Who is heard a second time, drawn from ``candidate_ids`` in playing order.

    With ``later_only`` only those come into question whom a later repeat can follow far enough.
    """
    n = len(candidate_ids)
    if count < 0 or count > n // 2:
        raise BadInput(f"{count} hidden repeats are too many for {n} candidates; use at most half of them.")
    eligible = max(n - _gap(n) + 1, count) if later_only else n
    return tuple(candidate_ids[i] for i in rng.permutation(min(eligible, n))[:count])


def listening_orders(
    candidate_ids: Sequence[str],
    adjudicator_ids: Sequence[str],
    rng: np.random.Generator,
    *,
    own: bool = True,
    recusals: AbstractSet[tuple[str, str]] = frozenset(),
    repeat_ids: Sequence[str] = (),
    practice_id: str | None = None,
) -> dict[str, tuple[Hearing, ...]]:
    """Each adjudicator's order: {adjudicator id: hearings}.

    ``own`` gives each a balanced order of its own, otherwise everybody hears ``candidate_ids`` as they stand.
    ``recusals`` are pairs (adjudicator id, candidate id) left out of that adjudicator's list. The candidates in
    ``repeat_ids`` come a second time, far from the first: before or after it in an own order (which of the two
    hearings counts, nobody can tell), after it in the common order. ``practice_id`` is heard first.
    """
    if len(set(candidate_ids)) != len(candidate_ids) or len(set(adjudicator_ids)) != len(adjudicator_ids):
        raise BadInput("A candidate or adjudicator stands in the listening design twice.")
    n = len(candidate_ids)
    if len(repeat_ids) > n // 2 or not set(repeat_ids) <= set(candidate_ids):
        raise BadInput(f"{len(repeat_ids)} hidden repeats do not fit {n} candidates; use at most half of them.")
    first = [Hearing(practice_id, practice=True)] if practice_id is not None else []
    if own:
        labels = [candidate_ids[i] for i in rng.permutation(n)]
        rows = _balanced_rows(n, len(adjudicator_ids), rng)
        plain = [[labels[i] for i in row] for row in rows]
        lists = [_with_repeats([Hearing(c) for c in row], repeat_ids, rng, later_only=False) for row in plain]
    else:
        common = _with_repeats([Hearing(c) for c in candidate_ids], repeat_ids, rng, later_only=True)
        lists = [common for _ in adjudicator_ids]
    return {
        adjudicator_id: (*first, *(h for h in heard if (adjudicator_id, h.candidate_id) not in recusals))
        for adjudicator_id, heard in zip(adjudicator_ids, lists, strict=True)
    }


def balance(orders: Mapping[str, Sequence[Hearing]]) -> tuple[float, int]:
    """(largest distance of a candidate's mean place from the middle, most often that one candidate follows another).

    Repeats and practice takes are left aside. 0.0 and 1 are perfect.
    """
    places: dict[str, list[float]] = {}
    follows: dict[tuple[str, str], int] = {}
    for hearings in orders.values():
        plain = [h.candidate_id for h in hearings if not h.repeat and not h.practice]
        for place, candidate_id in enumerate(plain, start=1):
            places.setdefault(candidate_id, []).append(place - (len(plain) + 1) / 2)
        for pair in pairwise(plain):
            follows[pair] = follows.get(pair, 0) + 1
    off = max((abs(sum(p) / len(p)) for p in places.values()), default=0.0)
    return off, max(follows.values(), default=0)


def consistency(first: Sequence[PanelMark], second: Sequence[PanelMark]) -> dict[str, float]:
    """Standard error of one mark per adjudicator from hidden repeats: {adjudicator id: marks}.

    The root of half the mean squared difference between both hearings; adjudicators with fewer than
    :data:`FEWEST_REPEATS` marks given twice are left out.
    """
    before = {(m.adjudicator_id, m.candidate_id, m.piece_id, m.caption): m.mark for m in first}
    apart: dict[str, list[float]] = {}
    for m in second:
        known = before.get((m.adjudicator_id, m.candidate_id, m.piece_id, m.caption))
        if known is not None:
            apart.setdefault(m.adjudicator_id, []).append(m.mark - known)
    return {a: float(np.sqrt(np.mean(np.square(d)) / 2)) for a, d in apart.items() if len(d) >= FEWEST_REPEATS}


def _balanced_rows(n: int, k: int, rng: np.random.Generator) -> list[list[int]]:
    """``k`` rows of the design: reversed pairs in random order, going round again when it is used up."""
    rows = williams_rows(n)
    known = {tuple(row.tolist()): i for i, row in enumerate(rows)}
    pairs = sorted({tuple(sorted((i, known[tuple(row[::-1].tolist())]))) for i, row in enumerate(rows)})
    chosen: list[list[int]] = []
    while len(chosen) < k:
        for p in rng.permutation(len(pairs)):
            both = list(dict.fromkeys(pairs[p]))
            rng.shuffle(both)
            chosen += [rows[i].tolist() for i in both]
    chosen = chosen[:k]
    return [chosen[i] for i in rng.permutation(k)]


def _gap(n: int) -> int:
    """How many places lie at least between both hearings of a repeated take."""
    return max(1, round(n * REPEAT_GAP_SHARE))


def _with_repeats(
    heard: list[Hearing], repeat_ids: Sequence[str], rng: np.random.Generator, *, later_only: bool
) -> list[Hearing]:
    """Put the repeats between the hearings [n], each at least :func:`_gap` places from its other hearing."""
    n = len(heard)
    gap = _gap(n)
    at = {h.candidate_id: i for i, h in enumerate(heard)}
    before: dict[int, list[Hearing]] = {}
    for candidate_id in repeat_ids:
        i = at[candidate_id]
        slots = [p for p in range(n + 1) if p >= i + gap or (not later_only and p <= i + 1 - gap)] or [n]
        before.setdefault(slots[int(rng.integers(len(slots)))], []).append(Hearing(candidate_id, repeat=True))
    out: list[Hearing] = []
    for place in range(n + 1):
        out += before.get(place, [])
        out += heard[place : place + 1]
    return out

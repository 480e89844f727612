"""Balanced incomplete block designs: every pair of ``points`` shares the same number of blocks.

Here the points are adjudicators and a block is who hears one candidate. Designs are searched, not listed: a group of
rotations acts on the points, whole orbits of blocks are chosen until every orbit of pairs is covered equally often
(the method of differences, Bose 1939, with as many cycles and fixed points as it takes). What comes out is checked by
counting, so a design is balanced or there is none.
"""

from collections.abc import Iterator, Sequence
from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import NDArray

Block = tuple[int, ...]

MOST_SUBSETS = 60_000  # our choice: above this a search would take seconds
MOST_STEPS = 4_000  # our choice, per group of rotations: then the near-balanced design is good enough


def pair_counts(blocks: Sequence[Sequence[int]], points: int) -> NDArray[np.int64]:
    """How many blocks each two points share: [points, points], on the diagonal how many each point is in."""
    table = np.zeros((points, points), dtype=np.int64)
    for block in blocks:
        table[np.ix_(block, block)] += 1
    return table


def is_balanced(blocks: Sequence[Sequence[int]], points: int) -> bool:
    """Whether every pair of points shares equally many blocks and every point is in equally many."""
    table = pair_counts(blocks, points)
    apart = table[~np.eye(points, dtype=bool)]
    return bool(len(set(np.diag(table).tolist())) == 1 and len(set(apart.tolist())) <= 1)


def balanced_blocks(points: int, size: int, most: int) -> list[Block] | None:
    """The blocks of a balanced design with the fewest blocks found, at most ``most``; None when none was found.

    ``size`` is how many points a block holds, 1 < size <= points.
    """
    if not 1 < size <= points:
        return None
    if size == points:
        return [tuple(range(points))] if most >= 1 else None
    if size == points - 1:
        return [tuple(p for p in range(points) if p != out) for out in range(points)] if most >= points else None
    if 2 * size > points:  # the complement of a balanced design is one
        found = balanced_blocks(points, points - size, most)
        return None if found is None else [tuple(sorted(set(range(points)) - set(b))) for b in found]
    if size == 2 or comb(points, size) > MOST_SUBSETS:
        every = comb(points, size)
        return list(combinations(range(points), size)) if every <= most and every <= MOST_SUBSETS else None
    for pairs_shared in range(1, comb(points - 2, size - 2) + 1):
        blocks, rest = divmod(pairs_shared * points * (points - 1), size * (size - 1))
        if rest or (pairs_shared * (points - 1)) % (size - 1) or blocks < points:  # Fisher's inequality: b >= v
            continue
        if blocks > most:
            return None
        for rotation in _rotations(points):
            found = _search(points, size, pairs_shared, rotation)
            if found is not None and is_balanced(found, points):
                return found
    return None


def _rotations(points: int) -> Iterator[list[int]]:
    """Where each point goes in one step, for groups of long cycles first: with none or one point that stays."""
    for cycles in range(1, 4):
        for fixed in (0, 1):
            length, rest = divmod(points - fixed, cycles)
            if rest or length < 3:
                continue
            moved = [c * length + (p + 1) % length for c in range(cycles) for p in range(length)]
            yield moved + list(range(points - fixed, points))


def _orbits(subsets: Iterator[Block], rotation: Sequence[int]) -> list[list[Block]]:
    seen: set[Block] = set()
    found: list[list[Block]] = []
    for subset in subsets:
        if subset in seen:
            continue
        orbit = [subset]
        while (moved := tuple(sorted(rotation[p] for p in orbit[-1]))) != subset:
            orbit.append(moved)
        seen.update(orbit)
        found.append(orbit)
    return found


def _search(points: int, size: int, pairs_shared: int, rotation: Sequence[int]) -> list[Block] | None:
    """Choose orbits of blocks that cover every orbit of pairs ``pairs_shared`` times; None when the search gives up."""
    pair_orbits = _orbits(combinations(range(points), 2), rotation)
    of_pair = {pair: number for number, orbit in enumerate(pair_orbits) for pair in orbit}
    lengths = np.array([len(orbit) for orbit in pair_orbits])
    orbits, covers = [], []
    for orbit in _orbits(combinations(range(points), size), rotation):
        hits = np.bincount([of_pair[pair] for pair in combinations(orbit[0], 2)], minlength=len(pair_orbits))
        cover = hits * len(orbit) // lengths
        if (cover <= pairs_shared).all():
            orbits.append(orbit)
            covers.append(cover)
    if not orbits:
        return None
    table = np.array(covers)
    steps = 0

    def go_on(wanted: NDArray[np.int64], fitting: NDArray[np.intp]) -> list[int] | None:
        nonlocal steps
        if not wanted.any():
            return []
        steps += 1
        if steps > MOST_STEPS:
            return None
        fitting = fitting[(table[fitting] <= wanted).all(axis=1)]
        options = (table[fitting] > 0).sum(axis=0)
        open_pairs = np.flatnonzero(wanted)
        hardest = open_pairs[np.argmin(options[open_pairs])]
        for place, chosen in enumerate(fitting):
            if table[chosen, hardest]:
                rest = go_on(wanted - table[chosen], fitting[place:] if len(open_pairs) == 1 else fitting)
                if rest is not None:
                    return [int(chosen), *rest]
        return None

    chosen = go_on(np.full(len(pair_orbits), pairs_shared), np.arange(len(orbits)))
    return None if chosen is None else [block for number in chosen for block in orbits[number]]

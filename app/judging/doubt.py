"""Doubt: how the standing would look with another panel of this kind.

The adjudicators are a sample of those who might have sat there, so they are redrawn with replacement and the whole
rule is applied to every redrawn panel (bootstrap over adjudicators; each one's marks stay together, so severity,
taste and slips come along). Places that tie within a redrawn panel are shared out evenly.

* Redrawn panels have k - 1 members: with as many as k the spread comes out too small by the factor (k - 1)/k, with
  k - 1 the variance of a mean is exactly right (McCarthy & Snowden 1985, Rao & Wu 1988, both from memory; derived again
  in the tests).
* While there are no more different panels than draws asked for, all of them are looked at with their exact
  probability and no generator is needed; else ``draws`` panels are drawn from the seed.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray

from app.domain.standing import DoubtNote
from app.judging.combining import Combining
from app.judging.places import SAME, shared_places
from app.judging.shared_doubt import SharedDoubt

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

DRAWS = 2000  # our choice: a chance of one half is then known to about .02
NINE_IN_TEN = 0.90
#: Below this share of usable redrawn panels the rest would be a biased choice. Our choice.
SMALLEST_USABLE = 0.2


@dataclass(frozen=True, slots=True)
class Doubt:
    """Doubt about every candidate, in the table's order; unplaced candidates hold NaN or 0."""

    low: Ints  # [n] best place of nine in ten
    high: Ints  # [n] worst place
    chance: Floats | None  # [n] of a seat
    places: Floats  # [B, n] middle of the shared places, NaN for unplaced
    weights: Floats  # [B] probability of each redrawn panel, sums to 1
    note: DoubtNote

    def surely_ahead(self, order: list[int]) -> Callable[[int, int], NDArray[np.bool_]]:
        """For positions in ``order``: which of those from ``start`` to ``i`` - 1 are surely ahead of ``i``."""
        surely = 1.0 - (1.0 - NINE_IN_TEN) / 2
        places = self.places[:, order]

        def ahead(start: int, i: int) -> NDArray[np.bool_]:
            before, here = places[:, start:i], places[:, i : i + 1]
            found = self.weights @ ((before < here) + 0.5 * (before == here))
            return np.asarray(found >= surely - SAME, dtype=np.bool_)

        return ahead


def redrawn_panels(
    k: int, *, draws: int = DRAWS, seed: int = 0, exhaustive: bool | None = None
) -> tuple[Ints, Floats, bool]:
    """(panels [B, k - 1] of column numbers, probabilities [B], exhaustive or not) for a panel of ``k`` >= 2.

    ``exhaustive=None`` chooses: all panels when there are at most ``draws`` different ones.
    """
    size = k - 1
    different = math.comb(k + size - 1, size)
    every = different <= draws if exhaustive is None else exhaustive
    if not every:
        panels = np.random.default_rng(seed).integers(0, k, size=(draws, size)).astype(np.intp)
        return panels, np.full(draws, 1.0 / draws), False
    panels = np.array(list(combinations_with_replacement(range(k), size)), dtype=np.intp).reshape(different, size)
    weights = np.array([_orderings(row) for row in panels.tolist()], dtype=float)
    return panels, weights / float(k) ** size, True


def doubt(
    rule: Combining,
    *,
    seats: int | None = None,
    minimum: float | None = None,
    draws: int = DRAWS,
    seed: int = 0,
    exhaustive: bool | None = None,
) -> Doubt | DoubtNote:
    """Intervals of places and chances of a seat, or the reason why there are none.

    ``minimum`` is the merged mark a seat needs: a redrawn panel that puts a candidate below it gives no seat.
    """
    k = len(rule.active)
    if k < 2:
        return DoubtNote("none", 0, 0, None, "one adjudicator alone can't show how another would have ranked")
    panels, weights, every = redrawn_panels(k, draws=draws, seed=seed, exhaustive=exhaustive)
    panels = rule.active[panels]
    placed = np.flatnonzero(rule.placeable)
    able = rule.may_score(panels)
    scores = np.full((len(panels), len(placed)), np.nan)
    if float(weights[able].sum()) >= SMALLEST_USABLE:  # else it is known already that nothing can be said
        scores = rule.scores(panels)[:, placed]
    usable = ~np.isnan(scores).any(axis=1)
    share = float(weights[usable].sum())
    if not len(placed) or share < SMALLEST_USABLE:
        why = (
            "too many cells are missing: most redrawn panels would leave a candidate unheard or the panel disconnected"
        )
        return DoubtNote("none", 0, k - 1, None, why if len(placed) else "nobody could be placed")
    scores, panels, weights = scores[usable], panels[usable], weights[usable] / share
    best, worst = shared_places(scores)
    spread = _place_chances(best, worst, weights)  # [placed, places]
    cumulative = np.cumsum(spread, axis=1)
    edge = (1.0 - NINE_IN_TEN) / 2
    low = (cumulative < edge - SAME).sum(axis=1) + 1
    high = np.minimum((cumulative < 1.0 - edge - SAME).sum(axis=1) + 1, len(placed))
    chance = None
    if seats is not None:
        reach = np.clip(seats - best + 1, 0, None) / (worst - best + 1)
        seated = np.minimum(reach, 1.0)
        if minimum is not None:
            seated = np.where(rule.marks_drawn(panels)[:, placed] >= minimum - SAME, seated, 0.0)
        chance = _spread_out(weights @ seated, placed, rule.shape[0], np.nan)
    middle = np.full((len(weights), rule.shape[0]), np.nan)
    middle[:, placed] = (best + worst) / 2
    return Doubt(
        low=_spread_out(low, placed, rule.shape[0], 0).astype(np.intp),
        high=_spread_out(high, placed, rule.shape[0], 0).astype(np.intp),
        chance=chance,
        places=middle,
        weights=weights,
        note=DoubtNote("exhaustive" if every else "sampled", len(weights), k - 1, None if every else seed),
    )


def brackets(found: Doubt | SharedDoubt, order: list[int], tied: list[set[int]]) -> list[tuple[int, int]]:
    """Neighbours in the standing whom this panel can't tell apart: (first, last) positions in ``order``, as far apart
    as can be.

    Two candidates are told apart when the one ahead is ahead in at least nineteen of twenty redrawn panels (a tie
    counts half), one side of nine in ten. A bracket holds only candidates none of whom can be told from another, so
    two brackets may overlap. Candidates in one set of ``tied``, who are neighbours, are never told apart.
    """
    ahead = found.surely_ahead(order)
    position = {row: at for at, row in enumerate(order)}
    first_tied = {at: min(places) for group in tied for places in [[position[row] for row in group]] for at in places}
    spans: list[tuple[int, int]] = []
    start = 0
    for i in range(1, len(order)):
        clear = np.flatnonzero(ahead(start, i)[: max(0, first_tied.get(i, i) - start)])
        if len(clear):
            spans.append((start, i - 1))
            start += int(clear[-1]) + 1
    if order:
        spans.append((start, len(order) - 1))
    return [(first, last) for first, last in spans if last > first]


def in_question(chance: Floats | None) -> Ints:
    """Row numbers whose seat is in question: a chance between one and nineteen in twenty."""
    if chance is None:
        return np.array([], dtype=np.intp)
    edge = (1.0 - NINE_IN_TEN) / 2
    return np.flatnonzero((chance > edge + SAME) & (chance < 1.0 - edge - SAME))


def _place_chances(best: Ints, worst: Ints, weights: Floats) -> Floats:
    """Chance of every place [n, places] from spans of shared places [B, n], each span shared out evenly."""
    draws, n = best.shape
    each = (weights[:, None] / (worst - best + 1)).ravel()
    row = np.broadcast_to(np.arange(n) * (n + 1), (draws, n)).ravel()
    steps = np.bincount(row + best.ravel() - 1, each, minlength=n * (n + 1))
    steps = steps - np.bincount(row + worst.ravel(), each, minlength=n * (n + 1))
    return np.asarray(np.cumsum(steps.reshape(n, n + 1), axis=1)[:, :n], dtype=np.float64)


def _spread_out(values: NDArray[np.generic], at: Ints, n: int, empty: float) -> Floats:
    out = np.full(n, float(empty))
    out[at] = values
    return out


def _orderings(panel: list[int]) -> int:
    """In how many orders this panel can be drawn."""
    out = math.factorial(len(panel))
    for member in set(panel):
        out //= math.factorial(panel.count(member))
    return out

"""Doubt where each candidate was heard by a part of the panel: nobody can be redrawn away there.

With three of a hundred adjudicators for each candidate nearly every redrawn panel would leave somebody unheard. So what
the marks leave open is drawn instead, from the model that the declared rule fits: total = candidate + adjudicator +
rest, adjudicators' levels free, candidates a sample of such a field (mixed model). Each draw takes the ratio of the two
spreads from its posterior on a grid, the rest's variance and the levels given that ratio, and the candidates given all
of them; nothing is iterated, and levels that hang together through few shared candidates are as uncertain as they are.

* Candidates are eliminated from the mixed-model equations (Henderson 1975, from memory; held against dense algebra in
  the tests), which leaves one k by k system for each ratio, however many candidates there are.
* The prior of the candidates' share of a mean mark's variance is uniform (Daniels 1999, "uniform shrinkage", from
  memory). Candidates who lead have been lucky as a rule; taking them as a sample of a field allows for that, where a
  bootstrap of the fitted model, which adds the same noise a second time, does not (DEVELOPERS.md has the comparison).
* One variance holds for the whole panel: an adjudicator with unsteady marks makes intervals a little too short for
  those heard by them.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from app.domain.panel import MarksTable
from app.domain.standing import DoubtNote
from app.judging.combining import Combining
from app.judging.places import SAME, shared_places
from app.judging.severity import adjudicator_effects

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

RATIOS = 200  # points of the grid over the candidates' share of the variance; our choice
AT_ONCE = 100  # draws worked on together: 20,000 candidates are 16 megabytes then
NO_REST = 1e-12  # mean square below which marks follow candidate + adjudicator exactly
Z_NINETEEN_IN_TWENTY = 1.6448536  # normal quantile


@dataclass(frozen=True, slots=True)
class SharedDoubt:
    """Doubt about every candidate, in the table's order; unplaced candidates hold NaN or 0."""

    low: Ints  # [n] best place of nine in ten
    high: Ints  # [n] worst place
    chance: Floats | None  # [n] of a seat
    mean: Floats  # [n] of the drawn totals, severity taken out, from the field's mean
    variance: Floats  # [n]
    common: Floats  # [n, k]: the inner product of two rows is their covariance, through adjudicators' levels
    note: DoubtNote

    def surely_ahead(self, order: list[int]) -> Callable[[int, int], Bools]:
        """For positions in ``order``: which of those from ``start`` to ``i`` - 1 are surely ahead of ``i``."""
        mean, variance = self.mean[order], self.variance[order]
        common = self.common[order].astype(np.float32)

        def ahead(start: int, i: int) -> Bools:
            shared = (common[start:i] @ common[i]).astype(np.float64)
            spread = np.sqrt(np.maximum(variance[start:i] + variance[i] - 2.0 * shared, 0.0))
            return np.asarray(mean[start:i] - mean[i] > np.maximum(Z_NINETEEN_IN_TWENTY * spread, SAME), np.bool_)

        return ahead


def is_shared(table: MarksTable, combining: Combining) -> bool:
    """Whether candidates were assigned to parts of the panel and every mark comes from one of those assigned."""
    if table.assigned is None or combining.combine != "severity-adjusted":
        return False
    adjudicators = {a.adjudicator_id for a in table.adjudicators}
    candidates = {c.candidate_id for c in table.candidates}
    cells = sum(a in adjudicators and c in candidates for a, c in table.assigned)
    given = {(mark.adjudicator_id, mark.candidate_id) for mark in table.marks} - table.recusals
    return cells < len(adjudicators) * len(candidates) and given <= table.assigned


def shared_doubt(
    combining: Combining, *, seats: int | None, minimum: float | None, draws: int, seed: int
) -> SharedDoubt | DoubtNote:
    """Intervals of places and chances of a seat, or the reason why there are none.

    ``minimum`` is the merged mark that a seat needs.
    """
    placed = np.flatnonzero(combining.placeable)
    if not len(placed):
        return DoubtNote("none", 0, 0, None, "nobody could be placed")
    totals = cleared_totals(combining)[placed]
    heard = ~np.isnan(totals).all(axis=0)
    k = int(heard.sum())
    model = _Model(totals[:, heard])
    if model.rest_df < 1:
        return DoubtNote("none", 0, k, None, "no two adjudicators share enough candidates to show how far marks differ")
    note = DoubtNote("model", draws, k, seed)
    n = combining.shape[0]
    if model.rest <= NO_REST * model.rest_df:
        return _certain(combining, placed, seats, minimum, DoubtNote("model", 1, k, seed))
    places = np.empty((draws, len(placed)), dtype=np.int32)
    seated, total, square = np.zeros(len(placed)), np.zeros(len(placed)), np.zeros(len(placed))
    at = 0
    for theta, level in model.draws(draws, np.random.default_rng(seed)):
        own = places[at : at + len(theta)]
        order = np.argsort(-theta, axis=1)
        np.put_along_axis(own, order, np.broadcast_to(np.arange(1, len(placed) + 1, dtype=np.int32), own.shape), axis=1)
        inside = own <= (seats or 0)
        if minimum is not None:
            inside &= theta + level[:, None] >= minimum - SAME
        seated += inside.sum(axis=0)
        theta -= theta.mean(axis=1, keepdims=True)  # what moves all alike tells nobody apart
        total += theta.sum(axis=0)
        square += (theta**2).sum(axis=0)
        at += len(theta)
    low, high = _nine_in_ten(places)
    mean = total / draws
    return SharedDoubt(
        low=_spread_out(low, placed, n, 0).astype(np.intp),
        high=_spread_out(high, placed, n, 0).astype(np.intp),
        chance=None if seats is None else _spread_out(seated / draws, placed, n, np.nan),
        mean=_spread_out(mean, placed, n, np.nan),
        variance=_spread_out(square / draws - mean**2, placed, n, np.nan),
        common=_spread_out(model.common(), placed, n, 0.0),
        note=note,
    )


def cleared_totals(combining: Combining) -> Floats:
    """Each adjudicator's weighted totals [n, k], fitted severity taken out cell by cell, measured marks merged in.

    NaN where not heard. A cell left out of a sent sheet holds what the others' marks give there. With whole sheets the
    mean over a candidate's adjudicators is the total that the rule ranks by.
    """
    arrays = combining.arrays
    n, k, _ = combining.shape
    used = np.flatnonzero(arrays.weights > 0)
    heard = ~np.isnan(arrays.marks[:, :, used]).all(axis=2)
    out = np.zeros((n, k))
    for q in used:
        x = arrays.marks[:, :, q]
        marked = ~np.isnan(x).all(axis=0)
        effect = np.zeros(k)
        effect[marked] = adjudicator_effects(x[:, marked], np.ones((1, int(marked.sum()))))[0]
        effect[marked] -= effect[marked].mean()
        there = ~np.isnan(x)
        cleared = np.where(there, x - effect, 0.0)
        number = there.sum(axis=1)
        merit = np.divide(cleared.sum(axis=1), number, out=np.full(n, np.nan), where=number > 0)
        cleared = np.where(there, cleared, merit[:, None])
        measured = arrays.measured[:, q]
        share = np.where(np.isnan(measured), 0.0, arrays.shares[q])
        out += arrays.weights[q] * ((1.0 - share)[:, None] * cleared + (share * np.nan_to_num(measured))[:, None])
    return np.where(heard, out, np.nan)


@dataclass(frozen=True, slots=True)
class _Point:
    """The equations solved for one ratio of the two variances, rest over candidates."""

    ratio: float
    factor: Floats  # [k, k] Cholesky factor of the system
    levels: Floats  # [k] adjudicators'
    left: float  # sum of squares that is left
    log: float  # log posterior, up to a constant


class _Model:
    """Totals [n, k], NaN where not heard, as candidate + adjudicator + rest."""

    def __init__(self, totals: Floats) -> None:
        there = ~np.isnan(totals)
        self._centre = float(totals[there].mean())
        y = np.where(there, totals - self._centre, 0.0)
        self._heard = there.astype(np.float64)  # [n, k]
        self._times = there.sum(axis=1).astype(np.float64)  # [n]
        self._sums = y.sum(axis=1)  # [n]
        self._columns = y.sum(axis=0)  # [k]
        self._square = float((y**2).sum())
        self._load = np.diag(there.sum(axis=0).astype(np.float64))
        self._groups = [self._group(times) for times in np.unique(self._times)]
        system, right, square = self._equations(0.0)
        values, vectors = np.linalg.eigh(system)
        known = values > 1e-9 * max(1.0, float(values[-1]))
        self.rest_df = int(there.sum()) - len(totals) - int(known.sum())
        self.rest = max(0.0, square - float((((right @ vectors)[known] ** 2) / values[known]).sum()))
        self._free = int(there.sum()) - totals.shape[1]

    def _group(self, times: float) -> tuple[float, int, Floats, Floats, float]:
        """What the equations need of the candidates heard by so many: (times, how many, [k, k], [k], square)."""
        own = self._times == times
        heard, sums = self._heard[own], self._sums[own]
        return float(times), int(own.sum()), heard.T @ heard, heard.T @ sums, float((sums**2).sum())

    def _equations(self, ratio: float) -> tuple[Floats, Floats, float]:
        """(system [k, k], right side [k], square left) with candidates eliminated; ``ratio`` = rest / candidates."""
        system, right, square = self._load.copy(), self._columns.copy(), self._square
        for times, _, pairs, sums, own in self._groups:
            system -= pairs / (times + ratio)
            right -= sums / (times + ratio)
            square -= own / (times + ratio)
        return system, right, square

    def _solved(self, share: float) -> _Point:
        """For the candidates' share of a mean total's variance."""
        ratio = float(self._times.mean()) * (1.0 - share) / share
        system, right, square = self._equations(ratio)
        factor = np.asarray(np.linalg.cholesky(system), dtype=np.float64)
        levels = np.asarray(np.linalg.solve(system, right), dtype=np.float64)
        left = max(square - float(right @ levels), float(np.finfo(float).tiny))
        spread = sum(count * np.log1p(times / ratio) for times, count, _, _, _ in self._groups)
        log = -0.5 * spread - float(np.log(np.diag(factor)).sum()) - 0.5 * self._free * np.log(left)
        return _Point(ratio, factor, levels, left, float(log))

    @cached_property
    def _posterior(self) -> tuple[list[_Point], Floats]:
        """The grid's points and their probabilities."""
        points = [self._solved((at + 0.5) / RATIOS) for at in range(RATIOS)]
        logs = np.array([point.log for point in points])
        chances = np.exp(logs - logs.max())
        return points, np.asarray(chances / chances.sum(), dtype=np.float64)

    def draws(self, count: int, generator: np.random.Generator) -> Iterator[tuple[Floats, Floats]]:
        """Blocks of (candidates [b, n], the panel's level [b]); together ``count`` draws."""
        points, chances = self._posterior
        for point, wanted in zip(points, generator.multinomial(count, chances), strict=True):
            times = self._times + point.ratio
            for start in range(0, int(wanted), AT_ONCE):
                size = min(AT_ONCE, int(wanted) - start)
                sigma = np.sqrt(point.left / generator.chisquare(self._free, size))[:, None]
                normal = generator.standard_normal((len(point.levels), size))
                beta = point.levels + sigma * np.linalg.solve(point.factor.T, normal).T
                theta = (self._sums - beta @ self._heard.T) / times
                theta += sigma * generator.standard_normal(theta.shape) / np.sqrt(times)
                yield theta, beta.mean(axis=1) + self._centre

    def common(self) -> Floats:
        """[n, k], at the likeliest ratio: two candidates' covariance through the levels is their rows' product."""
        points, chances = self._posterior
        point = points[int(chances.argmax())]
        sigma = np.sqrt(point.left / max(1, self._free - 2))
        rows = sigma * np.linalg.solve(point.factor, self._heard.T).T / (self._times + point.ratio)[:, None]
        return np.asarray(rows - rows.mean(axis=0), dtype=np.float64)


def _certain(
    combining: Combining, placed: Ints, seats: int | None, minimum: float | None, note: DoubtNote
) -> SharedDoubt:
    """Marks that follow candidate + adjudicator exactly leave nothing open but ties."""
    n, k, _ = combining.shape
    score = combining.result().score[placed]
    best, worst = shared_places(score)
    chance = None
    if seats is not None:
        chance = np.minimum(np.clip(seats - best + 1, 0, None) / (worst - best + 1), 1.0)
        chance = np.where(score >= (minimum if minimum is not None else -np.inf) - SAME, chance, 0.0)
    return SharedDoubt(
        low=_spread_out(best, placed, n, 0).astype(np.intp),
        high=_spread_out(worst, placed, n, 0).astype(np.intp),
        chance=None if chance is None else _spread_out(chance, placed, n, np.nan),
        mean=_spread_out(score, placed, n, np.nan),
        variance=np.zeros(n),
        common=np.zeros((n, k)),
        note=note,
    )


def _nine_in_ten(places: NDArray[np.int32]) -> tuple[Ints, Ints]:
    """The smallest places [n] that at least one and nineteen in twenty of the draws [B, n] reach."""
    draws, n = places.shape
    first, last = -(-draws // 20) - 1, -(-draws * 19 // 20) - 1
    low, high = np.empty(n, dtype=np.intp), np.empty(n, dtype=np.intp)
    for at in range(0, n, 1000):
        ordered = np.partition(places[:, at : at + 1000], (first, last), axis=0)
        low[at : at + 1000], high[at : at + 1000] = ordered[first], ordered[last]
    return low, high


def _spread_out(values: NDArray[np.generic], at: Ints, n: int, empty: float) -> Floats:
    out = np.full((n, *values.shape[1:]), float(empty))
    out[at] = values
    return out

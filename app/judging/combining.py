"""Combination rules: from marks [n, k, m] to one score per candidate, for the panel as it is or redrawn.

One code path serves the result and its doubt: a "draw" is a list of adjudicators (column numbers), and the panel
itself is the draw 0, 1, ..., k - 1. Scores are [draws, n], higher is better.

Rules that work on marks (mean, trimmed-mean, median, severity-adjusted) combine adjudicators cell by cell, then merge
the measured mark into the cell, then weigh the cells. Rules that work on places (rank-sum, majority) rank each
adjudicator's weighted total, measured marks merged into it, and combine the places. A measured mark that is missing
leaves its cell to the panel alone.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.errors import BadInput
from app.domain.panel import Combine
from app.judging.marks_arrays import MarksArrays
from app.judging.places import SAME, adjudicator_places
from app.judging.rule import PLACE_RULES, TRIM_NEEDS
from app.judging.severity import adjudicator_effects, connected_groups, disconnected_sentence, linked

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

#: Array elements worked on at once, so that 500 candidates by 9 adjudicators stay within some tens of megabytes.
CHUNK = 3_000_000


@dataclass(frozen=True, slots=True)
class Combined:
    """The panel's own result."""

    score: Floats  # [n] what ranks, higher is better; NaN: unplaced
    total: Floats  # [n] what is printed: merged mark, sum of places or majority place
    cells: Floats  # [n, m] merged mark per cell, NaN where nobody gave one
    mark: Floats  # [n] weighted merged mark


class Combining:
    """A rule over one table of marks, ready to score any redrawn panel."""

    def __init__(self, arrays: MarksArrays, combine: Combine, letters: list[str]) -> None:
        self.arrays = arrays
        self.combine = combine
        self.letters = letters
        n, k, m = arrays.marks.shape
        self.shape = (n, k, m)
        self._counted = np.flatnonzero(arrays.weights > 0)
        there = ~np.isnan(arrays.marks)
        #: [n] candidates who have a mark in every cell that counts
        self.placeable: Bools = np.all(np.any(there[:, :, self._counted], axis=1), axis=1)
        self._given = there.sum(axis=1)  # [n, m] marks in the cell by the whole panel
        #: column numbers of adjudicators who gave any mark; the others haven't sent a sheet yet
        self.active: Ints = np.flatnonzero(there.any(axis=(0, 2)))
        self.adjudicator_totals = self._adjudicator_totals()
        self._places = adjudicator_places(np.where(self.placeable[:, None], self.adjudicator_totals, np.nan))
        if combine in PLACE_RULES:
            self.placeable = self.placeable & ~np.isnan(self._places).all(axis=1)
        if combine == "severity-adjusted":
            self._refuse_disconnected()

    def result(self) -> Combined:
        """The panel as it is."""
        _, k, m = self.shape
        whole = np.arange(k)[None, :]
        cell_rule: Combine = "mean" if self.combine in PLACE_RULES else self.combine
        cells = self._merge(self._cells(whole, cell_rule, np.arange(m)))[0]
        mark = np.where(self.placeable, self.arrays.over_all(cells), np.nan)
        if self.combine not in PLACE_RULES:
            return Combined(mark, mark, cells, mark)
        score = np.where(self.placeable, self.scores(whole)[0], np.nan)
        if self.combine == "rank-sum":
            return Combined(score, -score, cells, mark)
        ordered = np.sort(self._places, axis=1)
        middle = (~np.isnan(ordered)).sum(axis=1) // 2
        place = np.take_along_axis(ordered, np.minimum(middle, k - 1)[:, None], axis=1)[:, 0]
        return Combined(score, np.where(self.placeable, place, np.nan), cells, mark)

    def scores(self, draws: Ints) -> Floats:
        """Scores [B, n] of B redrawn panels ``draws`` [B, size]; NaN where a draw can't score a candidate."""
        if self.combine == "rank-sum":
            return self._rank_sums(draws)
        if self.combine == "majority":
            return self._majorities(draws)
        return self._weighted(draws, self.combine)

    def may_score(self, draws: Ints) -> Bools:
        """Which redrawn panels [B] hold somebody for every candidate who can be placed; the others score not all."""
        columns = self._counted
        # [placed, k] who gave any such mark
        own: Bools = np.asarray((~np.isnan(self.arrays.marks[self.placeable][:, :, columns])).any(axis=2))
        if own.all():
            return np.ones(len(draws), dtype=np.bool_)
        drawn = self._counts(draws) > 0
        step = max(1, CHUNK // max(1, len(own)))
        parts = [
            ((drawn[at : at + step].astype(np.float32) @ own.T.astype(np.float32)) > 0).all(axis=1)
            for at in range(0, len(draws), step)
        ]
        return np.concatenate(parts)

    def marks_drawn(self, draws: Ints) -> Floats:
        """Weighted merged marks [B, n] of redrawn panels, whatever the rule."""
        return self._weighted(draws, "mean" if self.combine in PLACE_RULES else self.combine)

    def _weighted(self, draws: Ints, combine: Combine) -> Floats:
        n, _, _ = self.shape
        used = self._counted
        step = max(1, CHUNK // max(1, n * len(used) * (draws.shape[1] if combine in ("median", "trimmed-mean") else 1)))
        out = np.empty((len(draws), n))
        for at in range(0, len(draws), step):
            cells = self._merge(self._cells(draws[at : at + step], combine, used), used)
            out[at : at + step] = cells @ self.arrays.weights[used]
        return out

    def _merge(self, cells: Floats, columns: Ints | None = None) -> Floats:
        """Panel's cells [B, n, c] merged with the measured marks by their shares."""
        at = np.arange(self.shape[2]) if columns is None else columns
        measured = self.arrays.measured[:, at]
        share = np.where(np.isnan(measured), 0.0, self.arrays.shares[at])
        merged: Floats = (1.0 - share) * cells + share * np.nan_to_num(measured)
        return merged

    def _cells(self, draws: Ints, combine: Combine, columns: Ints) -> Floats:
        """Adjudicators combined cell by cell: [B, n, c]; NaN where nobody in the draw gave a mark."""
        x = self.arrays.marks[:, :, columns]
        if combine == "mean":
            return self._means(x, self._counts(draws))
        if combine == "severity-adjusted":
            return self._adjusted(x, self._counts(draws))
        drawn = np.moveaxis(x, 1, 2)[:, :, draws]  # [n, c, B, size]
        ordered = np.moveaxis(np.sort(drawn, axis=-1), 2, 0)  # [B, n, c, size], NaN last
        count = (~np.isnan(ordered)).sum(axis=-1)
        if combine == "median":
            upper = np.take_along_axis(ordered, np.minimum(count // 2, draws.shape[1] - 1)[..., None], axis=-1)[..., 0]
            lower = np.take_along_axis(ordered, np.maximum((count - 1) // 2, 0)[..., None], axis=-1)[..., 0]
            middle: Floats = (lower + upper) / 2
            return middle
        sums = np.nansum(ordered, axis=-1)
        highest = np.take_along_axis(ordered, np.maximum(count - 1, 0)[..., None], axis=-1)[..., 0]
        # Three marks are enough in a redrawn panel, which is one smaller than the panel it stands for.
        trim = (self._given[None, :, columns] >= TRIM_NEEDS) & (count >= 3)
        sums = np.where(trim, sums - ordered[..., 0] - highest, sums)
        left = np.where(trim, count - 2, count)
        return np.where(left > 0, sums / np.maximum(left, 1), np.nan)

    def _counts(self, draws: Ints) -> Floats:
        """How often each adjudicator is in each draw: [B, k]."""
        k = self.shape[1]
        flat = draws + np.arange(len(draws))[:, None] * k
        return np.bincount(flat.ravel(), minlength=len(draws) * k).reshape(len(draws), k).astype(float)

    @staticmethod
    def _means(x: Floats, counts: Floats) -> Floats:
        """Means over drawn adjudicators: [B, n, c] from x [n, k, c]."""
        n, k, c = x.shape
        there = ~np.isnan(x)
        flat = np.moveaxis(np.where(there, x, 0.0), 1, 0).reshape(k, n * c)
        sums = (counts @ flat).reshape(-1, n, c)
        if there.all():
            plain: Floats = sums / counts.sum(axis=1)[:, None, None]
            return plain
        number = (counts @ np.moveaxis(there, 1, 0).reshape(k, n * c).astype(float)).reshape(-1, n, c)
        means: Floats = np.divide(sums, number, out=np.full_like(sums, np.nan), where=number > 0)
        return means

    def _adjusted(self, x: Floats, counts: Floats) -> Floats:
        """Means over drawn adjudicators with each one's severity taken out, cell by cell; NaN in disconnected draws."""
        if not np.isnan(x).any():
            return self._means(x, counts)  # nothing missing: severity cancels
        out = np.empty((len(counts), x.shape[0], x.shape[2]))
        supports, member = np.unique(counts > 0, axis=0, return_inverse=True)
        for q in range(x.shape[2]):
            marked = ~np.isnan(x[:, :, q]).all(axis=0)  # adjudicators who marked this cell at all
            cell, times = x[:, marked, q], counts[:, marked]
            effect = np.full_like(times, np.nan)
            connected = linked(~np.isnan(cell), supports[:, marked])[member.ravel()]
            if connected.any():
                effect[connected] = adjudicator_effects(cell, times[connected])
            there = ~np.isnan(cell)
            number = times @ there.T.astype(float)
            sums = times @ np.where(there, cell, 0.0).T - (times * effect) @ there.T.astype(float)
            out[:, :, q] = np.divide(sums, number, out=np.full_like(sums, np.nan), where=number > 0)
        return out

    def _adjudicator_totals(self) -> Floats:
        """Each adjudicator's weighted totals with measured marks merged in: [n, k], NaN unless complete."""
        used = self._counted
        cells = self._merge(np.moveaxis(self.arrays.marks[:, :, used], 1, 0), used)  # [k, n, c]
        totals: Floats = (cells @ self.arrays.weights[used]).T
        return totals

    def _rank_sums(self, draws: Ints) -> Floats:
        """Minus the sum of places; with places missing, their mean times the panel's size, so that sums compare."""
        counts = self._counts(draws)
        there = ~np.isnan(self._places)
        sums = counts @ np.where(there, self._places, 0.0).T
        number = counts @ there.T.astype(float)
        mean = np.divide(sums, number, out=np.full_like(sums, np.nan), where=number > 0)
        return np.asarray(-np.round(mean * len(self.active), 9), dtype=np.float64)

    def _majorities(self, draws: Ints) -> Floats:
        """Minus the standing by majority of places.

        First the lowest place at which more than half put the candidate there or better; then the larger majority
        there; then the lower mean of the places that make it; then the next places in turn.
        """
        ordered = np.sort(np.moveaxis(self._places[:, draws], 0, 1), axis=-1)  # [B, n, size], NaN last
        count = (~np.isnan(ordered)).sum(axis=-1)
        size = draws.shape[1]
        place = np.take_along_axis(ordered, np.minimum(count // 2, size - 1)[..., None], axis=-1)
        inside = ordered <= place + SAME
        many = inside.sum(axis=-1)
        share = many / np.maximum(count, 1)
        mean = np.where(inside, ordered, 0.0).sum(axis=-1) / np.maximum(many, 1)
        beyond = np.where(inside, -np.inf, np.nan_to_num(ordered, nan=np.inf))
        keys = [place[..., 0], -share, mean, *np.moveaxis(np.sort(beyond, axis=-1), -1, 0)]
        ranks = _lexicographic(np.stack([np.round(key, 9) for key in keys]))
        return np.where(count > 0, -ranks.astype(float), np.nan)

    def _refuse_disconnected(self) -> None:
        for q in self._counted:
            there = ~np.isnan(self.arrays.marks[:, :, q])
            rows, columns = np.flatnonzero(there.any(axis=1)), np.flatnonzero(there.any(axis=0))
            groups = connected_groups(there[np.ix_(rows, columns)])
            if len(groups) > 1:
                raise BadInput(
                    disconnected_sentence([(r, [int(columns[j]) for j in c]) for r, c in groups], self.letters)
                )


def _lexicographic(keys: Floats) -> Ints:
    """Dense ranks from 0 of columns compared key by key: keys [q, B, n], first key weighs most; ties share a rank."""
    order = np.lexsort(keys[::-1], axis=-1)  # [B, n]
    ordered = np.take_along_axis(keys, np.broadcast_to(order, keys.shape), axis=-1)
    ordered = np.nan_to_num(ordered, nan=1e300, posinf=1e300, neginf=-1e300)
    new = np.zeros(order.shape, dtype=np.intp)
    new[:, 1:] = (np.abs(np.diff(ordered, axis=-1)) > SAME).any(axis=0)
    ranks = np.empty(order.shape, dtype=np.intp)
    np.put_along_axis(ranks, order, np.cumsum(new, axis=-1), axis=-1)
    return ranks

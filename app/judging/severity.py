"""The additive model: mark = candidate + adjudicator, by least squares over the cells that are there.

With every cell filled an adjudicator's severity is just the distance of their mean from the panel's mean. With cells
missing, means mislead (who was recused from a strong candidate looks strict), and least squares doesn't: it compares
adjudicators on the candidates they share. That needs a connected design: if the panel falls into groups that share no
candidate, nobody can say whether one group's adjudicators are strict or its candidates weak, and the design's rank is
below n + k - 1.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.errors import BadInput

Floats = NDArray[np.float64]


#: Cells [n, k, k] of who shares a candidate that are held at once: 80 megabytes. Our choice.
MOST_PAIRS = 10_000_000


@dataclass(frozen=True, slots=True)
class AdditiveFit:
    """Least-squares fit of the additive model to marks [n, k]."""

    merit: Floats  # [n] mark the whole panel would have given; NaN for a candidate without marks
    effect: Floats  # [k] adjudicator's level above the panel's, sums to 0; NaN for an adjudicator without marks
    residual: Floats  # [n, k], NaN where no mark
    sse: float
    residual_df: int


def design_rank(marks: Floats) -> tuple[int, int]:
    """(rank of the additive design, rank it needs) for marks [n, k] with NaN where missing.

    Rows and columns without any mark are left aside. Each connected group of candidates and adjudicators lowers the
    rank n + k by one, so counting groups gives the rank exactly, without a matrix decomposition.
    """
    there = ~np.isnan(marks)
    there = there[there.any(axis=1)][:, there.any(axis=0)]
    n, k = there.shape
    return n + k - len(connected_groups(there)), n + k - 1


def connected_groups(there: NDArray[np.bool_]) -> list[tuple[list[int], list[int]]]:
    """Groups (rows, columns) of a table [n, k] that are linked by filled cells; rows and columns must not be empty."""
    n = there.shape[0]
    unseen = set(range(n))
    groups: list[tuple[list[int], list[int]]] = []
    while unseen:
        rows, columns, new = set(), set(), {min(unseen)}
        while new:
            rows |= new
            columns |= {int(j) for i in new for j in np.flatnonzero(there[i])}
            new = {int(i) for j in columns for i in np.flatnonzero(there[:, j])} - rows
        unseen -= rows
        groups.append((sorted(rows), sorted(columns)))
    return groups


def linked(there: NDArray[np.bool_], chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether each choice of adjudicators is connected by candidates they share: [S] from there [n, k], chosen [S, k].

    Candidates whom none of the chosen marked are left aside; every adjudicator must have a mark in ``there``.
    """
    k = there.shape[1]
    share = (there.T.astype(float) @ there.astype(float)) > 0  # [k, k]
    reach = chosen & (np.cumsum(chosen, axis=1) == 1)  # start from each choice's first adjudicator
    for _ in range(k):
        reach = ((reach.astype(float) @ share.astype(float)) > 0) & chosen
    return np.asarray(chosen.any(axis=1) & (reach == chosen).all(axis=1), dtype=np.bool_)


def disconnected_sentence(groups: list[tuple[list[int], list[int]]], letters: list[str]) -> str:
    """Why severity can't be told for these groups of column numbers, and what to do."""
    named = " and ".join("/".join(letters[j] for j in columns) for _, columns in groups)
    return (
        f"Recusals leave the panel disconnected: adjudicators {named} share no candidate, so their severity can't be "
        "compared; let one adjudicator of each group hear a candidate of the other, or rank by another rule."
    )


def fit_additive(marks: Floats, letters: list[str] | None = None) -> AdditiveFit:
    """Fit candidate + adjudicator effects to marks [n, k]; NaN where missing.

    Adjudicators' effects sum to 0 over those who gave a mark, so a candidate's merit is the mean mark the whole panel
    would have given. Raises :class:`BadInput` when the design is disconnected.
    """
    there = ~np.isnan(marks)
    rows, columns = np.flatnonzero(there.any(axis=1)), np.flatnonzero(there.any(axis=0))
    if not len(rows):
        raise BadInput("There is no mark to fit severity to.")
    names = letters or [str(j + 1) for j in range(marks.shape[1])]
    groups = connected_groups(there[np.ix_(rows, columns)])
    if len(groups) > 1:
        raise BadInput(disconnected_sentence([(r, [int(columns[j]) for j in c]) for r, c in groups], names))
    x = marks[np.ix_(rows, columns)]
    counts = np.ones((1, len(columns)))
    effect = adjudicator_effects(x, counts)[0]
    effect = effect - effect.mean()
    merit = np.nanmean(x - effect, axis=1)
    residual = np.full_like(marks, np.nan)
    residual[np.ix_(rows, columns)] = x - merit[:, None] - effect
    full_merit, full_effect = np.full(marks.shape[0], np.nan), np.full(marks.shape[1], np.nan)
    full_merit[rows], full_effect[columns] = merit, effect
    df = int(there.sum()) - (len(rows) + len(columns) - 1)
    return AdditiveFit(full_merit, full_effect, residual, float(np.nansum(residual**2)), df)


def adjudicator_effects(marks: Floats, counts: Floats) -> Floats:
    """Adjudicators' effects [B, k] for B redrawn panels, ``counts`` [B, k] saying how often each adjudicator is in.

    ``marks`` [n, k] with NaN where missing. Candidates are eliminated from the normal equations, which leaves one k
    by k system per panel; its null direction (a constant for all) is fixed by a weighted sum of 0. The panel must be
    connected in every draw (the caller checks), an adjudicator who isn't drawn gets 0.
    """
    there = ~np.isnan(marks)
    d = there.astype(float)
    x = np.where(there, marks, 0.0)
    drawn = counts > 0  # [B, k]
    n_i = counts @ d.T  # [B, n] marks per candidate
    inverse = np.divide(1.0, n_i, out=np.zeros_like(n_i), where=n_i > 0)
    mean_i = (counts @ x.T) * inverse  # [B, n]
    seen = (n_i > 0).astype(float)
    load = seen @ d  # [B, k] candidates per adjudicator that count
    k = d.shape[1]
    if len(d) * k * k <= MOST_PAIRS:
        pairs = (d[:, :, None] * d[:, None, :]).reshape(len(d), k * k)  # candidates that two adjudicators share
        system = -(inverse @ pairs).reshape(-1, k, k) * counts[:, None, :]
    else:  # the same, a draw after the other
        system = np.stack([-((d.T * own) @ d) * times for own, times in zip(inverse, counts, strict=True)])
    idx = np.arange(k)
    system[:, idx, idx] += load
    right = seen @ x - mean_i @ d
    system = system + (counts / counts.sum(axis=1, keepdims=True))[:, None, :] * np.maximum(load.max(), 1.0)
    system = np.where(drawn[:, :, None], system, np.eye(d.shape[1])[None])
    right = np.where(drawn, right, 0.0)
    return np.linalg.solve(system, right[:, :, None])[:, :, 0]

"""Correlations that say when they mean nothing.

Pairs with a missing value are left out. ``None`` when fewer than :data:`FEWEST_PAIRS` pairs remain or one side is
constant.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FEWEST_PAIRS = 4  # our choice: three points line up too easily
#: Values are compared after rounding to this many decimals, so that equal weighted means tie.
DECIMALS = 9


def pearson(x: Floats, y: Floats) -> float | None:
    """Pearson's correlation of x [n] and y [n]."""
    pairs = _pairs(x, y)
    if pairs is None:
        return None
    a, b = (v - v.mean() for v in pairs)
    return float(np.clip((a @ b) / np.sqrt((a @ a) * (b @ b)), -1.0, 1.0))


def spearman(x: Floats, y: Floats) -> float | None:
    """Spearman's rank correlation, ties by mean ranks (Spearman 1904)."""
    pairs = _pairs(x, y)
    return None if pairs is None else pearson(mean_ranks(pairs[0]), mean_ranks(pairs[1]))


def mean_ranks(x: Floats) -> Floats:
    """Ranks of x [n] from 1, lowest first; equal values share the mean of the ranks they take."""
    _, which, count = np.unique(x, return_inverse=True, return_counts=True)
    ranks: Floats = (np.cumsum(count) - (count - 1) / 2)[which]
    return ranks


def tau_b(x: Floats, y: Floats) -> float | None:
    """Kendall's tau-b, corrected for ties on both sides (Kendall 1945)."""
    pairs = _pairs(x, y)
    if pairs is None:
        return None
    a, b = (np.sign(v[:, None] - v[None, :]) for v in pairs)
    return float((a * b).sum() / np.sqrt((a * a).sum() * (b * b).sum()))


def _pairs(x: Floats, y: Floats) -> tuple[Floats, Floats] | None:
    both = ~(np.isnan(x) | np.isnan(y))
    a, b = np.round(x[both], DECIMALS), np.round(y[both], DECIMALS)
    if len(a) < FEWEST_PAIRS or np.ptp(a) == 0 or np.ptp(b) == 0:
        return None
    return a, b

"""Agreement among adjudicators: intraclass correlations, Kendall's W, Krippendorff's alpha, and what follows from them.

Marks are [n, k]: n candidates in rows, k adjudicators in columns, NaN where there is no mark. Every coefficient is
either a finite number or ``None`` with a reason ("not valid here because ..."), never NaN.

Sources: Shrout & Fleiss 1979 (Psychological Bulletin 86:420) and McGraw & Wong 1996 (Psychological Methods 1:30) for
the six intraclass forms and their intervals; Siegel 1956 after Kendall for W with ties; Krippendorff 2011 for alpha
with missing cells; Spearman 1910 and Brown 1910 for the number of adjudicators; generalizability after Brennan 2001
(from memory).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, fdtri  # not scipy.stats, whose import would be a fifth of every server's start

from app.judging.correlation import mean_ranks

Floats = NDArray[np.float64]
Metric = Literal["nominal", "ordinal", "interval", "ratio"]

ICC_FORMS = ("1,1", "A,1", "C,1", "1,k", "A,k", "C,k")
CONFIDENCE = 0.95
#: Marks are compared after rounding to this many decimals, so that equal weighted means count as equal.
DECIMALS = 9
#: A sum of squares this small beside the marks' own size is zero.
NOTHING = 1e-12


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Mean squares of a complete two-way table without replication."""

    n: int
    k: int
    rows: float  # candidates, n - 1 df
    columns: float  # adjudicators, k - 1 df
    error: float  # (n - 1)(k - 1) df
    within: float  # within candidates, n (k - 1) df


@dataclass(frozen=True, slots=True)
class Coefficient:
    """A coefficient, or ``None`` and why; ``interval`` is its 95 % confidence interval where there is one."""

    value: float | None
    why: str | None = None
    interval: tuple[float, float] | None = None


def refusal(marks: Floats, *, complete: bool) -> str | None:
    """Why a coefficient of agreement isn't valid for these marks at all; ``None`` when it may be."""
    there = ~np.isnan(marks)
    n, k = int(there.any(axis=1).sum()), int(there.any(axis=0).sum())
    if k < 2:
        return "not valid here because agreement needs two adjudicators or more"
    if n < 2:
        return "not valid here because agreement needs two candidates or more"
    missing = int((~there).sum())
    if complete and missing:
        return (
            f"not valid here because {missing} {'cell is' if missing == 1 else 'cells are'} missing and it needs every "
            "adjudicator's mark for every candidate"
        )
    given = marks[there]
    if np.ptp(given) <= NOTHING * max(1.0, float(np.abs(given).max())):
        return "not valid here because all marks are equal"
    return None


def mean_squares(marks: Floats) -> MeanSquares:
    """Two-way mean squares of complete marks [n, k], n and k at least 2."""
    n, k = marks.shape
    grand = marks.mean()
    row, column = marks.mean(axis=1), marks.mean(axis=0)
    rows = k * float(((row - grand) ** 2).sum())
    columns = n * float(((column - grand) ** 2).sum())
    residual = marks - row[:, None] - column[None, :] + grand
    error = float((residual**2).sum())
    tiny = NOTHING * float(((marks - grand) ** 2).sum())
    rows, columns, error = (0.0 if v <= tiny else v for v in (rows, columns, error))
    return MeanSquares(
        n,
        k,
        rows / (n - 1),
        columns / (k - 1),
        error / ((n - 1) * (k - 1)),
        (columns + error) / (n * (k - 1)),
    )


def intraclass(marks: Floats) -> dict[str, Coefficient]:
    """All six intraclass correlations of complete marks [n, k] with 95 % intervals, by form.

    "1": another set of adjudicators for every candidate; "A": the same adjudicators, absolute agreement; "C": the
    same, consistency. ",1" is the reliability of one adjudicator, ",k" that of the mean of all k.
    """
    why = refusal(marks, complete=True)
    if why:
        return {form: Coefficient(None, why) for form in ICC_FORMS}
    s = mean_squares(marks)
    n, k = s.n, s.k
    size = s.rows + s.columns + s.error
    out = {
        "1,1": _ratio(s.rows - s.within, s.rows + (k - 1) * s.within, size),
        "A,1": _ratio(s.rows - s.error, s.rows + (k - 1) * s.error + k / n * (s.columns - s.error), size),
        "C,1": _ratio(s.rows - s.error, s.rows + (k - 1) * s.error, size),
        "1,k": _ratio(s.rows - s.within, s.rows, size),
        "A,k": _ratio(s.rows - s.error, s.rows + (s.columns - s.error) / n, size),
        "C,k": _ratio(s.rows - s.error, s.rows, size),
    }
    intervals = _intervals(s)
    return {
        form: Coefficient(
            value, None if value is not None else _NO_SPREAD, intervals[form] if value is not None else None
        )
        for form, value in out.items()
    }


_NO_SPREAD = "not valid here because the adjudicators' marks do not separate the candidates at all"


def _ratio(above: float, below: float, size: float) -> float | None:
    """``above / below``, or ``None`` where ``below`` is zero or less, or nothing but rounding beside ``size``."""
    return None if below <= NOTHING * size else above / below


def _intervals(s: MeanSquares) -> dict[str, tuple[float, float] | None]:
    """95 % intervals after McGraw & Wong 1996, tables 7; ``None`` where the F ratio is undefined (no error at all)."""
    n, k, tail = s.n, s.k, 1 - (1 - CONFIDENCE) / 2
    out: dict[str, tuple[float, float] | None] = dict.fromkeys(ICC_FORMS)
    if s.within > 0:
        df1, df2 = n - 1, n * (k - 1)
        ratio = s.rows / s.within
        out["1,1"], out["1,k"] = _from_f(ratio / float(fdtri(df1, df2, tail)), ratio * float(fdtri(df2, df1, tail)), k)
    if s.error > 0:
        df1, df2 = n - 1, (n - 1) * (k - 1)
        ratio = s.rows / s.error
        out["C,1"], out["C,k"] = _from_f(ratio / float(fdtri(df1, df2, tail)), ratio * float(fdtri(df2, df1, tail)), k)
    single = _absolute_interval(s, tail)
    if single is not None:
        out["A,1"] = single
        first, last = _stepped(single[0], k), _stepped(single[1], k)
        out["A,k"] = None if first is None or last is None else (first, last)
    return {form: None if pair is None else (float(pair[0]), float(pair[1])) for form, pair in out.items()}


def _from_f(low: float, high: float, k: int) -> tuple[tuple[float, float] | None, tuple[float, float] | None]:
    single = (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)
    mean = None if low <= 0 else (1 - 1 / low, 1 - 1 / high)
    return single, mean


def _absolute_interval(s: MeanSquares, tail: float) -> tuple[float, float] | None:
    n, k, size = s.n, s.k, s.rows + s.columns + s.error
    point = _ratio(s.rows - s.error, s.rows + (k - 1) * s.error + k / n * (s.columns - s.error), size)
    if point is None or point >= 1 or s.rows <= 0:
        return None
    a = k * point / (n * (1 - point))
    b = 1 + k * point * (n - 1) / (n * (1 - point))
    spread = (a * s.columns) ** 2 / (k - 1) + (b * s.error) ** 2 / ((n - 1) * (k - 1))
    if spread <= 0:
        return None
    df = (a * s.columns + b * s.error) ** 2 / spread
    if df <= 0 or not math.isfinite(df):
        return None
    mixed = k * s.columns + (k * n - k - n) * s.error
    upper, lower = float(fdtri(n - 1, df, tail)), float(fdtri(df, n - 1, tail))
    if not (math.isfinite(upper) and math.isfinite(lower)):  # next to no degrees of freedom: no end to the interval
        return None
    low = n * (s.rows - upper * s.error) / (upper * mixed + n * s.rows)
    high = n * (lower * s.rows - s.error) / (mixed + n * lower * s.rows)
    # The approximation breaks down where the estimate lies well below zero: an interval beside its estimate is none.
    return (low, high) if low <= point + NOTHING and point <= high + NOTHING else None


def _stepped(single: float, k: int) -> float | None:
    """Spearman-Brown, also for negative values as an interval's lower end may be; ``None`` where it has no end."""
    below = 1 + (k - 1) * single
    return single * k / below if below > NOTHING else None


def kendall_w(marks: Floats) -> tuple[Coefficient, float | None]:
    """Kendall's W with the correction for ties, and its p value by chi-square with n - 1 df; marks [n, k] complete."""
    why = refusal(marks, complete=True)
    if why:
        return Coefficient(None, why), None
    n, k = marks.shape
    ranks = np.apply_along_axis(mean_ranks, 0, np.round(marks, DECIMALS))
    total = ranks.sum(axis=1)
    squares = float(((total - total.mean()) ** 2).sum())
    ties = 0.0
    for column in ranks.T:
        _, count = np.unique(column, return_counts=True)
        ties += float((count.astype(float) ** 3 - count).sum())
    below = k**2 * (n**3 - n) - k * ties
    if below <= 0:
        return Coefficient(None, "not valid here because every adjudicator gave all candidates the same place"), None
    w = min(12 * squares / below, 1.0)
    return Coefficient(w), float(chdtrc(n - 1, k * (n - 1) * w))


def krippendorff_alpha(marks: Floats, metric: Metric = "interval") -> Coefficient:
    """Krippendorff's alpha of marks [n, k] with missing cells; candidates with fewer than two marks say nothing.

    Ordinal and interval are computed without the table of coincidences: both distances are squares of differences, of
    the values themselves or of their mean positions among all pairable values, and sums of squared differences follow
    from sums and sums of squares.
    """
    why = refusal(marks, complete=False)
    if why:
        return Coefficient(None, why)
    kept = np.round(marks[(~np.isnan(marks)).sum(axis=1) >= 2], DECIMALS)
    if not kept.size:
        return Coefficient(None, "not valid here because no candidate was marked by two adjudicators")
    there = ~np.isnan(kept)
    values, index = np.unique(kept[there], return_inverse=True)
    if len(values) < 2:
        return Coefficient(None, "not valid here because all marks that can be compared are equal")
    if metric == "ratio" and values[0] < 0:
        return Coefficient(None, "not valid here because a ratio scale has no negative marks")
    count = np.bincount(index).astype(float)
    if metric in ("ordinal", "interval"):
        coded = np.cumsum(count) - count / 2 if metric == "ordinal" else values
        filled = np.full(kept.shape, np.nan)
        filled[there] = (coded - coded.mean())[index.ravel()]
        observed, expected = _squared(filled)
    else:
        observed, expected = _by_pairs(kept, values, count, _DISTANCES[metric])
    return Coefficient(1.0 - observed / expected)


def _squared(x: Floats) -> tuple[float, float]:
    """(observed, expected) disagreement for squared distances of x [n, k]."""
    there = ~np.isnan(x)
    m = there.sum(axis=1)
    zero = np.where(there, x, 0.0)
    within = m * (zero**2).sum(axis=1) - zero.sum(axis=1) ** 2  # half the sum over ordered pairs
    total = int(m.sum())
    observed = float((2 * np.maximum(within, 0.0) / (m - 1)).sum()) / total
    given = x[there]
    expected = 2 * float(total * (given**2).sum() - given.sum() ** 2) / (total * (total - 1))
    return observed, expected


def _by_pairs(x: Floats, values: Floats, count: Floats, distance: Callable[[Floats], Floats]) -> tuple[float, float]:
    """(observed, expected) disagreement from a table of distances between all different values."""
    apart = distance(values)
    total = float(count.sum())
    observed = 0.0
    for row in x:
        own = np.searchsorted(values, row[~np.isnan(row)])
        observed += float(apart[np.ix_(own, own)].sum()) / (len(own) - 1)
    expected = float(count @ apart @ count) / (total - 1)
    return observed / total, expected / total


def _nominal(values: Floats) -> Floats:
    return 1.0 - np.eye(len(values))


def _relative(values: Floats) -> Floats:
    both = values[:, None] + values[None, :]
    off = values[:, None] - values[None, :]
    return np.divide(off, both, out=np.zeros_like(both), where=both > 0) ** 2


_DISTANCES: dict[str, Callable[[Floats], Floats]] = {"nominal": _nominal, "ratio": _relative}


def cronbach_alpha(marks: Floats) -> Coefficient:
    """Cronbach's alpha with adjudicators as items, complete marks [n, k]; equal to ICC(C,k)."""
    why = refusal(marks, complete=True)
    if why:
        return Coefficient(None, why)
    k = marks.shape[1]
    whole = float(marks.sum(axis=1).var(ddof=1))
    each = float(marks.var(axis=0, ddof=1).sum())
    if whole <= NOTHING * max(each, 1.0):
        return Coefficient(None, _NO_SPREAD)
    return Coefficient(k / (k - 1) * (1 - each / whole))


def variance_components(marks: Floats) -> tuple[dict[str, float] | None, str | None]:
    """Variance of candidates, adjudicators and residual (expected mean squares) from complete marks, or why not.

    An estimate may come out below zero when there is next to none; it is given as it is.
    """
    why = refusal(marks, complete=True)
    if why:
        return None, why
    s = mean_squares(marks)
    return {
        "candidate": (s.rows - s.error) / s.k,
        "adjudicator": (s.columns - s.error) / s.n,
        "residual": s.error,
    }, None


def dependability(components: dict[str, float], adjudicators: int) -> tuple[float | None, float | None]:
    """(generalizability, dependability) of the mean of so many adjudicators; negative components count as zero.

    The first asks whether another panel would rank alike, the second whether it would give the same marks.
    """
    p, j, e = (max(components[key], 0.0) for key in ("candidate", "adjudicator", "residual"))
    relative, absolute = p + e / adjudicators, p + (j + e) / adjudicators
    return (p / relative if relative > 0 else None, p / absolute if absolute > 0 else None)


def spearman_brown(single: float, adjudicators: float) -> float:
    """Reliability of the mean of so many adjudicators from the reliability of one, 0 to 1."""
    return adjudicators * single / (1 + (adjudicators - 1) * single)


def needed_adjudicators(single: float | None, target: float = 0.80) -> int | None:
    """How many adjudicators would reach ``target``; ``None`` when one alone shows no agreement (or isn't known)."""
    if single is None or single <= 0:
        return None
    if single >= 1:
        return 1
    return max(1, math.ceil(target * (1 - single) / (single * (1 - target)) - 1e-9))

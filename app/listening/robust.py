"""Estimates that a few wild values don't move: weighted median, spread, and the slope of Theil and Sen."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.stats import theilslopes

FloatArray = NDArray[np.float64]
MAD_TO_SD = 1.4826  # makes the median absolute deviation of a normal distribution its standard deviation
MEDIAN_TO_MEAN_ERROR = 1.2533  # standard error of a median over that of a mean, normal distribution
LEAST_FOR_ERROR = 3  # values whose scatter says something: our choice
LARGEST_FOR_ALL_PAIRS = 500  # above this many points neighbours are averaged first (time and memory: our choice)


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope with its 95 % interval."""

    value: float
    low: float
    high: float


@njit(cache=True)
def weighted_median(values, weights):  # type: ignore[no-untyped-def]
    """Median of ``values`` [n] with positive ``weights`` [n], float64, interpolated between neighbours; n >= 1."""
    order = np.argsort(values, kind="mergesort")
    sorted_values, sorted_weights = values[order], weights[order]
    centre = np.cumsum(sorted_weights) - 0.5 * sorted_weights
    return np.interp(0.5 * sorted_weights.sum(), centre, sorted_values)


@njit(cache=True)
def spread(values):  # type: ignore[no-untyped-def]
    """Robust standard deviation of float64 ``values`` [n] (median absolute deviation, scaled); 0 for fewer than two."""
    if values.size < 2:
        return 0.0
    return MAD_TO_SD * np.median(np.abs(values - np.median(values)))


def median_error(values: Sequence[float], independent: int | None = None) -> float | None:
    """About one standard deviation of the median of ``values``, from their own scatter; None for fewer than three.

    ``independent``: how many of them are independent witnesses, when several come from one note.
    """
    count = min(len(values), independent or len(values))
    if count < LEAST_FOR_ERROR:
        return None
    return float(MEDIAN_TO_MEAN_ERROR * spread(np.array(values, dtype=np.float64)) / np.sqrt(count))


def slope(x: FloatArray, y: FloatArray) -> Slope:
    """Slope of ``y`` over ``x`` (both [n], n >= 3) by Theil and Sen with the interval of Sen (1968)."""
    if x.size > LARGEST_FOR_ALL_PAIRS:
        order = np.argsort(x, kind="stable")
        parts = np.array_split(order, LARGEST_FOR_ALL_PAIRS)
        x, y = np.array([x[p].mean() for p in parts]), np.array([np.median(y[p]) for p in parts])
    found = theilslopes(y, x, alpha=0.95)
    return Slope(float(found[0]), float(found[2]), float(found[3]))

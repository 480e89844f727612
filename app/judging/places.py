"""Places from scores, ties shared, for one panel or for many redrawn panels at once.

Scores are [..., n], higher is better. Two scores closer than :data:`SAME` are the same: sums of weighted marks differ
in their last bits without differing.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: Totals that differ by less are equal (rounding of floating point, far below any weight a person declares).
SAME = 1e-9


def shared_places(scores: Floats) -> tuple[Ints, Ints]:
    """(best place, worst place) from 1, each [..., n]; tied candidates share the span of places they take together.

    NaN scores come last together; the caller leaves them out.
    """
    order = np.argsort(-scores, axis=-1, kind="stable")
    ordered = np.take_along_axis(scores, order, axis=-1)
    n = scores.shape[-1]
    position = np.broadcast_to(np.arange(n), scores.shape)
    starts = np.ones(scores.shape, dtype=bool)
    starts[..., 1:] = ordered[..., :-1] - ordered[..., 1:] > SAME
    ends = np.ones(scores.shape, dtype=bool)
    ends[..., :-1] = starts[..., 1:]
    first = np.maximum.accumulate(np.where(starts, position, 0), axis=-1)
    last = np.minimum.accumulate(np.where(ends, position, n - 1)[..., ::-1], axis=-1)[..., ::-1]
    best, worst = np.empty(scores.shape, dtype=np.intp), np.empty(scores.shape, dtype=np.intp)
    np.put_along_axis(best, order, first + 1, axis=-1)
    np.put_along_axis(worst, order, last + 1, axis=-1)
    return best, worst


def adjudicator_places(totals: Floats) -> Floats:
    """Each adjudicator's places over the whole field, [n, k], from totals [n, k]; NaN where not scored.

    Ties take the mean of the places they share. An adjudicator who scored only c of n candidates ranks c; place r
    among c becomes r (n + 1) / (c + 1), the place it is expected to have in the whole field when those not heard
    could stand anywhere (mean of an order statistic of a sample without replacement). So a recusal neither helps nor
    hurts anyone.
    """
    out = np.full_like(totals, np.nan)
    n = int((~np.isnan(totals)).any(axis=1).sum())
    for j in range(totals.shape[1]):
        heard = np.flatnonzero(~np.isnan(totals[:, j]))
        if len(heard):
            best, worst = shared_places(totals[heard, j])
            out[heard, j] = (best + worst) / 2 * (n + 1) / (len(heard) + 1)
    return out

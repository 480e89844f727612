"""Ties: the declared chain, step by step; what no step separates stays tied.

A step either splits a tied group into ordered smaller groups or leaves it. Each part then goes on to the next step.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.panel import TieScope
from app.judging.places import SAME

Floats = NDArray[np.float64]
Split = Callable[[list[int]], list[list[int]]]


@dataclass(frozen=True, slots=True)
class Group:
    """Candidates (row numbers) that share a place; ``decided_by`` is the step that set them apart, None: the total."""

    members: tuple[int, ...]
    decided_by: str | None


def split_by(values: Floats, members: Sequence[int]) -> list[list[int]]:
    """Split by values [n], highest first. A missing value can't be compared: then the group stays whole."""
    if np.isnan(values[list(members)]).any():
        return [list(members)]
    ordered = sorted(members, key=lambda i: -values[i])
    groups = [[ordered[0]]]
    for i in ordered[1:]:
        if values[groups[-1][-1]] - values[i] > SAME:
            groups.append([i])
        else:
            groups[-1].append(i)
    return groups


def head_to_head(totals: Floats, members: Sequence[int]) -> list[list[int]]:
    """Split by whom more adjudicators put ahead, from adjudicators' own totals [n, k] (NaN where not scored).

    Every pair of the group is one contest among the adjudicators who scored both; the candidate ahead for more of
    them wins it, an even contest counts half for each. Ordered by contests won; a part that is still tied is compared
    once more among itself, until nothing moves (Copeland's method on the tied candidates).
    """
    group = list(members)
    if len(group) < 2:
        return [group]
    own = totals[group]
    ahead = (own[:, None, :] - own[None, :, :] > SAME).sum(axis=2)  # NaN compares false: not heard by both
    won = (ahead > ahead.T) + 0.5 * (ahead == ahead.T)
    np.fill_diagonal(won, 0.0)
    points = np.full(len(totals), np.nan)
    points[group] = won.sum(axis=1)
    parts = split_by(points, group)
    if len(parts) == 1:
        return parts
    return [smaller for part in parts for smaller in head_to_head(totals, part)]


def resolve(
    score: Floats,
    steps: Sequence[tuple[str, Split]],
    *,
    seats: int | None = None,
    scope: TieScope = "everywhere",
) -> list[Group]:
    """Groups in order of place from scores [n] (higher is better, NaN left out) and the chain's steps.

    With ``scope="cut-line"`` only groups that have a seat for some but not for all of their members are split; all
    others keep sharing a place.
    """
    placed = [int(i) for i in np.flatnonzero(~np.isnan(score))]
    if not placed:
        return []
    groups = [Group(tuple(part), None) for part in split_by(score, placed)]
    for name, split in steps:
        after: list[Group] = []
        taken = 0
        for group in groups:
            crosses = seats is not None and taken < seats < taken + len(group.members)
            taken += len(group.members)
            if len(group.members) == 1 or (scope == "cut-line" and not crosses):
                after.append(group)
                continue
            parts = split(list(group.members))
            after += [Group(tuple(p), group.decided_by if len(parts) == 1 else name) for p in parts]
        groups = after
    return groups

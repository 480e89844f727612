"""Who hears whom when a panel is too large, or the candidates are too many, for everybody to hear everybody.

Each candidate is heard by a few adjudicators, chosen so that all hear about equally many and every two of them share
about equally many candidates: balanced incomplete blocks where there is such a design, else as near to it as found.
Then severity can be told from the candidates that adjudicators share (``app.judging.severity``), as long as the design
hangs together, which is checked here by the same functions that the severity-adjusted rule uses.
"""

from collections.abc import Collection, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.errors import BadInput
from app.judging.block_designs import balanced_blocks, pair_counts
from app.judging.severity import connected_groups, disconnected_sentence, linked

Shares = dict[str, tuple[str, ...]]  # candidate id -> ids of the adjudicators who hear the candidate
Cells = AbstractSet[tuple[str, str]]  # (adjudicator id, candidate id)

FEWEST_PER_CANDIDATE = 2  # with one each no two adjudicators share a candidate
LARGEST_DESIGN = 3000  # blocks; our choice: a longer one is seldom used up, and the near-balanced design is as good
MOST_SWAPS = 20_000  # our choice: tried while evening out how many candidates two adjudicators share
LOAD_WEIGHT = 1e9  # above any sum of shared candidates
MOST_TRIES = 20  # our choice: handing over is tried so often before it is refused
PATIENCE = 2_000  # our choice: swaps in a row that better nothing, then it is left


@dataclass(frozen=True, slots=True)
class DesignReport:
    """What a design is like, for the leader."""

    smallest_share: int
    largest_share: int
    fewest_shared: int  # candidates that two adjudicators share
    most_shared: int
    connected: bool
    sentence: str


def assign(
    candidate_ids: Sequence[str],
    adjudicator_ids: Sequence[str],
    per_candidate: int,
    rng: np.random.Generator,
    *,
    recusals: Cells = frozenset(),
) -> Shares:
    """Give each candidate ``per_candidate`` adjudicators, balanced and connected.

    ``recusals`` are pairs (adjudicator id, candidate id) that can't be. A candidate from whom so many are recused that
    fewer are left is heard by those; :class:`BadInput` when nobody is left, when ``per_candidate`` doesn't fit the
    panel, or when the candidates are too few to hang together.
    """
    panel = _Panel(candidate_ids, adjudicator_ids, recusals)
    n, k = len(candidate_ids), len(adjudicator_ids)
    if not FEWEST_PER_CANDIDATE <= per_candidate <= k:
        raise BadInput(
            f"Each candidate is heard by {FEWEST_PER_CANDIDATE} adjudicators or more and at most by the whole panel of "
            f"{k}; with one each nobody could tell a strict adjudicator from a weak candidate."
        )
    exact = balanced_blocks(k, per_candidate, min(n, LARGEST_DESIGN)) or []
    whole = n // len(exact) if exact else 0
    labels = rng.permutation(k)
    given = [tuple(int(labels[p]) for p in block) for _ in range(whole) for block in exact]
    blocks: list[list[int]] = [list(given[i]) for i in rng.permutation(len(given))]
    load = pair_counts(blocks, k)
    for _ in range(n - len(blocks)):
        blocks.append(_next_block(load, per_candidate, rng, np.ones(k, dtype=bool)))
    if not exact or n % len(exact):
        _even_out(blocks, k, rng)
    blocks = [blocks[i] for i in rng.permutation(n)]
    _respect(blocks, panel, per_candidate, rng)
    _connect(blocks, panel, rng)
    return panel.shares(blocks)


def assign_more(
    shares: Mapping[str, Sequence[str]],
    candidate_ids: Sequence[str],
    adjudicator_ids: Sequence[str],
    per_candidate: int,
    rng: np.random.Generator,
    *,
    recusals: Cells = frozenset(),
) -> Shares:
    """Shares for further candidates, beside those there are: who has least comes first. Returns the further ones."""
    panel = _Panel(candidate_ids, adjudicator_ids, recusals)
    load = panel.counts(shares)
    blocks: list[list[int]] = []
    for i in range(len(candidate_ids)):
        blocks.append(_next_block(load, per_candidate, rng, panel.free[i]))
    return panel.shares(blocks)


def hand_over(
    shares: Mapping[str, Sequence[str]],
    leaving_id: str,
    heard_ids: Collection[str],
    adjudicator_ids: Sequence[str],
    rng: np.random.Generator,
    *,
    recusals: Cells = frozenset(),
) -> Shares:
    """The shares after an adjudicator leaves: candidates not in ``heard_ids`` (their sheets are sent) go to others.

    Who has least comes first. A cell nobody is left for is given up, unless the candidate would be heard by nobody.
    Raises :class:`BadInput` when what is left does not hang together; the shares then stay as they were.
    """
    given = [c for c, own in shares.items() if leaving_id in own and c not in heard_ids]
    others = [a for a in adjudicator_ids if a != leaving_id]
    panel = _Panel(given, others, recusals)
    heard_some = any(leaving_id in shares.get(c, ()) for c in heard_ids)
    for _ in range(MOST_TRIES):
        after = _given_to_others(shares, given, leaving_id, panel, rng)
        report = describe(after, [*others, leaving_id] if heard_some else others)
        if report.connected:
            return after
    raise BadInput(f"{report.sentence} Nothing was changed.")


def _given_to_others(
    shares: Mapping[str, Sequence[str]],
    given: Sequence[str],
    leaving_id: str,
    panel: "_Panel",
    rng: np.random.Generator,
) -> Shares:
    """One try of :func:`hand_over`, whether or not it hangs together."""
    after: Shares = {c: tuple(own) for c, own in shares.items()}
    for c in given:
        after[c] = tuple(a for a in after[c] if a != leaving_id)
    load = panel.counts(after)
    for place in rng.permutation(len(given)):
        c = given[int(place)]
        own = [panel.columns[a] for a in after[c] if a in panel.columns]
        free = panel.free[int(place)].copy()
        free[own] = False
        if free.any():
            block = _next_block(load, 1, rng, free, beside=own)
            after[c] = (*after[c], panel.adjudicators[block[0]])
        elif not after[c]:
            raise BadInput("Nobody is left to hear one of the candidates; add an adjudicator to the panel first.")
    return after


def describe(
    shares: Mapping[str, Sequence[str]], adjudicator_ids: Sequence[str], letters: Sequence[str] | None = None
) -> DesignReport:
    """How balanced shares are, and whether they hang together as severity needs it.

    Adjudicators linked by candidates they share are the same as a design of full rank (``severity.design_rank``).
    """
    panel = _Panel(list(shares), adjudicator_ids, frozenset())
    table = panel.counts(shares)
    there = panel.there(shares)
    own = np.diag(table)
    apart = table[~np.eye(len(adjudicator_ids), dtype=bool)]
    used = own > 0
    connected = not used.any() or bool(linked(there, used[None, :])[0])
    low, high = (int(own.min()), int(own.max())) if own.size else (0, 0)
    fewest, most = (int(apart.min()), int(apart.max())) if apart.size else (0, 0)
    if connected:
        shared = f"{most}" if fewest == most else f"{fewest} to {most}"
        each = f"{high}" if low == high else f"{low} to {high}"
        sentence = (
            f"Each adjudicator hears {each} of {len(shares)} candidates, and every two share {shared}; the design "
            "hangs together, so severity can be told."
        )
    else:
        names = list(letters) if letters is not None else [str(j + 1) for j in range(len(adjudicator_ids))]
        columns = np.flatnonzero(there.any(axis=0))
        groups = connected_groups(there[there.any(axis=1)][:, columns])
        sentence = disconnected_sentence([(r, [int(columns[j]) for j in c]) for r, c in groups], names)
    return DesignReport(low, high, fewest, most, connected, sentence)


class _Panel:
    """Candidates as rows and adjudicators as columns, and which cells are free."""

    def __init__(self, candidate_ids: Sequence[str], adjudicator_ids: Sequence[str], recusals: Cells) -> None:
        if len(set(candidate_ids)) != len(candidate_ids) or len(set(adjudicator_ids)) != len(adjudicator_ids):
            raise BadInput("A candidate or adjudicator stands in the design twice.")
        self.candidates, self.adjudicators = list(candidate_ids), list(adjudicator_ids)
        self.columns = {a: j for j, a in enumerate(adjudicator_ids)}
        rows = {c: i for i, c in enumerate(candidate_ids)}
        self.free = np.ones((len(candidate_ids), len(adjudicator_ids)), dtype=bool)
        for a, c in recusals:
            if a in self.columns and c in rows:
                self.free[rows[c], self.columns[a]] = False
        if len(candidate_ids) and not self.free.any(axis=1).all():
            raise BadInput("Everybody is recused from one of the candidates; add an adjudicator to the panel first.")

    def shares(self, blocks: Sequence[Sequence[int]]) -> Shares:
        return {c: tuple(self.adjudicators[j] for j in sorted(b)) for c, b in zip(self.candidates, blocks, strict=True)}

    def there(self, shares: Mapping[str, Sequence[str]]) -> NDArray[np.bool_]:
        table = np.zeros((len(shares), len(self.adjudicators)), dtype=bool)
        cells = [(i, self.columns[a]) for i, own in enumerate(shares.values()) for a in own if a in self.columns]
        if cells:
            table[tuple(np.array(cells).T)] = True
        return table

    def counts(self, shares: Mapping[str, Sequence[str]]) -> NDArray[np.int64]:
        """As ``pair_counts``, of the adjudicators here."""
        table = self.there(shares).astype(float)
        return np.asarray(np.rint(table.T @ table), dtype=np.int64)


def _next_block(
    load: NDArray[np.int64],
    size: int,
    rng: np.random.Generator,
    free: NDArray[np.bool_],
    *,
    beside: Sequence[int] = (),
) -> list[int]:
    """Who hears the next candidate: those with least to hear, among them who share least with the others of the block.

    ``load`` is as ``pair_counts`` gives it and is counted up; ``free`` [points] says who may. ``beside`` are in the
    block already and are not returned.
    """
    block: list[int] = []
    may = free.copy()
    while len(block) < size and may.any():
        members = [*beside, *block]
        shared = load[members].sum(axis=0) if members else np.zeros(len(load), dtype=np.int64)
        # One number for three wishes in this order; a share and what two share stay far below the first's weight.
        wish = load.diagonal() * LOAD_WEIGHT + shared + rng.random(len(load))
        best = int(np.argmin(np.where(may, wish, np.inf)))
        block.append(best)
        may[best] = False
    members = [*beside, *block]
    for j in block:
        load[j, members] += 1
        load[[m for m in members if m not in block], j] += 1
    return block


def _even_out(blocks: list[list[int]], points: int, rng: np.random.Generator) -> None:
    """Exchange adjudicators between blocks while that evens out how many candidates two of them share."""
    table = pair_counts(blocks, points)
    apart = ~np.eye(points, dtype=bool)
    idle = 0
    for _ in range(MOST_SWAPS):
        if idle > PATIENCE or (idle == 0 and np.ptp(table[apart]) <= 1):
            return
        i, j = (int(place) for place in rng.integers(len(blocks), size=2))
        x, y = blocks[i][int(rng.integers(len(blocks[i])))], blocks[j][int(rng.integers(len(blocks[j])))]
        if i == j or x in blocks[j] or y in blocks[i]:
            idle += 1
            continue
        with_x = [p for p in blocks[i] if p != x]
        with_y = [p for p in blocks[j] if p != y]
        change = np.zeros_like(table)
        for one, members, by in ((x, with_x, -1), (x, with_y, 1), (y, with_y, -1), (y, with_x, 1)):
            change[one, members] += by
            change[members, one] += by
        gain = int((change * (2 * table + change)).sum())  # of the sum of squares
        idle = 0 if gain < 0 else idle + 1
        if gain <= 0:
            table += change
            blocks[i], blocks[j] = [*with_x, y], [*with_y, x]


def _respect(blocks: list[list[int]], panel: _Panel, size: int, rng: np.random.Generator) -> None:
    """Bring blocks and recusals together: exchange whole blocks where that does it, else replace who is recused."""
    free = panel.free
    for i in np.flatnonzero(~free.all(axis=1)):
        if free[i, blocks[i]].all():
            continue
        for j in rng.permutation(len(blocks)):
            if free[i, blocks[j]].all() and free[j, blocks[i]].all():
                blocks[i], blocks[j] = blocks[j], blocks[i]
                break
    load = pair_counts(blocks, free.shape[1])
    for i in np.flatnonzero(~free.all(axis=1)):
        gone = [j for j in blocks[i] if not free[i, j]]
        if not gone:
            continue
        for j in gone:
            load[np.ix_([j], blocks[i])] -= 1
            blocks[i].remove(j)
            load[np.ix_(blocks[i], [j])] -= 1
        may = free[i].copy()
        may[blocks[i]] = False
        blocks[i] += _next_block(load, size - len(blocks[i]), rng, may, beside=blocks[i])
    _level(blocks, free, rng)


def _level(blocks: list[list[int]], free: NDArray[np.bool_], rng: np.random.Generator) -> None:
    """Move single cells from who has most to who has least, while somebody has two more than another."""
    load = np.diag(pair_counts(blocks, free.shape[1])).copy()
    order = rng.permutation(len(blocks))
    moved = True
    while moved and load.max() - load.min() > 1:
        moved = False
        for most in np.argsort(-load, kind="stable"):
            for least in np.argsort(load, kind="stable"):
                if load[most] - load[least] < 2:
                    break
                i = next((i for i in order if most in blocks[i] and least not in blocks[i] and free[i, least]), None)
                if i is not None:
                    blocks[i][blocks[i].index(int(most))] = int(least)
                    load[most] -= 1
                    load[least] += 1
                    moved = True
                    break
            if moved:
                break


def _groups(blocks: Sequence[Sequence[int]], points: int) -> list[tuple[list[int], list[int]]]:
    there = np.zeros((len(blocks), points), dtype=bool)
    for i, block in enumerate(blocks):
        there[i, list(block)] = True
    columns = np.flatnonzero(there.any(axis=0))
    return [(rows, [int(columns[j]) for j in own]) for rows, own in connected_groups(there[:, columns])]


def _connect(blocks: list[list[int]], panel: _Panel, rng: np.random.Generator) -> None:
    """Exchange adjudicators between groups that share nobody until the design hangs together, loads unchanged."""
    points, free = len(panel.adjudicators), panel.free
    groups = _groups(blocks, points)
    while len(groups) > 1:
        better = None
        here, there = groups[0], groups[1]
        tries = [(i, x, j, y) for i in here[0] for x in blocks[i] for j in there[0] for y in blocks[j]]
        for at in rng.permutation(len(tries))[:PATIENCE]:
            i, x, j, y = tries[int(at)]
            if not (free[i, y] and free[j, x]):
                continue
            changed = [list(b) for b in blocks]
            changed[i][changed[i].index(x)] = y
            changed[j][changed[j].index(y)] = x
            if len(_groups(changed, points)) < len(groups):
                better = changed
                break
        if better is None:
            raise BadInput(
                f"{len(blocks)} candidates are too few for {points} adjudicators to hang together, so severity could "
                "not be told; let each candidate be heard by more of them."
            )
        blocks[:] = better
        groups = _groups(blocks, points)

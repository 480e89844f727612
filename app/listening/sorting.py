"""Whose cut is it, and of which piece? An order-preserving assignment of cuts to a run sheet, with its doubt.

Pure: no sound is heard here. Each playing cut brings how well it fits each thing that could have been played; the run
sheet says in which order candidates came and, where known, when. A candidate's cuts lie together; somebody may be
missing, two neighbours may have changed places, somebody may break off and begin again. The best way through is the
proposal, and all ways weighed together (forward and backward sums of a semi-Markov chain, as in Rabiner 1989) say how
sure it is. Scores are logarithms to base e.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

# All scores are our choice, set on rendered days (tests/listening/test_listening_sorting.py).
MOST_CUTS_EACH = 10  # of one candidate in a row
FITS = 4.0  # a whole piece that fits
HALF_FIT = 0.5  # share right and explained at which a cut speaks neither for nor against a piece
FULL_COUNT = 8  # right notes; fewer speak less
UNHEARD = 0.3  # a cut for a piece that can't be followed: nothing speaks for or against it
MISSING_PIECE = -2.0
AGAIN = -0.5  # once more after breaking off
AGAIN_WHOLE = -3.0  # once more although it was whole: rather the next candidate
BACKWARDS = -1.5  # pieces out of their order
STRAY = -0.7  # a playing cut that is nobody's
MISSING = -5.0  # a candidate who was to play and did not
MISSING_OUTSIDE = -3.5  # the same before the first or after the last cut: a recorder begins late and ends early
NOT_EXPECTED = -6.0  # a candidate marked as absent who played all the same
SWAPPED = -5.0  # neighbours in the other order
GAP, LONG_GAP_SEC = 1.5, 90.0  # a long wait inside one candidate's cuts, or none between two candidates
WHOLE = 0.8  # share of the notes right: a whole take
OFF_CLOCK = -8.0  # at most, for being far from the clock's time
SURE = 0.9  # share of all ways, weighed, that agree
LIKELY = 0.6
WEAK_BLOCK = -4.0  # cuts that fit a candidate worse than this are not tried as theirs
MOST_SWAPPED = 3  # of the best blocks of two neighbours, tried in the other order
BEAM = 60.0  # ways this far behind are given up; e to the 60 is beyond any doubt that is shown
CLEAR = 0.15  # of right and explained: two pieces nearer than this can't be told apart by ear


@dataclass(frozen=True, slots=True)
class Fitting:
    """How a cut fits one thing that could have been played; None in ``right`` when it has no notes to follow."""

    right: float | None  # share of the notes
    right_in_part: float  # of the notes between the first and the last that sounded
    explained: float  # of the sounding time
    count: int  # right notes

    @property
    def share(self) -> float:
        """0 to 1: how much of both, the notes asked for and the sound there is, fits."""
        return min(self.right_in_part, self.explained) * min(1.0, self.count / FULL_COUNT)

    @property
    def score(self) -> float:
        """For (positive) or against."""
        if self.right is None:
            return UNHEARD
        return FITS * (self.share - HALF_FIT) / (1.0 - HALF_FIT)


SAID = Fitting(1.0, 1.0, 1.0, FULL_COUNT)  # a person said what it is


@dataclass(frozen=True, slots=True)
class PlayedCut:
    """A stretch of playing, with how it fits each target by the target's key."""

    start_sec: float
    end_sec: float
    fits: Mapping[str, Fitting]
    only: int | None = None  # the slot a person gave it to


@dataclass(frozen=True, slots=True)
class Slot:
    """A candidate on the run sheet. ``targets`` are keys of what is to be played, in order."""

    targets: tuple[str, ...]
    at_sec: float | None = None  # when they came in, in the recording's time; None: not known
    within_sec: float = 600.0  # how far that may be off (one standard deviation)
    expected: bool = True  # False: marked as absent


@dataclass(frozen=True, slots=True)
class Guess:
    """What one cut probably is: ``slot`` and ``target`` are places in the run sheet and in the slot's targets."""

    slot: int | None
    target: int | None
    share: float  # 0 to 1, of all ways through that give this cut to this slot (or to nobody)
    repeated: bool  # another cut of this slot and target is the fuller one
    clear: bool  # by ear no other of the slot's targets comes near

    @property
    def word(self) -> str:
        """sure | likely | can't tell."""
        if self.slot is not None and self.clear and self.share >= SURE:
            return "sure"
        return "likely" if self.share >= LIKELY and (self.clear or self.slot is None) else "can't tell"


_State = tuple[int, int, bool]


class _Block(NamedTuple):
    """Cuts in a row given to one slot: which target each is, and what speaks for it."""

    score: float
    labels: tuple[int | None, ...]


class _Step(NamedTuple):
    """One step through the sheet: cuts from ``first`` to before ``last``, each with its slot and target."""

    score: float
    slots: int
    cuts: int
    given: tuple[tuple[int, int | None, int | None], ...]  # cut, slot, target
    stray: bool


def sort_cuts(cuts: Sequence[PlayedCut], slots: Sequence[Slot]) -> tuple[Guess, ...]:
    """A guess for every cut. ``cuts`` in order of time, ``slots`` in the order of the run sheet.

    Where what people fixed can't be reconciled with any order, they are nobody's here: a person has said whose.
    """
    if not cuts:
        return ()
    steps = partial(_steps, cuts, slots, _Blocks(cuts))
    # A state is (slots passed, cuts passed, whether the last step was a stray cut): missing slots come before strays,
    # so that each assignment is one way only.
    start: _State = (0, 0, False)
    forward: dict[_State, float] = {start: 0.0}
    best: dict[_State, tuple[float, _State | None, _Step | None]] = {start: (0.0, None, None)}
    taken: list[tuple[_State, _State, _Step]] = []
    for j in range(len(cuts) + 1):
        leading = -math.inf
        for state in ((i, j, stray) for i in range(len(slots) + 1) for stray in (False, True)):
            if state not in best or best[state][0] < leading - BEAM:
                continue
            leading = max(leading, best[state][0])
            for step in steps(*state):
                after = (state[0] + step.slots, j + step.cuts, step.stray)
                taken.append((state, after, step))
                forward[after] = _plus(forward.get(after, -math.inf), forward[state] + step.score)
                reached = best[state][0] + step.score
                if after not in best or reached > best[after][0]:
                    best[after] = (reached, state, step)
    ends = [end for end in ((len(slots), len(cuts), False), (len(slots), len(cuts), True)) if end in forward]
    if not ends:
        return tuple(Guess(None, None, 0.0, repeated=False, clear=False) for _ in cuts)
    backward: dict[_State, float] = dict.fromkeys(ends, 0.0)
    whole = -math.inf
    for end in ends:
        whole = _plus(whole, forward[end])
    agreed: dict[tuple[int, int | None], float] = {}
    for state, after, step in reversed(taken):
        if after not in backward:
            continue
        backward[state] = _plus(backward.get(state, -math.inf), backward[after] + step.score)
        share = math.exp(min(0.0, forward[state] + step.score + backward[after] - whole))
        for cut, slot, _ in step.given:
            agreed[cut, slot] = agreed.get((cut, slot), 0.0) + share
    given: dict[int, tuple[int | None, int | None]] = {}
    at: _State | None = max(ends, key=lambda end: best[end][0])
    while at is not None:
        _, at, chosen = best[at]
        for cut, slot, target in chosen.given if chosen is not None else ():
            given[cut] = (slot, target)
    return tuple(_guess(cuts, slots, given, agreed, cut) for cut in range(len(cuts)))


def _steps(
    cuts: Sequence[PlayedCut], slots: Sequence[Slot], blocks: "_Blocks", i: int, j: int, stray: bool
) -> list[_Step]:
    """Every step from ``i`` slots and ``j`` cuts passed."""
    found = []
    if i < len(slots) and not stray:
        missing = MISSING_OUTSIDE if j in (0, len(cuts)) else MISSING
        found.append(_Step(missing if slots[i].expected else 0.0, 1, 0, (), False))
    if j < len(cuts) and cuts[j].only is None:
        found.append(_Step(STRAY, 0, 1, ((j, None, None),), True))
    if i == len(slots):
        return found
    for first in _allowed(cuts, blocks.of(slots[i], j), j, i):
        score = first.score + _around(cuts, slots[i], j)
        found.append(_Step(score, 1, len(first.labels), _given(i, j, first), False))
    if i + 1 < len(slots):
        for ahead in _allowed(cuts, blocks.of(slots[i + 1], j), j, i + 1)[:MOST_SWAPPED]:
            then = j + len(ahead.labels)
            before = ahead.score + _around(cuts, slots[i + 1], j) + SWAPPED
            for after in _allowed(cuts, blocks.of(slots[i], then), then, i)[:MOST_SWAPPED]:
                score = before + after.score + _around(cuts, slots[i], then)
                given = _given(i + 1, j, ahead) + _given(i, then, after)
                found.append(_Step(score, 2, len(given), given, False))
    return found


def _allowed(cuts: Sequence[PlayedCut], blocks: Sequence[_Block], first: int, slot: int) -> list[_Block]:
    """The blocks that take nothing from where a person put it."""
    return [
        block
        for block in blocks
        if all(
            cuts[first + k].only is None or (cuts[first + k].only == slot and label is not None)
            for k, label in enumerate(block.labels)
        )
    ]


def _given(slot: int, first: int, block: _Block) -> tuple[tuple[int, int | None, int | None], ...]:
    return tuple((first + k, slot if label is not None else None, label) for k, label in enumerate(block.labels))


def _around(cuts: Sequence[PlayedCut], slot: Slot, first: int) -> float:
    """What the clock, the wait before the first cut and the candidate's state say."""
    score = 0.0 if slot.expected else NOT_EXPECTED
    if first:
        wait = cuts[first].start_sec - cuts[first - 1].end_sec
        score -= GAP * (1.0 - min(1.0, max(0.0, wait) / LONG_GAP_SEC))
    if slot.at_sec is not None:
        off = (cuts[first].start_sec - slot.at_sec) / slot.within_sec
        score += max(OFF_CLOCK, -0.5 * off * off)
    return score


class _Blocks:
    """Runs of cuts as one candidate's, scored once for all slots that are to play the same."""

    def __init__(self, cuts: Sequence[PlayedCut]) -> None:
        self._cuts = cuts
        self._known: dict[tuple[tuple[str, ...], int], tuple[_Block, ...]] = {}

    def of(self, slot: Slot, first: int) -> tuple[_Block, ...]:
        """The best labels for one, two, ... cuts from ``first`` on that end with a piece; the likeliest block first."""
        key = (slot.targets, first)
        if key not in self._known:
            self._known[key] = tuple(self._made(slot.targets, first))
        return self._known[key]

    def _made(self, targets: tuple[str, ...], first: int) -> list[_Block]:
        # (targets heard, the last one, the fullest hearing of it) -> the best labels so far
        ways: dict[tuple[int, int, bool], _Block] = {(0, -1, False): _Block(0.0, ())}
        found = []
        for cut in range(first, min(len(self._cuts), first + MOST_CUTS_EACH)):
            longer: dict[tuple[int, int, bool], _Block] = {}
            for (heard, last, whole), way in ways.items():
                waited = 0.0
                if cut > first:
                    gap = self._cuts[cut].start_sec - self._cuts[cut - 1].end_sec
                    waited = -GAP * min(1.0, max(0.0, gap) / LONG_GAP_SEC)
                    _keep(longer, (heard, last, whole), way.score + waited + STRAY, (*way.labels, None))
                for label, target in enumerate(targets):
                    fit = self._cuts[cut].fits.get(target)
                    if fit is None:
                        continue
                    score = way.score + waited + fit.score
                    if heard >> label & 1:
                        score += AGAIN_WHOLE if label != last or whole else AGAIN
                    elif label < last:
                        score += BACKWARDS
                    full = fit.right is None or fit.right >= WHOLE
                    state = (heard | 1 << label, label, full or (whole and label == last))
                    _keep(longer, state, score, (*way.labels, label))
            ways = longer
            ended = [
                _Block(way.score + MISSING_PIECE * (len(targets) - heard.bit_count()), way.labels)
                for (heard, _, _), way in ways.items()
                if way.labels[-1] is not None
            ]
            if ended:
                found.append(max(ended, key=lambda block: block.score))
        held = [block for block in found if block.score >= WEAK_BLOCK or self._is_fixed(block, first)]
        return sorted(held, key=lambda block: -block.score)

    def _is_fixed(self, block: _Block, first: int) -> bool:
        return any(self._cuts[first + k].only is not None for k in range(len(block.labels)))


def _keep(
    ways: dict[tuple[int, int, bool], _Block],
    state: tuple[int, int, bool],
    score: float,
    labels: tuple[int | None, ...],
) -> None:
    if state not in ways or score > ways[state].score:
        ways[state] = _Block(score, labels)


def _guess(
    cuts: Sequence[PlayedCut],
    slots: Sequence[Slot],
    given: Mapping[int, tuple[int | None, int | None]],
    agreed: Mapping[tuple[int, int | None], float],
    cut: int,
) -> Guess:
    slot, target = given[cut]
    share = min(1.0, agreed.get((cut, slot), 0.0))
    if slot is None or target is None:
        return Guess(None, None, share, repeated=False, clear=True)
    key = slots[slot].targets[target]
    own = cuts[cut].fits[key]
    others = [cuts[cut].fits[other] for other in slots[slot].targets if other != key and other in cuts[cut].fits]
    clear = own.right is not None and own.score > 0.0 and all(own.share - other.share >= CLEAR for other in others)
    same = [other for other, place in given.items() if place == (slot, target)]
    fullest = max(same, key=lambda other: (_right(cuts[other].fits[key]), other))
    return Guess(slot, target, share, repeated=cut != fullest, clear=clear)


def _right(fit: Fitting) -> float:
    """Share right in steps of a twentieth: of two that are about as full, the later one counts."""
    return round(20.0 * (fit.right or 0.0)) / 20.0


def _plus(a: float, b: float) -> float:
    """log(exp(a) + exp(b))."""
    high, low = max(a, b), min(a, b)
    return high if low == -math.inf else high + math.log1p(math.exp(low - high))

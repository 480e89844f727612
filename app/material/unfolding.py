"""The order in which printed bars are played: repeats, endings, da capo, dal segno, fine and coda.

Common practice where the page is silent: a section repeats from the last repeat start or the beginning; after a da
capo or dal segno repeats are not taken and the last ending is played; Fine and To Coda count only after that jump.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from app.domain.errors import BadNotation
from app.material.written import Navigation

MOST_BARS = 4000  # our choice: far beyond any étude; more means signs that lead in circles


@dataclass(frozen=True, slots=True)
class BarPass:
    """One playing of one printed bar."""

    index: int  # of the printed bar
    pass_number: int  # how many times this bar has been played, this one included


@dataclass(frozen=True, slots=True)
class _EndingGroup:
    first: int
    after: int  # index of the first bar behind the group
    passes: int


def unfold(signs: Sequence[Navigation], *, repeats: bool = True) -> tuple[tuple[BarPass, ...], tuple[str, ...]]:
    """The bars in playing order, and sentences about signs that could not be followed.

    ``repeats`` False plays every section once, by its last ending; da capo and dal segno are still followed.
    """
    groups = _ending_groups(signs)
    segno = next((i for i, one in enumerate(signs) if one.segno), None)
    coda = next((i for i, one in enumerate(signs) if one.coda), None)
    warnings = _unanswered(signs, segno, coda)
    order: list[BarPass] = []
    counts = [0] * len(signs)
    at, section_start, section_pass, jumped, in_coda = 0, 0, 1, False, False
    while at < len(signs):
        here, group = signs[at], groups[at]
        if group is not None:
            wanted = section_pass if repeats and not jumped else group.passes
            if here.endings and wanted not in here.endings:
                at = _behind_ending(signs, at)
                if at == group.after:
                    section_start, section_pass = at, 1
                continue
        if here.repeat_start and at != section_start:
            section_start, section_pass = at, 1
        if len(order) >= MOST_BARS:
            raise BadNotation("The repeat signs lead in circles; check repeats, D.C. and D.S. in the notation program.")
        counts[at] += 1
        order.append(BarPass(at, counts[at]))
        if jumped and here.fine:
            break
        # Only once: a coda printed before its To Coda would otherwise lead in circles.
        if jumped and here.to_coda and coda is not None and not in_coda:
            in_coda = True
            at, section_start, section_pass = coda, coda, 1
            continue
        if here.repeat_end and repeats and not jumped:
            total = group.passes if group is not None else here.repeat_end
            if section_pass < total:
                section_pass += 1
                at = section_start
                continue
        if here.repeat_end or (group is not None and at + 1 == group.after):
            section_start, section_pass = at + 1, 1
        if here.jump and not jumped:
            jumped = True
            at = segno if here.jump == "dalsegno" and segno is not None else 0
            section_start, section_pass = at, 1
            continue
        at += 1
    return tuple(order), tuple(warnings)


def _unanswered(signs: Sequence[Navigation], segno: int | None, coda: int | None) -> list[str]:
    out = []
    jumps = sum(1 for one in signs if one.jump)
    if any(one.jump == "dalsegno" for one in signs) and segno is None:
        out.append("There is a D.S. but no segno; it was played as a D.C.")
    if any(one.to_coda for one in signs) and coda is None:
        out.append("There is a To Coda but no coda; it was not followed.")
    if jumps > 1:
        out.append("Only the first D.C. or D.S. was followed.")
    return out


def _behind_ending(signs: Sequence[Navigation], at: int) -> int:
    endings = signs[at].endings
    while at < len(signs) and signs[at].endings == endings:
        at += 1
    return at


def _ending_groups(signs: Sequence[Navigation]) -> list[_EndingGroup | None]:
    """For each bar the row of endings it stands in. A lone first ending means one more pass without it."""
    out: list[_EndingGroup | None] = [None] * len(signs)
    at = 0
    while at < len(signs):
        if not signs[at].endings:
            at += 1
            continue
        first, kinds = at, set()
        while at < len(signs) and signs[at].endings:
            if signs[at].endings in kinds and signs[at].endings != signs[at - 1].endings:
                break  # a new row of endings begins right behind the last
            kinds.add(signs[at].endings)
            at += 1
        passes = max(max(endings) for endings in kinds)
        if len(kinds) == 1 and signs[at - 1].repeat_end:
            passes += 1
        group = _EndingGroup(first, at, passes)
        out[first:at] = [group] * (at - first)
    return out

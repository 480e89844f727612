"""Questions to listen again: where an adjudicator's mark and the measured mark lie further apart than both may.

Asked after the sheets are in, as questions. Both sides can be wrong: the ear may have been elsewhere, the measurement
may have lost the thread. Two things are allowed for first, or the list would only repeat them for every candidate:

* the adjudicator's severity in that caption (additive model), and
* the level of the whole panel against the yardstick: the median distance over all marks of the caption, when there are
  :data:`FEWEST_FOR_LEVEL` candidates or more to know it by.

What remains must exceed the sum of both half-widths: of the measured mark (its own interval, from the measure's
uncertainty) and of a mark, half a step of the whole-mark scale plus the spread that adjudicators show around each
other in that caption (root mean square residual of the additive model).
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from app.domain.errors import BadInput
from app.domain.panel import ALL_PIECES, MarksTable, MeasuredMark, MeasuredTake, Rubric
from app.domain.standing import Question
from app.judging.marks_arrays import MarksArrays
from app.judging.severity import fit_additive
from app.judging.words import listed

Floats = NDArray[np.float64]

FEWEST_FOR_LEVEL = 5  # our choice
HALF_STEP = 0.5  # whole marks are rounded to the nearest
MOST_QUESTIONS = 12  # our choice: what a panel will still listen to


def questions(
    table: MarksTable,
    arrays: MarksArrays,
    measured: Sequence[MeasuredTake],
    rubric: Rubric | None = None,
    piece_titles: Mapping[str, str] | None = None,
) -> tuple[Question, ...]:
    """The widest gaps first, at most :data:`MOST_QUESTIONS`."""
    takes = {(take.candidate_id, take.piece_id): take for take in measured}
    out: list[Question] = []
    for q, (piece, caption) in enumerate(arrays.cells):
        marks = arrays.marks[:, :, q]
        found = [_found(takes, table, i, piece, caption) for i in range(len(table.candidates))]
        value = np.array([np.nan if m is None or m.mark is None else m.mark for m, _ in found])
        if np.isnan(value).all():
            continue
        levelled, scatter = _levelled(marks, [a.letter for a in table.adjudicators])
        apart = levelled - value[:, None]
        if (~np.isnan(apart)).any(axis=1).sum() >= FEWEST_FOR_LEVEL:
            apart = apart - float(np.nanmedian(apart))
        for i, j in np.argwhere(~np.isnan(apart)):
            mark = found[i][0]
            if mark is None or mark.mark is None:
                continue
            edge = mark.high if apart[i, j] > 0 else mark.low
            room = HALF_STEP + scatter + abs((edge if edge is not None else mark.mark) - mark.mark)
            gap = abs(float(apart[i, j])) - room
            if gap > 0:
                where, given = (int(i), int(j)), float(marks[i, j])
                out.append(
                    _question(table, where, (piece, caption), given, mark, gap, found[i][1], rubric, piece_titles or {})
                )
    out.sort(key=lambda item: (-round(item.gap, 9), item.blind_number, item.letter, item.caption, item.piece_id))
    return tuple(out[:MOST_QUESTIONS])


def _found(
    takes: Mapping[tuple[str, str], MeasuredTake], table: MarksTable, i: int, piece: str, caption: str
) -> tuple[MeasuredMark | None, str | None]:
    """The measured mark that stands beside this cell, and its take; for marks per candidate only a single take's."""
    candidate_id = table.candidates[i].candidate_id
    if piece == ALL_PIECES:
        own = [take for (c, _), take in takes.items() if c == candidate_id]
        take = own[0] if len(own) == 1 else None
    else:
        take = takes.get((candidate_id, piece))
    return (None, None) if take is None else (take.marks.get(caption), take.take_id)


def _levelled(marks: Floats, letters: list[str]) -> tuple[Floats, float]:
    """Marks [n, k] with severity taken out where it can be told, and the adjudicators' scatter around each other."""
    try:
        fit = fit_additive(marks, letters)
    except BadInput:  # disconnected: severity can't be told, so nothing is taken out
        return marks, 0.0
    scatter = float(np.sqrt(fit.sse / fit.residual_df)) if fit.residual_df > 0 else 0.0
    return marks - fit.effect, scatter


def _question(
    table: MarksTable,
    where: tuple[int, int],
    cell: tuple[str, str],
    mark: float,
    measured: MeasuredMark,
    gap: float,
    take_id: str | None,
    rubric: Rubric | None,
    titles: Mapping[str, str],
) -> Question:
    candidate, adjudicator = table.candidates[where[0]], table.adjudicators[where[1]]
    piece, caption = cell
    name = (rubric.name(caption) if rubric is not None else caption).lower()
    value = measured.mark if measured.mark is not None else 0.0
    place = f" in {titles[piece]}" if piece in titles else ""
    bars = f", bar{'' if len(measured.bars) == 1 else 's'} {listed(measured.bars)}" if measured.bars else ""
    sentence = (
        f"Number {candidate.blind_number}{place}{bars}: adjudicator {adjudicator.letter} gave {name} {mark:g}, "
        f"the measurement suggests about {value:.0f}. Would you listen again?"
    )
    return Question(
        candidate_id=candidate.candidate_id,
        blind_number=candidate.blind_number,
        adjudicator_id=adjudicator.adjudicator_id,
        letter=adjudicator.letter,
        piece_id=piece,
        caption=caption,
        mark=mark,
        measured=value,
        gap=gap,
        bars=measured.bars,
        take_id=take_id,
        sentence=sentence,
    )

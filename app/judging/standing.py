"""The standing: marks, rule and measured marks to one frozen result with its doubt.

The one call that services use is :func:`make_standing`. It knows no names, no clock and no database, and gives the
same standing for the same input, so that a stored standing can be recomputed and compared.
"""

import json
from collections.abc import Mapping, Sequence
from hashlib import sha256

import numpy as np
from numpy.typing import NDArray

from app.domain.errors import BadInput
from app.domain.panel import MarksTable, MeasuredTake, PanelMark, Rubric, Rule
from app.domain.standing import STANDING_VERSION, Agreement, DoubtNote, SeatWord, Standing, StandingRow
from app.judging.combining import Combined, Combining
from app.judging.doubt import DRAWS, Doubt, brackets, doubt, in_question
from app.judging.marks_arrays import MarksArrays, to_arrays
from app.judging.panel_agreement import agree
from app.judging.places import SAME
from app.judging.questions import questions
from app.judging.reports import adjudicator_reports, measured_totals, panel_order_effect
from app.judging.rule import panel_refusal, rule_sentence
from app.judging.sentences import (
    agreement_sentences,
    measured_sentences,
    missing_sentences,
    order_sentence,
    severity_sentences,
    standing_sentences,
    why_unplaced,
)
from app.judging.severity import fit_additive
from app.judging.shared_doubt import SharedDoubt, is_shared, shared_doubt
from app.judging.ties import Group, Split, head_to_head, resolve, split_by

Floats = NDArray[np.float64]

#: Up to so many candidates brackets are lists of numbers; with more, lists of thousands would overlap by thousands.
LISTED = 500  # our choice


def make_standing(
    table: MarksTable,
    rule: Rule,
    *,
    rubric: Rubric | None = None,
    measured: Sequence[MeasuredTake] = (),
    seats: int | None = None,
    piece_titles: Mapping[str, str] | None = None,
    repeats: Sequence[PanelMark] = (),
    seed: int = 0,
    draws: int = DRAWS,
    version: str = STANDING_VERSION,
) -> Standing:
    """Rank the candidates of one round by the declared rule and say how sure the ranking is.

    ``rubric`` checks the scale and names the captions; without it any finite mark is taken. ``measured`` are the
    measured marks of the takes that count. ``piece_titles`` ({piece id: title}) and names only serve sentences.
    ``repeats`` are marks of hidden repeats: they show consistency and never count. ``seed`` and ``draws`` steer the
    doubt of panels that are too large to be looked at exhaustively. ``version`` computes as an earlier
    :data:`STANDING_VERSION` did. Raises :class:`BadInput` when the table can't be
    used or the rule can't be applied to it.
    """
    if seats is not None and seats < 0:
        raise BadInput("The number of seats can't be below zero.")
    refused = panel_refusal(rule, len(table.adjudicators))
    if refused:
        raise BadInput(refused)
    titles = dict(piece_titles or {})
    names = {c: (rubric.name(c) if rubric is not None else c) for c in table.captions}
    arrays = to_arrays(table, rule, rubric, measured, titles)
    combining = Combining(arrays, rule.combine, [a.letter for a in table.adjudicators])
    result = combining.result()
    own = arrays.over_all(arrays.marks)  # [n, k] adjudicators' own totals, without measured marks
    groups = resolve(result.score, _steps(rule, arrays, result, own), seats=seats, scope=rule.tie_scope)
    how = shared_doubt if version != "1" and is_shared(table, combining) else doubt
    found = how(combining, seats=seats, minimum=rule.minimum_total, draws=draws, seed=seed)
    rows, empty = _rows(table, rule, arrays, result, groups, found, seats, names, titles)
    note = found if isinstance(found, DoubtNote) else found.note
    order = [i for group in groups for i in group.members]
    if isinstance(found, SharedDoubt):  # the rows' order, so that spans of positions hold for them
        order = [i for group in groups for i in sorted(group.members, key=lambda i: table.candidates[i].blind_number)]
    tied = [set(group.members) for group in groups if len(group.members) > 1]
    numbers = [c.blind_number for c in table.candidates]
    spans = [] if isinstance(found, DoubtNote) else brackets(found, order, tied)
    is_listed = len(order) <= LISTED or not isinstance(found, SharedDoubt)
    named = tuple(tuple(numbers[i] for i in order[a : b + 1]) for a, b in (spans if is_listed else ()))
    open_seats = set() if isinstance(found, DoubtNote) else set(in_question(found.chance).tolist())
    by_row = {row.candidate_id: row for row in rows}
    again = tuple(
        numbers[i] for i in order if i in open_seats or by_row[table.candidates[i].candidate_id].seat == "undecided"
    )
    effects, merit, no_severity = _severity(own, [a.letter for a in table.adjudicators])
    reports = adjudicator_reports(table, arrays, own, effects, no_severity, repeats)
    whole, by_caption = _agreement(table, arrays, own, names)
    sentences = [
        *standing_sentences(rows, spans, seats, empty, again, note, rule),
        *agreement_sentences(whole, by_caption, names),
        *severity_sentences(reports, rule.combine, missing=bool(np.isnan(own[combining.placeable]).any())),
        *(order_sentence(panel_order_effect(table, merit)) if merit is not None else []),
        *([no_severity[0].upper() + no_severity[1:]] if no_severity and len(table.adjudicators) > 1 else []),
        *arrays.notes,
        *measured_sentences(table, arrays, names),
        *(f"Number {row.blind_number} has no place: {row.why_unplaced}." for row in rows if row.why_unplaced),
    ]
    return Standing(
        rule_sentence=rule_sentence(rule, rubric, titles),
        total_meaning=_TOTAL_MEANING.get(rule.combine, "merged mark, higher is better"),
        rows=rows,
        brackets=named,
        seats=seats,
        empty_seats=empty,
        agreement=whole,
        caption_agreement=by_caption,
        adjudicators=reports,
        severity={r.letter: r.severity for r in reports},
        doubt=note,
        hear_again=again,
        sentences=tuple(dict.fromkeys(sentences)),
        questions=questions(table, arrays, measured, rubric, titles),
        missing=missing_sentences(table, arrays),
        input_hash=input_hash(
            table,
            rule,
            rubric=rubric,
            measured=measured,
            seats=seats,
            repeats=repeats,
            seed=seed,
            draws=draws,
            version=version,
        ),
        version=version,
        bracket_spans=None if is_listed else tuple(spans),
    )


_TOTAL_MEANING = {"rank-sum": "sum of places, lower is better", "majority": "majority place, lower is better"}


def input_hash(
    table: MarksTable,
    rule: Rule,
    *,
    rubric: Rubric | None = None,
    measured: Sequence[MeasuredTake] = (),
    seats: int | None = None,
    repeats: Sequence[PanelMark] = (),
    seed: int = 0,
    draws: int = DRAWS,
    version: str = STANDING_VERSION,
) -> str:
    """SHA-256 over everything a standing depends on, independent of the order in which marks are listed."""
    parts = {
        "version": version,
        "candidates": sorted(([c.candidate_id, c.blind_number, c.playing_order] for c in table.candidates), key=str),
        "adjudicators": sorted([a.adjudicator_id, a.letter] for a in table.adjudicators),
        "pieces": list(table.piece_ids),
        "captions": list(table.captions),
        "marks": sorted(_listed(m) for m in table.marks),
        "recusals": sorted(map(list, table.recusals)),
        "positions": sorted([*pair, place] for pair, place in table.hearing_positions.items()),
        "rule": rule.to_dict(),
        "rubric": None if rubric is None else rubric.to_dict(),
        "measured": sorted(
            ([t.candidate_id, t.piece_id, t.take_id, {c: m.to_dict() for c, m in t.marks.items()}] for t in measured),
            key=lambda item: (str(item[0]), str(item[1])),
        ),
        "seats": seats,
        "repeats": sorted(_listed(m) for m in repeats),
        "seed": seed,
        "draws": draws,
    }
    if table.assigned is not None:  # left out, standings made before there were shares keep their hash
        parts["assigned"] = sorted(map(list, table.assigned))
    return sha256(
        json.dumps(parts, sort_keys=True, ensure_ascii=True, separators=(",", ":")).encode("ascii")
    ).hexdigest()


def _listed(mark: PanelMark) -> list[str | float]:
    """A mark as a list that is the same for 7 and 7.0."""
    return [mark.candidate_id, mark.adjudicator_id, mark.piece_id, mark.caption, float(mark.mark)]


def _steps(rule: Rule, arrays: MarksArrays, result: Combined, own: Floats) -> list[tuple[str, Split]]:
    """The declared chain as functions that split a tied group."""

    def by(values: Floats) -> Split:
        return lambda members: split_by(values, members)

    out: list[tuple[str, Split]] = []
    for step in rule.tie_chain:
        if step == "head-to-head":
            out.append((step, lambda members: head_to_head(own, members)))
        elif step == "measured":
            out.append((step, by(measured_totals(arrays))))
        elif step.startswith("caption:"):
            out.append((step, by(arrays.over_pieces(result.cells, step.partition(":")[2]))))
    return out  # a re-hearing splits nothing: it happens in the hall


def _rows(
    table: MarksTable,
    rule: Rule,
    arrays: MarksArrays,
    result: Combined,
    groups: Sequence[Group],
    found: Doubt | SharedDoubt | DoubtNote,
    seats: int | None,
    names: Mapping[str, str],
    titles: Mapping[str, str],
) -> tuple[tuple[StandingRow, ...], int]:
    """Rows in order of place, the unplaced last, and how many seats stay empty."""
    captions = {c: arrays.over_pieces(result.cells, c) for c in table.captions}
    pieces = {p: arrays.over_captions(result.cells, p) for p in table.piece_ids}
    counted = (~np.isnan(arrays.marks)).any(axis=2).sum(axis=1)
    words = _seat_words(groups, result.mark, seats, rule)

    def row(i: int, place: int | None, group: Group | None) -> StandingRow:
        seat, alternate = words.get(i, (None, None))
        low = high = chance = None
        if not isinstance(found, DoubtNote) and place is not None:
            low, high = min(int(found.low[i]), place), max(int(found.high[i]), place)
            chance = None if found.chance is None else _clean(found.chance[i])
        return StandingRow(
            candidate_id=table.candidates[i].candidate_id,
            blind_number=table.candidates[i].blind_number,
            place=place,
            tied=group is not None and len(group.members) > 1,
            total=_clean(result.total[i]) if place is not None else None,
            mark=_clean(result.mark[i]) if place is not None else None,
            captions={c: _clean(v[i]) for c, v in captions.items()},
            pieces={p: _clean(v[i]) for p, v in pieces.items()},
            adjudicators_counted=int(counted[i]),
            place_low=low,
            place_high=high,
            chance_of_seat=chance,
            seat=seat,
            alternate=alternate,
            decided_by=group.decided_by if group is not None else None,
            why_unplaced=None if place is not None else why_unplaced(table, arrays, i, names, titles),
        )

    rows: list[StandingRow] = []
    for group in groups:
        place = len(rows) + 1
        rows += [row(i, place, group) for i in sorted(group.members, key=lambda i: table.candidates[i].blind_number)]
    placed = {i for group in groups for i in group.members}
    rows += [row(i, None, None) for i in range(len(table.candidates)) if i not in placed]
    reaching = sum(_reaches(result.mark[i], rule.minimum_total) for i in placed)
    return tuple(rows), 0 if seats is None else max(0, seats - reaching)


def _seat_words(
    groups: Sequence[Group], mark: Floats, seats: int | None, rule: Rule
) -> dict[int, tuple[SeatWord | None, int | None]]:
    """Who has a seat, who is which alternate, where a tie across the cut line leaves it undecided."""
    out: dict[int, tuple[SeatWord | None, int | None]] = {}
    if seats is None:
        return out
    taken = 0
    for group in groups:
        reaching = [i for i in group.members if _reaches(mark[i], rule.minimum_total)]
        for i in group.members:
            if i not in reaching:
                out[i] = ("none", None)
            elif taken + len(reaching) <= seats:
                out[i] = ("seat", None)
            elif taken < seats:
                out[i] = ("undecided", None)
            elif rule.alternates is not None and taken - seats >= rule.alternates:
                out[i] = ("none", None)
            else:
                out[i] = ("alternate", taken - seats + 1)
        taken += len(reaching)
    return out


def _reaches(mark: float, minimum: float | None) -> bool:
    return minimum is None or bool(mark >= minimum - SAME)


def _severity(own: Floats, letters: list[str]) -> tuple[Floats | None, Floats | None, str | None]:
    """(adjudicators' levels, candidates' merits, why there are none)."""
    if len(letters) < 2:
        return None, None, "not valid here because severity needs two adjudicators or more"
    try:
        fit = fit_additive(own, letters)
    except BadInput as refused:
        return None, None, refused.sentence.rstrip(".") + "."
    return fit.effect, fit.merit, None


def _agreement(
    table: MarksTable, arrays: MarksArrays, own: Floats, names: Mapping[str, str]
) -> tuple[Agreement, dict[str, Agreement]]:
    by_caption = {
        c: agree(arrays.over_pieces(arrays.marks, c), names[c].lower())
        for c in table.captions
        if any(c == caption for _, caption in arrays.cells)
    }
    return agree(own), by_caption


def _clean(value: float) -> float | None:
    """A finite plain number without the last bits' noise, or ``None``."""
    return None if np.isnan(value) else round(float(value), 10) + 0.0

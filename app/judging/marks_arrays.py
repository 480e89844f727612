"""From a marks table to arrays, once, with every check on the way.

Axes everywhere in this room: n candidates, k adjudicators, m cells. A cell is one (piece, caption). NaN means that
there is no mark (recused or still to come), never zero.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.errors import BadInput
from app.domain.panel import ALL_PIECES, MarksTable, MeasuredTake, Rubric, Rule

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MarksArrays:
    """The table as arrays, only cells that somebody scored."""

    marks: Floats  # [n, k, m]; NaN: no mark
    measured: Floats  # [n, m]; NaN: no measured mark
    cells: tuple[tuple[str, str], ...]  # (piece id, caption), length m
    weights: Floats  # [m], sums to 1: piece weight times caption weight
    piece_weights: Floats  # [m], the piece's alone, for the mean of one caption
    caption_weights: Floats  # [m], the caption's alone, for the mean of one piece
    shares: Floats  # [m], share of the measured mark, 0 to 1
    notes: tuple[str, ...]  # what was left out, in sentences

    def over_pieces(self, values: Floats, caption: str) -> Floats:
        """One caption's weighted mean over the pieces, from values [..., m]; NaN where a piece is missing."""
        return _weighted(values, self.piece_weights, [c == caption for _, c in self.cells])

    def over_captions(self, values: Floats, piece_id: str) -> Floats:
        """One piece's weighted mean over the captions, from values [..., m]; NaN where a caption is missing."""
        return _weighted(values, self.caption_weights, [p == piece_id for p, _ in self.cells])

    def over_all(self, values: Floats) -> Floats:
        """The weighted total, from values [..., m]; NaN where a cell that counts is missing."""
        return _weighted(values, self.weights, [True] * len(self.cells))


def _weighted(values: Floats, weights: Floats, chosen: Sequence[bool]) -> Floats:
    used = np.flatnonzero(np.asarray(chosen) & (weights > 0))
    if not len(used):
        return np.full(values.shape[:-1], np.nan)
    out: Floats = values[..., used] @ (weights[used] / weights[used].sum())
    return out


def to_arrays(
    table: MarksTable,
    rule: Rule,
    rubric: Rubric | None = None,
    measured: Sequence[MeasuredTake] = (),
    piece_titles: Mapping[str, str] | None = None,
) -> MarksArrays:
    """Check the table and turn it into arrays; one sentence of :class:`BadInput` when it can't be used."""
    _check_axes(table)
    cells = tuple((p, c) for p in table.piece_ids for c in table.captions)
    marks = _fill(table, cells, rubric)
    scored: NDArray[np.bool_] = np.asarray(~np.isnan(marks).all(axis=(0, 1)))
    if not scored.any():
        raise BadInput("There is no mark in the table yet; a standing needs at least one adjudication sheet.")
    notes: list[str] = []

    def caption_name(key: str) -> str:
        return rubric.name(key) if rubric is not None else key

    titles = piece_titles or {}
    for caption in table.captions:
        if not scored[[i for i, (_, c) in enumerate(cells) if c == caption]].any():
            notes.append(f"Nobody scored {caption_name(caption)}; it is left out of every total.")
    for piece in table.piece_ids if len(table.piece_ids) > 1 else ():
        if not scored[[i for i, (p, _) in enumerate(cells) if p == piece]].any():
            notes.append(f"Nobody scored {titles.get(piece, piece)}; it is left out of every total.")
    piece_weight = _weight_of(
        rule.piece_weights if table.piece_ids != (ALL_PIECES,) else {}, "piece", titles.get, notes
    )
    caption_weight = _weight_of(rule.caption_weights, "caption", caption_name, notes)
    piece_weights = {p: piece_weight(p) for p in table.piece_ids}
    caption_weights = {c: caption_weight(c) for c in table.captions}
    keep = np.flatnonzero(scored)
    kept = tuple(cells[i] for i in keep)
    weights = np.array([piece_weights[p] * caption_weights[c] for p, c in kept])
    if weights.sum() <= 0:
        raise BadInput(
            "Nothing that was scored carries any weight; give a weight to a caption and a piece that were scored."
        )
    shares = np.array([rule.measured_weights.get(c, 0.0) for _, c in kept])
    by_piece = np.array([piece_weights[p] for p, _ in kept])
    by_caption = np.array([caption_weights[c] for _, c in kept])
    return MarksArrays(
        marks=marks[:, :, keep],
        measured=_measured_array(table, kept, rule, measured),
        cells=kept,
        weights=weights / weights.sum(),
        piece_weights=by_piece,
        caption_weights=by_caption,
        shares=shares,
        notes=tuple(dict.fromkeys(notes)),
    )


def _check_axes(table: MarksTable) -> None:
    if not table.candidates:
        raise BadInput("There is no candidate in the table.")
    if not table.adjudicators:
        raise BadInput("There is no adjudicator in the table.")
    if not table.piece_ids or not table.captions:
        raise BadInput("The table names nothing that is scored; it needs at least one caption.")
    for what, ids in (
        ("candidate", [c.candidate_id for c in table.candidates]),
        ("blind number", [c.blind_number for c in table.candidates]),
        ("adjudicator", [a.adjudicator_id for a in table.adjudicators]),
        ("letter", [a.letter for a in table.adjudicators]),
    ):
        if len(set(ids)) != len(ids):
            twice = next(i for i in ids if ids.count(i) > 1)
            raise BadInput(f"The {what} {twice} stands in the table twice; every {what} may be there once.")


def _fill(table: MarksTable, cells: Sequence[tuple[str, str]], rubric: Rubric | None) -> Floats:
    row = {c.candidate_id: i for i, c in enumerate(table.candidates)}
    column = {a.adjudicator_id: j for j, a in enumerate(table.adjudicators)}
    depth = {cell: q for q, cell in enumerate(cells)}
    number = {c.candidate_id: c.blind_number for c in table.candidates}
    letter = {a.adjudicator_id: a.letter for a in table.adjudicators}
    out = np.full((len(row), len(column), len(cells)), np.nan)
    for mark in table.marks:
        where = (row.get(mark.candidate_id), column.get(mark.adjudicator_id), depth.get((mark.piece_id, mark.caption)))
        if None in where:
            raise BadInput("A mark belongs to a candidate, adjudicator, piece or caption that is not in this round.")
        at = tuple(int(w) for w in where if w is not None)
        said = f"adjudicator {letter[mark.adjudicator_id]}'s mark for number {number[mark.candidate_id]}"
        if not math.isfinite(mark.mark):
            raise BadInput(f"{said[0].upper()}{said[1:]} is not a number; give a mark or leave the cell empty.")
        if rubric is not None and not rubric.low <= mark.mark <= rubric.high:
            raise BadInput(
                f"{said[0].upper()}{said[1:]} is {mark.mark:g}, off the scale; "
                f"it runs from {rubric.low} to {rubric.high}."
            )
        if not np.isnan(out[at]):
            raise BadInput(
                f"{said[0].upper()}{said[1:]} in {mark.caption} stands in the table twice; keep one of them."
            )
        out[at] = mark.mark
    for adjudicator_id, candidate_id in table.recusals:
        if adjudicator_id in column and candidate_id in row:
            out[row[candidate_id], column[adjudicator_id]] = np.nan  # whatever was written before the recusal
    return out


def _weight_of(
    weights: Mapping[str, float], what: str, name: Callable[[str], str | None], notes: list[str]
) -> Callable[[str], float]:
    def weight(key: str) -> float:
        if not weights:
            return 1.0
        if key not in weights:
            notes.append(f"The rule gives the {what} {name(key) or key} no weight; it does not count.")
        return weights.get(key, 0.0)

    return weight


def _measured_array(
    table: MarksTable, cells: Sequence[tuple[str, str]], rule: Rule, measured: Sequence[MeasuredTake]
) -> Floats:
    """[n, m] measured marks; for marks given once per candidate, the pieces' weighted mean when every take has one."""
    row = {c.candidate_id: i for i, c in enumerate(table.candidates)}
    out = np.full((len(row), len(cells)), np.nan)
    by_candidate: dict[str, dict[str, MeasuredTake]] = {}
    for take in measured:
        by_candidate.setdefault(take.candidate_id, {})[take.piece_id] = take
    for candidate_id, takes in by_candidate.items():
        if candidate_id not in row:
            continue
        for q, (piece, caption) in enumerate(cells):
            used = list(takes) if piece == ALL_PIECES else [piece]
            found = [
                (rule.piece_weights.get(p, 1.0 if not rule.piece_weights else 0.0), _mark(takes, p, caption))
                for p in used
            ]
            counted = [(w, v) for w, v in found if w > 0]
            if counted and all(v is not None for _, v in counted):
                total = sum(w for w, _ in counted)
                out[row[candidate_id], q] = sum(w * v for w, v in counted if v is not None) / total
    return out


def _mark(takes: Mapping[str, MeasuredTake], piece: str, caption: str) -> float | None:
    take = takes.get(piece)
    found = take.marks.get(caption) if take is not None else None
    return None if found is None else found.mark

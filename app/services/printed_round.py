"""Everything of one round that its sheets need, loaded once: marks, merged cells, findings, pieces, engravings."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlmodel import Session, col, select

from app.db.models import AuditEntry, Audition, Candidate, Piece, Recusal, Round, SheetVersion, Take
from app.domain import piece as material
from app.domain.engraving import Engraving
from app.domain.findings import Findings, findings_from_dict
from app.domain.panel import PanelAdjudicator
from app.judging.combining import Combining
from app.judging.marks_arrays import to_arrays
from app.services import declaring, measuring, opening, standing
from app.services.piece_reading import has_notation, load_piece
from app.services.printed_music import engraving_for_print
from app.services.rounds import get_round
from app.services.sheet_cells import round_pieces
from app.services.standing import RoundMarks

MOST_LETTERS = 12  # columns of adjudicators on a score sheet, beside captions and places; our choice
Cell = tuple[str, str, str]  # candidate id, piece id (or "all"), caption key


@dataclass(frozen=True)
class PrintedRound:
    """A round ready to be printed. ``names`` is empty while it is sealed."""

    row: Round
    audition: Audition
    marks: RoundMarks
    shown: Mapping[str, Any]  # the standing as the leader sees it
    names: Mapping[str, str]  # by candidate id
    candidates: tuple[Candidate, ...]  # in playing order
    pieces: tuple[Piece, ...]
    merged: Mapping[Cell, float]
    own_totals: Mapping[tuple[str, str], float]  # (candidate id, adjudicator id)
    versions: Mapping[tuple[str, str], SheetVersion]  # (candidate id, adjudicator id): the version that counts
    recused: frozenset[tuple[str, str]]  # (candidate id, adjudicator id)
    takes: Mapping[tuple[str, str], Take]  # (candidate id, piece id): the take that counts
    opened_hash: str | None  # of the audit entry that opened the round
    engravings: Mapping[str, Engraving | None] = field(default_factory=dict)  # by piece id

    @property
    def is_opened(self) -> bool:
        """Whether names may be printed."""
        return self.row.state == "opened"


def load_round(session: Session, round_id: str, *, with_music: bool) -> PrintedRound:
    """Load a drawn round. ``with_music`` engraves its pieces (half a second each at first, kept afterwards).

    Raises ``NotFound``, or ``WrongState`` before the draw.
    """
    row = get_round(session, round_id)
    marks = standing.round_marks(session, round_id)
    rows = round_pieces(session, row)
    merged, own = _merged(marks)
    opened = session.exec(
        select(AuditEntry.hash)
        .where(AuditEntry.chain == round_id, AuditEntry.action == "opened")
        .order_by(col(AuditEntry.seq).desc())
        .limit(1)
    ).first()
    candidates = session.exec(
        select(Candidate).where(Candidate.round_id == round_id).order_by(col(Candidate.playing_order))
    ).all()
    takes = session.exec(
        select(Take)
        .where(Take.candidate_id == Candidate.id, Candidate.round_id == round_id, Take.state == "kept")
        .order_by(col(Take.received_at), col(Take.id))
    ).all()
    return PrintedRound(
        row=row,
        audition=declaring.get_audition(session, row.audition_id),
        marks=marks,
        shown=opening.shown(session, round_id),
        names=opening.names(session, round_id) if row.state == "opened" else {},
        candidates=tuple(candidates),
        pieces=tuple(rows),
        merged=merged,
        own_totals=own,
        versions={
            (candidate_id, adjudicator_id): version
            for (adjudicator_id, candidate_id), version in standing.latest_versions(session, round_id).items()
        },
        recused=frozenset(
            (r.candidate_id, r.adjudicator_id)
            for r in session.exec(
                select(Recusal).where(Recusal.candidate_id == Candidate.id, Candidate.round_id == round_id)
            )
        ),
        takes={(t.candidate_id, t.piece_id): t for t in takes},
        opened_hash=opened,
        engravings={p.id: engraving_for_print(p) for p in rows} if with_music else {},
    )


def findings_of(session: Session, take: Take) -> Findings | None:
    """The newest findings of a take, or None while it is not measured."""
    found = measuring.newest(session, take.id)
    return None if found is None else findings_from_dict(found.payload)


def reading_of(row: Piece, instrument: str) -> material.Piece | None:
    """The piece as this candidate read it; None when it has no notes."""
    return load_piece(row, instrument or None) if has_notation(row) else None


def heard_by(loaded: PrintedRound, candidate_id: str) -> tuple[PanelAdjudicator, ...]:
    """The adjudicators whose sheets a candidate has or should have, by letter."""
    table = loaded.marks.table
    if table.assigned is None:
        return table.adjudicators
    return tuple(
        a
        for a in table.adjudicators
        if (a.adjudicator_id, candidate_id) in table.assigned or (candidate_id, a.adjudicator_id) in loaded.versions
    )


def columns(loaded: PrintedRound) -> tuple[str, ...]:
    """What stands above adjudicators' own totals: letters or, in shares of a panel too large for that, 1, 2, 3."""
    letters = tuple(a.letter for a in loaded.marks.table.adjudicators)
    if loaded.marks.table.assigned is None or len(letters) <= MOST_LETTERS:
        return letters
    most = max((len(heard_by(loaded, line["candidate_id"])) for line in loaded.shown["rows"]), default=0)
    return tuple(str(n + 1) for n in range(most)) if most < len(letters) else letters


def own_totals(loaded: PrintedRound, candidate_id: str, columns: tuple[str, ...]) -> tuple[float | None, ...]:
    """Adjudicators' own totals under ``columns``."""
    panel = loaded.marks.table.adjudicators
    who = panel if len(columns) == len(panel) else heard_by(loaded, candidate_id)
    totals = [loaded.own_totals.get((candidate_id, a.adjudicator_id)) for a in who]
    return tuple(totals + [None] * (len(columns) - len(totals)))


def _merged(marks: RoundMarks) -> tuple[dict[Cell, float], dict[tuple[str, str], float]]:
    """Merged mark of every cell by the declared rule, and each adjudicator's own weighted total."""
    table = marks.table
    if not table.marks:
        return {}, {}
    arrays = to_arrays(table, marks.rule, marks.rubric, marks.measured, marks.piece_titles)
    cells = Combining(arrays, marks.rule.combine, [a.letter for a in table.adjudicators]).result().cells
    merged = {
        (candidate.candidate_id, piece_id, caption): float(cells[i, q])
        for i, candidate in enumerate(table.candidates)
        for q, (piece_id, caption) in enumerate(arrays.cells)
        if not math.isnan(cells[i, q])
    }
    totals = arrays.over_all(arrays.marks)
    own = {
        (candidate.candidate_id, adjudicator.adjudicator_id): float(totals[i, j])
        for i, candidate in enumerate(table.candidates)
        for j, adjudicator in enumerate(table.adjudicators)
        if not math.isnan(totals[i, j])
    }
    return merged, own

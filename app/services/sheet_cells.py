"""What may be entered on an adjudication sheet: the cell it belongs to, its marks and remarks checked.

Keyed by the candidate's random id; no name can be reached from this module.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlmodel import Session, col, select

from app.db.models import Adjudicator, Audition, Candidate, ExtraHearing, Piece, Round
from app.domain.errors import BadInput, NotFound
from app.domain.panel import ALL_PIECES, Rubric
from app.domain.texts import one_line, several_lines
from app.judging.rubric import check_mark
from app.services import declaring, shares

MOST_REMARKS = 60  # our choice: about one per bar of a long étude
LONGEST_REMARK = 800  # characters; our choice, a short paragraph
LONGEST_BAR = 8  # a printed bar number: "12", "12a"

Marks = dict[str, dict[str, int]]
Remark = dict[str, str | None]


@dataclass(frozen=True, slots=True)
class Cell:
    """Where a sheet stands: one adjudicator, one number, and all that decides what may be entered."""

    audition: Audition
    round: Round
    candidate: Candidate | None  # of a hidden repeat: who is heard again; None: the practice take
    adjudicator: Adjudicator
    rubric: Rubric
    piece_ids: tuple[str, ...]  # what marks are keyed by; ("all",) when scored once per candidate
    remark_piece_ids: tuple[str, ...]
    extra: ExtraHearing | None = None  # what stands in no result

    @property
    def subject_id(self) -> str:
        """The id that the panel knows this number by."""
        if self.extra is not None:
            return self.extra.id
        return self.candidate.id if self.candidate is not None else ""

    @property
    def number(self) -> str:
        """The blind number; empty for the practice take."""
        if self.extra is not None:
            return self.extra.blind_number
        return self.candidate.blind_number if self.candidate is not None else ""

    @property
    def said(self) -> str:
        """What a sentence calls it: "number 27"."""
        return f"number {self.number}" if self.number else "the practice take"


def round_pieces(session: Session, row: Round) -> list[Piece]:
    """The pieces of a round in the audition's order."""
    pieces = session.exec(
        select(Piece).where(Piece.audition_id == row.audition_id).order_by(col(Piece.position), col(Piece.id))
    ).all()
    return [p for p in pieces if not row.piece_ids or p.id in row.piece_ids]


def round_piece_ids(session: Session, row: Round) -> tuple[str, ...]:
    """Their ids only: a piece's row also holds its notation."""
    found = session.exec(
        select(Piece.id).where(Piece.audition_id == row.audition_id).order_by(col(Piece.position), col(Piece.id))
    ).all()
    return tuple(piece_id for piece_id in found if not row.piece_ids or piece_id in row.piece_ids)


def cell(session: Session, adjudicator_id: str, number_id: str) -> Cell:
    """The cell of an adjudicator and a number of the same audition; raises ``NotFound`` for any other pair."""
    straight = session.exec(
        select(Adjudicator, Candidate, Round, Audition)
        .join(Round, col(Round.id) == Candidate.round_id)
        .join(Audition, col(Audition.id) == Round.audition_id)
        .join(Adjudicator, col(Adjudicator.audition_id) == Audition.id)
        .where(Candidate.id == number_id, Adjudicator.id == adjudicator_id)
    ).first()  # one look for what nearly every request asks for; what follows finds these rows in the session
    adjudicator = straight[0] if straight is not None else session.get(Adjudicator, adjudicator_id)
    candidate = straight[1] if straight is not None else session.get(Candidate, number_id)
    extra = session.get(ExtraHearing, number_id) if candidate is None else None
    if extra is not None and extra.candidate_id is not None:
        candidate = session.get(Candidate, extra.candidate_id)
    of_round = extra.round_id if extra is not None else candidate.round_id if candidate is not None else ""
    row = session.get(Round, of_round)
    audition = session.get(Audition, row.audition_id) if row is not None else None
    if adjudicator is None or row is None or audition is None or adjudicator.audition_id != row.audition_id:
        raise NotFound("This number is not part of your audition; go back to the list.")
    if candidate is not None and extra is None and not shares.is_mine(session, row, adjudicator_id, candidate.id):
        raise NotFound(shares.NOT_YOUR_SHARE)
    ids = round_piece_ids(session, row)
    if extra is not None and extra.piece_id is not None:
        ids = (extra.piece_id,)
    keys = (ALL_PIECES,) if audition.scored_per == "candidate" else ids
    return Cell(audition, row, candidate, adjudicator, declaring.rubric_of(audition), keys, ids, extra)


def check_marks(there: Cell, marks: object) -> Marks:
    """Marks as ``{piece: {caption: whole mark}}``; empty cells are left out. Raises ``BadInput`` with one sentence."""
    if not isinstance(marks, Mapping):
        raise BadInput("The marks must come as one group per piece.")
    checked: Marks = {}
    for piece_id, row in marks.items():
        if piece_id not in there.piece_ids:
            raise BadInput("One of the marks belongs to a piece that is not scored in this round; reload the page.")
        if not isinstance(row, Mapping):
            raise BadInput("The marks of a piece must come as one mark per caption.")
        given = {str(c): check_mark(there.rubric, str(c), mark) for c, mark in row.items() if mark is not None}
        if given:
            checked[str(piece_id)] = given
    return checked


def check_remarks(there: Cell, remarks: object) -> list[Remark]:
    """Remarks as ``{piece_id, bar, text}``, empty ones left out. Raises ``BadInput`` with one sentence."""
    if not isinstance(remarks, Sequence) or isinstance(remarks, str | bytes):
        raise BadInput("The remarks must come as a list.")
    if len(remarks) > MOST_REMARKS:
        raise BadInput(f"There are {len(remarks)} remarks; keep the {MOST_REMARKS} that help most.")
    checked: list[Remark] = []
    for remark in remarks:
        if not isinstance(remark, Mapping) or not isinstance(remark.get("text"), str):
            raise BadInput("Every remark needs a text.")
        text = several_lines(remark["text"], what="remark", longest=LONGEST_REMARK)
        if not text:
            continue
        piece_id, bar = remark.get("piece_id"), remark.get("bar")
        if piece_id is not None and piece_id not in there.remark_piece_ids:
            raise BadInput("A remark belongs to a piece that is not part of this round; reload the page.")
        if bar is not None:
            bar = one_line(str(bar), what="bar of a remark", longest=LONGEST_BAR, required=False) or None
        checked.append({"piece_id": piece_id, "bar": bar, "text": text})
    return checked


def missing_marks(there: Cell, marks: Marks) -> list[str]:
    """Which marks are missing, in words: "Tone of piece 2"."""
    missing = []
    for place, piece_id in enumerate(there.piece_ids, start=1):
        for caption in there.rubric.captions:
            if caption.key not in marks.get(piece_id, {}):
                missing.append(caption.name if len(there.piece_ids) == 1 else f"{caption.name} of piece {place}")
    return missing

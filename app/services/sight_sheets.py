"""Which notes of a sight-reading piece a candidate reads, once the study time has begun. No name is reached from here.

The piece's row holds a recipe; what a candidate reads is made from it with a seed of its own, kept in
:class:`app.db.models.SightSheet` from the moment the notes are shown or printed. Before that nobody can ask for them.
"""

import json

from sqlmodel import Session, select

from app.db.models import Piece, SightSheet
from app.domain.errors import WrongState

KIND = "sight-reading"


def sheet(session: Session, candidate_id: str, piece_id: str) -> SightSheet | None:
    """The candidate's sheet, or None while it is sealed."""
    return session.exec(
        select(SightSheet).where(SightSheet.candidate_id == candidate_id, SightSheet.piece_id == piece_id)
    ).first()


def as_read(session: Session, row: Piece, candidate_id: str) -> Piece:
    """The piece's row as this candidate reads it: the row itself, or for sight-reading one with the notes shown.

    A sealed sheet gives the row itself, whose own notes no candidate ever reads.
    """
    if row.kind != KIND:
        return row
    shown = sheet(session, candidate_id, row.id)
    return row if shown is None else with_seed(row, shown.seed)


def with_seed(row: Piece, seed: str) -> Piece:
    """A copy of the row, not to be saved, whose recipe has this seed."""
    values = {name: getattr(row, name) for name in Piece.model_fields}
    return Piece(**{**values, "source": json.dumps({**json.loads(row.source), "seed": seed}, sort_keys=True).encode()})


def require_begun(session: Session, row: Piece, candidate_id: str, blind_number: str) -> None:
    """Raise ``WrongState`` while the candidate's sight-reading is sealed."""
    shown = sheet(session, candidate_id, row.id) if row.kind == KIND else None
    if row.kind == KIND and (shown is None or shown.study_began_at is None):
        raise WrongState(
            f"{row.title} is still sealed for number {blind_number}; begin the study time, then record.", sealed=True
        )

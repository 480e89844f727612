"""Sheets that were handed out, kept as they were drawn, so that years later the same sheet can be printed again.

What is kept of a sheet holds a name: it stands beside the names (:func:`forget` destroys it with them). The record of
the print, which holds hashes only, remains.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.identities import PrintedModel, WorkedPaper
from app.db.models import Candidate, Document, PrintedMusic
from app.domain.actor import Actor
from app.domain.errors import NotFound, WrongState
from app.services import custody
from app.services.rounds import get_round
from app.sheets import comment_sheet, freezing, score_sheet
from app.sheets.freezing import SheetModel
from app.sheets.models import TEMPLATE_VERSION, CommentSheetModel, model_hash

SCORE_SHEET = "score-sheet"
COMMENT_SHEET = "comment-sheet"


@dataclass(frozen=True, slots=True)
class Printed:
    """One printed sheet with what it was drawn from."""

    kind: str
    round_id: str
    candidate_id: str | None
    file_name: str
    pdf: bytes
    model_hash: str
    template_version: str
    model: SheetModel


@dataclass(frozen=True, slots=True)
class KeptSheet:
    """A sheet that was printed, as the leader sees it in the list."""

    document_id: str
    kind: str
    candidate_id: str | None
    blind_number: str | None
    template_version: str
    model_hash: str
    made_at: datetime
    can_print: bool  # what it was drawn from is kept, and not destroyed with the name on it


def render(model: SheetModel) -> bytes:
    """The sheet as PDF bytes."""
    return comment_sheet.render(model) if isinstance(model, CommentSheetModel) else score_sheet.render(model)


def keep(session: Session, sheets: Sequence[Printed], actor: Actor) -> None:
    """Record what was printed and what it was drawn from, once per content, and in the audit."""
    keep_models(session, sheets)
    if sheets:
        record(session, sheets[0].round_id, sheets[0].kind, [sheet.model_hash for sheet in sheets], actor)


def keep_models(session: Session, sheets: Sequence[Printed]) -> None:
    """Keep what sheets were drawn from, once per content."""
    for sheet in sheets:
        row = session.exec(
            select(Document)
            .where(
                Document.round_id == sheet.round_id,
                Document.kind == sheet.kind,
                Document.model_hash == sheet.model_hash,
            )
            .limit(1)
        ).first()
        if row is None:
            row = Document(
                round_id=sheet.round_id,
                kind=sheet.kind,
                candidate_id=sheet.candidate_id,
                template_version=sheet.template_version,
                model_hash=sheet.model_hash,
                pdf_sha256=hashlib.sha256(sheet.pdf).hexdigest(),
            )
            session.add(row)
            session.flush()
        if session.get(PrintedModel, row.id) is None:
            _keep_model(session, row.id, sheet.model)


def record(session: Session, round_id: str, kind: str, model_hashes: Sequence[str], actor: Actor) -> None:
    """Note in the audit that sheets were printed together."""
    facts = {"sheets": len(model_hashes), "models": custody.content_hash(list(model_hashes))}
    custody.record(session, round_id, actor, f"printed-{kind}", round_id, facts)


def kept_sheets(
    session: Session, round_id: str, *, offset: int = 0, limit: int | None = None
) -> tuple[int, list[KeptSheet]]:
    """(how many sheets were printed of a round, all or a page of them), the newest first."""
    get_round(session, round_id)
    total = session.exec(select(sa.func.count()).select_from(Document).where(Document.round_id == round_id)).one()
    rows = session.exec(
        select(Document, Candidate.blind_number, PrintedModel.document_id)
        .outerjoin(Candidate, col(Document.candidate_id) == Candidate.id)
        .outerjoin(PrintedModel, col(PrintedModel.document_id) == Document.id)
        .where(Document.round_id == round_id)
        .order_by(col(Document.made_at).desc(), col(Document.id))
        .offset(offset)
        .limit(limit)
    ).all()
    return total, [
        KeptSheet(
            document_id=row.id,
            kind=row.kind,
            candidate_id=row.candidate_id,
            blind_number=number,
            template_version=row.template_version,
            model_hash=row.model_hash,
            made_at=row.made_at,
            can_print=kept is not None,
        )
        for row, number, kept in rows
    ]


def reprint(database: Database, document_id: str, *, actor: Actor) -> Printed:
    """A sheet as it was printed, byte for byte, whatever has changed since.

    Where the template has changed since, the same frozen model is printed by the new one and kept as a new version
    beside the old. Raises ``NotFound`` when there is no such sheet, ``WrongState`` when what it was drawn from was
    destroyed with the name, is damaged, or no longer gives the same bytes.
    """
    with database.read() as session:
        row = _document(session, document_id)
        model = _model(session, row)
    newer = model.template_version != TEMPLATE_VERSION
    if newer:
        model = replace(model, template_version=TEMPLATE_VERSION)
    pdf = render(model)
    if not newer and hashlib.sha256(pdf).hexdigest() != row.pdf_sha256:
        raise WrongState(
            "This sheet would not come out as it was printed: another version of Fairhearing or of its parts drew it. "
            "Print it from the version that did, or print the sheet anew."
        )
    printed = Printed(
        row.kind, row.round_id, row.candidate_id, "", pdf, model_hash(model), model.template_version, model
    )
    database.write(lambda session: keep(session, [printed], actor))
    return printed


def latest_comment_sheet(session: Session, candidate_id: str) -> tuple[str, CommentSheetModel] | None:
    """The comment sheet that was printed last for a candidate, with its document's id; None before the first."""
    row = session.exec(
        select(Document)
        .where(
            Document.candidate_id == candidate_id,
            Document.kind == COMMENT_SHEET,
            Document.id == PrintedModel.document_id,
        )
        .order_by(col(Document.made_at).desc(), col(Document.id))
        .limit(1)
    ).first()
    if row is None:
        return None
    model = _model(session, row)
    if not isinstance(model, CommentSheetModel):
        raise WrongState("What was kept of this sheet is of another kind; print the sheet anew.")
    return row.id, model


def is_printed(session: Session, candidate_id: str) -> bool:
    """Whether a comment sheet of this candidate was printed and what it was drawn from is kept."""
    there = select(Document.id).where(
        Document.candidate_id == candidate_id,
        Document.kind == COMMENT_SHEET,
        Document.id == PrintedModel.document_id,
    )
    return session.exec(there.limit(1)).first() is not None


def forget(session: Session, candidate_ids: Sequence[str]) -> int:
    """Destroy what the comment sheets of these candidates, and the score sheets of their rounds, were drawn from.

    Both carry their names. The record that they were printed remains. Returns how many models were destroyed.
    """
    rounds = select(Candidate.round_id).where(col(Candidate.id).in_(candidate_ids))
    named = select(Document.id).where(
        sa.or_(
            col(Document.candidate_id).in_(candidate_ids),
            sa.and_(col(Document.kind) == SCORE_SHEET, col(Document.round_id).in_(rounds)),
        )
    )
    session.exec(sa.delete(WorkedPaper).where(col(WorkedPaper.round_id).in_(rounds)))
    done = session.exec(sa.delete(PrintedModel).where(col(PrintedModel.document_id).in_(named)))
    return int(done.rowcount)


def _document(session: Session, document_id: str) -> Document:
    row = session.get(Document, document_id)
    if row is None:
        raise NotFound("This sheet is not there any more; reload the page.")
    return row


def _keep_model(session: Session, document_id: str, model: SheetModel) -> None:
    for digest, engraving in freezing.music_of(model).items():
        if session.get(PrintedMusic, digest) is None:
            session.add(PrintedMusic(digest=digest, content=freezing.freeze_music(engraving)))
    session.add(PrintedModel(document_id=document_id, content=freezing.freeze(model)))
    session.flush()


def _model(session: Session, row: Document) -> SheetModel:
    kept = session.get(PrintedModel, row.id)
    if kept is None:
        raise WrongState(
            "What this sheet was drawn from is not kept: the names on it were destroyed, or it was printed before "
            "sheets were kept. Print the sheet anew."
        )
    music = {}
    for digest in freezing.music_digests(kept.content):
        found = session.get(PrintedMusic, digest)
        if found is not None:
            music[digest] = freezing.thaw_music(found.content)
    model = freezing.thaw(kept.content, music)
    if model_hash(model) != row.model_hash and model.template_version == TEMPLATE_VERSION:
        raise WrongState("What was kept of this sheet was changed; restore the last backup, or print the sheet anew.")
    return model

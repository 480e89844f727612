"""An audition copied for next year without people: settings, rubric, rule, material and first rounds, nobody's name."""

import json
import secrets
from datetime import date

from sqlmodel import Session, col, select

from app.db.models import Audition, Piece, Round
from app.domain.actor import Actor
from app.domain.ids import new_id
from app.services import audition as auditions
from app.services import custody
from app.services.audition import AuditionView
from app.services.declaring import get_audition
from app.services.pieces import SIGHT_READING

# What belongs to one day or to its people, and so is not copied; every other setting is.
OWN_AUDITION = frozenset({"id", "name", "held_on", "rule_declared_at", "rule_hash", "created_at"})
OWN_PIECE = frozenset({"id", "audition_id", "created_at"})
COPIED_ROUND = ("first",)  # later rounds hear whom the first one chose


def copy(session: Session, audition_id: str, *, name: str, held_on: date, actor: Actor) -> AuditionView:
    """A new audition like this one. Its rule must be declared anew; sight-reading gets a seed nobody knows."""
    before = get_audition(session, audition_id)
    settings = {key: getattr(before, key) for key in Audition.model_fields if key not in OWN_AUDITION}
    if before.retention_until is not None:
        settings["retention_until"] = held_on + (before.retention_until - before.held_on)
    made = auditions.create(session, {"name": name, "held_on": held_on}, actor=actor)
    after = get_audition(session, made.id)
    for key, value in settings.items():
        setattr(after, key, value)
    pieces = _pieces(session, before.id, after.id)
    weights = before.rule.get("piece_weights") or {}
    after.rule = {
        **before.rule,
        "piece_weights": {pieces[old]: weight for old, weight in weights.items() if old in pieces},
    }
    session.add(after)
    rounds = session.exec(select(Round).where(Round.audition_id == before.id).order_by(col(Round.position))).all()
    for row in rounds:
        if row.kind in COPIED_ROUND:
            chosen = [pieces[old] for old in row.piece_ids if old in pieces]
            session.add(
                Round(
                    audition_id=after.id,
                    position=row.position,
                    name=row.name,
                    kind=row.kind,
                    seats=row.seats,
                    piece_ids=chosen,
                )
            )
    session.flush()
    custody.record(session, after.id, actor, "audition-copied", after.id, {"from": before.id, "pieces": len(pieces)})
    return auditions.one(session, after.id)


def _pieces(session: Session, before_id: str, after_id: str) -> dict[str, str]:
    """Copy the pieces; {old id: new id}."""
    ids: dict[str, str] = {}
    for row in session.exec(select(Piece).where(Piece.audition_id == before_id)).all():
        values = {key: getattr(row, key) for key in Piece.model_fields if key not in OWN_PIECE}
        if row.kind == SIGHT_READING:
            values["source"] = json.dumps(
                {**json.loads(row.source), "seed": secrets.token_hex(16)}, sort_keys=True
            ).encode()
        ids[row.id] = new_id()
        session.add(Piece(**values, id=ids[row.id], audition_id=after_id))
    session.flush()
    return ids

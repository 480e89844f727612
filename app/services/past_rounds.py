"""A student's round before this one, in this audition or an earlier one, with what was measured then."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from sqlmodel import Session, col, select

from app.db.identities import Entry
from app.db.models import Audition, Candidate, Piece, Round, Take
from app.domain.findings import Findings, findings_from_dict
from app.services import measuring, sight_sheets
from app.services.attendance import NOT_HEARD


@dataclass(frozen=True, slots=True)
class PastRound:
    """What one student played in an opened round: usable findings by what the piece was read from."""

    audition: Audition
    round: Round
    takes: Mapping[str, Findings]


def piece_key(row: Piece) -> str:
    """The same for pieces of two auditions that ask for the same music."""
    source = hashlib.sha256(row.source).hexdigest()
    options = {k: v for k, v in row.options.items() if k in ("part", "first_bar", "last_bar")}
    return f"{source}:{sorted(options.items())}"


def before(session: Session, candidate: Candidate) -> PastRound | None:
    """The latest opened round before the candidate's own in which the same student was measured, or None.

    On the same instrument only: figures of two instruments say nothing about each other.
    """
    entry = session.get(Entry, candidate.entry_id)
    own = session.get(Round, candidate.round_id)
    if entry is None or own is None:
        return None
    own_place = _place(session.get_one(Audition, own.audition_id), own)
    rows = session.exec(
        select(Candidate, Round, Audition)
        .where(
            Entry.student_id == entry.student_id,
            Entry.instrument == entry.instrument,
            Candidate.entry_id == Entry.id,
            Candidate.id != candidate.id,
            Round.id == Candidate.round_id,
            Round.state == "opened",
            Audition.id == Round.audition_id,
            col(Candidate.state).not_in(NOT_HEARD),
        )
        .order_by(col(Round.id))
    ).all()
    earlier = [(_place(a, r), c, r, a) for c, r, a in rows if _place(a, r) < own_place]
    for _, there, row, audition in sorted(earlier, key=lambda found: found[0], reverse=True):
        takes = measured_takes(session, there.id)
        if takes:
            return PastRound(audition, row, takes)
    return None


def measured_takes(session: Session, candidate_id: str) -> dict[str, Findings]:
    """Usable findings of a candidate's kept takes, by :func:`piece_key`."""
    rows = session.exec(
        select(Take, Piece)
        .where(Take.candidate_id == candidate_id, Take.state == "kept", Piece.id == Take.piece_id)
        .order_by(col(Take.received_at), col(Take.id))
    ).all()
    found = {}
    for take, piece in rows:
        row = measuring.newest(session, take.id)
        if row is not None:
            findings = findings_from_dict(row.payload)
            # Without notation cents are counted from the take's own reference, which is no figure to lay beside others.
            if findings.usable and findings.notated:
                found[piece_key(sight_sheets.as_read(session, piece, candidate_id))] = findings
    return found


def _place(audition: Audition, row: Round) -> tuple[str, str, int]:
    """Auditions by their day, rounds of one audition by their position."""
    return (audition.held_on.isoformat(), audition.created_at.isoformat(), row.position)

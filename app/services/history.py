"""What happened to one candidate, in order: who did what, read from the audit chain of the round.

By number and letter only, so it may be shown or printed while the round is sealed. Reasons somebody typed are not in
the chain (they may hold names); the rows they stand in are read for takes and corrections.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import AccessToken, Adjudicator, AuditEntry, Candidate, Leader, Piece, Round
from app.domain.errors import NotFound
from app.services import chain_checks

ROUND_WIDE = frozenset(
    {"seed-committed", "drawn", "tabulation-confirmed", "opened"}
)  # what was done to everybody in the round

_WHAT: Mapping[str, str] = {
    "seed-committed": "fixed the seed of the draw and saw its hash",
    "drawn": "drew the round; this candidate became number {number}",
    "candidate-marked": "marked the candidate as {to} (before: {from})",
    "candidate-state": "marked the candidate as {to} (before: {from})",
    "called": "called the candidate to wait at the door",
    "came-in": "noted that the candidate came into the room",
    "went-out": "noted that the candidate left the room",
    "put-back": "put the candidate to the end of the list, with a reason",
    "moved": "sent the candidate to another room",
    "sight-reading-unsealed": "broke the seal of {piece}",
    "study-time-began": "began the study time of {piece}",
    "restarted": "counted that {piece} was begun again",
    "restart-taken-back": "took back that {piece} was begun again",
    "take-refused": "sent a recording of {piece} that was refused: {why}",
    "take-received": "sent the take of {piece} (checked: {word}; sha256 {sha256:.12}…)",
    "day-cut-confirmed": "confirmed {start_sec}-{end_sec} s of the day's recording as {piece} (proposal: {proposed})",
    "take-voided": "voided the take of {piece}, with a reason",
    "sheet-submitted": "sent the sheet (signature {signature:.12}…)",
    "sheet-corrected": "corrected the sheet, with a reason (version {version}, signature {signature:.12}…)",
    "recused": "took adjudicator {letter} off this candidate",
    "paper-checked": "read adjudicator {letter}'s paper sheet once more (differences: {differences})",
    "tabulation-confirmed": "confirmed the tabulation of the round ({tabulation:.12}…)",
    "opened": "opened the round (standing {standing:.12}…)",
}


@dataclass(frozen=True, slots=True)
class Deed:
    """One line of a candidate's history."""

    seq: int  # in the round's chain
    at: datetime
    who: str
    what: str
    action: str
    hash: str


@dataclass(frozen=True, slots=True)
class History:
    """Everything that was done to one candidate."""

    candidate_id: str
    blind_number: str
    round_name: str
    deeds: tuple[Deed, ...]
    broken: str | None  # what is wrong with the chain, or None when it holds
    whole_at: datetime  # when the chain was last read from its beginning,
    whole_to: int  # and to which entry; what is shown here, and what came after that, was read just now


def of_candidate(session: Session, candidate_id: str) -> History:
    """The history of a candidate; raises ``NotFound``."""
    candidate = session.get(Candidate, candidate_id)
    if candidate is None:
        raise NotFound("This candidate is not there any more; reload the page.")
    round_row = session.get_one(Round, candidate.round_id)
    entries = _concerning(session, round_row.id, candidate_id)
    checked = chain_checks.check(session, round_row.id, entries)
    pieces = dict(session.exec(select(Piece.id, Piece.title).where(Piece.audition_id == round_row.audition_id)).all())
    letters = dict(
        session.exec(
            select(Adjudicator.id, Adjudicator.letter).where(Adjudicator.audition_id == round_row.audition_id)
        ).all()
    )
    return History(
        candidate_id,
        candidate.blind_number,
        round_row.name,
        tuple(
            Deed(
                entry.seq,
                entry.at,
                _who(session, entry.actor, letters),
                _what(entry, candidate, pieces, letters),
                entry.action,
                entry.hash,
            )
            for entry in entries
        ),
        checked.broken,
        checked.whole_at,
        checked.whole_to,
    )


def by_number(session: Session, blind_number: str) -> list[History]:
    """The histories of everybody who had this number, in any audition."""
    ids = session.exec(select(Candidate.id).where(Candidate.blind_number == blind_number).order_by(Candidate.id)).all()
    if not ids:
        raise NotFound(f"Nobody had the number {blind_number}.")
    return [of_candidate(session, candidate_id) for candidate_id in ids]


def _concerning(session: Session, chain: str, candidate_id: str) -> list[AuditEntry]:
    """The entries of a round's chain that are about a candidate, in order."""
    about = sa.or_(
        col(AuditEntry.subject) == candidate_id,
        col(AuditEntry.action).in_(ROUND_WIDE),
        sa.cast(col(AuditEntry.facts), sa.Text).contains(candidate_id),
    )
    asked = select(AuditEntry).where(AuditEntry.chain == chain, about).order_by(col(AuditEntry.seq))
    return [entry for entry in session.exec(asked) if _concerns(entry, candidate_id)]


def _concerns(entry: AuditEntry, candidate_id: str) -> bool:
    return candidate_id in (entry.subject, entry.facts.get("candidate")) or entry.action in ROUND_WIDE


def _who(session: Session, actor: str, letters: Mapping[str, str]) -> str:
    role, _, actor_id = actor.partition(":")
    if role == "adjudicator":
        return f"Adjudicator {letters.get(actor_id, '(removed)')}"
    if role == "proctor":
        tablet = session.get(AccessToken, actor_id)
        return f"Recording room ({tablet.label})" if tablet is not None and tablet.label else "Recording room"
    if role == "leader":
        leader = session.get(Leader, actor_id)
        return f"Section leader {leader.name}" if leader is not None else "Section leader"
    return "Second person" if role == "checker" else "Fairhearing"


def _what(entry: AuditEntry, candidate: Candidate, pieces: Mapping[str, str], letters: Mapping[str, str]) -> str:
    told: dict[str, Any] = {
        **entry.facts,
        "number": candidate.blind_number,
        "piece": pieces.get(str(entry.facts.get("piece")), "a piece"),
        "letter": entry.facts.get("letter") or letters.get(str(entry.facts.get("adjudicator_id")), "?"),
    }
    pattern = _WHAT.get(entry.action)
    return pattern.format_map(told) if pattern is not None else entry.action.replace("-", " ")

"""Students' private links: made once a round is opened, valid for a season, replaced or withdrawn at any time.

A link belongs to a roster line by its random id, so no name can be reached from this module. Only the hash of its
secret is kept; a lost slip is answered by a new link, which makes the old one useless.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import AccessToken, Candidate, Round
from app.domain.actor import Actor
from app.domain.errors import NotFound, WrongState
from app.services import custody
from app.services.access import new_token
from app.services.attendance import NOT_HEARD
from app.services.rounds import get_round

LINK_LIFE = timedelta(days=120)  # our choice: a term of practice
SEALED = "Private links show names and results: open the round first, then make them."


@dataclass(frozen=True, slots=True)
class StudentLink:
    """A fresh private link of one candidate. The only moment its secret is known."""

    candidate_id: str
    secret: str
    expires_at: datetime


@dataclass(frozen=True, slots=True)
class LinkState:
    """Whether a candidate has a private link that works, and until when."""

    candidate_id: str
    state: str  # "none" | "in use" | "withdrawn" | "expired"
    expires_at: datetime | None


def make(session: Session, candidate_id: str, *, actor: Actor, now: datetime) -> StudentLink:
    """A private link for one heard candidate of an opened round; the one before stops working."""
    candidate = _candidate(session, candidate_id)
    row = _opened(session, candidate.round_id)
    if candidate.state in NOT_HEARD:
        raise WrongState("This candidate was not heard in this round, so there is nothing to show.")
    return _make(session, row, [candidate], actor=actor, now=now)[0]


def make_all(session: Session, round_id: str, *, actor: Actor, now: datetime) -> list[StudentLink]:
    """A private link for every heard candidate of an opened round, in playing order; those before stop working."""
    row = _opened(session, round_id)
    heard = [c for c in _candidates(session, round_id) if c.state not in NOT_HEARD]
    if not heard:
        raise WrongState("Nobody was heard in this round, so there are no private links to make.")
    return _make(session, row, heard, actor=actor, now=now)


def states(
    session: Session,
    round_id: str,
    *,
    now: datetime,
    candidate_ids: Sequence[str] | None = None,
    only_in_use: bool = False,
    offset: int = 0,
    limit: int | None = None,
) -> tuple[int, list[LinkState]]:
    """(how many candidates of a round are meant, the newest private link of each or of a page), in playing order.

    ``candidate_ids`` means these alone; ``only_in_use`` those whose link works.
    """
    get_round(session, round_id)
    meant = select(Candidate).where(Candidate.round_id == round_id)
    if candidate_ids is not None:
        meant = meant.where(col(Candidate.id).in_(list(candidate_ids)))
    if only_in_use:
        meant = meant.where(sa.exists().where(*_working(now), col(AccessToken.entry_id) == Candidate.entry_id))
    total = session.scalar(meant.with_only_columns(sa.func.count(), maintain_column_froms=True)) or 0
    candidates = session.exec(meant.order_by(col(Candidate.playing_order)).offset(offset).limit(limit)).all()
    newest: dict[str, AccessToken] = {}
    for token in session.exec(
        select(AccessToken)
        .where(
            AccessToken.role == "student",
            col(AccessToken.round_id).is_(None),  # links to hand takes in are another thing
            col(AccessToken.entry_id).in_([c.entry_id for c in candidates]),
        )
        .order_by(col(AccessToken.created_at))
    ):
        newest[token.entry_id or ""] = token
    return total, [_state(c.id, newest.get(c.entry_id), now) for c in candidates]


def _working(now: datetime) -> tuple[Any, ...]:
    """What holds for a private link that works."""
    return (
        col(AccessToken.role) == "student",
        col(AccessToken.round_id).is_(None),  # links to hand takes in are another thing
        col(AccessToken.withdrawn_at).is_(None),
        col(AccessToken.expires_at) > now,
    )


def withdraw(session: Session, candidate_id: str, *, actor: Actor, now: datetime) -> None:
    """Make a candidate's private link useless. Harmless when there is none."""
    candidate = _candidate(session, candidate_id)
    if _withdraw(session, [candidate.entry_id], now):
        custody.record(session, candidate.round_id, actor, "student-link-withdrawn", candidate.id, {})


def withdraw_all(session: Session, round_id: str, *, actor: Actor, now: datetime) -> int:
    """Make the private links of all candidates of a round useless; returns how many worked until now."""
    get_round(session, round_id)
    done = _withdraw(session, [c.entry_id for c in _candidates(session, round_id)], now)
    if done:
        custody.record(session, round_id, actor, "student-links-withdrawn", round_id, {"links": done})
    return done


def _make(
    session: Session, row: Round, candidates: Sequence[Candidate], *, actor: Actor, now: datetime
) -> list[StudentLink]:
    _withdraw(session, [c.entry_id for c in candidates], now)
    made = []
    for candidate in candidates:
        secret, _ = new_token(
            session,
            role="student",
            now=now,
            life=LINK_LIFE,
            audition_id=row.audition_id,
            entry_id=candidate.entry_id,
            label=f"Number {candidate.blind_number}",
        )
        made.append(StudentLink(candidate.id, secret, now + LINK_LIFE))
    custody.record(session, row.id, actor, "student-links-made", row.id, {"candidates": [c.id for c in candidates]})
    return made


def _withdraw(session: Session, entry_ids: Sequence[str], now: datetime) -> int:
    done = session.exec(
        sa.update(AccessToken).where(*_working(now), col(AccessToken.entry_id).in_(entry_ids)).values(withdrawn_at=now)
    )
    return int(done.rowcount)


def _opened(session: Session, round_id: str) -> Round:
    row = get_round(session, round_id)
    if row.state != "opened":
        raise WrongState(SEALED)
    return row


def _candidate(session: Session, candidate_id: str) -> Candidate:
    candidate = session.get(Candidate, candidate_id)
    if candidate is None:
        raise NotFound("This candidate is not there any more; reload the page.")
    return candidate


def _candidates(session: Session, round_id: str) -> Sequence[Candidate]:
    return session.exec(
        select(Candidate).where(Candidate.round_id == round_id).order_by(col(Candidate.playing_order))
    ).all()


def _state(candidate_id: str, token: AccessToken | None, now: datetime) -> LinkState:
    if token is None:
        return LinkState(candidate_id, "none", None)
    if token.withdrawn_at is not None:
        return LinkState(candidate_id, "withdrawn", token.expires_at)
    late = token.expires_at is not None and token.expires_at <= now
    return LinkState(candidate_id, "expired" if late else "in use", token.expires_at)

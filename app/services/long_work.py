"""What a worker works out once for a long round: asking for it, how far it is, whether it is of today.

Every mark, recusal and setting is recorded on an audit chain, so chains that have grown since say that the work is of
yesterday. Findings are not; of them the newest one's moment is kept, and how many of the round came in the two minutes
before it: a worker whose clock is behind, or who was slow to save, adds one there. No name can be reached from here.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Protocol

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import Candidate, Findings, Job, Round, Take
from app.db.types import now_utc
from app.domain.errors import WrongState
from app.services import custody, queueing
from app.services.rounds import get_round, is_long

PRIORITY = 5  # our choice: a leader waits for it, but a take whose candidate waits comes before
#: What changes no result, whatever it is about: devices come and go, sheets are printed, a second person confirms.
HARMLESS = (
    "link-made", "link-used", "tablet-withdrawn", "tabulation-confirmed", "printed-score-sheet",
    "printed-comment-sheet", "hand-in-links-made", "student-link-withdrawn", "student-links-withdrawn",
)  # fmt: skip
LATE = timedelta(minutes=2)  # our choice: beyond any save, and any clock that somebody looks after


@dataclass(frozen=True, slots=True)
class Working:
    """How far the working out is."""

    state: str  # none | queued | running | failed | done
    progress: float  # 0 to 1
    text: str
    worked_out_at: datetime | None  # of what is shown
    is_current: bool  # nothing it rests on has changed since


@dataclass(frozen=True, slots=True)
class Basis:
    """What a round's results rest on at one moment."""

    rests_on: str  # a hash of the last entries of its audit chains
    findings_until: datetime | None
    findings_seen: int


class Resting(Protocol):
    """A row that says what the work kept in it rests on, and when it was done."""

    rests_on: str
    findings_until: datetime | None
    findings_seen: int
    worked_out_at: datetime


def note(kept: Resting, now: Basis) -> None:
    """Say in a row that it rests on what there is now."""
    kept.rests_on, kept.findings_until, kept.findings_seen = now.rests_on, now.findings_until, now.findings_seen
    kept.worked_out_at = now_utc()


def of_kept(session: Session, row: Round, kind: str, kept: Resting | None) -> Working:
    """How far the newest job of this kind is, and whether what is kept is of today."""
    if kept is None:
        return working(session, row, kind, None, False)
    return working(session, row, kind, kept.worked_out_at, is_current(session, row, kept))


def basis(session: Session, row: Round) -> Basis:
    """What results of the round rest on now."""
    until = session.exec(select(Findings.created_at).order_by(col(Findings.created_at).desc()).limit(1)).first()
    return Basis(_heads(session, row), until, _findings(session, row, until))


def is_current(session: Session, row: Round, kept: Basis | Resting) -> bool:
    """Whether nothing that the work rests on has changed since."""
    if kept.rests_on != _heads(session, row):
        return False
    return kept.findings_seen == _findings(session, row, kept.findings_until)


def working(session: Session, row: Round, kind: str, worked_out_at: datetime | None, is_current: bool) -> Working:
    """How far the newest job of this kind is."""
    job = session.exec(
        select(Job).where(Job.kind == kind, Job.subject == row.id).order_by(col(Job.created_at).desc()).limit(1)
    ).first()
    return Working(
        state=job.state if job is not None else "none",
        progress=round(job.progress, 3) if job is not None else 0.0,
        text=("" if job is None else job.error if job.state == "failed" else job.progress_text),
        worked_out_at=worked_out_at,
        is_current=is_current,
    )


def ask(session: Session, round_id: str, kind: str, about: Mapping[str, Any] | None = None) -> Round:
    """Have a worker do it as things are now. Asking again while one does is harmless.

    ``about`` is what the job must know beside the round.
    """
    row = get_round(session, round_id)
    if row.state not in ("drawn", "opened"):
        raise WrongState("There is nothing to work out before the draw; draw the round first.")
    if not is_long(session, row):
        raise WrongState("For a round of this size it is worked out whenever it is looked at; open its screen.")
    if not is_busy(session, round_id, kind):
        key = f"{kind}:{round_id}:{_heads(session, row)[:32]}"
        payload = {"round_id": round_id, **(about or {})}
        job = queueing.enqueue(session, kind, key, payload, PRIORITY, subject=round_id)
        job.payload = payload
        job.created_at = now_utc()  # the newest is the one that is told of
        queueing.requeue(session, job)
    return row


def stop(session: Session, round_id: str, kind: str) -> None:
    """Forget what waits or runs; a worker that has begun throws its work away when it next reports."""
    busy = col(Job.state).in_(("queued", "running"))
    session.execute(sa.delete(Job).where(col(Job.kind) == kind, col(Job.subject) == round_id, busy))


def is_busy(session: Session, round_id: str, kind: str) -> bool:
    """Whether a worker does it, or will."""
    asked = select(Job.id).where(Job.kind == kind, Job.subject == round_id, col(Job.state).in_(("queued", "running")))
    return session.exec(asked).first() is not None


def _findings(session: Session, row: Round, until: datetime | None) -> int:
    """How many findings of the round came since a while before ``until``."""
    asked = (
        select(sa.func.count())
        .select_from(Findings)
        .join(Take, col(Take.id) == Findings.take_id)
        .join(Candidate, col(Candidate.id) == Take.candidate_id)
        .where(Candidate.round_id == row.id)
    )
    if until is not None:
        asked = asked.where(col(Findings.created_at) > until - LATE)
    return session.exec(asked).one()


def _heads(session: Session, row: Round) -> str:
    chains, at = [row.audition_id, row.id], row
    while at.carried_from is not None:
        at = session.get_one(Round, at.carried_from)
        chains.append(at.id)
    return custody.heads(session, chains, besides=HARMLESS)

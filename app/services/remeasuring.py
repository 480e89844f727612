"""Measuring a whole season again under a newer algorithm: asking, calling it off, old and new side by side.

Findings of an earlier algorithm stay; a newer one adds its own. What an opened round froze does not change.
Takes that are measured again wait behind those whose candidates are in the room.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import Candidate, Findings, Job, Piece, Round, Take
from app.listening.version import ALGORITHM_VERSION
from app.services import measuring

AT_ONCE = 200  # our choice: takes asked for in one transaction, so that nobody waits long for it


@dataclass(frozen=True, slots=True)
class Change:
    """One take's measured marks under an earlier algorithm and under the present one, by caption; None: no mark."""

    round_name: str
    blind_number: str
    piece_title: str
    old_version: str
    old: dict[str, float | None]
    new: dict[str, float | None]

    def moved(self, caption: str) -> float | None:
        """By how much a caption's mark moved, where both have one."""
        before, after = self.old.get(caption), self.new.get(caption)
        return None if before is None or after is None else after - before


def takes(session: Session, audition_id: str | None) -> list[str]:
    """Every kept take of an audition, or of all of them, that the present algorithm could measure; in order of id."""
    statement = (
        select(Take.id)
        .join(Candidate, col(Candidate.id) == Take.candidate_id)
        .join(Round, col(Round.id) == Candidate.round_id)
        .where(Take.state == "kept", col(Take.destroyed_at).is_(None))
        .order_by(col(Take.id))
    )
    if audition_id is not None:
        statement = statement.where(Round.audition_id == audition_id)
    return list(session.exec(statement).all())


def ask(session: Session, take_ids: Sequence[str]) -> int:
    """Queue those of the takes that have no result or job for things as they stand. Returns how many were queued."""
    before = set(session.exec(select(Job.subject).where(_waiting(), col(Job.subject).in_(take_ids))).all())
    jobs = [
        measuring.ask(session, take, priority=measuring.PRIORITY_AGAIN)
        for take in session.exec(select(Take).where(col(Take.id).in_(take_ids), Take.state == "kept")).all()
    ]
    return sum(job is not None and job.state == "queued" and job.subject not in before for job in jobs)


def call_off(session: Session, audition_id: str | None) -> int:
    """Forget everything that is being measured again and not done. Returns how many.

    Work that was begun is thrown away when it next reports. Takes of candidates in the room are left alone.
    """
    of_audition = (
        select(Take.id)
        .join(Candidate, col(Candidate.id) == Take.candidate_id)
        .join(Round, col(Round.id) == Candidate.round_id)
        .where(Round.audition_id == audition_id)
    )
    where = [_waiting(), Job.priority == measuring.PRIORITY_AGAIN, Job.kind == measuring.KIND]
    if audition_id is not None:
        where.append(col(Job.subject).in_(of_audition))
    done: int = session.execute(sa.delete(Job).where(*where)).rowcount  # type: ignore[attr-defined]
    return done


def side_by_side(session: Session, audition_id: str | None) -> Iterator[Change]:
    """Every take that has findings of the present algorithm and of an earlier one, by round and number."""
    statement = (
        sa.select(
            col(Round.name),
            col(Candidate.blind_number),
            col(Piece.title),
            col(Take.id),
            col(Findings.algorithm_version),
            col(Findings.payload)["marks"],
        )
        .join(Candidate, col(Candidate.id) == Take.candidate_id)
        .join(Round, col(Round.id) == Candidate.round_id)
        .join(Piece, col(Piece.id) == Take.piece_id)
        .join(Findings, col(Findings.take_id) == Take.id)
        .where(col(Take.state) == "kept")
        .order_by(col(Round.created_at), col(Round.id), col(Candidate.playing_order), col(Piece.position), col(Take.id))
        .order_by(col(Findings.created_at))
    )
    if audition_id is not None:
        statement = statement.where(col(Round.audition_id) == audition_id)
    rows = session.execute(statement.execution_options(yield_per=AT_ONCE))
    for _, group in groupby(rows, key=lambda row: row[3]):
        earlier = present = None
        for name, number, title, _take, version, marks in group:
            if version == ALGORITHM_VERSION:
                present = _marks(marks)
            else:
                earlier = (name, number, title, version, _marks(marks))
        if earlier is not None and present is not None:
            yield Change(*earlier, present)


def _waiting() -> Any:
    return col(Job.state).in_(("queued", "running"))


def _marks(stored: dict[str, dict[str, Any]] | None) -> dict[str, float | None]:
    return {caption: mark["mark"] for caption, mark in (stored or {}).items()}

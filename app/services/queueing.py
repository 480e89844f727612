"""Putting work into the queue, in the same transaction as the rows it is about.

``key`` names the work itself (kind, input, version): asking twice is harmless.
"""

from typing import Any

from sqlmodel import Session, select

from app.db.models import Job
from app.services import waking

MAX_ATTEMPTS = 3  # our choice: one unlucky crash is forgiven twice, then the job is set aside


def enqueue(
    session: Session, kind: str, key: str, payload: dict[str, Any], priority: int = 0, subject: str = ""
) -> Job:
    """Queue a job, or give back the one that has this ``key`` already, whatever its state.

    ``subject`` is the id of what the work is about (a take), by which its progress is found.
    """
    there = session.exec(select(Job).where(Job.key == key)).first()
    if there is not None:
        return there
    job = Job(kind=kind, key=key, payload=payload, priority=priority, subject=subject, max_attempts=MAX_ATTEMPTS)
    session.add(job)
    session.flush()
    waking.tell(session)
    return job


def requeue(session: Session, job: Job) -> Job:
    """Let a finished or failed job run once more from the start; one that waits or runs is left alone."""
    if job.state in ("done", "failed"):
        job.state, job.attempts, job.progress = "queued", 0, 0.0
        job.progress_text, job.error, job.finished_at, job.lease_until = "", "", None, 0.0
        session.add(job)
        session.flush()
        waking.tell(session)
    return job

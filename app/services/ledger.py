"""The list of jobs in the database: claiming, renewing, finishing.

Times are the wall clock because several processes compare them: this machine's on SQLite, the database's own on
PostgreSQL, where workers run on many machines. A clock that was set back would make a lease or a pause look endless, so
one further in the future than any can be counts as run out.
"""

import os
import socket
import time
from collections.abc import Callable
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import Job
from app.db.types import now_utc
from app.jobs.ledger import Claimed, Save
from app.services import waking

LONGEST_LEASE_SEC = 3600.0
LONGEST_PAUSE_SEC = 120.0  # our choice: a job that is tried again waits some seconds
STOPPED_TOO_OFTEN = (
    "The worker ended every time it measured this take, so the take was set aside; listen to it, and record it again "
    "if it is damaged."
)


class DatabaseLedger:
    """The :class:`app.jobs.ledger.Ledger` of a database."""

    def __init__(self, database: Database, clock: Callable[[], float] | None = None) -> None:
        self._database = database
        self._clock = clock

    def _now(self, session: Session) -> float:
        """Seconds since the epoch."""
        if self._clock is not None or self._database.is_sqlite:
            return self._here()
        return float(session.execute(sa.text("SELECT extract(epoch FROM clock_timestamp())")).scalar_one())

    def _here(self) -> float:
        """This machine's seconds since the epoch."""
        return self._clock() if self._clock is not None else time.time()

    def claim(self, worker: str, lease_sec: float) -> Claimed | None:
        """Take the most urgent job that waits or whose lease has run out, or None."""
        with self._database.read() as session:  # looking costs no write; most looks find nothing
            now = self._now(session)
            if session.exec(select(Job.id).where(sa.or_(_waits(now), _is_silent(now))).limit(1)).first() is None:
                return None
        return self._database.write_locked(lambda session: self._claim(session, worker, lease_sec))

    def _claim(self, session: Session, worker: str, lease_sec: float) -> Claimed | None:
        now = self._now(session)
        while True:
            found = [job for job in (_most_urgent_silent(session, now), _most_urgent_waiting(session, now)) if job]
            job = min(found, key=lambda job: (-job.priority, job.created_at, job.id), default=None)
            if job is None:
                return None
            if job.attempts >= job.max_attempts:
                _set_aside(job)
                session.add(job)
                session.flush()
                continue
            job.state, job.worker, job.attempts = "running", worker, job.attempts + 1
            job.lease_until = now + lease_sec
            job.progress, job.progress_text = 0.0, ""
            session.add(job)
            session.flush()
            return Claimed(job.id, job.kind, job.payload, job.attempts)

    def keep(self, job_id: str, worker: str, lease_sec: float, progress: float, text: str) -> bool:
        """Extend the lease and show progress; False when the job is no longer this worker's."""
        shown = {"progress": progress, "progress_text": text[:120]}
        if self._database.is_sqlite:
            values = {"lease_until": self._here() + lease_sec, **shown}
            return self._database.write_at_once(_while_held(job_id, worker).values(values)) == 1
        return self._database.write_locked(
            lambda session: _change(session, job_id, worker, {"lease_until": self._now(session) + lease_sec, **shown})
        )

    def finish(self, job_id: str, worker: str, save: Save) -> bool:
        """Save the result and mark the job as done, both or neither; False when it is no longer this worker's."""

        def work(session: Session) -> bool:
            over = {"state": "done", "worker": "", "lease_until": 0.0, "progress": 1.0, "finished_at": now_utc()}
            done = _change(session, job_id, worker, {**over, "progress_text": "", "error": ""})
            if done:
                save(session)
            return done

        return self._database.write(work)

    def give_up(self, job_id: str, worker: str, sentence: str, *, retry_after_sec: float | None) -> None:
        """Note why it failed; try again later, or (None, or no tries left) set it aside."""

        def work(session: Session) -> None:
            job = session.get(Job, job_id)
            if job is None or job.worker != worker or job.state != "running":
                return
            again = retry_after_sec is not None and job.attempts < job.max_attempts
            job.state = "queued" if again else "failed"
            job.lease_until = self._now(session) + (retry_after_sec or 0.0) if again else 0.0
            job.finished_at = None if again else now_utc()
            job.worker, job.error, job.progress, job.progress_text = "", sentence[:1000], 0.0, ""
            session.add(job)

        self._database.write(work)

    def release(self, worker: str, *, forgive: bool) -> int:
        """Put back what a worker that ended left, for others to start at once. Returns how many.

        The try counts unless it is forgiven: a worker that was told to end says nothing about the take.
        """
        return self._release(col(Job.worker) == worker, forgive=forgive)

    def release_gone(self) -> int:
        """At the start of a server: put back what workers of this machine left that are not running any more.

        The try does not count: what ended was the whole server, and that says nothing about the take.
        """
        host = socket.gethostname()[:40]
        with self._database.read() as session:
            names = session.exec(select(Job.worker).where(Job.state == "running").distinct()).all()
        gone = [name for name in names if name.startswith(f"{host}:") and not _runs(name)]
        return self._release(col(Job.worker).in_(gone), forgive=True) if gone else 0

    def _release(self, whose: Any, *, forgive: bool) -> int:
        def work(session: Session) -> int:
            jobs = session.exec(select(Job).where(Job.state == "running", whose)).all()
            for job in jobs:
                job.state, job.worker, job.lease_until, job.progress, job.progress_text = "queued", "", 0.0, 0.0, ""
                job.attempts -= 1 if forgive and job.attempts > 0 else 0
                if job.attempts >= job.max_attempts:
                    _set_aside(job)
                session.add(job)
            waking.tell(session)
            return len(jobs)

        with self._database.read() as session:
            if session.exec(select(Job.id).where(Job.state == "running", whose).limit(1)).first() is None:
                return 0
        return self._database.write(work)


def _while_held(job_id: str, worker: str) -> sa.Update:
    """An update of a job that only touches it while ``worker`` holds it."""
    return sa.update(Job).where(col(Job.id) == job_id, col(Job.worker) == worker, col(Job.state) == "running")


def _change(session: Session, job_id: str, worker: str, values: dict[str, Any]) -> bool:
    """Change a job; False when it is no longer this worker's."""
    changed: int = session.execute(_while_held(job_id, worker).values(values)).rowcount  # type: ignore[attr-defined]
    return changed == 1


def _waits(now: float) -> Any:
    until = col(Job.lease_until)
    return sa.and_(col(Job.state) == "queued", sa.or_(until <= now, until > now + LONGEST_PAUSE_SEC))


def _is_silent(now: float) -> Any:
    """Whether whoever holds a job has not renewed its lease."""
    until = col(Job.lease_until)
    return sa.and_(col(Job.state) == "running", sa.or_(until <= now, until > now + LONGEST_LEASE_SEC))


def _most_urgent_silent(session: Session, now: float) -> Job | None:
    """What another worker claims just now is skipped, here and below."""
    return session.exec(
        select(Job)
        .where(_is_silent(now))
        .order_by(col(Job.priority).desc(), col(Job.created_at), col(Job.id))
        .limit(1)
        .with_for_update(skip_locked=True)
    ).first()


def _most_urgent_waiting(session: Session, now: float) -> Job | None:
    """One priority after the other, so that an index has the order and nothing is sorted."""
    priorities = select(Job.priority).where(_waits(now)).order_by(col(Job.priority).desc()).limit(1)
    priority = session.exec(priorities).first()
    while priority is not None:
        job = session.exec(
            select(Job)
            .where(_waits(now), Job.priority == priority)
            .order_by(col(Job.created_at), col(Job.id))
            .limit(1)
            .with_for_update(skip_locked=True)
        ).first()
        if job is not None:
            return job
        priority = session.exec(priorities.where(col(Job.priority) < priority)).first()
    return None


def _set_aside(job: Job) -> None:
    job.state, job.finished_at, job.worker, job.lease_until = "failed", now_utc(), "", 0.0
    job.error = job.error or STOPPED_TOO_OFTEN


def _runs(worker: str) -> bool:
    pid = worker.split(":")[1]
    if not pid.isdigit():
        return False
    try:
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True

"""What the worker processes of these tests run: importable, so that they can be spawned."""

import os
import signal
import time
from collections.abc import Mapping
from typing import Any

from sqlmodel import Session

from app.db.database import Database
from app.db.models import Leader
from app.jobs.ledger import Progress, Save
from app.jobs.supervisor import end_with_parent
from app.jobs.worker import Worker
from app.services.ledger import DatabaseLedger
from app.services.waking import idle_of

# Whoever ends gives its job back at once; a stalled machine must not take one away from the living.
LEASE_SEC = 300.0


def write_result(payload: Mapping[str, Any]) -> Save:
    def save(session: Session) -> None:
        # The name is unique: a second result of the same job could not be written.
        session.add(Leader.model_validate({"name": f"result {payload['n']}", "password_hash": str(os.getpid())}))
        session.flush()

    return save


def slow(payload: Mapping[str, Any], progress: Progress) -> Save:
    for step in range(payload.get("steps", 8)):
        progress(step / 8, f"step {step}")
        time.sleep(0.1)
    while "until" in payload and not os.path.exists(payload["until"]):
        time.sleep(0.05)  # without a word, so that only the lease tells that the job is another's by now
    return write_result(payload)


def deadly(payload: Mapping[str, Any], progress: Progress) -> Save:
    progress(0.5, "about to end")
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("still alive")


def run(url: str, lease_sec: float, parent_pid: int, name: str, stopping: Any) -> None:
    end_with_parent(parent_pid, every_sec=0.2)
    database = Database(url)
    with idle_of(database, stopping) as idle:
        tasks = {"slow": slow, "deadly": deadly}
        Worker(name, DatabaseLedger(database), tasks, stopping.is_set, lease_sec=lease_sec, idle=idle).run()
    database.close()


def supervise(url: str, count: int, lease_sec: float = LEASE_SEC) -> None:
    """A whole server's worth of supervising, in a process of its own, until it is killed."""
    from app.jobs.supervisor import Supervisor

    ledger = DatabaseLedger(Database(url))
    Supervisor(run, (url, lease_sec, os.getpid()), count, lambda name, told: ledger.release(name, forgive=told)).start()
    time.sleep(600)

"""A worker process that ends itself the hard way (SIGKILL) at a place that a test names: importable, to be spawned."""

import os
import signal
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sqlmodel import Session

from app.db.database import Database
from app.files.store import TakeStore
from app.jobs.ledger import Progress, Save, Task
from app.jobs.worker import Worker
from app.services import printing, rounds
from app.services.ledger import DatabaseLedger
from app.services.working import tasks_of

LONG_ROUND = 3  # of the four candidates of a hall
AT_ONCE = 1  # comment sheets kept together
LEASE_SEC = 300.0


def die() -> None:
    """End at once, as when the power goes."""
    os.kill(os.getpid(), signal.SIGKILL)


def dying(task: Task, where: str, after: float) -> Task:
    """The task, ended "while computing" once it is ``after`` of the way, or "while saving", all written, none kept."""

    def work(payload: Mapping[str, Any], progress: Progress) -> Save:
        def tell(share: float, text: str) -> None:
            progress(share, text)
            if where == "while computing" and share >= after:
                die()

        save = task(payload, tell)

        def write(session: Session) -> None:
            save(session)
            session.flush()
            if where == "while saving":
                die()

        return write

    return work


def run(url: str, folder: str, name: str, where: str, after: float) -> None:
    """Do one job of a long round, and end in the middle of it."""
    rounds.LONG_ROUND, printing.AT_ONCE = LONG_ROUND, AT_ONCE
    database = Database(url)
    tasks = {
        kind: dying(task, where, after) for kind, task in tasks_of(database, TakeStore(Path(folder) / "takes")).items()
    }
    ledger = DatabaseLedger(database)
    Worker(name, ledger, tasks, lambda: False, lease_sec=LEASE_SEC, idle=lambda sec: None).run_one()
    raise AssertionError("still alive")

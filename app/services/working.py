"""One worker process: opens its own database and store, warms up, and works until it is told to stop.

Runs in a spawned process, so everything it is given can be pickled. Only the computing steps back for others: whoever
writes to the database does not, because a writer that is put aside while it holds SQLite's lock holds up every tablet.
"""

import os
import signal
import tempfile
import threading
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import Any

import structlog

from app.db.database import Database
from app.files.store import BlobStore
from app.jobs.ledger import Progress, Save, Task
from app.jobs.supervisor import end_with_parent
from app.jobs.worker import Worker
from app.services import (
    comparing_long,
    day_cutting,
    long_printing,
    measuring,
    opening,
    opening_long,
    section,
    standing_pages,
)
from app.services.ledger import DatabaseLedger
from app.services.logs import set_up_logs
from app.services.storing import open_store
from app.services.waking import idle_of
from app.settings import Settings

POLITENESS = 10  # our choice: tablets and recording rooms come before measuring

log = structlog.get_logger("fairhearing.worker")


def run_worker(settings: Settings, parent_pid: int, name: str, stopping: Event) -> None:
    """The whole life of one worker process."""
    set_up_logs(settings.log_level)
    signal.signal(signal.SIGTERM, lambda _number, _frame: stopping.set())
    end_with_parent(parent_pid)
    # Linux keeps a standing for each thread (sched(7)); elsewhere the whole process steps back.
    background = ThreadPoolExecutor(1, "fairhearing-computing", initializer=os.nice, initargs=(POLITENESS,))
    _warm_up(name, stopping, background)
    database = Database(settings.url)
    store = open_store(settings)
    # The working copy of a day's recording is a gigabyte; the system's own folder for that may be small or in memory.
    tempfile.tempdir = str(settings.data_dir / "spool")
    Path(tempfile.tempdir).mkdir(parents=True, exist_ok=True)
    try:
        tasks = {kind: in_background(background, task) for kind, task in tasks_of(database, store).items()}
        with idle_of(database, stopping) as idle:
            Worker(
                name, DatabaseLedger(database), tasks, stopping.is_set, lease_sec=settings.lease_sec, idle=idle
            ).run()
    finally:
        database.close()


def tasks_of(database: Database, store: BlobStore) -> dict[str, Task]:
    """What a worker can do, by the kind of job."""
    return {
        measuring.KIND: measuring.MeasureTake(database, store),
        day_cutting.KIND: day_cutting.CutDayRecording(database, store),
        standing_pages.KIND: standing_pages.WorkOutStanding(database),
        opening.OPENING: opening_long.OpenRound(database),
        section.WORK: section.WorkOutReport(database),
        comparing_long.KIND: comparing_long.CompareStanding(database),
        **{kind: long_printing.PrintLong(database, kind) for kind in long_printing.KINDS},
    }


def in_background(background: ThreadPoolExecutor, task: Task) -> Task:
    """The same task, computed by a thread of ``background``; its errors are raised here."""

    def compute(payload: Mapping[str, Any], progress: Progress) -> Save:
        return background.submit(task, payload, progress).result()

    return compute


def _warm_up(name: str, stopping: Event, background: ThreadPoolExecutor) -> None:
    """Compile and load what measuring needs. Told to stop meanwhile, the process ends: it holds no job yet."""
    warm = threading.Event()

    def leave() -> None:
        stopping.wait()
        if not warm.is_set():
            os._exit(0)

    threading.Thread(target=leave, name="fairhearing-leave", daemon=True).start()
    try:
        background.submit(measuring.warm_up).result()
    except Exception:
        # A worker that can't measure our scale may still say what is wrong with each take.
        log.exception("warm_up_failed", worker=name)
    else:
        log.info("worker_ready", worker=name)
    warm.set()

"""A worker that cuts a day's recording in a process of its own, to be killed: importable, so that it can be spawned."""

from pathlib import Path

from app.db.database import Database
from app.files.store import TakeStore
from app.jobs.worker import Worker
from app.services import day_cutting
from app.services.ledger import DatabaseLedger


def work(url: str, takes: str, name: str, lease_sec: float) -> None:
    """Do one job."""
    database = Database(url)
    tasks = {day_cutting.KIND: day_cutting.CutDayRecording(database, TakeStore(Path(takes)))}
    Worker(name, DatabaseLedger(database), tasks, lambda: False, lease_sec=lease_sec, idle=lambda sec: None).run_one()
    database.close()

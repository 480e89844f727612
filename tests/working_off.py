"""What waits for a worker at the server that all tests share, done here."""

from app.api.resources import Resources
from app.jobs.worker import Worker
from app.services.ledger import DatabaseLedger
from app.services.working import tasks_of


def work_off(held: Resources) -> None:
    """Do every job that waits, as a worker does; takes that other tests left unmeasured may come first."""
    tasks = tasks_of(held.database, held.store)
    worker = Worker("test", DatabaseLedger(held.database), tasks, lambda: False, lease_sec=120.0, idle=lambda sec: None)
    while worker.run_one():
        pass

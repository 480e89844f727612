"""What waits for a worker at the server that all tests share, done here."""

from app.api.resources import Resources
from app.jobs.worker import Worker
from app.services import day_cutting, measuring, opening, opening_long, section, standing_pages
from app.services.ledger import DatabaseLedger


def work_off(held: Resources) -> None:
    """Do every job that waits, as a worker does; takes that other tests left unmeasured may come first."""
    tasks = {
        measuring.KIND: measuring.MeasureTake(held.database, held.store),
        day_cutting.KIND: day_cutting.CutDayRecording(held.database, held.store),
        standing_pages.KIND: standing_pages.WorkOutStanding(held.database),
        opening.OPENING: opening_long.OpenRound(held.database),
        section.WORK: section.WorkOutReport(held.database),
    }
    worker = Worker("test", DatabaseLedger(held.database), tasks, lambda: False, lease_sec=120.0, idle=lambda sec: None)
    while worker.run_one():
        pass

"""Whether this server can do its work: real probes, not a promise."""

import time
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import Job
from app.db.types import now_utc
from app.domain.errors import FairhearingError
from app.files.store import BlobStore

LOW_SPACE_BYTES = 500 * 2**20  # our choice: a few takes more
LONG_WAIT_SEC = 15 * 60.0  # our choice: measuring is far behind, or no worker runs


@dataclass(frozen=True, slots=True)
class Health:
    """What the probes found. ``ok`` is about keeping takes and sheets; slow measuring is a warning only."""

    ok: bool
    database: str  # "ok" or a sentence
    store: str
    oldest_waiting_job_sec: float | None
    database_write_ms: float | None
    warnings: tuple[str, ...]


def probe(database: Database, store: BlobStore, now: datetime | None = None) -> Health:
    """Write to the database, write to the take store, look at the queue."""
    at = now or now_utc()
    database_said, write_ms, oldest_sec = "ok", None, None
    started = time.monotonic()
    try:
        database.write(_write_the_same)
        write_ms = round((time.monotonic() - started) * 1000, 1)
        with database.read() as session:
            oldest = session.exec(
                select(Job.created_at).where(Job.state == "queued").order_by(col(Job.created_at)).limit(1)
            ).first()
        oldest_sec = None if oldest is None else max(0.0, round((at - oldest).total_seconds(), 1))
    except FairhearingError as error:
        database_said = error.sentence
    store_said = "ok"
    warnings = []
    try:
        store.probe()
        if store.free_bytes() < LOW_SPACE_BYTES:
            warnings.append("Less than 500 MB are free where takes are kept; free space before the next take.")
    except FairhearingError as error:
        store_said = error.sentence
    if oldest_sec is not None and oldest_sec > LONG_WAIT_SEC:
        warnings.append("A take has waited over 15 minutes to be measured; check that workers run.")
    return Health(
        ok=database_said == store_said == "ok",
        database=database_said,
        store=store_said,
        oldest_waiting_job_sec=oldest_sec,
        database_write_ms=write_ms,
        warnings=tuple(warnings),
    )


def _write_the_same(session: Session) -> None:
    """Write a row as it is: nothing changes, and yet bytes must reach the disk."""
    session.execute(sa.text("UPDATE alembic_version SET version_num = version_num"))

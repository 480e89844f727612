"""Waking idle workers on PostgreSQL when work was queued, so that they need not ask again and again.

``enqueue`` says it in its own transaction, so it is heard with the commit or never. Hearing is a convenience: who has
missed it, or lost the connection, asks again after some seconds as for everything that becomes due by time alone.
"""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.synchronize import Event

import psycopg
import sqlalchemy as sa
import structlog
from sqlmodel import Session

from app.db.database import PG_CONNECT_SEC, Database

CHANNEL = "fairhearing_job"
ASK_AGAIN_SEC = 5.0  # our choice: as long as the shortest pause before a job is tried again

log = structlog.get_logger("fairhearing.worker")

Idle = Callable[[float], object]


def tell(session: Session) -> None:
    """Wake the idle workers once the session's transaction is committed. Nothing to do on SQLite."""
    if session.get_bind().dialect.name == "postgresql":
        session.execute(sa.text(f"NOTIFY {CHANNEL}"))


@contextmanager
def idle_of(database: Database, stopping: Event) -> Iterator[Idle]:
    """How a worker of ``database`` idles: until it is woken, has waited for long enough, or is to stop.

    On SQLite it waits for the time it is told. A worker that begins to listen has to look for work once more: what was
    queued before is told to nobody.
    """
    if database.is_sqlite:
        yield stopping.wait
        return
    listening = _Listening(database.url, stopping)
    try:
        yield listening.idle
    finally:
        listening.close()


class _Listening:
    def __init__(self, url: str, stopping: Event) -> None:
        self._address = sa.make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)
        self._stopping = stopping
        self._connection: psycopg.Connection | None = None

    def idle(self, sec: float) -> None:
        """Wait; every ``sec`` it is seen whether to stop."""
        try:
            if self._connection is None:
                self._connection = psycopg.connect(self._address, autocommit=True, connect_timeout=PG_CONNECT_SEC)
                self._connection.execute(f"LISTEN {CHANNEL}")
                return  # what was queued before we listened is looked for once more
            until = time.monotonic() + ASK_AGAIN_SEC
            while time.monotonic() < until and not self._stopping.is_set():
                if any(True for _ in self._connection.notifies(timeout=sec, stop_after=1)):
                    return
        except psycopg.Error as error:
            log.warning("not_listening", kind=type(error).__name__)
            self.close()
            self._stopping.wait(sec)

    def close(self) -> None:
        """Let go of the connection; the next :meth:`idle` makes another."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

"""One writer thread for SQLite, with group commit.

SQLite allows one writer at a time and waits for the disk at every commit. Fifty tablets that each commit on their own
queue up behind fifty waits; here whatever has queued up while the disk was busy shares one transaction and one wait.
Each piece of work runs inside its own savepoint, so a failure undoes that piece only. A caller gets its answer after
the commit, never before: what was acknowledged is on the disk.
"""

import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, NamedTuple

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlmodel import Session

from app.domain.errors import Unavailable

MAX_BATCH = 200  # our choice: a full batch of sheet-sized writes stays well under 100 ms

Work = Callable[[Session], Any]

NOTHING_KEPT = (
    "The database can't save at the moment, so nothing was kept; check that the disk is not full, then try again."
)


class _Request(NamedTuple):
    work: Work
    answer: "Future[Any]"


class Writer:
    """The only thread of this process that writes. ``engine`` must begin every transaction with BEGIN IMMEDIATE."""

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine
        self._queue: queue.Queue[_Request | None] = queue.Queue()
        self._closing = threading.Lock()
        self._closed = False
        self._thread = threading.Thread(target=self._run, name="fairhearing-writer", daemon=True)
        self._thread.start()

    def submit(self, work: Work) -> "Future[Any]":
        """Queue ``work``; the future resolves after its commit, or with the error it raised."""
        if threading.current_thread() is self._thread:
            raise RuntimeError("a write was asked for inside a write; pass the session on instead")
        answer: Future[Any] = Future()
        with self._closing:
            if self._closed:
                raise Unavailable("The server is stopping, so nothing was kept; try again in a moment.")
            self._queue.put(_Request(work, answer))
        return answer

    def close(self) -> None:
        """Finish everything queued so far, then stop."""
        with self._closing:
            if not self._closed:
                self._closed = True
                self._queue.put(None)
        self._thread.join()

    def _run(self) -> None:
        stopping = False
        while not stopping:
            batch: list[_Request] = []
            request = self._queue.get()
            while request is not None:
                batch.append(request)
                if len(batch) == MAX_BATCH:
                    break
                try:
                    request = self._queue.get_nowait()
                except queue.Empty:
                    break
            else:
                stopping = True
            if batch:
                self._commit(batch)

    def _commit(self, batch: list[_Request]) -> None:
        """Run a batch in one transaction and answer everybody in it."""
        batch = [request for request in batch if request.answer.set_running_or_notify_cancel()]
        outcomes: list[tuple[Any, BaseException | None]] = []
        try:
            with self._engine.connect() as connection, connection.begin():
                for request in batch:
                    outcomes.append(self._run_one(connection, request.work))
        except Exception as error:  # noqa: BLE001 - every caller is told, and the thread must live on
            # The whole transaction is gone, also the parts that had succeeded (disk full, lock never freed).
            outcomes = [(None, _nothing_kept(error))] * len(batch)
        for request, (value, failure) in zip(batch, outcomes, strict=True):
            if failure is None:
                request.answer.set_result(value)
            else:
                request.answer.set_exception(failure)

    @staticmethod
    def _run_one(connection: sa.Connection, work: Work) -> tuple[Any, BaseException | None]:
        """Run one piece of work in its own savepoint; its error is a value, not the end of the batch."""
        with Session(connection, join_transaction_mode="create_savepoint", expire_on_commit=False) as session:
            try:
                value = work(session)
                session.commit()
            except Exception as error:
                session.rollback()
                if isinstance(error, DBAPIError) and not _in_transaction(connection):
                    raise  # SQLite gave up the whole transaction, so nobody in this batch may be told "saved"
                if isinstance(error, OperationalError):
                    return None, _nothing_kept(error)
                return None, error
        return value, None


def _nothing_kept(error: Exception) -> Unavailable:
    refusal = Unavailable(NOTHING_KEPT, reason=type(getattr(error, "orig", error)).__name__)
    refusal.__cause__ = error
    return refusal


def _in_transaction(connection: sa.Connection) -> bool:
    return bool(getattr(connection.connection.driver_connection, "in_transaction", True))

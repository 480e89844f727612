"""The database: many readers, and one writer thread with group commit on SQLite, serializable writers on PostgreSQL.

Chosen for SQLite: write-ahead log, synchronous=FULL (what is acknowledged survives a power cut), foreign keys on,
BEGIN IMMEDIATE for writes (no transaction finds out late that another one wrote first), ``query_only`` for reads.
Chosen for PostgreSQL (psycopg 3): serializable writes that are run again when overtaken, read-only snapshots for reads,
UTC sessions, a pool for each of the two, so that readers who go on to write never wait for themselves.
"""

import sqlite3
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlmodel import Session

from app.db import transactions
from app.db.writer import NOTHING_KEPT, Writer
from app.domain.errors import Unavailable

T = TypeVar("T")

AT_ONCE = "fairhearing_at_once"  # an execution option: the one statement is its own transaction

BUSY_TIMEOUT_MS = 10_000  # our choice: longer than any transaction of ours, shorter than a browser's patience
READ_POOL = 40  # one per thread of the server's pool
# Our choice: PostgreSQL allows 100 connections unless told otherwise, and several servers and workers share them.
PG_READ_POOL, PG_WRITE_POOL = 16, 8
PG_CONNECT_SEC = 10
PG_POOL_WAIT_SEC = 30.0


def make_engine(url: str, *, writing: bool, pool_size: int = READ_POOL, foreign_keys: bool = True) -> sa.Engine:
    """An engine for ``url``. On SQLite ``writing`` chooses between BEGIN IMMEDIATE and a read-only connection.

    Values never appear in error texts or logs (``hide_parameters``): they may be names.
    """
    if not url.startswith("sqlite"):
        return _postgresql_engine(url, writing=writing)
    engine = sa.create_engine(
        url,
        poolclass=sa.QueuePool,
        pool_size=1 if writing else pool_size,
        max_overflow=0,
        pool_timeout=BUSY_TIMEOUT_MS / 1000,
        hide_parameters=True,
        connect_args={"check_same_thread": False},
    )

    @sa.event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _record: Any) -> None:
        # The driver's own transaction handling is switched off so that BEGIN below is the only one.
        connection.isolation_level = None
        pragmas = [f"busy_timeout={BUSY_TIMEOUT_MS}", f"foreign_keys={'ON' if foreign_keys else 'OFF'}"]
        if writing:
            pragmas += ["journal_mode=WAL", "synchronous=FULL"]
        else:
            pragmas.append("query_only=ON")
        for pragma in pragmas:
            connection.execute(f"PRAGMA {pragma}")

    @sa.event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        if not connection.get_execution_options().get(AT_ONCE):
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine


def _postgresql_engine(url: str, *, writing: bool) -> sa.Engine:
    engine = sa.create_engine(
        url,
        pool_size=PG_WRITE_POOL if writing else PG_READ_POOL,
        max_overflow=0,
        pool_timeout=PG_POOL_WAIT_SEC,
        pool_pre_ping=True,
        hide_parameters=True,
        isolation_level="SERIALIZABLE" if writing else "REPEATABLE READ",
        connect_args={
            "connect_timeout": PG_CONNECT_SEC,
            # Compiling a query takes longer than any of ours runs (benchmarks.scale.pages).
            "options": "-c timezone=UTC -c jit=off",
            "application_name": "fairhearing",
        },
    )

    @sa.event.listens_for(engine, "handle_error")
    def _without_values(context: sa.ExceptionContext) -> None:
        # PostgreSQL's details quote the row that was refused.
        original, told = context.original_exception, context.sqlalchemy_exception
        primary = getattr(getattr(original, "diag", None), "message_primary", None)
        if primary is not None:
            original.args = (primary,)
            if told is not None:
                told.args = (f"({type(original).__name__}) {primary}",)

    return engine if writing else engine.execution_options(postgresql_readonly=True)


class Database:
    """One database. Threads may share it; each process opens its own. :meth:`close` finishes what was asked for."""

    def __init__(self, url: str) -> None:
        self.url = url
        self.is_sqlite = url.startswith("sqlite")
        if self.is_sqlite:
            Path(sa.make_url(url).database or "").parent.mkdir(parents=True, exist_ok=True)
        self._writing = make_engine(url, writing=True)
        self._reading = make_engine(url, writing=False)
        self._writer: Writer | None = None
        self._starting = threading.Lock()

    @contextmanager
    def read(self) -> Iterator[Session]:
        """A session on a consistent snapshot that can't write. Raises ``Unavailable`` when PostgreSQL is lost."""
        try:
            with Session(self._reading, expire_on_commit=False) as session:
                yield session
        except DBAPIError as error:
            if self.is_sqlite or not transactions.is_lost(error):
                raise
            raise Unavailable(transactions.NO_ANSWER_READING) from error

    def write(self, work: Callable[[Session], T]) -> T:
        """Run ``work(session)`` in a transaction; returns its value after the commit, or raises its error.

        ``work`` may share its transaction with others (each has its own savepoint) or be run again, so it must only
        touch the database. It must return plain values: rows are detached afterwards. Raises ``Unavailable`` when the
        commit failed.
        """
        if self.is_sqlite:
            return self.submit(work).result()
        return transactions.run(self._writing, work)

    def write_locked(self, work: Callable[[Session], T]) -> T:
        """Like :meth:`write`, for work that rests on nothing but rows it has locked (``FOR UPDATE``).

        On PostgreSQL it is not serializable: many workers who each lock a row of their own in one table would
        overtake one another there again and again, though nobody's work rests on another's row.
        """
        if self.is_sqlite:
            return self.submit(work).result()
        return transactions.run(self._writing.execution_options(isolation_level="READ COMMITTED"), work)

    def write_at_once(self, statement: sa.Update) -> int:
        """Run one statement as a transaction of its own; returns how many rows it changed. SQLite only.

        For processes whose other threads compute: between the steps of a transaction they may keep the interpreter for
        a tenth of a second, and nobody could write meanwhile. One statement takes and leaves the lock in one step.
        Raises ``Unavailable`` when it could not be saved.
        """
        with self._writing.connect().execution_options(**{AT_ONCE: True}) as connection:
            try:
                return connection.execute(statement).rowcount
            except OperationalError as error:
                raise Unavailable(NOTHING_KEPT, reason=type(error.orig).__name__) from error

    def submit(self, work: Callable[[Session], T]) -> "Future[T]":
        """Like :meth:`write` but returns a future, for callers on an event loop. SQLite only."""
        with self._starting:
            if self._writer is None:
                self._writer = Writer(self._writing)
        return self._writer.submit(work)

    def close(self) -> None:
        """Finish queued writes and let go of every connection."""
        if self._writer is not None:
            self._writer.close()
        self._reading.dispose()
        self._writing.dispose()

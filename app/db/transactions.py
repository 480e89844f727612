"""Writing to PostgreSQL: serializable transactions, run again when others came in between.

Every service is written as if nobody else were writing, which SQLite's one writer makes true. PostgreSQL's serializable
isolation makes it true for many server processes at once, at the price that a transaction may have to be run again.

Work that appends to a chain (an audit) takes turns under the chain's name. The first try takes its turn when it comes
to it; a further one takes the same turns before its snapshot is made, so it sees what the one before it wrote and is
not overtaken again. Chains of different rounds never wait for each other.
"""

import hashlib
import random
import time
from collections.abc import Callable
from typing import TypeVar

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError, IntegrityError, OperationalError
from sqlmodel import Session

from app.domain.errors import Unavailable

T = TypeVar("T")

MOST_TRIES = 12  # our choice: far beyond what eight processes on one chain needed
TRIES_WHEN_DOUBLED = 3  # our choice: a row that was there all along is found by the second try
FIRST_PAUSE_SEC, LONGEST_PAUSE_SEC = 0.002, 0.2  # our choice: doubled each time, of random length
OVERTAKEN = frozenset({"40001", "40P01"})  # serialization failure, deadlock (PostgreSQL's appendix A)
LOST = ("08", "57P")  # connection exception, shutdown by whatever cause
DOUBLED = "23505"  # unique violation
TURNS = "turns"  # in Session.info: the numbers of the turns this transaction took

TOO_BUSY = "Too many people saved at the same moment, so nothing was kept; try again in a moment."
NO_ANSWER = (
    "The database does not answer, so it is not certain that this was kept; try again, sending twice is harmless."
)
NO_ANSWER_READING = "The database does not answer; try again in a moment."


def take_turns(session: Session, name: str) -> None:
    """Let transactions that say the same ``name`` go one after the other, from here to their end.

    Nothing to do on SQLite, where all writing transactions do.
    """
    if session.get_bind().dialect.name != "postgresql":
        return
    number = _number(name)
    session.info.setdefault(TURNS, set()).add(number)
    session.execute(sa.select(sa.func.pg_advisory_xact_lock(number)))


def run(engine: sa.Engine, work: Callable[[Session], T]) -> T:
    """Run ``work`` in a transaction, serializable if ``engine`` is; returns its value after the commit, or raises its
    error.

    ``work`` may be run several times, each time after everything of the time before was undone. Raises ``Unavailable``
    when others came in between too often or the connection was lost.
    """
    turns: set[int] = set()
    tries = 0
    while True:
        tries += 1
        try:
            return _once(engine, work, turns)
        except IntegrityError as error:
            if _state(error) != DOUBLED or tries >= TRIES_WHEN_DOUBLED:
                raise
        except DBAPIError as error:
            if _state(error) not in OVERTAKEN:
                if is_lost(error):
                    raise Unavailable(NO_ANSWER) from error
                raise
            if tries >= MOST_TRIES:
                raise Unavailable(TOO_BUSY, tries=tries) from error
        pause_sec = min(LONGEST_PAUSE_SEC, FIRST_PAUSE_SEC * 2 ** (tries - 1))
        time.sleep(random.uniform(0.0, pause_sec))


def _once(engine: sa.Engine, work: Callable[[Session], T], turns: set[int]) -> T:
    """One try. ``turns`` are taken beforehand; those that ``work`` took are added."""
    with engine.connect() as connection:
        beforehand = sorted(turns)
        if beforehand:  # in one order everywhere, so that two never wait for each other
            _outside(connection, [sa.func.pg_advisory_lock(number) for number in beforehand])
        try:
            with Session(connection, expire_on_commit=False) as session:
                try:
                    with session.begin():
                        return work(session)
                finally:
                    turns |= session.info.get(TURNS, set())
        finally:
            if beforehand and not connection.invalidated:  # a lost connection let go of them by itself
                _outside(connection, [sa.func.pg_advisory_unlock_all()])


def _outside(connection: sa.Connection, calls: list[sa.Function[None]]) -> None:
    """Call functions outside any transaction: inside one, the first of them would already fix the snapshot."""
    connection.execution_options(isolation_level="AUTOCOMMIT")
    for call in calls:
        connection.execute(sa.select(call))
    connection.commit()
    connection.execution_options(isolation_level="SERIALIZABLE")  # turns are taken by serializable work only


def is_lost(error: DBAPIError) -> bool:
    """Whether the server of PostgreSQL could not be reached or ended the connection, rather than refused something."""
    state = _state(error)
    return error.connection_invalidated or (
        isinstance(error, OperationalError) and (state is None or state.startswith(LOST))
    )


def _state(error: DBAPIError) -> str | None:
    return getattr(error.orig, "sqlstate", None)


def _number(name: str) -> int:
    """A lock's number: 64 bits with a sign, of the name's sha256."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], signed=True)

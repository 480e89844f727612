"""The writer: answers after the commit, one savepoint each, and never a "saved" that is not."""

import sqlite3
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError, OperationalError
from sqlmodel import Session, col, select

from app.db import database as database_module
from app.db import schema
from app.db.database import AT_ONCE, Database
from app.db.models import Leader
from app.domain.errors import BadInput, Unavailable


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "some folder" / "fairhearing.db"


@pytest.fixture
def database(file: Path) -> Iterator[Database]:
    schema.upgrade(f"sqlite:///{file}")
    database = Database(f"sqlite:///{file}")
    yield database
    database.close()


def add(session: Session, name: str) -> str:
    leader = Leader.model_validate({"name": name, "password_hash": "x"})
    session.add(leader)
    session.flush()
    return leader.id


def names(file: Path) -> list[str]:
    """As another program sees them."""
    with sqlite3.connect(f"file:{file}?mode=ro", uri=True) as connection:
        found = [row[0] for row in connection.execute("SELECT name FROM leader ORDER BY name")]
    connection.close()
    return found


def test_a_write_is_on_the_disk_when_it_returns(database: Database, file: Path) -> None:
    assert len(database.write(lambda s: add(s, "a"))) == 32
    assert names(file) == ["a"]


def test_what_protects_a_write_is_switched_on(database: Database) -> None:
    def pragmas(session: Session) -> dict[str, object]:
        return {
            name: session.execute(sa.text(f"PRAGMA {name}")).scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }

    assert database.write(pragmas) == {
        "journal_mode": "wal",
        "synchronous": 2,  # FULL
        "foreign_keys": 1,
        "busy_timeout": 10_000,
    }


def queue_up(database: Database, works: list) -> list[Future]:  # type: ignore[type-arg]
    """All of ``works`` waiting at once, so that they share a transaction."""
    begun, gate = threading.Event(), threading.Event()
    database.submit(lambda s: (begun.set(), gate.wait()))
    begun.wait()
    futures = [database.submit(work) for work in works]
    gate.set()
    return futures


def test_waiting_writes_share_one_commit(database: Database, file: Path) -> None:
    commits: list[str] = []
    sa.event.listen(database._writing, "commit", lambda connection: commits.append("commit"))
    for future in queue_up(database, [lambda s, n=n: add(s, f"{n:02}") for n in range(30)]):
        future.result()
    assert len(commits) == 2  # the gate's and one for all thirty
    assert len(names(file)) == 30


def test_one_failure_undoes_only_its_own(database: Database, file: Path) -> None:
    def fails(session: Session) -> None:
        add(session, "undone")
        raise BadInput("No.")

    futures = queue_up(
        database, [lambda s: add(s, "a"), fails, lambda s: add(s, "b"), lambda s: add(s, "a"), lambda s: add(s, "c")]
    )
    futures[0].result()
    with pytest.raises(BadInput, match=r"No\."):
        futures[1].result()
    futures[2].result()
    with pytest.raises(IntegrityError):
        futures[3].result()
    futures[4].result()
    assert names(file) == ["a", "b", "c"]


def test_a_lost_transaction_is_told_to_everybody_in_it(
    database: Database, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    database.write(lambda s: add(s, "before"))

    def give_up(session: Session) -> None:
        session.connection().connection.driver_connection.execute("ROLLBACK")  # as SQLite does on an I/O error
        raise OperationalError("x", {}, sqlite3.OperationalError("disk I/O error"))

    for future in queue_up(database, [lambda s: add(s, "a"), give_up, lambda s: add(s, "b")]):
        with pytest.raises(Unavailable, match="nothing was kept"):
            future.result()
    assert names(file) == ["before"]
    database.write(lambda s: add(s, "after"))
    assert names(file) == ["after", "before"]


def test_a_full_disk_keeps_nothing_and_the_writer_lives_on(database: Database, file: Path) -> None:
    def limit(session: Session, pages: int) -> None:
        session.execute(sa.text(f"PRAGMA max_page_count={pages}"))

    database.write(lambda s: limit(s, 1))  # SQLite takes the present size as the least
    with pytest.raises(Unavailable, match="disk is not full"):
        database.write(lambda s: [add(s, f"{n:0120}") for n in range(300)])
    assert names(file) == []
    database.write(lambda s: limit(s, 10_000))
    database.write(lambda s: add(s, "a"))
    assert names(file) == ["a"]


def test_a_database_held_by_another_program_is_a_sentence(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database_module, "BUSY_TIMEOUT_MS", 100)
    schema.upgrade(f"sqlite:///{file}")
    database = Database(f"sqlite:///{file}")
    other = sqlite3.connect(file, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(Unavailable, match="nothing was kept"):
        database.write(lambda s: add(s, "a"))
    other.execute("ROLLBACK")
    other.close()
    database.write(lambda s: add(s, "a"))
    database.close()
    assert names(file) == ["a"]


def test_readers_see_a_snapshot_and_can_not_write(database: Database) -> None:
    database.write(lambda s: add(s, "a"))
    with database.read() as session:
        assert session.exec(select(Leader.name)).all() == ["a"]
        database.write(lambda s: add(s, "b"))
        assert session.exec(select(Leader.name)).all() == ["a"]
        with pytest.raises(OperationalError, match="readonly"):
            add(session, "c")


def test_a_write_inside_a_write_is_refused(database: Database) -> None:
    with pytest.raises(RuntimeError, match="inside a write"):
        database.write(lambda s: database.write(lambda t: add(t, "a")))


def test_closing_finishes_what_was_asked_and_takes_nothing_more(database: Database, file: Path) -> None:
    futures = queue_up(database, [lambda s, n=n: add(s, f"{n}") for n in range(5)])
    database.close()
    assert all(future.done() for future in futures)
    assert len(names(file)) == 5
    with pytest.raises(Unavailable, match="stopping"):
        database.write(lambda s: add(s, "late"))


def test_errors_never_carry_the_values(database: Database) -> None:
    database.write(lambda s: add(s, "Zoë Sample"))
    with pytest.raises(IntegrityError) as caught:
        database.write(lambda s: add(s, "Zoë Sample"))
    assert "Zoë" not in str(caught.value)


def test_one_statement_is_a_transaction_of_its_own(database: Database, file: Path) -> None:
    """The lock is free again as soon as the statement is through: another connection writes at once."""
    database.write(lambda s: add(s, "a"))
    update = sa.update(Leader).where(col(Leader.name) == "a").values(name="b")
    with database._writing.connect().execution_options(**{AT_ONCE: True}) as connection:
        assert connection.execute(update).rowcount == 1
        with closing(sqlite3.connect(file, timeout=0)) as other:
            other.execute("UPDATE leader SET name = 'c' WHERE name = 'b'")
            other.commit()
    assert names(file) == ["c"]
    assert database.write_at_once(update) == 0
    assert database.write_at_once(sa.update(Leader).values(name="d")) == 1
    assert names(file) == ["d"]

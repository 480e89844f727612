"""Idle workers on PostgreSQL hear of work with the commit that queued it, and never of what was not kept."""

import threading
from collections.abc import Callable, Iterator

import psycopg
import pytest
import sqlalchemy as sa
from sqlmodel import Session

from app.db.database import Database
from app.domain.errors import BadInput
from app.services import queueing, waking

PATIENCE_SEC = 60.0


@pytest.fixture
def engine() -> str:
    return "postgresql"


@pytest.fixture
def database(url: str) -> Iterator[Database]:
    database = Database(url)
    yield database
    database.close()


@pytest.fixture
def idling(database: Database, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], threading.Thread]]:
    """Begins to idle in a thread, with nothing but a word that would end it."""
    monkeypatch.setattr(waking, "ASK_AGAIN_SEC", 3600.0)
    stopping = threading.Event()
    with waking.idle_of(database, stopping) as idle:  # type: ignore[arg-type]
        idle(0.05)  # begins to listen, and looks for work once more at once

        def begin() -> threading.Thread:
            thread = threading.Thread(target=idle, args=(0.05,))
            thread.start()
            return thread

        yield begin
        stopping.set()


def enqueue(session: Session, key: str = "a") -> str:
    return queueing.enqueue(session, "work", key, {}).id


def test_a_queued_job_wakes_who_idles(database: Database, idling: Callable[[], threading.Thread]) -> None:
    thread = idling()
    assert thread.is_alive()
    database.write(enqueue)
    thread.join(PATIENCE_SEC)
    assert not thread.is_alive()


def test_a_job_that_is_measured_again_does_so_too(database: Database, idling: Callable[[], threading.Thread]) -> None:
    from app.db.models import Job

    job_id = database.write(enqueue)
    idling().join(PATIENCE_SEC)
    database.write(lambda s: setattr(s.get_one(Job, job_id), "state", "failed"))
    thread = idling()
    database.write(lambda s: queueing.requeue(s, s.get_one(Job, job_id)).id)
    thread.join(PATIENCE_SEC)
    assert not thread.is_alive()


def test_what_was_not_kept_is_told_to_nobody(database: Database) -> None:
    def refused(session: Session) -> None:
        enqueue(session)
        raise BadInput("No.")

    address = sa.make_url(database.url).set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(address, autocommit=True) as listening:
        listening.execute(f"LISTEN {waking.CHANNEL}")
        with pytest.raises(BadInput):
            database.write(refused)
        listening.execute(f"NOTIFY {waking.CHANNEL}, 'the first word'")
        [heard] = listening.notifies(timeout=PATIENCE_SEC, stop_after=1)
    assert heard.payload == "the first word"


def test_a_lost_connection_is_made_again(database: Database, idling: Callable[[], threading.Thread]) -> None:
    database.write(
        lambda s: s.execute(
            sa.text("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE query LIKE 'LISTEN%'")
        ).close()
    )
    idling().join(PATIENCE_SEC)  # notices, and waits as if it could not listen
    idling().join(PATIENCE_SEC)  # listens again, and looks for work once more
    thread = idling()
    database.write(enqueue)
    thread.join(PATIENCE_SEC)
    assert not thread.is_alive()


def test_on_sqlite_it_waits_for_the_time_it_is_told(tmp_path: object) -> None:
    waited: list[float] = []

    class Stopping:
        def wait(self, sec: float) -> bool:
            waited.append(sec)
            return False

    database = Database(f"sqlite:///{tmp_path}/x.db")
    with waking.idle_of(database, Stopping()) as idle:  # type: ignore[arg-type]
        idle(0.4)
    database.close()
    assert waited == [0.4]

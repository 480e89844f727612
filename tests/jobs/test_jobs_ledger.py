"""Leases: one holder at a time, nothing lost, nothing done twice. The clock is turned by hand."""

import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import pytest
from sqlmodel import Session, select

from app.db.database import Database
from app.db.models import Job, Leader
from app.domain.errors import BadAudio, Unavailable
from app.jobs.ledger import LeaseLost, Progress, Save
from app.jobs.worker import Worker
from app.services import queueing
from app.services.ledger import STOPPED_TOO_OFTEN, DatabaseLedger

pytestmark = pytest.mark.both_engines

LEASE_SEC = 30.0
PATIENCE_SEC = 600  # a shared machine may be slow; only what never ends is wrong


class Clock:
    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def database(url: str) -> Iterator[Database]:
    database = Database(url)
    yield database
    database.close()


@pytest.fixture
def ledger(database: Database, clock: Clock) -> DatabaseLedger:
    return DatabaseLedger(database, clock)


@pytest.fixture
def enqueue(database: Database) -> Callable[..., str]:
    def enqueue(key: str, priority: int = 0, **payload: Any) -> str:
        return database.write(lambda s: queueing.enqueue(s, "work", key, payload, priority=priority).id)

    return enqueue


@pytest.fixture
def job(database: Database) -> Callable[[str], Job]:
    def look(job_id: str) -> Job:
        with database.read() as session:
            return session.get_one(Job, job_id)

    return look


def save_named(name: str) -> Save:
    return lambda session: session.add(Leader.model_validate({"name": name, "password_hash": "x"}))


def results(database: Database) -> list[str]:
    with database.read() as session:
        return sorted(session.exec(select(Leader.name)).all())


def test_asking_twice_is_one_job(enqueue: Any, database: Database) -> None:
    assert enqueue("a") == enqueue("a")
    with database.read() as session:
        assert len(session.exec(select(Job)).all()) == 1


def test_a_job_that_is_not_committed_is_not_queued(database: Database) -> None:
    def work(session: Session) -> None:
        queueing.enqueue(session, "work", "a", {})
        raise BadAudio("No.")

    with pytest.raises(BadAudio):
        database.write(work)
    with database.read() as session:
        assert session.exec(select(Job)).all() == []


def test_the_most_urgent_and_oldest_goes_first(enqueue: Any, ledger: DatabaseLedger) -> None:
    enqueue("again")
    enqueue("in the room", priority=10)
    enqueue("later in the room", priority=10)
    order = [claimed.id for _ in range(3) if (claimed := ledger.claim("w", LEASE_SEC)) is not None]
    assert order == [enqueue("in the room"), enqueue("later in the room"), enqueue("again")]
    assert ledger.claim("w", LEASE_SEC) is None


def test_a_held_job_is_nobody_elses_until_the_lease_ends(enqueue: Any, ledger: DatabaseLedger, clock: Clock) -> None:
    job_id = enqueue("a")
    first = ledger.claim("one", LEASE_SEC)
    assert first is not None
    assert first.attempt == 1
    clock.now += LEASE_SEC - 1
    assert ledger.claim("two", LEASE_SEC) is None
    assert ledger.keep(job_id, "one", LEASE_SEC, 0.5, "half")
    clock.now += LEASE_SEC - 1
    assert ledger.claim("two", LEASE_SEC) is None
    clock.now += 2
    second = ledger.claim("two", LEASE_SEC)
    assert second is not None
    assert second.attempt == 2
    assert not ledger.keep(job_id, "one", LEASE_SEC, 0.6, "more")


def test_only_the_holder_can_finish(
    enqueue: Any, ledger: DatabaseLedger, clock: Clock, database: Database, job: Any
) -> None:
    job_id = enqueue("a")
    ledger.claim("one", LEASE_SEC)
    clock.now += LEASE_SEC + 1
    ledger.claim("two", LEASE_SEC)
    assert not ledger.finish(job_id, "one", save_named("too late"))
    assert ledger.finish(job_id, "two", save_named("in time"))
    assert not ledger.finish(job_id, "two", save_named("twice"))
    assert results(database) == ["in time"]
    assert (job(job_id).state, job(job_id).progress) == ("done", 1.0)


def test_result_and_done_are_one_transaction(
    enqueue: Any, ledger: DatabaseLedger, database: Database, job: Any
) -> None:
    job_id = enqueue("a")
    ledger.claim("one", LEASE_SEC)

    def breaks(session: Session) -> None:
        save_named("half")(session)
        session.flush()
        raise Unavailable("No.")

    with pytest.raises(Unavailable):
        ledger.finish(job_id, "one", breaks)
    assert results(database) == []
    assert job(job_id).state == "running"


def test_a_clock_set_back_does_not_make_a_lease_endless(enqueue: Any, ledger: DatabaseLedger, clock: Clock) -> None:
    enqueue("a")
    ledger.claim("one", LEASE_SEC)
    clock.now -= 24 * 3600.0
    assert ledger.claim("two", LEASE_SEC) is not None


def test_three_tries_then_set_aside_with_the_reason(
    enqueue: Any, ledger: DatabaseLedger, clock: Clock, job: Any
) -> None:
    job_id = enqueue("a")
    for attempt in (1, 2, 3):
        claimed = ledger.claim("w", LEASE_SEC)
        assert claimed is not None
        assert claimed.attempt == attempt
        ledger.give_up(job_id, "w", f"Reason {attempt}.", retry_after_sec=5.0)
        assert ledger.claim("w", LEASE_SEC) is None  # not at once
        clock.now += 6.0
    assert (job(job_id).state, job(job_id).error) == ("failed", "Reason 3.")
    assert ledger.claim("w", LEASE_SEC) is None


def test_a_job_whose_workers_end_is_set_aside_after_three(enqueue: Any, ledger: DatabaseLedger, job: Any) -> None:
    job_id = enqueue("a")
    for _ in range(3):
        assert ledger.claim("w", LEASE_SEC) is not None
        assert ledger.release("w", forgive=False) == 1
    assert (job(job_id).state, job(job_id).error) == ("failed", STOPPED_TOO_OFTEN)
    assert ledger.claim("w", LEASE_SEC) is None


def test_a_job_whose_leases_run_out_is_set_aside_after_three(
    enqueue: Any, ledger: DatabaseLedger, clock: Clock, job: Any
) -> None:
    job_id = enqueue("a")
    for _ in range(3):
        assert ledger.claim("w", LEASE_SEC) is not None
        clock.now += LEASE_SEC + 1
    assert ledger.claim("w", LEASE_SEC) is None
    assert job(job_id).state == "failed"


def test_being_told_to_stop_costs_no_try(enqueue: Any, ledger: DatabaseLedger, job: Any) -> None:
    job_id = enqueue("a")
    for _ in range(5):
        assert ledger.claim("w", LEASE_SEC) is not None
        ledger.release("w", forgive=True)
    assert (job(job_id).state, job(job_id).attempts) == ("queued", 0)


def test_a_new_server_frees_what_ended_processes_held(enqueue: Any, ledger: DatabaseLedger, job: Any) -> None:
    import os

    host = socket.gethostname()[:40]
    gone, alive, elsewhere = enqueue("gone", 3), enqueue("alive", 2), enqueue("elsewhere", 1)
    ledger.claim(f"{host}:4194304:0", LEASE_SEC)  # above the highest process id
    ledger.claim(f"{host}:{os.getpid()}:0", LEASE_SEC)
    ledger.claim("another-machine:4194304:0", LEASE_SEC)
    assert ledger.release_gone() == 1
    assert [job(j).state for j in (gone, alive, elsewhere)] == ["queued", "running", "running"]
    assert job(gone).attempts == 0


def test_a_failed_job_can_be_asked_for_again(enqueue: Any, ledger: DatabaseLedger, database: Database) -> None:
    job_id = enqueue("a")
    ledger.claim("w", LEASE_SEC)
    ledger.give_up(job_id, "w", "No.", retry_after_sec=None)
    database.write(lambda s: queueing.requeue(s, s.get_one(Job, job_id)))
    claimed = ledger.claim("w", LEASE_SEC)
    assert claimed is not None
    assert claimed.attempt == 1


# The worker, in this process --------------------------------------------------------------------------------------


def work_once(ledger: DatabaseLedger, task: Callable[[Mapping[str, Any], Progress], Save], lease_sec: float) -> bool:
    return Worker("w", ledger, {"work": task}, lambda: False, lease_sec=lease_sec, idle=time.sleep).run_one()


@pytest.fixture
def real(database: Database) -> DatabaseLedger:
    return DatabaseLedger(database)


def test_a_worker_computes_and_saves(enqueue: Any, real: DatabaseLedger, database: Database, job: Any) -> None:
    job_id = enqueue("a", who="x")
    assert work_once(real, lambda payload, progress: save_named(payload["who"]), 5.0)
    assert not work_once(real, lambda payload, progress: save_named("none left"), 5.0)
    assert results(database) == ["x"]
    assert job(job_id).state == "done"


def test_a_reason_given_on_purpose_is_final(enqueue: Any, real: DatabaseLedger, job: Any) -> None:
    def refuse(payload: Mapping[str, Any], progress: Progress) -> Save:
        raise BadAudio("The take is silent.")

    job_id = enqueue("a")
    work_once(real, refuse, 5.0)
    assert (job(job_id).state, job(job_id).error) == ("failed", "The take is silent.")


def test_a_bug_is_tried_again_and_shows_no_insides(enqueue: Any, real: DatabaseLedger, job: Any) -> None:
    def break_down(payload: Mapping[str, Any], progress: Progress) -> Save:
        raise KeyError("Ada Sample")

    job_id = enqueue("a")
    work_once(real, break_down, 5.0)
    assert job(job_id).state == "queued"
    assert "Ada" not in job(job_id).error
    assert "KeyError" in job(job_id).error


def test_progress_shows_and_a_lost_lease_ends_the_work(
    enqueue: Any, real: DatabaseLedger, database: Database, job: Any
) -> None:
    job_id = enqueue("a")
    shown: list[tuple[float, str]] = []
    ended = threading.Event()

    def long(payload: Mapping[str, Any], progress: Progress) -> Save:
        progress(0.25, "listening")
        deadline = time.monotonic() + PATIENCE_SEC
        while not shown and time.monotonic() < deadline:
            time.sleep(0.02)
            row = job(job_id)
            if row.progress_text:
                shown.append((row.progress, row.progress_text))
        database.write(lambda s: setattr(s.get_one(Job, job_id), "worker", "another"))
        try:
            while time.monotonic() < deadline:
                time.sleep(0.02)
                progress(0.5, "listening on")
        except LeaseLost:
            ended.set()
            raise
        return save_named("not mine any more")

    work_once(real, long, 1.0)
    assert shown == [(0.25, "listening")]
    assert ended.is_set()
    assert results(database) == []
    assert (job(job_id).state, job(job_id).worker) == ("running", "another")

"""Real worker processes, ended the hard way: every job has exactly one result, or is set aside with a reason."""

import multiprocessing
import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import job_targets
import pytest
from sqlmodel import select

from app.db.database import Database
from app.db.models import Job, Leader
from app.jobs.supervisor import Supervisor
from app.services import queueing
from app.services.ledger import STOPPED_TOO_OFTEN, DatabaseLedger

pytestmark = [pytest.mark.slow, pytest.mark.both_engines]

PATIENCE_SEC = 600  # a shared machine may be slow; only a job that never ends is wrong


@pytest.fixture
def database(url: str) -> Iterator[Database]:
    database = Database(url)
    yield database
    database.close()


def enqueue(database: Database, kind: str, n: int, **payload: Any) -> str:
    return database.write(lambda s: queueing.enqueue(s, kind, f"{kind}:{n}", {"n": n, **payload}).id)


def jobs(database: Database) -> list[Job]:
    with database.read() as session:
        return list(session.exec(select(Job)).all())


def results(database: Database) -> list[str]:
    with database.read() as session:
        return sorted(session.exec(select(Leader.name)).all())


def wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_SEC
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.05)


@pytest.fixture
def supervise(url: str, database: Database) -> Iterator[Callable[[int], Supervisor]]:
    started: list[Supervisor] = []
    ledger = DatabaseLedger(database)

    def start(count: int) -> Supervisor:
        supervisor = Supervisor(
            job_targets.run,
            (url, job_targets.LEASE_SEC, os.getpid()),
            count,
            lambda name, told: ledger.release(name, forgive=told),
        )
        started.append(supervisor)
        supervisor.start()
        return supervisor

    yield start
    for supervisor in started:
        supervisor.stop(within_sec=0.0)


def kill(supervisor: Supervisor, worker: str) -> bool:
    """SIGKILL to the worker of this name; False when it is gone already."""
    process = next(place.process for place in supervisor._places if place.name == worker)
    if process is None or process.pid is None or not process.is_alive():
        return False
    process.kill()
    return True


def test_killed_workers_lose_and_double_nothing(supervise: Any, database: Database) -> None:
    supervisor = supervise(2)

    def first_tries() -> list[str]:
        """Who holds a job for the first time: three kills of one job would set it aside, which is another test."""
        return [j.worker for j in jobs(database) if j.state == "running" and j.attempts == 1]

    def two_begin() -> bool:
        """There is work as long as one of them is still starting."""
        states = [j.state for j in jobs(database)]
        if "queued" not in states:
            enqueue(database, "slow", len(states))
        return states.count("running") == 2 and bool(first_tries())

    killed = 0
    while killed < 3:
        wait_for(two_begin)
        time.sleep((0.1, 0.4, 0.7)[killed])  # anywhere in the job; it may be over by now
        for worker in first_tries()[:1]:
            killed += kill(supervisor, worker)
    wait_for(lambda: all(j.state == "done" for j in jobs(database)))
    count = len(jobs(database))
    assert results(database) == sorted(f"result {n}" for n in range(count))
    assert sum(j.attempts for j in jobs(database)) > count


def test_a_take_that_kills_workers_is_set_aside_and_the_rest_goes_on(supervise: Any, database: Database) -> None:
    poison = enqueue(database, "deadly", 0)
    for n in range(2):
        enqueue(database, "slow", n, steps=2)
    supervise(2)
    wait_for(lambda: all(j.state in ("done", "failed") for j in jobs(database)))
    [failed] = [j for j in jobs(database) if j.state == "failed"]
    assert (failed.id, failed.attempts, failed.error) == (poison, 3, STOPPED_TOO_OFTEN)
    assert results(database) == ["result 0", "result 1"]


def test_stopping_finishes_the_job_that_was_begun(supervise: Any, database: Database) -> None:
    enqueue(database, "slow", 0)
    enqueue(database, "slow", 1)
    supervisor = supervise(1)
    wait_for(lambda: any(j.state == "running" for j in jobs(database)))
    supervisor.stop()
    assert sorted(j.state for j in jobs(database)) == ["done", "queued"]
    assert all(j.attempts == (1 if j.state == "done" else 0) for j in jobs(database))


def test_when_the_server_is_killed_its_workers_end_and_the_next_one_goes_on(
    url: str, database: Database, supervise: Any
) -> None:
    enqueue(database, "slow", 0, steps=600)
    server = multiprocessing.get_context("spawn").Process(target=job_targets.supervise, args=(url, 1))
    server.start()
    wait_for(lambda: any(j.state == "running" for j in jobs(database)))
    [running] = jobs(database)
    worker_parent = int(running.worker.split(":")[1])
    assert worker_parent == server.pid
    # Of every thread: the one that watches the workers has started them.
    tasks = Path(f"/proc/{server.pid}/task").glob("*/children")
    children = [pid for task in tasks for pid in task.read_text().split()]
    assert children
    server.kill()
    server.join()
    wait_for(lambda: not any(Path(f"/proc/{pid}").exists() for pid in children))
    database.write(lambda s: setattr(s.get_one(Job, running.id), "payload", {"n": 0, "steps": 1}))
    assert DatabaseLedger(database).release_gone() == 1
    supervise(1)
    wait_for(lambda: all(j.state == "done" for j in jobs(database)))
    assert results(database) == ["result 0"]

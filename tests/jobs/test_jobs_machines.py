"""Workers on several machines and one PostgreSQL: whatever part of it is killed or hangs, every job has one result.

A machine is a process that supervises workers of its own. The lease is all that tells one machine about another.
"""

import multiprocessing
import os
import signal
import time
from collections.abc import Callable, Iterator
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Any

import job_targets
import postgres_cluster
import pytest
import sqlalchemy as sa
from sqlmodel import select

from app.db import schema
from app.db.database import Database
from app.db.models import Job, Leader
from app.domain.errors import Unavailable
from app.services import queueing

pytestmark = pytest.mark.slow

PATIENCE_SEC = 600  # a shared machine may be slow; only a job that never ends is wrong
LEASE_SEC = 2.0
SPAWN = multiprocessing.get_context("spawn")

Machines = Callable[[int], SpawnProcess]


@pytest.fixture(scope="module")
def own() -> Iterator[postgres_cluster.Cluster]:
    """A server that may be killed."""
    programs = postgres_cluster.programs()
    if programs is None:
        pytest.skip("PostgreSQL's programs are missing; install the package postgresql to run these tests")
    with postgres_cluster.running(programs) as cluster:
        yield cluster


@pytest.fixture
def url(own: postgres_cluster.Cluster) -> str:
    address = own.url(own.make())
    schema.upgrade(address)
    return address


@pytest.fixture
def database(url: str) -> Iterator[Database]:
    database = Database(url)
    yield database
    database.close()


@pytest.fixture
def machine(url: str) -> Iterator[Machines]:
    """Starts a machine with so many workers."""
    started: list[SpawnProcess] = []

    def start(workers: int) -> SpawnProcess:
        process = SPAWN.Process(target=job_targets.supervise, args=(url, workers, LEASE_SEC))
        process.start()
        started.append(process)
        return process

    yield start
    for process in started:
        end(process)


def end(process: SpawnProcess) -> None:
    """SIGKILL for a machine and all it runs."""
    for pid in (*children(process), process.pid):
        if pid is not None and Path(f"/proc/{pid}").exists():
            os.kill(pid, signal.SIGKILL)
    process.join()


def children(process: SpawnProcess) -> list[int]:
    """Of each of its threads: a supervisor starts its workers from one of its own."""
    return [
        int(pid) for file in Path(f"/proc/{process.pid}/task").glob("*/children") for pid in file.read_text().split()
    ]


def enqueue(database: Database, n: int, priority: int = 0, **payload: Any) -> str:
    return database.write(
        lambda s: queueing.enqueue(s, "slow", str(n), {"n": n, "steps": 2, **payload}, priority=priority).id
    )


def jobs(database: Database) -> list[Job]:
    with database.read() as session:
        return list(session.exec(select(Job)).all())


def results(database: Database) -> list[tuple[str, int]]:
    """What was saved, and the process that did."""
    with database.read() as session:
        found = session.exec(select(Leader.name, Leader.password_hash).order_by(Leader.name)).all()
        return [(name, int(pid)) for name, pid in found]


def wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_SEC
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.05)


def all_done(database: Database) -> bool:
    return all(job.state == "done" for job in jobs(database))


def running(database: Database) -> list[Job]:
    return [job for job in jobs(database) if job.state == "running"]


def test_machines_share_the_work_and_one_that_dies_loses_nothing(machine: Machines, database: Database) -> None:
    for n in range(12):
        enqueue(database, n)
    dying, living = machine(2), machine(2)

    def both_work() -> bool:
        """Each holds a job; there is work as long as one of them is still starting."""
        there = jobs(database)
        if not any(job.state == "queued" for job in there):
            enqueue(database, len(there))
        holders = {job.worker.split(":")[1] for job in there if job.state == "running"}
        return holders == {str(dying.pid), str(living.pid)}

    wait_for(both_work)
    end(dying)
    wait_for(lambda: all_done(database))
    count = len(jobs(database))
    assert [name for name, _ in results(database)] == sorted(f"result {n}" for n in range(count))


def test_a_worker_that_hung_and_comes_back_saves_nothing_twice(
    machine: Machines, database: Database, tmp_path: Path
) -> None:
    gate = tmp_path / "open"
    enqueue(database, 0, until=str(gate))
    first = machine(1)
    wait_for(lambda: len(running(database)) == 1)
    [hung] = children_that_work(first)
    os.kill(hung, signal.SIGSTOP)
    held_by = running(database)[0].worker
    machine(1)
    wait_for(lambda: [job.worker for job in running(database)] not in ([], [held_by]))
    gate.touch()
    wait_for(lambda: all_done(database))
    os.kill(hung, signal.SIGCONT)
    # It is heard to go on: the next job is held until it has one, or the other has (then a further one is queued).
    later = 1
    enqueue(database, later)

    def came_back() -> bool:
        nonlocal later
        if all_done(database) and hung not in {pid for _, pid in results(database)}:
            later += 1
            enqueue(database, later)
        return hung in {pid for _, pid in results(database)}

    wait_for(came_back)
    wait_for(lambda: all_done(database))
    found = results(database)
    assert [name for name, _ in found].count("result 0") == 1
    assert dict(found)["result 0"] != hung
    assert len(found) == later + 1


def children_that_work(process: SpawnProcess) -> list[int]:
    """Workers, without the helper that Python starts beside them."""
    return [pid for pid in children(process) if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()]


def test_what_waits_in_the_room_comes_before_a_season_that_is_measured_again(
    machine: Machines, database: Database
) -> None:
    for n in range(6):
        enqueue(database, n)
    for n in range(6, 10):
        enqueue(database, n, priority=10)
    machine(2)
    wait_for(lambda: all_done(database))
    order = sorted(jobs(database), key=lambda job: job.finished_at or job.created_at)
    last_of_the_room = max(n for n, job in enumerate(order) if job.priority == 10)
    assert last_of_the_room <= 4  # two workers: one may have been a moment behind with a job begun before


def test_a_job_that_is_called_off_while_it_runs_leaves_no_result(
    machine: Machines, database: Database, tmp_path: Path
) -> None:
    gate = tmp_path / "open"
    called_off = enqueue(database, 0, until=str(gate))
    enqueue(database, 1)
    machine(1)
    wait_for(lambda: [job.id for job in running(database)] == [called_off])
    database.write(lambda s: s.execute(sa.delete(Job).where(Job.id == called_off)).close())  # type: ignore[arg-type]
    gate.touch()
    wait_for(lambda: all_done(database))
    assert [name for name, _ in results(database)] == ["result 1"]


def test_when_the_database_is_killed_the_work_goes_on_after_its_recovery(
    machine: Machines, database: Database, own: postgres_cluster.Cluster
) -> None:
    for n in range(8):
        enqueue(database, n)
    machine(2)
    wait_for(lambda: len(running(database)) == 2)
    own.kill()
    own.start_again()

    wait_for(lambda: answers(database) and all_done(database))
    assert [name for name, _ in results(database)] == sorted(f"result {n}" for n in range(8))


def answers(database: Database) -> bool:
    """Whether the pool has given up what the crash ended."""
    try:
        jobs(database)
    except Unavailable:
        return False
    return True

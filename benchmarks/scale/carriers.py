"""The own ledger of jobs against procrastinate on the same PostgreSQL, in one run.

    python -m benchmarks.scale.carriers [--backlog 20000] [--seconds 6] [--rounds 3] [--wakes 30]

*Claims*: processes that claim a job and finish it with nothing done, while ``--backlog`` jobs wait; rounds of both take
turns. Procrastinate is measured alone, and carrying the ledger's row along, which it would have to: what screens show
of a job, the three tries and "exactly one result" stand there. *Wake-up*: from the commit that enqueues a job to the
moment an idle worker has it. *Crash*: a worker is killed (SIGKILL) with a job in hand while another one idles.
"""

import argparse
import asyncio
import logging
import multiprocessing
import os
import queue
import random
import signal
import statistics
import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import procrastinate
import sqlalchemy as sa
from procrastinate.jobs import Status

from app.db import transactions
from app.db.database import Database
from app.db.models import Job
from app.domain.errors import FairhearingError
from app.domain.ids import new_id
from app.jobs.worker import Worker
from app.services import queueing
from app.services.ledger import DatabaseLedger
from app.services.logs import set_up_logs
from app.services.waking import idle_of
from benchmarks.scale import server

FORK = multiprocessing.get_context("fork")  # the programs are loaded once; no thread or connection is taken along
LEASE_SEC = 30.0
CRASH_WATCH_SEC = 45.0  # longer than procrastinate's own 30 s until a worker counts as stalled
OWN, ALONE, CARRYING = "own ledger", "procrastinate alone", "procrastinate carrying the ledger"


def carrier(url: str) -> procrastinate.App:
    return procrastinate.App(connector=procrastinate.PsycopgConnector(conninfo=server.straight(url)))


# Claims -------------------------------------------------------------------------------------------------------------


def claim_own(url: str, ready: Any, seconds: float, out: Any) -> None:
    """Claim and finish until the time is over; counts jobs and tries of transactions."""
    database, tries = Database(url), 0
    ledger, name, once = DatabaseLedger(database), new_id(), transactions._once

    def counted(*words: Any) -> Any:
        nonlocal tries
        tries += 1
        return once(*words)

    transactions._once = counted
    ready.wait()
    count, until = 0, time.monotonic() + seconds
    while time.monotonic() < until:
        try:
            job = ledger.claim(name, LEASE_SEC)
            count += job is not None and ledger.finish(job.id, name, lambda session: None)
        except FairhearingError:
            continue
    out.put((count, tries))
    database.close()


def claim_procrastinate(url: str, ready: Any, seconds: float, out: Any, carrying: bool) -> None:
    database = Database(url)

    def begin(session: Any, job_id: str) -> None:
        job = session.get_one(Job, job_id)
        job.state, job.worker, job.attempts, job.lease_until = "running", "w", job.attempts + 1, time.time() + LEASE_SEC

    async def work() -> None:
        async with carrier(url).open_async() as app:
            mine = await app.job_manager.register_worker()
            ready.wait()
            count, until = 0, time.monotonic() + seconds
            while time.monotonic() < until:
                job = await app.job_manager.fetch_job(queues=None, worker_id=mine)
                if job is None:
                    continue
                if carrying:
                    job_id = str(job.task_kwargs["job_id"])
                    database.write(lambda session, job_id=job_id: begin(session, job_id))
                    DatabaseLedger(database).finish(job_id, "w", lambda session: None)
                await app.job_manager.finish_job(job, Status.SUCCEEDED, delete_job=False)
                count += 1
            out.put((count, count))

    asyncio.run(work())
    database.close()


def fill(url: str, count: int, *, own: bool, carried: bool) -> None:
    ids = [new_id() for _ in range(count)]
    database = Database(url)
    if own:
        rows = [{"id": n, "kind": "measure", "key": n, "payload": {}, "priority": 0} for n in ids]
        database.write(lambda session: session.execute(sa.insert(Job), rows).close())
    database.close()
    if carried:
        with carrier(url).open() as app:
            app.configure_task("measure").batch_defer(*({"job_id": n} for n in ids))
    server.analyze(url)


def rate(target: Callable[..., None], url: str, count: int, seconds: float, *more: Any) -> tuple[float, float]:
    """Jobs a second of ``count`` processes, and tries a transaction (a claim and a finish are two)."""
    ready, out = FORK.Barrier(count), FORK.Queue()
    processes = [FORK.Process(target=target, args=(url, ready, seconds, out, *more)) for _ in range(count)]
    for process in processes:
        process.start()
    found = [out.get(timeout=600) for _ in processes]
    for process in processes:
        process.join()
    done = sum(one for one, _ in found)
    return done / seconds, sum(tries for _, tries in found) / max(1, 2 * done)


def claims(make: Callable[[], str], backlog: int, seconds: float, rounds: int) -> None:
    print("| jobs a second (median of rounds) | 1 process | 4 | tries a transaction at 4 |\n|---|---|---|---|")
    found: dict[str, dict[int, list[tuple[float, float]]]] = {name: {} for name in (OWN, ALONE, CARRYING)}
    for _ in range(rounds):
        for count in (1, 4):
            for name in (OWN, ALONE, CARRYING):
                url = make()
                fill(url, backlog, own=name != ALONE, carried=name != OWN)
                target, more = (claim_own, ()) if name == OWN else (claim_procrastinate, (name == CARRYING,))
                found[name].setdefault(count, []).append(rate(target, url, count, seconds, *more))
    for name, by_count in found.items():
        said = " | ".join(f"{statistics.median(r for r, _ in by_count[count]):.0f}" for count in (1, 4))
        tries = f"{statistics.median(t for _, t in by_count[4]):.2f}" if name == OWN else "-"
        print(f"| {name} | {said} | {tries} |", flush=True)


# Wake-up and crash --------------------------------------------------------------------------------------------------


def serve_own(url: str, out: Any, holds: bool, stopping: Any) -> None:
    database = Database(url)

    def task(payload: Any, progress: Any) -> Any:
        out.put((payload["n"], time.monotonic(), os.getpid()))
        while holds and not stopping.is_set():
            time.sleep(0.1)
        return lambda session: None

    with idle_of(database, stopping) as idle:
        Worker(str(os.getpid()), DatabaseLedger(database), {"measure": task}, stopping.is_set, lease_sec=LEASE_SEC,
               idle=idle).run()  # fmt: skip
    database.close()


def serve_procrastinate(url: str, out: Any, holds: bool, stopping: Any) -> None:
    app = carrier(url)

    @app.task(name="measure")
    async def measure(job_id: str) -> None:
        out.put((job_id, time.monotonic(), os.getpid()))
        while holds and not stopping.is_set():
            await asyncio.sleep(0.1)

    async def work() -> None:
        async with app.open_async():
            running = asyncio.create_task(app.run_worker_async(install_signal_handlers=False))
            while not stopping.is_set():
                await asyncio.sleep(0.2)
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)

    asyncio.run(work())


def enqueue(url: str, database: Database, name: str, n: str) -> float:
    """Returns when the commit was acknowledged."""
    if name == OWN:
        database.write(lambda session: queueing.enqueue(session, "measure", n, {"n": n}).id)
    else:
        with carrier(url).open() as app:
            app.configure_task("measure").defer(job_id=n)
    return time.monotonic()


def wake(make: Callable[[], str], times: int) -> None:
    print("| from commit to claim, ms | median | p95 | longest |\n|---|---|---|---|")
    for name, target in ((OWN, serve_own), (ALONE, serve_procrastinate)):
        url, out, stopping = make(), FORK.Queue(), FORK.Event()
        database, waits = Database(url), []
        process = FORK.Process(target=target, args=(url, out, False, stopping))
        process.start()
        for n in range(times + 1):
            began = enqueue(url, database, name, str(n))
            _, at, _ = out.get(timeout=120)
            if n:  # the first one waited for the start
                waits.append(1000 * max(0.0, at - began))
            time.sleep(random.uniform(0.5, 1.5))
        stopping.set()
        process.join()
        database.close()
        p95 = statistics.quantiles(waits, n=20)[18]
        print(f"| {name} | {statistics.median(waits):.0f} | {p95:.0f} | {max(waits):.0f} |", flush=True)


def crash(make: Callable[[], str]) -> None:
    for name, target in ((OWN, serve_own), (ALONE, serve_procrastinate)):
        url, out, stopping = make(), FORK.Queue(), FORK.Event()
        database = Database(url)
        processes = [FORK.Process(target=target, args=(url, out, True, stopping)) for _ in range(2)]
        enqueue(url, database, name, "1")
        for process in processes:
            process.start()
        _, _, pid = out.get(timeout=120)
        os.kill(pid, signal.SIGKILL)
        killed, said = time.monotonic(), "not by itself"
        while time.monotonic() < killed + CRASH_WATCH_SEC:
            try:
                _, at, _ = out.get(timeout=1.0)
            except queue.Empty:
                continue
            said = f"after {at - killed:.0f} s (lease {LEASE_SEC:.0f} s)"
            break
        if name == ALONE:
            said += f"; {asyncio.run(_stalled(url))} found by get_stalled_jobs, to be retried by a rescue of one's own"
        print(f"Crash, {name}: another worker had the job {said}", flush=True)
        stopping.set()
        for process in processes:
            process.join()
        database.close()


async def _stalled(url: str) -> int:
    async with carrier(url).open_async() as app:
        return len(list(await app.job_manager.get_stalled_jobs(seconds_since_heartbeat=30)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--backlog", type=int, default=20_000)
    parser.add_argument("--seconds", type=float, default=6.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--wakes", type=int, default=30)
    args = parser.parse_args()
    set_up_logs("warning")
    logging.getLogger("procrastinate").setLevel(logging.ERROR)
    print(f"procrastinate {procrastinate.__version__}; {server.load()}")
    with server.databases() as cluster:
        template = cluster.make()
        server.schema.upgrade(cluster.url(template))
        with carrier(cluster.url(template)).open() as app:
            app.schema_manager.apply_schema()

        def make() -> str:
            return cluster.url(cluster.make(template))

        claims(make, args.backlog, args.seconds, args.rounds)
        wake(make, args.wakes)
        crash(make)
    print(timedelta(seconds=round(time.process_time())), "of processor time here;", server.load())


if __name__ == "__main__":
    main()

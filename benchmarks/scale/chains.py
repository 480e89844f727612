"""Writers on one audit chain of PostgreSQL: entries a second, and tries an entry.

python -m benchmarks.scale.chains
"""

import threading
import time
from typing import Any

from app.db import transactions
from app.db.database import Database
from app.domain.actor import Actor
from app.services import custody
from app.services.logs import set_up_logs
from benchmarks.scale import server

LEADER = Actor("leader", "0" * 32)
WRITES = 60


def writers(url: str, count: int) -> tuple[float, float]:
    """Entries a second and tries an entry when ``count`` threads append to one chain."""
    database, tries = Database(url), 0
    once = transactions._once

    def counted(*words: Any) -> Any:
        nonlocal tries
        tries += 1
        return once(*words)

    def append() -> None:
        for n in range(WRITES):
            database.write(lambda s, n=n: custody.record(s, "chain", LEADER, "counted", "", {"n": n}).seq)

    transactions._once = counted
    try:
        threads = [threading.Thread(target=append) for _ in range(count)]
        started = time.perf_counter()
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        took_sec = time.perf_counter() - started
    finally:
        transactions._once = once
        database.close()
    return WRITES * count / took_sec, tries / (WRITES * count)


def main() -> None:
    set_up_logs("warning")
    with server.databases() as cluster:
        url = server.with_schema(cluster)
        print("| writers on one chain | entries/s | tries an entry |\n|---|---|---|")
        for count in (1, 2, 8):
            rate, tries = writers(url, count)
            print(f"| {count} | {rate:.0f} | {tries:.2f} |", flush=True)
        print(server.load())


if __name__ == "__main__":
    main()

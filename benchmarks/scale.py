"""What a season of a whole state costs on PostgreSQL: writers on one audit chain, and the leader's pages.

Run with ``.venv/bin/python -m benchmarks.scale [--candidates 20000] [--adjudicators 100]`` where PostgreSQL's programs
are installed; it makes a server of its own in a temporary folder (as the tests do, but with fsync on) and ends it.
Rows are written directly; every page is then asked for through the whole application, without a network. The aim is a
95th percentile under 200 ms for every page.
"""

import argparse
import asyncio
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import httpx
import sqlalchemy as sa
from sqlmodel import Session

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

import postgres_cluster

from app.api.application import create_app
from app.db import schema, transactions
from app.db.database import Database
from app.db.identities import Entry, Student
from app.db.models import AdjudicationSheet, Adjudicator, Audition, Candidate, Piece, Round, Take
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.ids import new_id
from app.services import custody, sign_in
from app.services.logs import set_up_logs
from app.settings import Settings

LEADER = Actor("leader", "0" * 32)
WRITES = 60
AIM_MS = 200.0
SHEETS_EACH = 3  # adjudicators who heard a candidate


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


def fill(session: Session, candidates: int, adjudicators: int) -> tuple[str, str]:
    """One audition with a drawn round, a take and three sheets per candidate."""
    audition = Audition(name="Season", held_on=date(2026, 3, 7), rule_declared_at=now_utc())
    session.add(audition)
    session.flush()
    piece = Piece(audition_id=audition.id, title="Étude", kind="untyped")
    made = Round(audition_id=audition.id, name="Recorded", state="drawn", seed="0" * 64, seed_commitment="0" * 64)
    session.add_all([piece, made])
    session.flush()
    judges = [new_id() for _ in range(adjudicators)]
    letters = [chr(65 + n // 26) + chr(65 + n % 26) for n in range(adjudicators)]
    people, entries, numbers = ([new_id() for _ in range(candidates)] for _ in range(3))

    def insert(model: Any, rows: list[dict[str, Any]]) -> None:
        session.execute(sa.insert(model), rows)

    insert(
        Student, [{"id": p, "name": f"Student {n:05d}", "school": f"School {n % 400}"} for n, p in enumerate(people)]
    )
    insert(
        Adjudicator,
        [
            {"id": j, "audition_id": audition.id, "letter": x, "name": f"Ear {x}"}
            for j, x in zip(judges, letters, strict=True)
        ],
    )
    insert(
        Entry,
        [
            {"id": e, "audition_id": audition.id, "student_id": p, "instrument": "flute"}
            for e, p in zip(entries, people, strict=True)
        ],
    )
    insert(
        Candidate,
        [
            {
                "id": c, "round_id": made.id, "entry_id": e, "instrument": "flute", "blind_number": str(10_000 + n),
                "playing_order": n + 1, "state": "heard",
            }
            for n, (c, e) in enumerate(zip(numbers, entries, strict=True))
        ],
    )  # fmt: skip
    insert(
        Take,
        [
            {
                "id": new_id(), "candidate_id": c, "piece_id": piece.id, "sha256": new_id() * 2, "size_bytes": 1,
                "container": "wav", "playback_sha256": new_id() * 2, "duration_sec": 60.0, "sample_rate_hz": 48_000,
                "channels": 1, "quality": {"word": "good", "sentences": []}, "peaks": [0.5] * 100,
            }
            for c in numbers
        ],
    )  # fmt: skip
    insert(
        AdjudicationSheet,
        [
            {"adjudicator_id": judges[(n + k) % adjudicators], "candidate_id": c, "state": "submitted"}
            for n, c in enumerate(numbers)
            for k in range(min(SHEETS_EACH, adjudicators))
        ],
    )
    return audition.id, made.id


async def pages(settings: Settings, audition_id: str, round_id: str, times: int) -> dict[str, tuple[float, int]]:
    """The 95th percentile in ms (or the longest of few) and the bytes of every page."""
    app = create_app(settings)
    found = {}
    async with (
        app.router.lifespan_context(app),
        httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://testserver", timeout=600.0) as client,
    ):
        secret = app.state.resources.database.write(lambda s: sign_in.new_setup_secret(s, now=now_utc()))
        words = {"setup_token": secret, "name": "Lead", "password": "reed and ligature"}
        reply = await client.post("/api/setup", json=words, headers={"Origin": "http://testserver"})
        assert reply.status_code == 200, reply.text
        base = f"/api/auditions/{audition_id}"
        for page in (
            "/api/auditions", base, f"{base}/roster", f"{base}/adjudicators", f"{base}/rounds",
            f"/api/rounds/{round_id}", f"/api/rounds/{round_id}/progress", f"/api/room?audition_id={audition_id}",
        ):  # fmt: skip
            took = []
            for _ in range(times):
                started = time.perf_counter()
                reply = await client.get(page)
                took.append((time.perf_counter() - started) * 1000)
                assert reply.status_code == 200, (page, reply.text[:300])
                if sum(took) > 60_000:
                    break  # far beyond the aim; more would say the same
            worst = statistics.quantiles(took, n=20)[-1] if len(took) >= 20 else max(took)
            found[page.replace(audition_id, "{audition}").replace(round_id, "{round}")] = (worst, len(reply.content))
    return found


def told(deed: Callable[[], Any], words: str) -> Any:
    started = time.perf_counter()
    value = deed()
    print(f"{words}: {time.perf_counter() - started:.1f} s", flush=True)
    return value


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--candidates", type=int, default=20_000)
    parser.add_argument("--adjudicators", type=int, default=100)
    parser.add_argument("--times", type=int, default=20, help="how often each page is asked for")
    args = parser.parse_args()
    set_up_logs("warning")
    programs = postgres_cluster.programs()
    if programs is None:
        raise SystemExit("PostgreSQL's programs are missing; install the package postgresql.")
    safe = {"fsync": "on", "full_page_writes": "on", "autovacuum": "on"}
    postgres_cluster.FAST.update(safe)
    with postgres_cluster.running(programs) as cluster, tempfile.TemporaryDirectory() as folder:
        url = cluster.url(cluster.make())
        told(lambda: schema.upgrade(url), "schema")
        print("| writers on one chain | entries/s | tries an entry |\n|---|---|---|")
        for count in (1, 2, 8):
            rate, tries = writers(url, count)
            print(f"| {count} | {rate:.0f} | {tries:.2f} |", flush=True)
        database = Database(url)
        audition_id, round_id = told(
            lambda: database.write(lambda s: fill(s, args.candidates, args.adjudicators)),
            f"{args.candidates} candidates",
        )
        database.close()
        cluster.say("VACUUM ANALYZE")
        settings = Settings(data_dir=Path(folder), database_url=url, workers=0)
        found = asyncio.run(pages(settings, audition_id, round_id, args.times))
    print("| page | p95 ms | bytes | aim |\n|---|---|---|---|")
    for page, (worst_ms, size) in found.items():
        print(f"| {page} | {worst_ms:.0f} | {size} | {'met' if worst_ms < AIM_MS else 'MISSED'} |")


if __name__ == "__main__":
    main()

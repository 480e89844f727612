"""The leader's pages over a season of a whole state in PostgreSQL: median and 95th percentile of each.

    python -m benchmarks.scale.pages [--candidates 20000] [--adjudicators 100] [--times 20]

Rows are written in bulk; every page is then asked for through the whole application, without a network. The aim is a
95th percentile under 200 ms for every list.
"""

import argparse
import asyncio
import statistics
import tempfile
import time
from datetime import date
from pathlib import Path
from typing import Any

import httpx
import sqlalchemy as sa
from sqlmodel import Session

from app.api.application import create_app
from app.db.database import Database
from app.db.identities import Entry, Student
from app.db.models import AdjudicationSheet, Adjudicator, Audition, Candidate, Job, Piece, Round, Take
from app.db.types import now_utc
from app.domain.ids import new_id
from app.services import measuring, sign_in
from app.services.logs import set_up_logs
from app.settings import Settings
from benchmarks.scale import server

AIM_MS = 200.0
SHEETS_EACH = 3  # adjudicators who heard a candidate


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
    takes = [new_id() for _ in numbers]
    insert(
        Take,
        [
            {
                "id": t, "candidate_id": c, "piece_id": piece.id, "sha256": new_id() * 2, "size_bytes": 1,
                "container": "wav", "playback_sha256": new_id() * 2, "duration_sec": 60.0, "sample_rate_hz": 48_000,
                "channels": 1, "quality": {"word": "good", "sentences": []}, "peaks": [0.5] * 100,
            }
            for t, c in zip(takes, numbers, strict=True)
        ],
    )  # fmt: skip
    insert(
        Job,
        [{"id": new_id(), "kind": measuring.KIND, "key": t, "subject": t, "state": "done", "progress": 1.0}
         for t in takes],
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


async def pages(settings: Settings, audition_id: str, round_id: str, times: int) -> dict[str, tuple[float, float, int]]:
    """Median and 95th percentile in ms (of few: the longest) and the bytes of every page."""
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
            name = page.replace(audition_id, "{audition}").replace(round_id, "{round}")
            found[name] = (
                statistics.median(took),
                worst,
                len(reply.content),
            )
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--candidates", type=int, default=20_000)
    parser.add_argument("--adjudicators", type=int, default=100)
    parser.add_argument("--times", type=int, default=20, help="how often each page is asked for")
    args = parser.parse_args()
    set_up_logs("warning")
    with server.databases() as cluster, tempfile.TemporaryDirectory() as folder:
        url = server.with_schema(cluster)
        database = Database(url)
        audition_id, round_id = database.write(lambda s: fill(s, args.candidates, args.adjudicators))
        database.close()
        server.analyze(url)
        print(server.load(), flush=True)
        settings = Settings(data_dir=Path(folder), database_url=url, workers=0)
        found = asyncio.run(pages(settings, audition_id, round_id, args.times))
    print("| page | p50 ms | p95 ms | kB | aim |\n|---|---|---|---|---|")
    for page, (median_ms, worst_ms, size) in found.items():
        met = "met" if worst_ms < AIM_MS else "MISSED"
        print(f"| `{page}` | {median_ms:.0f} | {worst_ms:.0f} | {size / 1000:.0f} | {met} |")
    print(server.load())


if __name__ == "__main__":
    main()

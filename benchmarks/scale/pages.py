"""Every page that lists something over a season of a whole state in PostgreSQL: median and 95th percentile of each.

    python -m benchmarks.scale.pages [--candidates 20000] [--adjudicators 100] [--times 20] [--only WORD]

Every page is asked for through the whole application, without a network, as its screen asks for it: the first page, one
far down, a search. Its line is printed as soon as it is measured. Beside the clock stands the processor time a request
costs, of the application and of PostgreSQL's processes: on a busy machine only that says something. The aim is a 95th
percentile under 200 ms for every list.
"""

import argparse
import asyncio
import gc
import resource
import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import httpx
import sqlalchemy as sa
from fastapi import FastAPI
from fastapi.routing import APIRoute
from sqlmodel import col

from app.api.application import create_app
from app.db.database import Database
from app.db.identities import WorkedPaper
from app.db.models import Round
from app.db.types import now_utc
from app.domain.actor import SYSTEM
from app.jobs.ledger import Task
from app.services import comparing_long, long_printing, opening, opening_long, section, sign_in, standing_pages
from app.services.logs import set_up_logs
from app.settings import Settings
from benchmarks.scale import season, server
from benchmarks.scale.season import Season

AIM_MS = 200.0
FAR = 15_000
PAGE = 100  # lines, as the screens ask for
ENOUGH_SEC = 20.0  # of one page; more would say the same


@dataclass(frozen=True, slots=True)
class Page:
    """One address as a screen asks for it."""

    route: str  # as the application knows it
    query: str = ""
    of: str = ""  # the round in {round_id}: "opened", "handed_in" or "in_rooms"
    who: str = "leader"


PAGES = (
    Page("/api/auditions"),
    Page("/api/auditions/{audition_id}"),
    Page("/api/auditions/{audition_id}/roster", f"?limit={PAGE}"),
    Page("/api/auditions/{audition_id}/roster", f"?limit={PAGE}&offset={FAR}"),
    Page("/api/auditions/{audition_id}/roster", f"?limit={PAGE}&find=School+39"),
    Page("/api/auditions/{audition_id}/roster", "?limit=20&find=cora"),
    Page("/api/auditions/{audition_id}/adjudicators"),
    Page("/api/auditions/{audition_id}/tablets"),
    Page("/api/auditions/{audition_id}/recusals"),
    Page("/api/auditions/{audition_id}/recusals/proposed", f"?limit={PAGE}"),
    Page("/api/auditions/{audition_id}/pieces"),
    Page("/api/auditions/{audition_id}/rooms"),
    Page("/api/auditions/{audition_id}/rounds"),
    Page("/api/auditions/{audition_id}/audit", f"?limit={PAGE}"),
    Page("/api/auditions/{audition_id}/audit", f"?limit={PAGE}&offset={FAR}"),
    Page("/api/auditions/{audition_id}/recordings"),
    Page("/api/rounds/{round_id}", of="handed_in"),
    Page("/api/rounds/{round_id}", of="opened"),
    Page("/api/rounds/{round_id}/candidates", f"?limit={PAGE}&offset={FAR}", "handed_in"),
    Page("/api/rounds/{round_id}/candidates", f"?limit={PAGE}&find=17", "handed_in"),
    Page("/api/rounds/{round_id}/progress", f"?limit={PAGE}", "handed_in"),
    Page("/api/rounds/{round_id}/progress", f"?limit={PAGE}&offset={FAR}", "handed_in"),
    Page("/api/rounds/{round_id}/progress", f"?limit={PAGE}&find=17", "handed_in"),
    Page("/api/rounds/{round_id}/absences", of="in_rooms"),
    Page("/api/rounds/{round_id}/handing-in", f"?limit={PAGE}", "handed_in"),
    Page("/api/rounds/{round_id}/handing-in", f"?limit={PAGE}&offset={FAR}", "handed_in"),
    Page("/api/rounds/{round_id}/handing-in", f"?limit={PAGE}&find=cora", "handed_in"),
    Page("/api/rounds/{round_id}/handing-in", f"?limit={PAGE}&missing=true", "handed_in"),
    Page("/api/rounds/{round_id}/shares", of="handed_in"),
    Page("/api/rounds/{round_id}/standing", f"?limit={PAGE}", "handed_in"),
    Page("/api/rounds/{round_id}/standing", f"?limit={PAGE}&offset={FAR}", "handed_in"),
    Page("/api/rounds/{round_id}/standing", f"?limit={PAGE}&find=17", "handed_in"),
    Page("/api/rounds/{round_id}/standing", f"?limit={PAGE}", "opened"),
    Page("/api/rounds/{round_id}/standing", f"?limit={PAGE}&offset={FAR}", "opened"),
    Page("/api/rounds/{round_id}/standing", f"?limit={PAGE}&find=cora", "opened"),
    Page("/api/rounds/{round_id}/standing/compare", of="opened"),
    Page("/api/rounds/{round_id}/student-links", f"?limit={PAGE}", "opened"),
    Page("/api/rounds/{round_id}/student-links", "?limit=1&only_in_use=true", "opened"),
    Page("/api/rounds/{round_id}/student-links", f"?limit={PAGE}&offset={FAR}", "opened"),
    Page("/api/rounds/{round_id}/sheets", f"?limit={PAGE}", "opened"),
    Page("/api/rounds/{round_id}/paper", of="handed_in"),
    Page("/api/rounds/{round_id}/practice", of="handed_in"),
    Page("/api/room", "?audition_id={audition_id}&limit=100", who="proctor"),
    Page("/api/room", "?audition_id={audition_id}&limit=100&find=cora", who="proctor"),
    Page("/api/door", "?round_id={a_day}&limit=100", who="proctor"),
    Page("/api/door", "?round_id={a_day}&limit=100&find=cora", who="proctor"),
    Page("/api/door", "?round_id={in_rooms}&limit=100", who="proctor"),
    Page("/api/day-recordings", "?round_id={in_rooms}", who="proctor"),
    Page("/api/day-recordings/{recording_id}", who="proctor"),
    Page("/api/uploads", "?audition_id={audition_id}", who="proctor"),
    Page("/api/panel", "?round_id={handed_in}", who="adjudicator"),
    Page("/api/panel/candidates/{candidate_id}/sheet", who="adjudicator"),
    Page("/api/check", who="checker"),
    Page("/api/candidates/{candidate_id}/audit"),
    Page("/api/student", who="student"),
    Page("/api/hand-in", who="hand_in"),
    Page("/api/rounds/{round_id}/section", of="handed_in"),
    Page("/api/rounds/{round_id}/printing", of="opened"),
    Page("/api/metrics"),
    Page("/healthz"),
    Page("/api/session"),
)  # fmt: skip

#: Routes that give a file or a single thing which does not grow with the season: by how their address ends.
NO_LISTS = (
    ".pdf", ".zip", ".csv", ".xlsx", ".svg", ".cer", ".pem", "/playback", "/peaks", "/findings", "/music", "/sound",
    "/pulse", "/api/defaults", "/api/help", "/api/demo/doors", "/api/pieces/{piece_id}", "/sight-reading/{piece_id}",
    "/pieces/{piece_id}", "openapi.json", "/sw.js",
)  # fmt: skip


def not_measured(app: FastAPI) -> list[str]:
    """Routes to GET that give no file and are not among the pages: none, or a list was forgotten."""
    measured = {page.route for page in PAGES}
    return sorted(
        route.path
        for route in routes_of(app)
        if "GET" in route.methods and route.path not in measured and not route.path.endswith(NO_LISTS)
    )


def routes_of(app: FastAPI) -> list[APIRoute]:
    """Every route of the application that answers with data."""
    return _routes(app.routes)


def _routes(routes: list[object]) -> list[APIRoute]:
    found: list[APIRoute] = []
    for route in routes:
        if isinstance(route, APIRoute):
            found.append(route)
        elif (inner := getattr(route, "original_router", None)) is not None:
            found += _routes(inner.routes)
    return found


def address(page: Page, there: Season) -> str:
    """The page's address with ids in place."""
    ids = {
        "audition_id": there.audition, "round_id": getattr(there, page.of) if page.of else "",
        "candidate_id": there.own if page.who == "adjudicator" else there.candidate,
        "recording_id": there.day_recording, "in_rooms": there.in_rooms,
        "handed_in": there.handed_in, "a_day": there.a_day,
    }  # fmt: skip
    return (page.route + page.query).format(**ids)


async def measure(
    settings: Settings, there: Season, pages: list[Page], times: int, database_cpu: Callable[[], float]
) -> None:
    """Ask for every page and print its line."""
    app = create_app(settings)
    async with (
        app.router.lifespan_context(app),
        httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://testserver", timeout=600.0) as client,
    ):
        secret = app.state.resources.database.write(lambda s: sign_in.new_setup_secret(s, now=now_utc()))
        words = {"setup_token": secret, "name": "Lead", "password": "reed and ligature"}
        reply = await client.post("/api/setup", json=words, headers={"Origin": "http://testserver"})
        assert reply.status_code == 200, reply.text
        cookies = dict(client.cookies)
        client.cookies.clear()
        print("| page | p50 ms | p95 ms | CPU app ms | CPU PostgreSQL ms | kB | aim |\n|---|---|---|---|---|---|---|")
        for page in pages:
            headers = (
                {"Cookie": "; ".join(f"{k}={v}" for k, v in cookies.items())}
                if page.who == "leader"
                else {"Authorization": f"Bearer {getattr(there, page.who)}"}
            )
            where = address(page, there)
            first = await client.get(where, headers=headers)
            query = page.query.replace("{audition_id}", "…")
            query = query.replace("{in_rooms}", "everybody").replace("{a_day}", "a day").replace("{handed_in}", "…")
            name = page.route.removeprefix("/api") + query
            name += f" ({page.of or page.who})" if page.of or page.who != "leader" else ""
            if first.status_code != 200:
                print(f"| `{name}` | {first.status_code} {first.text[:200]}", flush=True)
                continue
            took, began, cpu, db = [], time.perf_counter(), time.process_time(), database_cpu()
            while len(took) < times and (not took or time.perf_counter() - began < ENOUGH_SEC):
                started = time.perf_counter()
                reply = await client.get(where, headers=headers)
                took.append((time.perf_counter() - started) * 1000)
            cpu, db = (time.process_time() - cpu) / len(took) * 1000, (database_cpu() - db) / len(took) * 1000
            worst = statistics.quantiles(took, n=20)[-1] if len(took) >= 20 else max(took)
            print(
                f"| `{name}` | {statistics.median(took):.0f} | {worst:.0f} | {cpu:.0f} | {db:.0f} "
                f"| {len(reply.content) / 1000:.0f} | {'met' if worst < AIM_MS else 'MISSED'} |",
                flush=True,
            )


def work_out(url: str, kind: str, round_id: str) -> str:
    """Have a worker's task done for a round; says what it took."""
    database, began, cpu = Database(url), time.perf_counter(), time.process_time()
    tasks: dict[str, Task] = {
        standing_pages.KIND: standing_pages.WorkOutStanding(database),
        section.WORK: section.WorkOutReport(database),
        opening.OPENING: opening_long.OpenRound(database),
        comparing_long.KIND: comparing_long.CompareStanding(database),
        long_printing.SCORE: long_printing.PrintLong(database, long_printing.SCORE),
    }
    payload = {"round_id": round_id, "role": SYSTEM.role, "actor": SYSTEM.id, "reason": "the season's end"}
    database.write(tasks[kind](payload, lambda share, text: None))
    with database.read() as session:
        kept = session.get(WorkedPaper, (round_id, kind))
        size = f", a file of {len(kept.pdf) / 1e6:.1f} MB" if kept is not None else ""
    database.close()
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return (
        f"{kind}: {time.perf_counter() - began:.0f} s, {time.process_time() - cpu:.0f} s of processor time, "
        f"{most:.0f} MB at most{size}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--candidates", type=int, default=20_000)
    parser.add_argument("--adjudicators", type=int, default=100)
    parser.add_argument("--times", type=int, default=20, help="how often each page is asked for")
    parser.add_argument("--only", default="", help="pages whose address holds this")
    args = parser.parse_args()
    set_up_logs("warning")
    with server.databases() as cluster, tempfile.TemporaryDirectory() as folder:
        url = server.with_schema(cluster)
        began = time.perf_counter()
        there = season.write(url, args.candidates, args.adjudicators)
        server.analyze(url)
        print(f"filled in {time.perf_counter() - began:.0f} s, {server.load()}", flush=True)
        for kind in (section.WORK, standing_pages.KIND):
            print(work_out(url, kind, there.handed_in), flush=True)
        server.analyze(url)
        pages = [page for page in PAGES if args.only in page.route + page.query]
        settings = Settings(data_dir=Path(folder), database_url=url, workers=0)
        gc.collect()  # as ``fairhearing serve`` does before it answers: what is loaded by now is no garbage
        gc.freeze()
        asyncio.run(measure(settings, there, pages, args.times, lambda: server.processor_sec(url)))
        database = Database(url)
        database.write(  # there is no second person here
            lambda session: session.execute(
                sa.update(Round).where(col(Round.id) == there.handed_in).values(second_check=False)
            )
        )
        database.close()
        for kind in (opening.OPENING, comparing_long.KIND, long_printing.SCORE):
            print(work_out(url, kind, there.handed_in), flush=True)
    print(server.load())


if __name__ == "__main__":
    main()

"""Is anything that was acknowledged ever lost or doubled? Processes are killed at random moments under load.

Run with ``nice .venv/bin/python -m benchmarks.custody [--kills 200] [--seed 1]``. Recording rooms send, void and send
again; adjudicators save drafts, submit and correct; the leader draws and opens round after round. Meanwhile the server,
everything at once, a worker, or the decoder of an upload gets SIGKILL at a random moment. What was under way is sent
again under its own id after the next start. After every end of a server the database is checked against everything
that was acknowledged; every 25 kills, and at the end, ``verify`` checks chains, signatures, draws, standings and the
hash of every recording. Prints one line of JSON; exit code 1 when anything is lost, doubled or broken.
"""

import argparse
import json
import os
import random
import signal
import sqlite3
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from app.db.database import Database
from app.files.decoding import CRASHED
from app.files.store import TakeStore
from app.services import measuring
from app.services.verifying import remove_left_over, verify
from benchmarks.audition_day import (
    PATIENCE_SEC,
    Day,
    Server,
    client,
    drawn_round,
    leader_client,
    make_day,
    marks,
    ok,
    recording,
    wait_for,
)

KINDS = {"server": 45, "everything": 25, "worker": 25, "decoder": 5}  # our choice: weights
LONGEST_PAUSE_SEC = 1.2
LONGEST_WAIT_SEC = 30.0  # our choice: a worker warms up for some seconds
VERIFY_EVERY = 25
MEASURED_AT_THE_END = 10


@dataclass
class Acknowledged:
    """Everything the server said yes to."""

    takes: dict[str, str] = field(default_factory=dict)  # id -> sha256
    voids: set[str] = field(default_factory=set)
    versions: dict[str, dict[str, Any]] = field(default_factory=dict)  # id -> marks
    drafts: dict[tuple[str, str], int] = field(default_factory=dict)  # (adjudicator, candidate) -> number
    openings: dict[str, str] = field(default_factory=dict)  # round -> hash of the standing

    def count(self) -> int:
        """How often yes was said."""
        return len(self.takes) + len(self.voids) + len(self.versions) + sum(self.drafts.values()) + len(self.openings)


Step = Callable[[httpx.Client], None]


class Visitor:
    """Somebody who keeps doing one thing, and after a broken connection does it again under the same id."""

    def __init__(self, acknowledged: Acknowledged, day: Day, rng: random.Random) -> None:
        self.done = acknowledged
        self.day = day
        self.rng = rng
        self.pending: Step | None = None
        self.wrong: list[str] = []

    def new_id(self) -> str:
        return f"{self.rng.getrandbits(128):032x}"

    def next_step(self, here: httpx.Client) -> Step:
        raise NotImplementedError

    def open(self, server: Server) -> httpx.Client:
        raise NotImplementedError

    def work(self, server: Server, over: threading.Event) -> None:
        """Go on until the server is gone or it is over. What fails otherwise is noted."""
        with self.open(server) as here:
            try:
                while not over.is_set():
                    if self.pending is None:
                        self.pending = self.next_step(here)
                    self.pending(here)
                    self.pending = None
                    time.sleep(self.rng.uniform(0.0, 0.08))
            except httpx.TransportError:
                return
            except RuntimeError as error:
                self.wrong.append(str(error))


class Room(Visitor):
    """A recording room with candidates of its own."""

    def __init__(self, *given: Any, token: str, cells: list[tuple[str, str]]) -> None:
        super().__init__(*given)
        self._token = token
        self._cells = cells
        self._kept: dict[tuple[str, str], str] = {}
        self._seed = 0

    def open(self, server: Server) -> httpx.Client:
        return client(server, self._token)

    def next_step(self, here: httpx.Client) -> Step:
        cell = self.rng.choice(self._cells)
        if cell in self._kept:
            return lambda here: self._void(here, cell)
        take_id, data = self.new_id(), recording(self.rng.getrandbits(32))
        return lambda here: self._send(here, cell, take_id, data)

    def _send(self, here: httpx.Client, cell: tuple[str, str], take_id: str, data: bytes) -> None:
        form = {"id": take_id, "candidate_id": cell[0], "piece_id": cell[1]}
        reply = here.post("/api/takes", data=form, files={"file": ("take.wav", data)})
        if reply.status_code == 422 and reply.json()["error"]["sentence"] == CRASHED:
            return self._send(here, cell, take_id, data)  # its decoder was killed: nothing was kept, and it was said
        self.done.takes[take_id] = ok(reply)["take"]["sha256"]
        self._kept[cell] = take_id
        return None

    def _void(self, here: httpx.Client, cell: tuple[str, str]) -> None:
        take_id = self._kept[cell]
        reply = here.post(f"/api/takes/{take_id}/void", json={"reason": "again"})
        if not (reply.status_code == 409 and "voided already" in reply.text):
            ok(reply)
        self.done.voids.add(take_id)
        del self._kept[cell]


class Ear(Visitor):
    """An adjudicator: one sheet that stays a draft, the others submitted and corrected."""

    def __init__(self, *given: Any, token: str, adjudicator_id: str) -> None:
        super().__init__(*given)
        self._token = token
        self._id = adjudicator_id
        self._sent: set[str] = set()
        self._number = 0

    def open(self, server: Server) -> httpx.Client:
        return client(server, self._token)

    def next_step(self, here: httpx.Client) -> Step:
        candidate = self.rng.choice(self.day.candidate_ids)
        address = f"/api/panel/candidates/{candidate}/sheet"
        if candidate == self.day.candidate_ids[-1]:
            self._number += 1
            return self._draft(address, candidate, self._number)
        wanted = marks(self.day, self.rng.randint(1, 10))
        return self._send(address, candidate, self.new_id(), wanted)

    def _draft(self, address: str, candidate: str, number: int) -> Step:
        remark = {"piece_id": self.day.piece_ids[0], "bar": None, "text": f"draft {number}"}

        def step(here: httpx.Client) -> None:
            ok(here.put(f"{address}/draft", json={"marks": marks(self.day, 5), "remarks": [remark]}))
            self.done.drafts[self._id, candidate] = number

        return step

    def _send(self, address: str, candidate: str, version_id: str, wanted: dict[str, Any]) -> Step:
        body: dict[str, Any] = {"version_id": version_id, "marks": wanted, "remarks": []}
        way = "submit"
        if candidate in self._sent:
            way, body["reason"] = "correct", "heard again"

        def step(here: httpx.Client) -> None:
            ok(here.post(f"{address}/{way}", json=body))
            self.done.versions[version_id] = wanted
            self._sent.add(candidate)

        return step


class Leader(Visitor):
    """The section leader: round after round of two, each marked by one sheet and opened."""

    def __init__(self, *given: Any, ear_token: str) -> None:
        super().__init__(*given)
        self._ear_token = ear_token

    def open(self, server: Server) -> httpx.Client:
        return leader_client(server, self.day)

    def next_step(self, here: httpx.Client) -> Step:
        roster = ok(here.get(f"/api/auditions/{self.day.audition_id}/roster"))
        entries = [line["entry_id"] for line in self.rng.sample(roster, 2)]
        round_id = drawn_round(here, self.day.audition_id, f"Round {self.new_id()[:6]}", entries)
        [first, _] = ok(here.get(f"/api/rounds/{round_id}"))["candidates"]
        version_id, wanted = self.new_id(), marks(self.day, self.rng.randint(1, 10))
        sheet = {"version_id": version_id, "marks": wanted, "remarks": []}
        url = f"{here.base_url}/api/panel/candidates/{first['candidate_id']}/sheet/submit"
        ok(httpx.post(url, json=sheet, headers={"Authorization": f"Bearer {self._ear_token}"}, timeout=30.0))
        self.done.versions[version_id] = wanted
        return lambda here: self._open(here, round_id)

    def _open(self, here: httpx.Client, round_id: str) -> None:
        reply = here.post(f"/api/rounds/{round_id}/open", json={"reason": "a benchmark"})
        if not (reply.status_code == 409 and "opened already" in reply.text):
            ok(reply)
        self.done.openings[round_id] = ok(here.get(f"/api/rounds/{round_id}/standing"))["standing_hash"]


def compare(data: Path, done: Acknowledged) -> list[str]:
    """What the database lacks of everything acknowledged, or has twice. Read while no server runs."""
    found: list[str] = []
    with closing(sqlite3.connect(data / "fairhearing.db")) as database:
        if database.execute("PRAGMA quick_check").fetchone() != ("ok",):
            found.append("the database is damaged")
        takes = {row[0]: row[1:] for row in database.execute("SELECT id, sha256, state FROM take")}
        versions = {row[0]: json.loads(row[1]) for row in database.execute("SELECT id, marks FROM sheetversion")}
        opened = dict(database.execute("SELECT id, standing_hash FROM round WHERE state = 'opened'"))
        drafts = {
            (row[0], row[1]): int(json.loads(row[2])["remarks"][0]["text"].split()[1])
            for row in database.execute(
                "SELECT adjudicator_id, candidate_id, draft FROM adjudicationsheet WHERE state = 'draft'"
            )
        }
        doubled = database.execute(
            "SELECT action, subject, count(*) FROM auditentry"
            " WHERE action IN ('take-received', 'take-voided', 'opened') GROUP BY action, subject HAVING count(*) > 1"
        ).fetchall()
        signatures = database.execute(
            "SELECT count(*), count(DISTINCT json_extract(facts, '$.signature')) FROM auditentry"
            " WHERE action IN ('sheet-submitted', 'sheet-corrected')"
        ).fetchone()
        jobs = database.execute("SELECT count(*), count(DISTINCT subject) FROM job").fetchone()
        results = database.execute("SELECT count(*), count(DISTINCT take_id) FROM findings").fetchone()
    found += [f"take {t} is lost" for t, sha in done.takes.items() if t not in takes or takes[t][0] != sha]
    found += [f"the void of take {t} is lost" for t in done.voids if takes.get(t, ("", ""))[1] != "voided"]
    found += [f"sheet {v} is lost" for v, wanted in done.versions.items() if versions.get(v) != wanted]
    found += [f"opening {r} is lost" for r, standing in done.openings.items() if opened.get(r) != standing]
    found += [f"a draft of {cell} is lost" for cell, number in done.drafts.items() if drafts.get(cell, 0) < number]
    found += [f"{action} {subject} stands {count} times" for action, subject, count in doubled]
    if signatures != (len(versions), len(versions)):
        found.append(f"{len(versions)} sheets have {signatures} entries")
    if jobs != (len(takes), len(takes)) or results[0] != results[1]:
        found.append(f"{len(takes)} takes have jobs {jobs} and findings {results}")
    return found


def verified(data: Path) -> list[str]:
    """What ``verify`` says is wrong: chains, signatures, draws, standings, and the hash of every recording."""
    database = Database(f"sqlite:///{data / 'fairhearing.db'}")
    try:
        with database.read() as session:
            return [p for check in verify(session, TakeStore(data / "takes")) for p in check.problems]
    finally:
        database.close()


class Campaign:
    """One server after the other, and everybody who keeps on working."""

    def __init__(self, data: Path, seed: int, workers: int, students: int, adjudicators: int, rooms: int) -> None:
        self.data = data
        self.workers = workers
        self.log = data.parent / "server.log"
        self.rng = random.Random(seed)
        self.done = Acknowledged()
        self.kinds = dict(KINDS)
        self.kills: Counter[str] = Counter()
        self.wrong: list[str] = []
        self.server = Server(data, workers, self.log)
        self.day = make_day(self.server, students=students, adjudicators=adjudicators + 1, proctors=rooms)
        cells = [(c, p) for c in self.day.candidate_ids for p in self.day.piece_ids]
        self.visitors: list[Visitor] = [
            Room(*self._own(), token=token, cells=cells[n::rooms]) for n, token in enumerate(self.day.proctors)
        ]
        seats = list(zip(self.day.adjudicators, self.day.adjudicator_ids, strict=True))
        self.visitors += [Ear(*self._own(), token=token, adjudicator_id=seat) for token, seat in seats[:-1]]
        self.visitors.append(Leader(*self._own(), ear_token=seats[-1][0]))

    def _own(self) -> tuple[Acknowledged, Day, random.Random]:
        return self.done, self.day, random.Random(self.rng.random())

    def run(self, kills: int) -> None:
        """Kill that many processes."""
        while self.kills.total() < kills and not self.wrong:
            over = threading.Event()
            threads = [threading.Thread(target=v.work, args=(self.server, over)) for v in self.visitors]
            for thread in threads:
                thread.start()
            try:
                self._kill_until_the_server_ends(kills)
            finally:
                over.set()
                for thread in threads:
                    thread.join()
            self.wrong += [text for visitor in self.visitors for text in visitor.wrong]
            self.wrong += compare(self.data, self.done)
            if self.kills.total() // VERIFY_EVERY > (self.kills.total() - 1) // VERIFY_EVERY:
                self.wrong += verified(self.data)
            self.server = Server(self.data, self.workers, self.log)

    def _kill_until_the_server_ends(self, kills: int) -> None:
        before = self.done.count()
        wait_for(lambda: self.done.count() > before or any(v.wrong for v in self.visitors))  # the load is on
        while True:
            time.sleep(self.rng.uniform(0.02, LONGEST_PAUSE_SEC))
            [kind] = self.rng.choices(list(self.kinds), list(self.kinds.values()))
            if self.kills.total() + 1 >= kills and kind in ("worker", "decoder"):
                kind = "everything"
            if kind == "server":
                self.server.kill()
            elif kind == "everything":
                self.server.kill_tree()
            elif not self._kill_child(decoder=kind == "decoder"):
                continue
            self.kills[kind] += 1
            if kind in ("server", "everything"):
                return

    def _kill_child(self, *, decoder: bool) -> bool:
        """Kill a decoder as soon as there is one, or a worker as soon as one measures; False when neither comes."""
        deadline = time.monotonic() + LONGEST_WAIT_SEC
        while time.monotonic() < deadline:
            if not decoder and not self._measures():
                time.sleep(0.1)
                continue
            if not decoder:
                time.sleep(self.rng.uniform(0.0, 0.5))  # somewhere in the middle of it
            workers = set(self.server.worker_pids())
            others = set(self.server.children()) - workers
            chosen = sorted(others if decoder else workers)
            if chosen:
                try:
                    os.kill(self.rng.choice(chosen), signal.SIGKILL)
                except ProcessLookupError:
                    continue
                return True
            time.sleep(0.005)
        return False

    def _jobs(self) -> dict[str, int]:
        with closing(sqlite3.connect(self.data / "fairhearing.db")) as database:
            states = dict(database.execute("SELECT state, count(*) FROM job GROUP BY state"))
            again = database.execute("SELECT count(*) FROM job WHERE attempts > 1").fetchone()[0]
        return {
            "takes_measured": states.get("done", 0),
            "takes_set_aside": states.get("failed", 0),
            "begun_again": again,
        }

    def _measures(self) -> bool:
        with closing(sqlite3.connect(f"file:{self.data / 'fairhearing.db'}?mode=ro", uri=True)) as database:
            return bool(database.execute("SELECT count(*) FROM job WHERE state = 'running'").fetchone()[0])

    def finish(self) -> dict[str, Any]:
        """Let the workers get somewhere, stop in good order, check everything once more, and tell the figures."""
        if self.workers:
            before = self._jobs()["takes_measured"]
            wait_for(lambda: self._jobs()["takes_measured"] >= before + MEASURED_AT_THE_END, 10 * PATIENCE_SEC)
        code = self.server.stop()
        if code != 0:
            self.wrong.append(f"the orderly end gave {code}")
        self.wrong += compare(self.data, self.done) + verified(self.data)
        database = Database(f"sqlite:///{self.data / 'fairhearing.db'}")
        left_over = remove_left_over(database, TakeStore(self.data / "takes"), older_than_sec=0.0)
        database.close()
        self.wrong += verified(self.data)
        return {
            "kills": self.kills.total(),
            **{f"kills_{kind}": self.kills[kind] for kind in KINDS},
            "takes": len(self.done.takes),
            "voids": len(self.done.voids),
            "sheets_and_corrections": len(self.done.versions),
            "drafts": sum(self.done.drafts.values()),
            "openings": len(self.done.openings),
            **self._jobs(),
            "recordings_without_a_take_removed": left_over,
            "wrong": self.wrong[:20],
        }


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--small", action="store_true", help="fewer people and no worker: for a quick look")
    args = parser.parse_args(argv)
    started = time.monotonic()
    if not args.small:
        measuring.warm_up()  # compiled once, so that workers get to measure between two kills
    with tempfile.TemporaryDirectory(prefix="fairhearing-custody-") as place:
        people = (0, 3, 2, 1) if args.small else (1, 6, 6, 3)
        campaign = Campaign(Path(place) / "data", args.seed, *people)
        if args.small:
            campaign.kinds.pop("worker")
        try:
            campaign.run(args.kills)
            told = campaign.finish()
        finally:
            if campaign.server.process.poll() is None:
                campaign.server.kill_tree()
            wait_for(lambda: not campaign.server.children())
    told["minutes"] = round((time.monotonic() - started) / 60, 1)
    print(json.dumps(told))
    return 1 if told["wrong"] else 0


if __name__ == "__main__":
    sys.exit(main())

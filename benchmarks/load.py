"""Fifty tablets, four recording rooms and two workers at once: how long does a tablet wait for its sheet to be kept?

Run with ``.venv/bin/python -m benchmarks.load [--tablets 50] [--seconds 60]`` on an otherwise idle machine. Every
tablet changes its sheet once a second (a draft with all marks and three remarks), four rooms send takes of 20 s one
after the other, two workers measure them. The server is started here, on a disk of this machine. A panel has 26 letters
at most, so two tablets share a letter. The aim is a 99th percentile under 100 ms for sheets, and no error. Prints one
line of JSON; exit code 1 when the aim is missed.

Everything shares the cores, the clients included. So that these do not measure themselves, the tablets speak plain
HTTP/1.1 over a socket from a process that does nothing else, and the rooms, which pack megabytes, stand in another
process. ``clients_late_ms`` says how late the tablets' process itself was at each change, before anything was sent;
``sheets_ms`` counts from when a change was due, so this is in it. ``cpu_sec`` is processor time during the load.
"""

import argparse
import asyncio
import gc
import json
import multiprocessing
import multiprocessing.connection
import os
import random
import re
import sqlite3
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import httpx
import numpy as np

from app.domain.ids import new_id
from app.files.playback import rendition
from app.material.generating import generate
from app.material.performing import Plan, perform
from app.material.recipe import recipe_from
from app.material.sounding import SAMPLE_RATE_HZ, sound, voice_for
from app.services import measuring
from benchmarks.audition_day import RECIPE, Day, Server, make_day, marks, wait_for

AIM_MS = 100.0
CHANGES_PER_SEC = 1.0
WARM_UP_SEC = 5.0  # our choice: not counted


def played_take(seed: int, seconds: float = 20.0) -> bytes:
    """The piece as somebody plays it, in a recording of ``seconds``."""
    rng = np.random.default_rng(seed)
    samples = sound(perform(generate(recipe_from(RECIPE)), Plan(), rng), voice_for("clarinet-bb"), rng)
    room = rng.normal(0, 3e-4, round(seconds * SAMPLE_RATE_HZ)).astype(np.float32)
    length = min(room.size, samples.size)
    room[:length] += samples[:length]
    return rendition(room, SAMPLE_RATE_HZ)


class Tablet:
    """An adjudicator's tablet that changes one sheet after the other."""

    def __init__(self, day: Day, token: str, rng: random.Random) -> None:
        self._day = day
        self._token = token
        self._rng = rng
        self.waits_ms: list[float] = []
        self.late_ms: list[float] = []
        self.errors: list[str] = []

    async def work(self, url: str, start: float, end: float) -> None:
        """Change a sheet once a second, at moments of its own. ``start`` and ``end`` in seconds of the clock."""
        host, port = url.removeprefix("http://").split(":")
        reader, writer = await asyncio.open_connection(host, int(port))
        due = start + self._rng.random() / CHANGES_PER_SEC
        while due < end:
            wanted = self._request(f"{host}:{port}")
            await asyncio.sleep(max(0.0, due - time.time()))
            late_sec = time.time() - due
            writer.write(wanted)
            head = await reader.readuntil(b"\r\n\r\n")
            length = re.search(rb"\r\ncontent-length: (\d+)", head, re.IGNORECASE)
            body = await reader.readexactly(int(length.group(1)) if length else 0)
            if due - start > WARM_UP_SEC:
                # From when it was due: a change that had to wait for the last answer has waited, too.
                self.waits_ms.append(1000 * (time.time() - due))
                self.late_ms.append(1000 * late_sec)
            if not head.startswith(b"HTTP/1.1 200"):
                self.errors.append(f"{head[:40]!r} {body[:200]!r}")
            due += 1.0 / CHANGES_PER_SEC
        writer.close()
        await writer.wait_closed()

    def _request(self, host: str) -> bytes:
        piece = self._day.piece_ids[0]
        remark = {"piece_id": piece, "bar": "1", "text": f"The held note is given up early ({self._rng.random():.3f})."}
        body = json.dumps({"marks": marks(self._day, self._rng.randint(1, 10)), "remarks": [remark] * 3}).encode()
        return (
            f"PUT /api/panel/candidates/{self._rng.choice(self._day.candidate_ids)}/sheet/draft HTTP/1.1\r\n"
            f"Host: {host}\r\nAuthorization: Bearer {self._token}\r\n"
            f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
        ).encode() + body


class Room:
    """A recording room that sends, voids and sends again."""

    def __init__(
        self, day: Day, token: str, cells: list[tuple[str, str]], takes: list[bytes], rng: random.Random
    ) -> None:
        self._headers = {"Authorization": f"Bearer {token}"}
        self._cells = cells
        self._takes = takes
        self._rng = rng
        self.waits_ms: list[float] = []
        self.errors: list[str] = []

    async def work(self, url: str, start: float, end: float) -> None:
        """Send takes one after the other. ``start`` and ``end`` in seconds of the clock."""
        await asyncio.sleep(max(0.0, start - time.time()))
        async with httpx.AsyncClient(base_url=url, headers=self._headers, timeout=60.0) as here:
            number = 0
            while time.time() < end:
                candidate_id, piece_id = self._cells[number % len(self._cells)]
                form = {"id": new_id(), "candidate_id": candidate_id, "piece_id": piece_id}
                # A few bytes behind the sound make every recording another one.
                sound_bytes = self._takes[number % len(self._takes)] + b"LIST\x08\x00\x00\x00" + os.urandom(8)
                asked = time.time()
                reply = await here.post("/api/takes", data=form, files={"file": ("take.wav", sound_bytes)})
                self.waits_ms.append(1000 * (time.time() - asked))
                if reply.status_code != 201:
                    self.errors.append(f"{reply.status_code} {reply.text[:200]}")
                else:
                    voided = await here.post(f"/api/takes/{form['id']}/void", json={"reason": "once more"})
                    if voided.status_code != 200:
                        self.errors.append(f"{voided.status_code} {voided.text[:200]}")
                number += 1
                await asyncio.sleep(self._rng.uniform(0.5, 1.5))


async def everybody(url: str, visitors: Sequence[Tablet | Room], start: float, end: float) -> None:
    await asyncio.gather(*(visitor.work(url, start, end) for visitor in visitors))


def send_takes(url: str, day: Day, pipe: "multiprocessing.connection.Connection") -> None:
    """The recording rooms, in a process of their own: says when it is ready, is told when to begin and to end."""
    takes = [played_take(seed) for seed in range(4)]
    cells = [(c, p) for c in day.candidate_ids for p in day.piece_ids]
    count = len(day.proctors)
    rooms = [Room(day, token, cells[n::count], takes, random.Random(n)) for n, token in enumerate(day.proctors)]
    pipe.send("ready")
    start, end = pipe.recv()
    asyncio.run(everybody(url, rooms, start, end))
    pipe.send(([w for room in rooms for w in room.waits_ms], [e for room in rooms for e in room.errors]))


def cpu_sec(pid: int) -> float:
    """Processor time of a process so far, without its children."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def percentiles(waits_ms: list[float]) -> dict[str, float]:
    return {f"p{p:g}": round(float(np.percentile(waits_ms, p)), 1) for p in (50, 95, 99, 99.9)} | {
        "worst": round(max(waits_ms), 1)
    }


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--tablets", type=int, default=50)
    parser.add_argument("--rooms", type=int, default=4)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seconds", type=float, default=60.0)
    args = parser.parse_args(argv)
    measuring.warm_up()  # compiled once, so that the workers measure from the start
    rng = random.Random(5)
    load_before = os.getloadavg()[0]
    with tempfile.TemporaryDirectory(prefix="fairhearing-load-") as place:
        data = Path(place) / "data"
        server = Server(data, args.workers, Path(place) / "server.log")
        try:
            day = make_day(
                server, students=12, adjudicators=(args.tablets + 1) // 2, proctors=args.rooms, tablets=args.tablets
            )
            wait_for(lambda: (Path(place) / "server.log").read_text().count("worker_ready") == args.workers)
            tablets = [Tablet(day, token, random.Random(rng.random())) for token in day.adjudicators]
            spawn = multiprocessing.get_context("spawn")
            pipe, far_end = spawn.Pipe()
            rooms = spawn.Process(target=send_takes, args=(server.url, day, far_end))
            rooms.start()
            pipe.recv()  # ready
            gc.collect()
            gc.freeze()  # no pauses of this process in its own figures
            start = time.time() + 1.0
            end = start + WARM_UP_SEC + args.seconds
            pipe.send((start, end))
            before = cpu_sec(server.process.pid), time.process_time()
            asyncio.run(everybody(server.url, tablets, start, end))
            spent = cpu_sec(server.process.pid) - before[0], time.process_time() - before[1]
            upload_waits_ms, upload_errors = pipe.recv()
            rooms.join()
            with closing(sqlite3.connect(data / "fairhearing.db")) as database:
                states = dict(database.execute("SELECT state, count(*) FROM job GROUP BY state"))
        finally:
            server.kill_tree()
    waits_ms = [wait for tablet in tablets for wait in tablet.waits_ms]
    errors = [error for tablet in tablets for error in tablet.errors] + upload_errors
    sheets = percentiles(waits_ms)
    told = {
        "tablets": args.tablets,
        "rooms": args.rooms,
        "workers": args.workers,
        "cores": os.cpu_count(),
        "load_before": round(load_before, 2),
        "seconds": args.seconds,
        "sheets": len(waits_ms),
        "sheets_ms": sheets,
        "clients_late_ms": percentiles([late for tablet in tablets for late in tablet.late_ms]),
        "uploads": len(upload_waits_ms),
        "uploads_ms": percentiles(upload_waits_ms) if upload_waits_ms else {},
        "takes_measured": states.get("done", 0),
        "cpu_sec": {"server": round(spent[0], 1), "tablets": round(spent[1], 1)},
        "errors": errors[:10],
    }
    print(json.dumps(told))
    return 0 if not errors and sheets["p99"] < AIM_MS else 1


if __name__ == "__main__":
    sys.exit(main())

"""Fifty tablets, four recording rooms and two workers at once: how long does a tablet wait for its sheet to be kept?

Run with ``.venv/bin/python -m benchmarks.load [--tablets 50] [--seconds 60]`` on an otherwise idle machine. Every
tablet changes its sheet once a second (a draft with all marks and three remarks), four rooms send takes of 20 s one
after the other, two workers measure them. The server is started here, on a disk of this machine. The clients run in a
process of their own and share the cores with the server, so the figures are on the safe side. A panel has 26 letters at
most, so two tablets share a letter. The aim is a 99th percentile under 100 ms for sheets, and no error. Prints one line
of JSON; exit code 1 when the aim is missed.
"""

import argparse
import asyncio
import json
import os
import random
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from app.domain.ids import new_id
from app.files.playback import rendition
from app.material.generating import generate
from app.material.performing import Plan, perform
from app.material.recipe import recipe_from
from app.material.sounding import SAMPLE_RATE_HZ, sound, voice_for
from app.services import measuring
from benchmarks.audition_day import RECIPE, Day, Server, make_day, marks

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
        self._headers = {"Authorization": f"Bearer {token}"}
        self._rng = rng
        self.waits_ms: list[float] = []
        self.errors: list[str] = []

    async def work(self, url: str, start: float, end: float) -> None:
        """Change a sheet once a second, at moments of its own."""
        loop = asyncio.get_running_loop()
        due = start + self._rng.random() / CHANGES_PER_SEC
        async with httpx.AsyncClient(base_url=url, headers=self._headers, timeout=30.0) as here:
            while due < end:
                await asyncio.sleep(max(0.0, due - loop.time()))
                reply = await here.put(self._address(), json=self._sheet())
                if due - start > WARM_UP_SEC:
                    # From when it was due: a change that had to wait for the last answer has waited, too.
                    self.waits_ms.append(1000 * (loop.time() - due))
                if reply.status_code != 200:
                    self.errors.append(f"{reply.status_code} {reply.text[:200]}")
                due += 1.0 / CHANGES_PER_SEC

    def _address(self) -> str:
        return f"/api/panel/candidates/{self._rng.choice(self._day.candidate_ids)}/sheet/draft"

    def _sheet(self) -> dict[str, Any]:
        piece = self._day.piece_ids[0]
        remark = {"piece_id": piece, "bar": "1", "text": f"The held note is given up early ({self._rng.random():.3f})."}
        return {"marks": marks(self._day, self._rng.randint(1, 10)), "remarks": [remark] * 3}


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
        """Send takes one after the other."""
        loop = asyncio.get_running_loop()
        await asyncio.sleep(max(0.0, start - loop.time()))
        async with httpx.AsyncClient(base_url=url, headers=self._headers, timeout=60.0) as here:
            number = 0
            while loop.time() < end:
                candidate_id, piece_id = self._cells[number % len(self._cells)]
                form = {"id": new_id(), "candidate_id": candidate_id, "piece_id": piece_id}
                # A few bytes behind the sound make every recording another one.
                sound_bytes = self._takes[number % len(self._takes)] + b"LIST\x08\x00\x00\x00" + os.urandom(8)
                asked = loop.time()
                reply = await here.post("/api/takes", data=form, files={"file": ("take.wav", sound_bytes)})
                self.waits_ms.append(1000 * (loop.time() - asked))
                if reply.status_code != 201:
                    self.errors.append(f"{reply.status_code} {reply.text[:200]}")
                else:
                    voided = await here.post(f"/api/takes/{form['id']}/void", json={"reason": "once more"})
                    if voided.status_code != 200:
                        self.errors.append(f"{voided.status_code} {voided.text[:200]}")
                number += 1
                await asyncio.sleep(self._rng.uniform(0.5, 1.5))


async def everybody(url: str, visitors: list[Tablet | Room], seconds: float) -> None:
    start = asyncio.get_running_loop().time() + 0.5
    await asyncio.gather(*(visitor.work(url, start, start + WARM_UP_SEC + seconds) for visitor in visitors))


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
    takes = [played_take(seed) for seed in range(4)]
    rng = random.Random(5)
    with tempfile.TemporaryDirectory(prefix="fairhearing-load-") as place:
        data = Path(place) / "data"
        server = Server(data, args.workers, Path(place) / "server.log")
        try:
            day = make_day(
                server, students=12, adjudicators=(args.tablets + 1) // 2, proctors=args.rooms, tablets=args.tablets
            )
            time.sleep(15.0)  # the workers get ready
            tablets = [Tablet(day, token, random.Random(rng.random())) for token in day.adjudicators]
            cells = [(c, p) for c in day.candidate_ids for p in day.piece_ids]
            rooms = [
                Room(day, token, cells[n :: args.rooms], takes, random.Random(rng.random()))
                for n, token in enumerate(day.proctors)
            ]
            asyncio.run(everybody(server.url, [*tablets, *rooms], args.seconds))
            with closing(sqlite3.connect(data / "fairhearing.db")) as database:
                states = dict(database.execute("SELECT state, count(*) FROM job GROUP BY state"))
        finally:
            server.kill_tree()
    waits_ms = [wait for tablet in tablets for wait in tablet.waits_ms]
    errors = [error for visitor in [*tablets, *rooms] for error in visitor.errors]
    sheets = percentiles(waits_ms)
    told = {
        "tablets": args.tablets,
        "rooms": args.rooms,
        "workers": args.workers,
        "cores": os.cpu_count(),
        "seconds": args.seconds,
        "sheets": len(waits_ms),
        "sheets_ms": sheets,
        "uploads": sum(len(room.waits_ms) for room in rooms),
        "uploads_ms": percentiles([wait for room in rooms for wait in room.waits_ms]),
        "takes_measured": states.get("done", 0),
        "errors": errors[:10],
    }
    print(json.dumps(told))
    return 0 if not errors and sheets["p99"] < AIM_MS else 1


if __name__ == "__main__":
    sys.exit(main())

"""A server process and a small audition in it, made over HTTP, for the benchmarks that need a day in full swing."""

import io
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import soundfile

ROOT = Path(__file__).resolve().parents[1]
COMMAND = (sys.executable, "-m", "app.cli.main", "serve")
PASSWORD = "a long enough secret 7"
PATIENCE_SEC = 240.0  # a busy machine may be slow; only what never ends is wrong
CAPTIONS = ("tone", "pitch", "rhythm", "musicianship")
RECIPE = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "clarinet-bb"}


class Server:
    """``fairhearing serve`` on a free port, with every process it starts in one process group."""

    def __init__(self, data: Path, workers: int, log: Path) -> None:
        with log.open("a") as errors:
            self.process = subprocess.Popen(
                [*COMMAND, "--data", str(data), "--port", "0", "--workers", str(workers)],
                stdout=subprocess.PIPE,
                stderr=errors,
                text=True,
                cwd=ROOT,
                start_new_session=True,
            )
        said = ""
        if self.process.stdout is None:
            raise RuntimeError("a pipe was asked for")
        for line in self.process.stdout:
            said += line
            if "Stop with Ctrl-C" in line:
                break
        port = re.search(r"http://localhost:(\d+)", said)
        if port is None:
            raise RuntimeError(f"the server did not start; see {log}")
        setup = re.search(r"#setup=(\S+)", said)
        self.setup_secret = setup.group(1) if setup else None
        self.url = f"http://127.0.0.1:{port.group(1)}"
        wait_for(self._answers)

    def _answers(self) -> bool:
        try:
            return httpx.get(f"{self.url}/healthz", timeout=5.0).status_code == 200
        except httpx.TransportError:
            return False

    def children(self) -> list[int]:
        """Process ids of everything the server started and what those started, decoders included."""
        found: list[int] = []
        waiting = [self.process.pid]
        while waiting:
            for task in Path(f"/proc/{waiting.pop()}/task").glob("*/children"):
                try:
                    pids = [int(pid) for pid in task.read_text().split()]
                except (FileNotFoundError, ProcessLookupError):
                    continue
                found += pids
                waiting += pids
        return found

    def worker_pids(self) -> list[int]:
        """Process ids of the workers."""
        return [pid for pid in self.children() if b"spawn_main" in _command_line(pid)]

    def kill(self) -> None:
        """SIGKILL to the server alone; what it started has to notice by itself."""
        self.process.kill()
        self._gone()

    def kill_tree(self) -> None:
        """SIGKILL to everything at once, as when the machine goes down."""
        for pid in [self.process.pid, *self.children()]:
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                continue
        self._gone()

    def stop(self) -> int:
        """SIGTERM, and wait for the orderly end. Returns the exit code."""
        self.process.send_signal(signal.SIGTERM)
        return self._gone()

    def _gone(self) -> int:
        code = self.process.wait(timeout=PATIENCE_SEC)
        if self.process.stdout is not None:
            self.process.stdout.close()
        return code


def _command_line(pid: int) -> bytes:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except (FileNotFoundError, ProcessLookupError):
        return b""


def wait_for(condition: Callable[[], bool], patience_sec: float = PATIENCE_SEC) -> None:
    """Wait until ``condition`` holds; raises ``TimeoutError``."""
    deadline = time.monotonic() + patience_sec
    while not condition():
        if time.monotonic() > deadline:
            raise TimeoutError("waited too long")
        time.sleep(0.02)


@dataclass(frozen=True)
class Day:
    """What clients need to know of the audition; good for every later start of a server with the same data."""

    audition_id: str
    round_id: str
    piece_ids: tuple[str, ...]
    candidate_ids: tuple[str, ...]
    leader_cookie: str
    proctors: tuple[str, ...]  # tokens
    adjudicators: tuple[str, ...]  # tokens
    adjudicator_ids: tuple[str, ...]


def ok(reply: httpx.Response) -> Any:
    """The JSON of a reply that must have succeeded."""
    if reply.status_code not in (200, 201):
        raise RuntimeError(f"{reply.request.method} {reply.request.url.path}: {reply.status_code} {reply.text[:300]}")
    return reply.json()


def make_day(
    server: Server, *, students: int, adjudicators: int, proctors: int, pieces: int = 2, tablets: int | None = None
) -> Day:
    """Set everything up over HTTP as the section leader and let the tablets join (``tablets`` of adjudicators)."""
    with httpx.Client(base_url=server.url, timeout=PATIENCE_SEC) as leader:
        secret = server.setup_secret
        ok(leader.post("/api/setup", json={"setup_token": secret, "name": "Lead", "password": PASSWORD}))
        audition_id = ok(leader.post("/api/auditions", json={"name": "Benchmark", "held_on": "2026-03-07"}))["id"]
        base = f"/api/auditions/{audition_id}"
        piece_ids = [
            ok(leader.post(f"{base}/pieces/generated", json={"recipe": RECIPE, "title": f"Scale {n}"}))["id"]
            for n in range(pieces)
        ]
        for n in range(students):
            line = {"name": f"Invented Student {n}", "instrument": "clarinet-bb", "consent_on": "2026-03-01"}
            ok(leader.post(f"{base}/roster", json=line))
        seats = [ok(leader.post(f"{base}/adjudicators", json={"name": f"Ear {n}"})) for n in range(adjudicators)]
        ok(leader.post(f"{base}/rule/declare"))
        round_id = drawn_round(leader, audition_id, "First")
        sitting = [seats[n % len(seats)] for n in range(tablets or adjudicators)]

        def join(link: str) -> str:
            url = ok(leader.post(link))["url"]
            return str(ok(httpx.post(f"{server.url}/api/join", json={"link": url}, timeout=PATIENCE_SEC))["token"])

        return Day(
            audition_id,
            round_id,
            tuple(piece_ids),
            tuple(c["candidate_id"] for c in ok(leader.get(f"/api/rounds/{round_id}"))["candidates"]),
            leader.cookies["fh_leader"],
            tuple(join(f"{base}/proctor-link") for _ in range(proctors)),
            tuple(join(f"/api/adjudicators/{seat['id']}/link") for seat in sitting),
            tuple(seat["id"] for seat in sitting),
        )


def drawn_round(leader: httpx.Client, audition_id: str, name: str, entry_ids: list[str] | None = None) -> str:
    """Make, commit and draw a round; returns its id."""
    wanted = {"name": name, "seats": 1, "entry_ids": entry_ids}
    round_id = str(ok(leader.post(f"/api/auditions/{audition_id}/rounds", json=wanted))["id"])
    ok(leader.post(f"/api/rounds/{round_id}/commit"))
    ok(leader.post(f"/api/rounds/{round_id}/draw"))
    return round_id


def client(server: Server, token: str, timeout_sec: float = PATIENCE_SEC) -> httpx.Client:
    """A tablet's client."""
    return httpx.Client(base_url=server.url, timeout=timeout_sec, headers={"Authorization": f"Bearer {token}"})


def leader_client(server: Server, day: Day) -> httpx.Client:
    """The section leader's client."""
    return httpx.Client(base_url=server.url, timeout=PATIENCE_SEC, cookies={"fh_leader": day.leader_cookie})


def marks(day: Day, value: int) -> dict[str, dict[str, int]]:
    """The same mark for everything."""
    return {piece_id: dict.fromkeys(CAPTIONS, value) for piece_id in day.piece_ids}


def recording(seed: int, seconds: float = 1.2, rate: int = 22_050) -> bytes:
    """A soft tone that no other seed gives."""
    random = np.random.default_rng(seed)
    at = np.arange(round(seconds * rate)) / rate
    samples = 0.2 * np.sin(2 * np.pi * random.uniform(200, 900) * at) + random.normal(0, 1e-4, at.size)
    out = io.BytesIO()
    soundfile.write(out, samples, rate, format="WAV", subtype="PCM_16")
    return out.getvalue()

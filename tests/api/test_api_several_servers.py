"""Two server processes and a worker on one PostgreSQL and one data folder: whoever is asked, all is there once."""

import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx
import pytest
from first_round import make_round
from plain_wav import wav
from sqlmodel import select

from app.db.database import Database
from app.db.models import AuditEntry, Job
from app.domain.ids import new_id
from app.files.store import TakeStore
from app.services.verifying import verify

pytestmark = pytest.mark.slow

PATIENCE_SEC = 600  # a shared machine may be slow; only what never ends is wrong
COMMAND = [sys.executable, "-m", "app.cli.main"]
PASSWORD = "a long enough secret 7"
PER_SENDER = 6


@pytest.fixture
def engine() -> str:
    return "postgresql"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


class Server:
    """One of several, on a free port."""

    def __init__(self, data: Path, url: str) -> None:
        self.process = subprocess.Popen(
            [*COMMAND, "serve", "--data", str(data), "--port", "0", "--workers", "0"],
            env={**os.environ, "FAIRHEARING_DATABASE_URL": url.replace("postgresql+psycopg", "postgresql")},
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self.process.stdout is not None
        said = ""
        for line in self.process.stdout:
            said += line
            if "Stop with Ctrl-C" in line:
                break
        found = re.search(r"http://localhost:(\d+)", said)
        assert found, said
        secret = re.search(r"#setup=(\S+)", said)
        self.secret = secret.group(1) if secret else None
        address = f"http://127.0.0.1:{found.group(1)}"
        self.client = httpx.Client(base_url=address, timeout=PATIENCE_SEC, headers={"Origin": address})
        wait_for(self._answers)

    def _answers(self) -> bool:
        try:
            return self.client.get("/healthz").status_code == 200
        except httpx.TransportError:
            return False

    def sign_in(self) -> None:
        words = {"name": "Lead", "password": PASSWORD}
        reply = (
            self.client.post("/api/setup", json={"setup_token": self.secret, **words})
            if self.secret is not None
            else self.client.post("/api/sign-in", json=words)
        )
        assert reply.status_code == 200, reply.text

    def close(self) -> None:
        self.process.kill()
        self.process.wait(timeout=PATIENCE_SEC)
        self.client.close()
        assert self.process.stdout is not None
        self.process.stdout.close()


@pytest.fixture
def serve(data: Path, url: str) -> Iterator[Callable[[], Server]]:
    with ExitStack() as started:

        def start() -> Server:
            server = Server(data, url)
            started.callback(server.close)
            return server

        yield start


def wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_SEC
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.05)


def test_two_servers_are_one(serve: Callable[[], Server], data: Path, url: str) -> None:
    first = serve()
    first.sign_in()
    second = serve()
    second.sign_in()
    made = make_round(first.client)
    base = f"/api/auditions/{made.audition_id}"
    [candidate] = second.client.get("/api/room", params={"audition_id": made.audition_id}).json()["candidates"]

    def put_on_roster(sender: int) -> list[int]:
        """Every line is appended to the same chain, through either server in turn."""
        said = []
        for n in range(PER_SENDER):
            client = (first, second)[(sender + n) % 2].client
            line = {"name": f"Student {sender} {n}", "instrument": "flute"}
            said.append(client.post(f"{base}/roster", json=line).status_code)
        return said

    with ThreadPoolExecutor(4) as pool:
        said = [status for one in pool.map(put_on_roster, range(4)) for status in one]
    assert said == [201] * 4 * PER_SENDER
    roster = first.client.get(f"{base}/roster").json()
    assert len({line["name"] for line in roster}) == 4 * PER_SENDER + 1

    # One take sent to both at once under one id, and another for the same place: the place is taken once.
    same, other, sound = new_id(), new_id(), wav(1.2)

    def send(way: tuple[Server, str]) -> httpx.Response:
        server, take_id = way
        form = {"id": take_id, "candidate_id": candidate["candidate_id"], "piece_id": made.piece_id}
        return server.client.post("/api/takes", data=form, files={"file": ("a.wav", sound, "audio/wav")})

    with ThreadPoolExecutor(3) as pool:
        replies = list(pool.map(send, [(first, same), (second, same), (second, other)]))
    kept = {reply.json()["take"]["take_id"] for reply in replies if reply.status_code in (200, 201)}
    assert len(kept) == 1
    assert sorted({reply.status_code for reply in replies} - {200, 201}) == [409]

    first.close()  # killed; the other one goes on with everything
    [take_id] = kept
    assert second.client.get(f"/api/takes/{take_id}/playback").status_code == 200
    assert measured_by_a_worker(url, data, take_id)
    database = Database(url)
    with database.read() as session:
        checks = verify(session, TakeStore(data / "takes"))
        noted = session.exec(select(AuditEntry.action).where(AuditEntry.chain == made.audition_id)).all()
    database.close()
    assert [check for check in checks if not check.holds] == []
    assert sum(action == "entry-added" for action in noted) == 4 * PER_SENDER + 1, set(noted)


def measured_by_a_worker(url: str, data: Path, take_id: str) -> bool:
    """Whether ``fairhearing work`` beside the servers finds the take's job and comes to an end with it."""
    database = Database(url)

    def state() -> Any:
        with database.read() as session:
            return session.exec(select(Job.state).where(Job.subject == take_id)).one()

    with subprocess.Popen(
        [*COMMAND, "work", "--data", str(data)],
        env={**os.environ, "FAIRHEARING_DATABASE_URL": url},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as work:
        try:
            wait_for(lambda: state() in ("done", "failed"))
        finally:
            work.terminate()
            assert work.wait(timeout=PATIENCE_SEC) == 0
    database.close()
    return True

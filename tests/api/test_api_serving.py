"""The real command in a process of its own: its addresses, its lock, its end, and what survives a kill."""

import asyncio
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from first_round import RECIPE, FirstRound, make_round
from plain_wav import wav

from app.cli import serving
from app.db import schema
from app.db.database import Database
from app.domain.ids import new_id
from app.files.playback import rendition
from app.files.store import TakeStore
from app.material.generating import generate
from app.material.performing import Plan, perform
from app.material.recipe import recipe_from
from app.material.sounding import SAMPLE_RATE_HZ, sound, voice_for
from app.services.verifying import verify

pytestmark = pytest.mark.slow

PATIENCE_SEC = 600  # a shared machine may be slow; only what never ends is wrong
COMMAND = [sys.executable, "-m", "app.cli.main"]
PASSWORD = "a long enough secret 7"


class Server:
    """``fairhearing serve`` on a free port."""

    def __init__(self, data: Path, workers: int) -> None:
        self.log = data.parent / f"{new_id()}.log"
        with self.log.open("w") as log:
            self.process = subprocess.Popen(
                [*COMMAND, "serve", "--data", str(data), "--port", "0", "--workers", str(workers)],
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
            )
        self.said = ""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said += line
            if "Stop with Ctrl-C" in line:
                break
        found = re.search(r"http://localhost:(\d+)", self.said)
        assert found, self.said + self.log.read_text()
        self.client = httpx.Client(base_url=f"http://127.0.0.1:{found.group(1)}", timeout=PATIENCE_SEC)
        wait_for(self.answers)

    @property
    def setup_secret(self) -> str | None:
        found = re.search(r"#setup=(\S+)", self.said)
        return found.group(1) if found else None

    def answers(self) -> bool:
        try:
            return self.client.get("/healthz").status_code == 200
        except httpx.TransportError:
            return False

    def kill(self) -> None:
        self.process.kill()
        self.close()

    def close(self) -> int:
        code = self.process.wait(timeout=PATIENCE_SEC)
        self.client.close()
        if self.process.stdout is not None:
            self.process.stdout.close()
        return code


def wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_SEC
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.05)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


@pytest.fixture
def serve(data: Path) -> Iterator[Callable[[int], Server]]:
    started: list[Server] = []

    def start(workers: int) -> Server:
        started.append(Server(data, workers))
        return started[-1]

    yield start
    for server in started:
        if server.process.poll() is None:
            server.kill()


def sign_in(server: Server) -> None:
    setup = {"setup_token": server.setup_secret, "name": "Lead", "password": PASSWORD}
    if server.setup_secret is not None:
        reply = server.client.post("/api/setup", json=setup)
    else:
        reply = server.client.post("/api/sign-in", json={"name": "Lead", "password": PASSWORD})
    assert reply.status_code == 200, reply.text


def candidate_of(server: Server, made: FirstRound) -> str:
    room = server.client.get("/api/room", params={"audition_id": made.audition_id}).json()
    return str(room["candidates"][0]["candidate_id"])


def test_first_start_lock_measuring_and_graceful_end(serve: Callable[[int], Server], data: Path) -> None:
    server = serve(1)
    assert "Fairhearing is ready" in server.said
    assert "--host 0.0.0.0" in server.said
    assert server.setup_secret
    assert data.stat().st_mode & 0o077 == 0

    second = subprocess.run([*COMMAND, "serve", "--data", str(data), "--port", "0"], capture_output=True, text=True)
    assert second.returncode == 2
    assert second.stderr.startswith("fairhearing: Another Fairhearing server (process ")
    assert second.stderr.count("\n") == 1

    sign_in(server)
    port = server.client.base_url.port
    taken = subprocess.run(
        [*COMMAND, "serve", "--data", str(data) + "2", "--port", str(port)], capture_output=True, text=True
    )
    assert taken.returncode == 2
    assert f"Port {port}" in taken.stderr
    assert "--port" in taken.stderr

    made = make_round(server.client)
    form = {"id": new_id(), "candidate_id": candidate_of(server, made), "piece_id": made.piece_id}
    sent = server.client.post("/api/takes", data=form, files={"file": played_scale()})
    assert sent.status_code == 201, sent.text
    address = f"/api/takes/{form['id']}"
    wait_for(lambda: measuring(server, address)["state"] in ("done", "failed"))
    found = server.client.get(f"{address}/findings").json()
    assert found["measuring"]["state"] == "done", found
    assert found["findings"]["usable"]
    assert server.client.get(f"{address}/peaks").json()["bars"][0]["bar"] == "1"

    server.process.send_signal(signal.SIGTERM)
    assert server.close() == 0
    logs = server.log.read_text()
    assert "job_done" in logs
    assert "Traceback" not in logs
    assert "Ada" not in logs

    again = serve(0)
    assert again.setup_secret is None  # a leader is there
    sign_in(again)


def test_killed_servers_lose_nothing_they_acknowledged(serve: Callable[[int], Server], data: Path) -> None:
    """Takes are sent, voided and sent again while the server is killed, whole, at arbitrary moments."""
    server = serve(0)
    sign_in(server)
    made = make_round(server.client)
    candidate_id = candidate_of(server, made)
    acknowledged: dict[str, str] = {}

    def keep_sending(client: httpx.Client, start: int) -> None:
        """Void what is there and send the next; ends when the server is gone."""
        try:
            for number in range(start, start + 400):
                room = client.get("/api/room", params={"audition_id": made.audition_id}).json()
                for take in room["candidates"][0]["takes"]:
                    if take["state"] == "kept":
                        client.post(f"/api/takes/{take['take_id']}/void", json={"reason": "again"})
                form = {"id": new_id(), "candidate_id": candidate_id, "piece_id": made.piece_id}
                reply = client.post("/api/takes", data=form, files={"file": wav(1.2, hz=200.0 + number)})
                if reply.status_code == 201:
                    acknowledged[form["id"]] = reply.json()["take"]["sha256"]
        except httpx.TransportError:
            return

    for kill, pause_sec in enumerate((0.9, 1.6)):
        sender = threading.Thread(target=keep_sending, args=(server.client, 1000 * kill))
        before = len(acknowledged)
        sender.start()
        wait_for(lambda before=before: len(acknowledged) > before)
        time.sleep(pause_sec)
        server.process.kill()
        sender.join()
        server.close()
        server = serve(0)
        sign_in(server)

    takes = server.client.get("/api/room", params={"audition_id": made.audition_id}).json()["candidates"][0]["takes"]
    ids = [take["take_id"] for take in takes]
    assert len(ids) == len(set(ids))
    assert set(acknowledged) <= set(ids)
    server.process.send_signal(signal.SIGTERM)
    assert server.close() == 0
    database = Database(f"sqlite:///{data / 'fairhearing.db'}")
    with database.read() as session:
        checks = verify(session, TakeStore(data / "takes"))
    database.close()
    assert [check for check in checks if not check.holds] == []
    with sqlite3.connect(data / "fairhearing.db") as connection:
        stored = dict(connection.execute("SELECT id, sha256 FROM take").fetchall())
        jobs = connection.execute("SELECT count(*), count(DISTINCT subject) FROM job").fetchone()
    connection.close()
    assert {take_id: stored[take_id] for take_id in acknowledged} == acknowledged
    assert jobs == (len(stored), len(stored))  # a job for every take, and one only


def played_scale() -> bytes:
    """The round's piece as a take."""
    random = np.random.default_rng(5)
    notes = perform(generate(recipe_from(RECIPE)), Plan(), random)
    return rendition(sound(notes, voice_for("clarinet-bb"), random), SAMPLE_RATE_HZ)


def measuring(server: Server, address: str) -> dict[str, Any]:
    found: dict[str, Any] = server.client.get(f"{address}/findings").json()["measuring"]
    return found


def test_work_needs_data_and_ends_when_told(data: Path) -> None:
    nothing = subprocess.run([*COMMAND, "work", "--data", str(data)], capture_output=True, text=True)
    assert nothing.returncode == 2
    assert "There are no Fairhearing data" in nothing.stderr
    schema.upgrade(f"sqlite:///{data / 'fairhearing.db'}")
    with subprocess.Popen(
        [*COMMAND, "work", "--data", str(data)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as work:
        assert work.stdout is not None
        assert "Workers (1)" in work.stdout.readline()
        wait_for(lambda: bool(Path(f"/proc/{work.pid}/task/{work.pid}/children").read_text().split()))
        os.kill(work.pid, signal.SIGTERM)
        assert work.wait(timeout=PATIENCE_SEC) == 0


def test_answers_do_not_wait_for_acknowledgments() -> None:
    """Nagle's algorithm is off on every connection, so that an answer in two writes is not 40 ms late."""

    async def ask() -> int:
        off: asyncio.Future[int] = asyncio.get_running_loop().create_future()

        def connected(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            own = writer.get_extra_info("socket")
            off.set_result(own.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
            writer.close()

        with serving._listen("127.0.0.1", 0, "--port") as listener:
            server = await asyncio.start_server(connected, sock=listener)
            async with server:
                _reader, writer = await asyncio.open_connection(*listener.getsockname())
                found = await off
                writer.close()
                await writer.wait_closed()
                return found

    assert asyncio.run(ask()) == 1

"""A server in trouble: no room on the disk, a folder that can't be written, told to stop in the middle of an upload."""

import contextlib
import os
import resource
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from first_round import make_round
from plain_wav import wav
from test_api_serving import COMMAND, PATIENCE_SEC, Server, candidate_of, sign_in, wait_for

from app.db.database import Database
from app.domain.ids import new_id
from app.files.store import TakeStore
from app.services.verifying import verify

pytestmark = pytest.mark.slow


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[..., Server]]:
    started: list[Server] = []

    def start(data: Path | None = None) -> Server:
        started.append(Server(data or tmp_path / "data", 0))
        return started[-1]

    yield start
    for server in started:
        if server.process.poll() is None:
            server.kill()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 16 MB of its own."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = shutil.which("mount") and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=16m", "none", str(place)], capture_output=True, check=False
    )
    if not mounted or mounted.returncode != 0:
        pytest.skip("making a small file system needs the rights of root")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def healthy(data: Path) -> list[str]:
    database = Database(f"sqlite:///{data / 'fairhearing.db'}")
    with database.read() as session:
        problems = [p for check in verify(session, TakeStore(data / "takes")) for p in check.problems]
    database.close()
    return problems


def send(server: Server, made: Any, candidate_id: str, data: bytes, take_id: str) -> httpx.Response:
    form = {"id": take_id, "candidate_id": candidate_id, "piece_id": made.piece_id}
    return server.client.post("/api/takes", data=form, files={"file": ("take.wav", data)})


def accepts(server: Server) -> bool:
    """Whether the server takes new connections."""
    try:
        socket.create_connection(("127.0.0.1", server.client.base_url.port or 0), timeout=PATIENCE_SEC).close()
    except ConnectionRefusedError:
        return False
    return True


def test_files_are_their_owners_only_even_in_a_folder_others_may_read(
    serve: Callable[..., Server], tmp_path: Path
) -> None:
    data = tmp_path / "data"
    data.mkdir(mode=0o755)
    server = serve()
    sign_in(server)
    made = make_round(server.client)
    assert send(server, made, candidate_of(server, made), wav(), new_id()).status_code == 201
    found = list(data.rglob("*"))
    assert {"fairhearing.db", "fairhearing.db-wal", "server.lock"} <= {path.name for path in found}
    assert [path for path in found if path.stat().st_mode & 0o077] == []


def test_told_to_stop_the_server_finishes_the_upload_it_has_begun(serve: Callable[..., Server], tmp_path: Path) -> None:
    server = serve()
    sign_in(server)
    made = make_round(server.client)
    candidate_id, take_id, sound = candidate_of(server, made), new_id(), wav()
    fields = {"id": take_id, "candidate_id": candidate_id, "piece_id": made.piece_id}
    head = "".join(
        f'--edge\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n' for name, value in fields.items()
    )
    head += '--edge\r\nContent-Disposition: form-data; name="file"; filename="x.wav"\r\n\r\n'
    body = head.encode() + sound + b"\r\n--edge--\r\n"

    def slowly() -> Iterator[bytes]:
        yield body[:5000]
        server.process.send_signal(signal.SIGTERM)
        wait_for(lambda: not accepts(server))  # it has begun to stop
        for at in range(5000, len(body), 20_000):
            yield body[at : at + 20_000]

    headers = {"content-type": "multipart/form-data; boundary=edge", "content-length": str(len(body))}
    reply = server.client.post("/api/takes", content=slowly(), headers=headers)
    assert (reply.status_code, reply.json()["take"]["take_id"]) == (201, take_id)
    assert server.close() == 0
    assert not accepts(server)
    assert healthy(tmp_path / "data") == []
    again = serve()
    sign_in(again)
    room = again.client.get("/api/room", params={"audition_id": made.audition_id}).json()
    assert [take["take_id"] for take in room["candidates"][0]["takes"]] == [take_id]


def test_a_full_disk_keeps_what_was_kept_and_says_so(serve: Callable[..., Server], small_disk: Path) -> None:
    """Takes until nothing fits; then sheets' database too; then room again. Really full, on a disk of 16 MB."""
    data = small_disk / "data"
    server = serve(data)
    sign_in(server)
    made = make_round(server.client)
    candidate_id = candidate_of(server, made)
    filler = small_disk / "filler"
    # The server refuses long before the disk is full; here it is to meet the disk itself.
    first = send(server, made, candidate_id, wav(), new_id())
    assert first.status_code == 503
    assert "too little space" in first.json()["error"]["sentence"]
    database = data / "fairhearing.db"
    names = []
    with filler.open("wb", buffering=0) as out, contextlib.suppress(OSError):
        while out.write(b"\0" * 4096):
            continue
    for number in range(3000):
        reply = server.client.post("/api/auditions", json={"name": f"Mock {number}", "held_on": "2026-03-07"})
        if reply.status_code != 201:
            break
        names.append(reply.json()["name"])
    assert (reply.status_code, reply.json()["error"]["code"]) == (503, "unavailable"), reply.text
    assert "nothing was kept" in reply.json()["error"]["sentence"]
    health = server.client.get("/healthz")
    assert (health.status_code, health.json()["ok"]) == (503, False)
    assert server.client.get("/api/auditions").status_code == 200  # what is there can still be read
    filler.unlink()
    assert server.client.get("/healthz").status_code == 200
    again = server.client.post("/api/auditions", json={"name": "Mock again", "held_on": "2026-03-07"})
    assert again.status_code == 201
    there = {a["name"] for a in server.client.get("/api/auditions").json()}
    assert there == {*names, "Spring mock", "Mock again"}
    server.kill()
    assert database.stat().st_size > 0
    assert healthy(data) == []


def test_a_folder_that_became_read_only_is_a_sentence_and_damages_nothing(
    serve: Callable[..., Server], small_disk: Path
) -> None:
    data = small_disk / "data"
    server = serve(data)
    sign_in(server)
    made = make_round(server.client)
    server.process.send_signal(signal.SIGTERM)
    assert server.close() == 0
    # Busy until the last of the server's own processes has closed what it wrote.
    read_only = ["mount", "-o", "remount,ro", str(small_disk)]
    wait_for(lambda: subprocess.run(read_only, capture_output=True).returncode == 0)
    for words in (["serve", "--port", "0"], ["backup", str(small_disk / "copy")]):
        done = subprocess.run(
            [*COMMAND, *words, "--data", str(data)], capture_output=True, text=True, timeout=PATIENCE_SEC
        )
        assert done.returncode == 2, done.stderr
        assert done.stderr.startswith("fairhearing: ")
        assert done.stderr.count("\n") == 1
        assert "can't be written" in done.stderr
    fresh = subprocess.run(
        [*COMMAND, "serve", "--port", "0", "--data", str(small_disk / "new")], capture_output=True, text=True
    )
    assert (fresh.returncode, "Read-only file system" in fresh.stderr) == (2, True)
    subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
    assert healthy(data) == []
    again = serve(data)
    sign_in(again)
    assert again.client.get(f"/api/rounds/{made.round_id}").json()["state"] == "drawn"


def test_a_file_that_may_not_grow_keeps_what_was_kept(serve: Callable[..., Server], tmp_path: Path) -> None:
    """Without root: the system refuses every write past 2 MB of a file, so a recording breaks off in the middle."""
    program = (
        "import resource, sys\n"
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({2 * 2**20}, {2 * 2**20}))\n"
        "from app.cli.main import main\n"
        "sys.exit(main(sys.argv[1:]))\n"
    )
    limited = [sys.executable, "-c", program]
    original = list(COMMAND)
    COMMAND[:] = limited
    try:
        server = serve()
    finally:
        COMMAND[:] = original
    sign_in(server)
    made = make_round(server.client)
    candidate_id = candidate_of(server, made)
    large = send(server, made, candidate_id, wav(80.0), new_id())
    assert (large.status_code, large.json()["error"]["code"]) == (503, "unavailable"), large.text
    assert "nothing was kept" in large.json()["error"]["sentence"]
    small_id = new_id()
    small = send(server, made, candidate_id, wav(), small_id)
    assert small.status_code == 201, small.text
    server.kill()
    assert healthy(tmp_path / "data") == []
    assert len(list(TakeStore(tmp_path / "data" / "takes").every())) == 1
    assert os.listdir(tmp_path / "data" / "takes" / "incoming") == []
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY

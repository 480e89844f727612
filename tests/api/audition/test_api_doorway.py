"""What is decided before a body is read: who sends it, how much, how many at once; and what else an address answers."""

import asyncio
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from plain_wav import wav

from app.api import doorway
from app.api.doorway import UploadGate
from app.api.guards import MAX_BODY_BYTES
from app.api.resources import Resources
from app.domain.errors import TooMany
from app.domain.ids import new_id
from app.services.intake import MAX_TAKE_BYTES

PATIENCE_SEC = 600  # a shared machine may be slow; only what never ends is wrong
MULTIPART = {"content-type": "multipart/form-data; boundary=x"}


def scope_for(app: FastAPI, headers: dict[str, str], path: str = "/api/takes", method: str = "POST") -> dict[str, Any]:
    return {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "root_path": "",
        "scheme": "http",
        "server": ("testserver", 80),
        "client": ("127.0.0.1", 5000),
        "headers": [(b"host", b"testserver"), *((k.encode(), v.encode()) for k, v in headers.items())],
    }


def ask_unread(app: FastAPI, portal: Any, headers: dict[str, str], **where: str) -> tuple[int, int]:
    """(status, how often the server asked for a piece of the body) of a request that is only headers so far."""
    asked = 0
    said: list[int] = []

    async def receive() -> dict[str, Any]:
        nonlocal asked
        asked += 1
        return {"type": "http.request", "body": b"y" * 2**16, "more_body": asked < 300}

    async def send(message: dict[str, Any]) -> None:
        if message["type"] == "http.response.start":
            said.append(message["status"])

    portal.call(app, scope_for(app, {**MULTIPART, **headers}, **where), receive, send)
    return said[0], asked


def bearer(client: Any) -> dict[str, str]:
    return {"authorization": client._client.headers["authorization"]}


def test_strangers_and_other_roles_are_refused_with_the_body_unread(
    app: FastAPI, portal: Any, hall: Any, browser: Callable[..., Any]
) -> None:
    assert ask_unread(app, portal, {}) == (401, 0)
    assert ask_unread(app, portal, {"authorization": "Bearer nobody"}) == (401, 0)
    assert ask_unread(app, portal, bearer(hall.panel["A"])) == (403, 0)
    foreign = {"cookie": f"fh_leader={hall.leader.cookies['fh_leader']}", "origin": "https://elsewhere.example"}
    assert ask_unread(app, portal, foreign) == (403, 0)
    notation = f"/api/auditions/{hall.audition_id}/pieces/notation"
    for path in (notation, "/api/notation/parts", f"/api/auditions/{hall.audition_id}/roster/csv"):
        assert ask_unread(app, portal, {}, path=path) == (401, 0)
        assert ask_unread(app, portal, bearer(hall.proctor), path=path) == (403, 0)


def test_a_recording_announced_too_large_or_without_room_is_refused_unread(
    app: FastAPI, portal: Any, hall: Any, held: Resources, monkeypatch: pytest.MonkeyPatch
) -> None:
    proctor = bearer(hall.proctor)
    assert ask_unread(app, portal, {**proctor, "content-length": str(MAX_TAKE_BYTES * 2)}) == (413, 0)
    monkeypatch.setattr(type(held.store), "free_bytes", lambda _self: 250 * 2**20)
    assert ask_unread(app, portal, {**proctor, "content-length": str(20 * 2**20)}) == (503, 0)
    status, asked = ask_unread(app, portal, {**proctor, "content-length": "1000"})
    assert (status, asked > 0) == (400, True)


def test_every_signed_in_route_that_takes_a_body_is_behind_the_doorway(route_table: Any) -> None:
    """A new route is behind it by its role; what is open stands here by name."""
    open_ones = {
        f"{method} {path}"
        for method, path, route in route_table
        if method not in ("GET", "HEAD") and doorway.role_of(route) is None
    }
    assert open_ones == {"POST /api/setup", "POST /api/sign-in", "POST /api/join", "POST /api/demo/enter"}


def test_uploads_at_once_are_limited_per_tablet_and_together() -> None:
    gate = UploadGate(most=3, most_each=2)
    with gate.entered("a"), gate.entered("a"):
        with pytest.raises(TooMany), gate.entered("a"):
            raise AssertionError("let in")
        with gate.entered("b"):
            with pytest.raises(TooMany), gate.entered("c"):
                raise AssertionError("let in")
            assert gate.inside == 3
    assert gate.inside == 0


def test_a_tablet_that_sends_too_much_at_once_waits_and_the_others_go_on(
    app: FastAPI, hall: Any, portal: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    proctor = bearer(hall.proctor)
    replies: list[int] = []
    listening = asyncio.Semaphore(0)

    async def hang(scope: dict[str, Any], go_on: asyncio.Event) -> None:
        async def receive() -> dict[str, Any]:
            listening.release()  # past the door: the body is asked for
            await go_on.wait()
            return {"type": "http.disconnect"}

        async def send(message: dict[str, Any]) -> None:
            if message["type"] == "http.response.start":
                replies.append(message["status"])

        await app(scope, receive, send)

    async def crowd() -> None:
        go_on = asyncio.Event()
        scope = scope_for(app, {**MULTIPART, **proctor, "content-length": "500"})
        hanging = [asyncio.create_task(hang(dict(scope), go_on)) for _ in range(doorway.MOST_UPLOADS_EACH)]
        for _ in hanging:
            await listening.acquire()
        assert replies == []
        await hang(dict(scope), go_on)
        assert replies == [429]
        go_on.set()
        await asyncio.gather(*hanging, return_exceptions=True)

    portal.call(crowd)
    assert hall.proctor.get("/api/room").status_code == 200


def test_a_sender_that_falls_silent_is_let_go(
    app: FastAPI, portal: Any, hall: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doorway, "SILENT_SEC", 0.1)
    said: list[int] = []

    async def silence() -> None:
        first = True

        async def receive() -> dict[str, Any]:
            nonlocal first
            if first:
                first = False
                return {"type": "http.request", "body": b"--x\r\n", "more_body": True}
            await asyncio.sleep(PATIENCE_SEC)
            raise AssertionError("waited too long")

        async def send(message: dict[str, Any]) -> None:
            if message["type"] == "http.response.start":
                said.append(message["status"])

        await app(scope_for(app, {**MULTIPART, **bearer(hall.proctor), "content-length": "5000"}), receive, send)

    portal.call(silence)
    assert said == [408]


def test_wrong_methods_name_the_right_ones(hall: Any, route_table: Any) -> None:
    every = {path for _, path, _ in route_table}
    for path in every:
        known = {method for method, other, _ in route_table if other == path}
        address = path
        while "{" in address:
            start, end = address.index("{"), address.index("}")
            address = address[:start] + "0123456789abcdef" * 2 + address[end + 1 :]
        for method in {"GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "HEAD"} - known:
            reply = hall.leader.request(method, address)
            assert reply.status_code == 405, (method, path)
            assert set(reply.headers["allow"].split(", ")) == known, (method, path)
            if method != "HEAD":
                assert reply.json()["error"]["code"] == "wrong_method"


def test_a_body_of_an_upload_never_rests_outside_the_data_folder(hall: Any, tmp_path: Path) -> None:
    """The cap of other addresses is not the cap of recordings, and what was refused leaves nothing."""
    before = sorted(p for p in tmp_path.rglob("*") if p.is_file() and "takes" in p.parts)
    form = {"id": new_id(), "candidate_id": hall.candidates[0]["candidate_id"], "piece_id": hall.piece_ids[0]}
    big = os.urandom(MAX_BODY_BYTES + 1)
    reply = hall.proctor.post("/api/takes", data=form, files={"file": ("x.wav", big, "audio/wav")})
    assert reply.status_code == 409  # a take of this piece is there: the larger cap let the body through
    reply = hall.proctor.post("/api/takes", data={**form, "candidate_id": new_id()}, files={"file": ("x", wav())})
    assert reply.status_code == 404
    assert sorted(p for p in tmp_path.rglob("*") if p.is_file() and "takes" in p.parts) == before

"""Recordings that come in chunk by chunk: repeated, interrupted, out of order, damaged, rescued."""

import hashlib
import io
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
import soundfile
from first_round import make_round
from sqlmodel import Session

from app.api.access import LEADER_COOKIE
from app.api.resources import Resources
from app.db.types import now_utc
from app.domain.actor import SYSTEM
from app.domain.ids import new_id
from app.files.chunk_spool import wav_head
from app.services import sign_in, uploads

RATE = 22_050


def samples(seconds: float = 3.3) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    noise = np.random.default_rng(3).normal(0, 1e-4, t.size)
    return (0.2 * np.sin(2 * np.pi * 440 * t) + noise).astype("<f4")


@dataclass
class Room:
    leader: Any
    proctor: Any
    place: dict[str, Any]
    audition_id: str

    def begin(self, upload_id: str, who: Any = None) -> Any:
        return (who or self.proctor).put(f"/api/uploads/{upload_id}", json=self.place)

    def chunk(self, upload_id: str, seq: int, data: bytes, sha256: str = "") -> Any:
        return self.proctor.put(
            f"/api/uploads/{upload_id}/chunks/{seq}",
            content=data,
            headers={
                "X-Chunk-Sha256": sha256 or hashlib.sha256(data).hexdigest(),
                "Content-Type": "application/octet-stream",
            },
        )

    def finish(self, upload_id: str, count: int, sha256: str, **changed: Any) -> Any:
        wanted = {**self.place, "chunks": count, "sha256": sha256, **changed}
        return self.proctor.post(f"/api/uploads/{upload_id}/finish", json=wanted)


@pytest.fixture
def room(browser: Callable[..., Any], held: Resources) -> Room:
    leader = browser()

    def let_in(session: Session) -> str:
        leader_id = sign_in.add_leader(session, name="Lead", password_hash="no password", actor=SYSTEM)
        return sign_in.start_leader_session(session, leader_id, now=now_utc()).token

    leader.cookies.set(LEADER_COOKIE, held.database.write(let_in))
    made = make_round(leader)
    link = leader.post(f"/api/auditions/{made.audition_id}/proctor-link").json()["url"]
    token = browser().post("/api/join", json={"link": link}).json()["token"]
    proctor = browser(Authorization=f"Bearer {token}")
    candidate = proctor.get("/api/room").json()["candidates"][0]
    place = {"candidate_id": candidate["candidate_id"], "piece_id": made.piece_id, "sample_rate_hz": RATE}
    return Room(leader, proctor, place, made.audition_id)


def cut(sound: np.ndarray) -> list[bytes]:
    return [sound[start : start + RATE].tobytes() for start in range(0, sound.size, RATE)]


def whole_sha256(chunks: list[bytes]) -> str:
    data = b"".join(chunks)
    return hashlib.sha256(wav_head(len(data), RATE) + data).hexdigest()


def test_chunks_in_any_order_and_twice_become_the_recording_bit_for_bit(room: Room, held: Resources) -> None:
    sound, upload_id = samples(), new_id()
    chunks = cut(sound)
    assert room.begin(upload_id).json() == {"chunks": [], "take": None}
    for seq in (2, 0, 2, 3):
        reply = room.chunk(upload_id, seq, chunks[seq])
        assert reply.json() == {"seq": seq, "sha256": hashlib.sha256(chunks[seq]).hexdigest()}
    early = room.finish(upload_id, 4, whole_sha256(chunks))
    assert early.status_code == 409
    assert early.json()["error"]["facts"]["missing"] == [1]
    assert room.begin(upload_id).json()["chunks"] == [0, 2, 3]
    room.chunk(upload_id, 1, chunks[1])
    reply = room.finish(upload_id, 4, whole_sha256(chunks))
    assert reply.status_code == 200, reply.text
    take = reply.json()["take"]
    assert take["sha256"] == whole_sha256(chunks)
    kept, rate = soundfile.read(io.BytesIO(held.store.read(take["sha256"])), dtype="float32")
    assert rate == RATE
    assert np.array_equal(kept, sound)
    assert not (held.settings.data_dir / "uploads" / upload_id).exists()


def test_finishing_again_gives_the_same_take_and_no_other(room: Room, held: Resources) -> None:
    chunks, upload_id = cut(samples()), new_id()
    room.begin(upload_id)
    for seq, data in enumerate(chunks):
        room.chunk(upload_id, seq, data)
    first, again = (room.finish(upload_id, len(chunks), whole_sha256(chunks)) for _ in range(2))
    assert first.json() == again.json()
    assert room.begin(upload_id).json()["take"] == first.json()["take"]
    other = room.finish(upload_id, len(chunks), "0" * 64)
    assert (other.status_code, other.json()["error"]["code"]) == (409, "duplicate")
    [candidate] = room.proctor.get("/api/room").json()["candidates"]
    assert len(candidate["takes"]) == 1


def test_what_is_damaged_or_not_begun_is_refused(room: Room) -> None:
    upload_id, data = new_id(), cut(samples())[0]
    unknown = room.chunk(upload_id, 0, data)
    assert (unknown.status_code, unknown.json()["error"]["facts"]) == (404, {"begin_again": True})
    room.begin(upload_id)
    damaged = room.chunk(upload_id, 0, data[:-4], hashlib.sha256(data).hexdigest())
    assert (damaged.status_code, damaged.json()["error"]["facts"]) == (422, {"damaged": True})
    assert room.chunk(upload_id, 0, data[:-1]).status_code == 422
    assert room.chunk(upload_id, 0, b"").status_code == 422
    assert room.chunk(upload_id, 0, bytes(2**21 + 4)).status_code == 413
    assert room.chunk(upload_id, 36_000, data).status_code == 422
    assert room.chunk(upload_id, 0, data).status_code == 200
    other = room.chunk(upload_id, 0, bytes(400))
    assert (other.status_code, other.json()["error"]["code"]) == (409, "duplicate")
    assert room.finish(upload_id, 1, "0" * 64).json()["error"]["facts"] == {"damaged": True}


def test_a_place_that_is_taken_shows_before_the_playing(room: Room) -> None:
    chunks, upload_id = cut(samples()), new_id()
    room.begin(upload_id)
    for seq, data in enumerate(chunks):
        room.chunk(upload_id, seq, data)
    room.finish(upload_id, len(chunks), whole_sha256(chunks))
    second = room.begin(new_id())
    assert second.status_code == 409
    assert "void it" in second.json()["error"]["sentence"]
    room.place["sample_rate_hz"] = 10
    assert room.begin(new_id()).status_code == 422


def test_a_recording_whose_device_never_came_back_can_be_rescued(room: Room, held: Resources) -> None:
    sound, upload_id = samples(), new_id()
    chunks = cut(sound)
    room.begin(upload_id)
    for seq in (0, 1, 3):  # the third second never came, so the fourth can't be used
        room.chunk(upload_id, seq, chunks[seq])
    [found] = room.leader.get("/api/uploads", params={"audition_id": room.audition_id}).json()
    assert (found["upload_id"], found["duration_sec"]) == (upload_id, 2.0)
    take = room.proctor.post(f"/api/uploads/{upload_id}/rescue").json()["take"]
    kept, _ = soundfile.read(io.BytesIO(held.store.read(take["sha256"])), dtype="float32")
    assert np.array_equal(kept, sound[: 2 * RATE])
    assert room.proctor.get("/api/uploads").json() == []
    assert room.proctor.post(f"/api/uploads/{upload_id}/rescue").status_code == 404


def test_an_unfinished_recording_can_be_thrown_away(room: Room) -> None:
    upload_id = new_id()
    room.begin(upload_id)
    room.chunk(upload_id, 0, cut(samples())[0])
    for _ in range(2):
        assert room.proctor.delete(f"/api/uploads/{upload_id}").status_code == 200
    assert room.proctor.get("/api/uploads").json() == []


def test_only_those_who_record_may_send(room: Room, browser: Callable[..., Any]) -> None:
    upload_id = new_id()
    assert room.begin(upload_id, browser()).status_code == 401
    room.begin(upload_id)
    assert browser().get("/api/uploads").status_code == 401
    assert room.leader.get("/api/uploads").status_code == 422
    made = make_round(room.leader)
    link = room.leader.post(f"/api/auditions/{made.audition_id}/proctor-link").json()["url"]
    token = browser().post("/api/join", json={"link": link}).json()["token"]
    elsewhere = browser(Authorization=f"Bearer {token}")
    assert room.begin(upload_id, elsewhere).status_code == 403
    assert elsewhere.delete(f"/api/uploads/{upload_id}").status_code == 403
    assert elsewhere.post(f"/api/uploads/{upload_id}/rescue").status_code == 403


def test_a_full_disk_is_said_and_nothing_is_lost(room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    chunks, upload_id = cut(samples()), new_id()
    room.begin(upload_id)
    room.chunk(upload_id, 0, chunks[0])
    with monkeypatch.context() as full:
        full.setattr(uploads, "KEPT_FREE_BYTES", 2**62)
        refused = room.chunk(upload_id, 1, chunks[1])
        assert refused.status_code == 503
        assert "too little space" in refused.json()["error"]["sentence"]

    def no_space(handle: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as full:
        full.setattr(os, "fsync", no_space)
        assert room.chunk(upload_id, 1, chunks[1]).status_code == 503
    assert room.begin(upload_id).json()["chunks"] == [0]
    assert room.chunk(upload_id, 1, chunks[1]).status_code == 200


def test_leftovers_go_after_a_month(room: Room, held: Resources) -> None:
    upload_id = new_id()
    room.begin(upload_id)
    folder = held.settings.data_dir / "uploads" / upload_id
    own = uploads.Uploads(held.settings.data_dir, held.database, held.store)
    assert own.tidy() == 0
    assert folder.is_dir()
    long_ago = time.time() - 31 * 24 * 3600
    os.utime(folder, (long_ago, long_ago))
    assert own.tidy() == 1
    assert not folder.exists()

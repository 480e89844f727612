"""Takes and the recording room over HTTP: who may do what, and what comes back."""

import io
import wave
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest
from first_round import make_round
from plain_wav import wav
from sqlmodel import Session

from app.api.access import LEADER_COOKIE
from app.api.resources import Resources
from app.db.types import now_utc
from app.domain.actor import SYSTEM
from app.domain.ids import new_id
from app.services import sign_in


@dataclass
class Day:
    leader: Any
    proctor: Any
    adjudicator: Any
    audition_id: str
    round_id: str
    piece_id: str
    candidate_id: str

    def send(self, who: Any, data: bytes | None = None, **changed: str) -> Any:
        form = {"id": new_id(), "candidate_id": self.candidate_id, "piece_id": self.piece_id, **changed}
        return who.post("/api/takes", data=form, files={"file": ("Ada Sample.wav", data or wav(), "audio/wav")})


@pytest.fixture
def day(browser: Callable[..., Any], held: Resources) -> Day:
    leader = browser()

    def let_in(session: Session) -> str:
        leader_id = sign_in.add_leader(session, name="Lead", password_hash="no password", actor=SYSTEM)
        return sign_in.start_leader_session(session, leader_id, now=now_utc()).token

    leader.cookies.set(LEADER_COOKIE, held.database.write(let_in))
    made = make_round(leader)

    def join(link: str) -> Any:
        url = leader.post(link).json()["url"]
        token = browser().post("/api/join", json={"link": url}).json()["token"]
        return browser(Authorization=f"Bearer {token}")

    proctor = join(f"/api/auditions/{made.audition_id}/proctor-link")
    room = proctor.get("/api/room").json()
    return Day(
        leader=leader,
        proctor=proctor,
        adjudicator=join(f"/api/adjudicators/{made.seat_id}/link"),
        audition_id=made.audition_id,
        round_id=made.round_id,
        piece_id=made.piece_id,
        candidate_id=room["candidates"][0]["candidate_id"],
    )


def test_a_take_goes_in_and_shows_in_the_room(day: Day) -> None:
    reply = day.send(day.proctor)
    assert reply.status_code == 201, reply.text
    take = reply.json()["take"]
    assert (take["state"], take["quality"]["word"], take["container"]) == ("kept", "look", "wav")
    assert "the excerpt takes about" in take["quality"]["sentences"][0]  # which is more than what was sent
    assert "Ada" not in reply.text
    [candidate] = day.proctor.get("/api/room").json()["candidates"]
    assert (candidate["name"], candidate["state"]) == ("Ada Sample", "heard")
    assert candidate["takes"][0]["take_id"] == take["take_id"]
    assert day.leader.get("/api/room", params={"audition_id": day.audition_id}).json()["candidates"] == [candidate]


def test_sending_again_is_harmless_over_http(day: Day) -> None:
    fixed = {"id": new_id()}
    first, again = day.send(day.proctor, **fixed), day.send(day.proctor, **fixed)
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json() == again.json()
    other = day.send(day.proctor, wav(hz=300), **fixed)
    assert (other.status_code, other.json()["error"]["code"]) == (409, "duplicate")


def test_void_and_retake(day: Day) -> None:
    first = day.send(day.proctor).json()["take"]["take_id"]
    assert day.send(day.proctor, wav(hz=300)).status_code == 409
    assert day.proctor.post(f"/api/takes/{first}/void", json={"reason": ""}).status_code == 422
    voided = day.proctor.post(f"/api/takes/{first}/void", json={"reason": "noise outside"})
    assert voided.json()["take"]["state"] == "voided"
    second = day.send(day.proctor, wav(hz=300), replaces=first)
    assert second.json()["take"]["replaces"] == first
    takes = day.proctor.get("/api/room").json()["candidates"][0]["takes"]
    assert [t["state"] for t in takes] == ["voided", "kept"]


@pytest.mark.parametrize(
    ("data", "status", "code"),
    [
        (b"words, not sound " * 30, 422, "bad_audio"),
        (wav(2.0)[:9000], 422, "bad_audio"),
        (wav(1.0, rate=10_000), 422, "bad_audio"),
        (wav(0.2), 422, "bad_audio"),
    ],
)
def test_bad_recordings_get_a_sentence(day: Day, data: bytes, status: int, code: str) -> None:
    reply = day.send(day.proctor, data)
    assert (reply.status_code, reply.json()["error"]["code"]) == (status, code)
    assert reply.json()["error"]["sentence"].endswith(".")


def test_an_empty_file_gets_a_sentence(day: Day) -> None:
    form = {"id": new_id(), "candidate_id": day.candidate_id, "piece_id": day.piece_id}
    reply = day.proctor.post("/api/takes", data=form, files={"file": ("x.wav", b"", "audio/wav")})
    assert reply.status_code == 422
    assert "empty" in reply.json()["error"]["sentence"]


def test_two_hours_are_refused(day: Day) -> None:
    rate = 16_000
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(1)
        file.setframerate(rate)
        file.writeframes(b"\x80" * (2 * 3600 * rate))
    reply = day.send(day.proctor, out.getvalue())
    assert (reply.status_code, reply.json()["error"]["code"]) == (413, "too_large")
    assert "120 minutes" in reply.json()["error"]["sentence"]


@pytest.mark.parametrize("missing", ["id", "candidate_id", "piece_id", "file"])
def test_a_form_with_a_gap_names_it(day: Day, missing: str) -> None:
    form = {"id": new_id(), "candidate_id": day.candidate_id, "piece_id": day.piece_id}
    files = {"file": ("a.wav", wav(), "audio/wav")}
    form.pop(missing, None)
    files.pop(missing, None)
    reply = day.proctor.post("/api/takes", data=form, files=files or {"other": b"x"})
    assert reply.status_code == 422
    assert missing in reply.json()["error"]["sentence"]


def test_playback_in_parts(day: Day) -> None:
    take_id = day.send(day.proctor).json()["take"]["take_id"]
    address = f"/api/takes/{take_id}/playback"
    whole = day.proctor.get(address)
    assert (whole.status_code, whole.headers["content-type"], whole.content[:4]) == (200, "audio/wav", b"RIFF")
    size = len(whole.content)
    assert int(whole.headers["content-length"]) == size == 44 + 2 * 44_100
    for asked, start, end in [
        ("bytes=0-99", 0, 100),
        ("bytes=100-", 100, size),
        ("bytes=-50", size - 50, size),
        (f"bytes=10-{size * 2}", 10, size),
    ]:
        part = day.proctor.get(address, headers={"Range": asked})
        assert part.status_code == 206
        assert part.content == whole.content[start:end]
        assert part.headers["content-range"] == f"bytes {start}-{end - 1}/{size}"
    for beyond in (f"bytes={size}-", "bytes=20-10", "bytes=-0"):
        reply = day.proctor.get(address, headers={"Range": beyond})
        assert (reply.status_code, reply.headers["content-range"]) == (416, f"bytes */{size}")
    for odd in ("bytes=a-b", "items=0-5", "bytes=0-1,5-6", "bytes=-"):
        assert day.proctor.get(address, headers={"Range": odd}).status_code == 200


def test_playback_tells_nothing_about_where_it_came_from(day: Day) -> None:
    take_id = day.send(day.proctor).json()["take"]["take_id"]
    reply = day.proctor.get(f"/api/takes/{take_id}/playback")
    said = " ".join(f"{name}: {value}" for name, value in reply.headers.items())
    assert "last-modified" not in reply.headers
    assert "etag" not in reply.headers
    assert "Ada" not in said
    assert reply.headers["cache-control"] == "private, no-store"


def test_peaks_and_findings_before_measuring(day: Day) -> None:
    take_id = day.send(day.proctor).json()["take"]["take_id"]
    peaks = day.proctor.get(f"/api/takes/{take_id}/peaks").json()
    assert peaks["duration_sec"] == pytest.approx(2.0)
    assert len(peaks["peaks"]) == 1000
    assert peaks["bars"] == []
    found = day.leader.get(f"/api/takes/{take_id}/findings").json()
    assert (found["findings"], found["stale"], found["measuring"]["state"]) == (None, False, "queued")
    assert day.leader.post(f"/api/takes/{take_id}/measure").json()["state"] == "queued"


def test_who_may_do_what(day: Day, browser: Callable[..., Any]) -> None:
    take_id = day.send(day.leader).json()["take"]["take_id"]
    nobody = browser()
    for method, address in [
        ("POST", "/api/takes"),
        ("POST", f"/api/takes/{take_id}/void"),
        ("GET", f"/api/takes/{take_id}/playback"),
        ("GET", f"/api/takes/{take_id}/peaks"),
        ("GET", f"/api/takes/{take_id}/findings"),
        ("POST", f"/api/takes/{take_id}/measure"),
        ("GET", "/api/room"),
        ("PATCH", f"/api/candidates/{day.candidate_id}"),
    ]:
        assert nobody.request(method, address).status_code == 401, address
        assert day.adjudicator.request(method, address).status_code == 403, address
    assert day.proctor.get(f"/api/takes/{take_id}/findings").status_code == 403
    assert day.proctor.post(f"/api/takes/{take_id}/measure").status_code == 403
    assert day.proctor.get(f"/api/takes/{new_id()}/playback").status_code == 404
    assert day.proctor.get("/api/takes/not-an-id/playback").status_code == 422


def test_a_tablet_of_another_audition_sees_nothing_here(day: Day, browser: Callable[..., Any]) -> None:
    other = day.leader.post("/api/auditions", json={"name": "Other", "held_on": "2026-03-08"}).json()["id"]
    url = day.leader.post(f"/api/auditions/{other}/proctor-link").json()["url"]
    token = browser().post("/api/join", json={"link": url}).json()["token"]
    stranger = browser(Authorization=f"Bearer {token}")
    take_id = day.send(day.proctor).json()["take"]["take_id"]
    assert day.send(stranger).status_code == 403
    assert stranger.get(f"/api/takes/{take_id}/playback").status_code == 404
    assert stranger.post(f"/api/takes/{take_id}/void", json={"reason": "x"}).status_code == 404
    assert stranger.get("/api/room", params={"audition_id": day.audition_id}).status_code == 403
    assert stranger.patch(f"/api/candidates/{day.candidate_id}", json={"state": "absent"}).status_code == 403
    assert stranger.get("/api/room").json()["candidates"] == []


def test_marking_candidates_over_http(day: Day) -> None:
    address = f"/api/candidates/{day.candidate_id}"
    assert day.proctor.patch(address, json={"state": "late"}).status_code == 422
    reply = day.proctor.patch(address, json={"state": "late", "reason": "the bus"})
    assert (reply.json()["state"], reply.json()["state_reason"]) == ("late", "the bus")
    assert day.leader.get("/api/room").status_code == 422

"""What the tests of a whole audition through the public API have in common."""

import hashlib
import importlib
import pkgutil
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import httpx
import numpy as np
from fastapi.routing import APIRoute
from plain_wav import encoded

from app.api import routes
from app.db.models import Findings
from app.domain.findings import Findings as MeasuredFindings
from app.domain.findings import MeasuredNote, findings_to_dict
from app.domain.ids import new_id

STUDENTS = (
    {"name": "Zenobia Quillfeather", "school": "Wobblewick Academy", "teacher": "Xylander Thrum", "year": "gr-eleven"},
    {"name": "Çağrı Umlautöğlu", "school": "Çayır Okulu", "teacher": "Brunhilde Ostrowska", "year": "gr-twelve"},
    {"name": "Иван Кларнетов", "school": "Школа Фагот", "teacher": "Пётр Гобоев", "year": "gr-ten"},
)
CAPTIONS = ("tone", "pitch", "rhythm", "musicianship")


def full_marks(piece_ids: list[str], value: int = 6) -> dict[str, dict[str, int]]:
    return {piece_id: dict.fromkeys(CAPTIONS, value) for piece_id in piece_ids}


def tagged_wav(name: str, seconds: float = 4.0, rate: int = 22050) -> bytes:
    """A soft tone in a WAV whose tags carry ``name``, as handheld recorders write them."""
    t = np.arange(int(seconds * rate)) / rate
    tone = 0.3 * np.sin(2 * np.pi * 330 * t) * np.clip(np.minimum(t - 0.4, seconds - 0.4 - t) * 10, 0, 1)
    text = name.encode() + b"\0" * (2 - len(name.encode()) % 2)
    tag = b"INFOIART" + len(text).to_bytes(4, "little") + text
    body = encoded((tone * 32767).astype("<i2").tobytes(), rate) + b"LIST" + len(tag).to_bytes(4, "little") + tag
    return b"RIFF" + (len(body) - 8).to_bytes(4, "little") + body[8:]


@dataclass
class Hall:
    """One audition: who is in it, every id there is, and every word that must stay with the leader."""

    leader: Any
    proctor: Any
    panel: dict[str, Any]  # by letter
    audition_id: str
    round_id: str
    piece_ids: list[str]
    adjudicator_ids: dict[str, str]
    candidates: list[dict[str, Any]]
    entries: dict[str, str]  # name -> entry id
    takes: dict[str, str]  # candidate id -> take id
    secrets: list[str]  # words and ids that lead to a student
    ids: list[str] = field(default_factory=list)
    one_of_each: list[str] = field(default_factory=list)


def ok(reply: httpx.Response) -> Any:
    assert reply.status_code in (200, 201), reply.text
    return reply.json()


def join(browser: Callable[..., Any], link: dict[str, Any]) -> Any:
    """A tablet that went through a join link."""
    joined = ok(browser().post("/api/join", json={"link": link["url"]}))
    return browser(Authorization=f"Bearer {joined['token']}")


def bar_heard(take_id: str) -> Findings:
    """Findings of one take: a bar heard from 0.4 s on."""
    note = MeasuredNote("n1", "1", 1.0, "C4", 58, "played", onset_sec=0.4, offset_sec=3.6, heard_midi=58)
    found = MeasuredFindings(
        a4_hz_used=440.0,
        a4_hz_fitted=440.0,
        tempo_bpm_fitted=96.0,
        tempo_bpm_marked=96.0,
        notes=(note,),
        extra_notes=(),
        breaks=(),
        pitch={"median_abs_cents": 4.0, "notes_judged": 1, "why_null": None},
        rhythm={"median_abs_ms": None, "why_null": "too few notes"},
        musicianship={},
        tone={},
        warnings=(),
        algorithm_version="test",
    )
    return Findings(take_id=take_id, input_hash="0" * 64, algorithm_version="test", payload=findings_to_dict(found))


def hand_in(page: Any, piece: str, data: bytes, *, name: str = "take.wav", cut: int = 60_000) -> Any:
    """Hand a file in as the page does: in chunks, one of them twice."""
    upload = new_id()
    begun = page.put(
        f"/api/hand-in/files/{upload}", json={"piece_id": piece, "file_name": name, "size_bytes": len(data)}
    )
    if begun.status_code != 200:
        return begun
    parts = [data[at : at + cut] for at in range(0, len(data), cut)]
    for seq, part in (*enumerate(parts), (0, parts[0])):
        headers = {"X-Chunk-Sha256": hashlib.sha256(part).hexdigest(), "Content-Type": "application/octet-stream"}
        reply = page.put(f"/api/hand-in/files/{upload}/chunks/{seq}", content=part, headers=headers)
        assert reply.status_code == 200, reply.text
    again = page.put(
        f"/api/hand-in/files/{upload}", json={"piece_id": piece, "file_name": name, "size_bytes": len(data)}
    )
    assert again.json() == {"chunks": list(range(len(parts))), "taken": False}
    return page.post(f"/api/hand-in/files/{upload}/finish", json={"chunks": len(parts)})


def sentence(reply: Any, status: int) -> str:
    assert reply.status_code == status, reply.text
    said: str = reply.json()["error"]["sentence"]
    return said


def all_routes() -> list[APIRoute]:
    """Every route of the API, from the modules the application takes them from."""
    found: list[APIRoute] = []
    for module in sorted(pkgutil.iter_modules(routes.__path__), key=lambda m: m.name):
        router = importlib.import_module(f"{routes.__name__}.{module.name}").router
        found += [route for route in router.routes if isinstance(route, APIRoute)]
    return found

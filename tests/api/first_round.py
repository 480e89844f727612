"""A drawn round of one invented student and a scale, made over HTTP, and a recording to send."""

import io
import wave
from dataclasses import dataclass
from typing import Any

import numpy as np

CONSENT = {"consent_on": "2026-03-01", "consent_by": "Guardian"}
RECIPE = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "clarinet-bb"}


def wav(seconds: float = 2.0, hz: float = 440.0, rate: int = 22_050) -> bytes:
    time = np.arange(round(seconds * rate)) / rate
    samples = 0.2 * np.sin(2 * np.pi * hz * time) + np.random.default_rng(3).normal(0, 1e-4, time.size)
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes((samples * 32767).astype("<i2").tobytes())
    return out.getvalue()


@dataclass(frozen=True)
class FirstRound:
    audition_id: str
    round_id: str
    piece_id: str
    seat_id: str


def make_round(leader: Any) -> FirstRound:
    """``leader`` is a signed-in client."""
    audition_id = leader.post("/api/auditions", json={"name": "Spring mock", "held_on": "2026-03-07"}).json()["id"]
    base = f"/api/auditions/{audition_id}"
    piece = leader.post(f"{base}/pieces/generated", json={"recipe": RECIPE, "title": "Scale"})
    assert piece.status_code == 201, piece.text
    leader.post(f"{base}/roster", json={"name": "Ada Sample", "instrument": "clarinet-bb", **CONSENT})
    seat = leader.post(f"{base}/adjudicators", json={"name": "First Ear"}).json()
    assert leader.post(f"{base}/rule/declare").status_code == 200
    round_id = leader.post(f"{base}/rounds", json={"name": "First", "seats": 1}).json()["id"]
    leader.post(f"/api/rounds/{round_id}/commit")
    assert leader.post(f"/api/rounds/{round_id}/draw").status_code == 200
    return FirstRound(audition_id, round_id, piece.json()["id"], seat["id"])

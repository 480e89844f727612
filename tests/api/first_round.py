"""A drawn round of one invented student and a scale, made over HTTP."""

from dataclasses import dataclass
from typing import Any

CONSENT = {"consent_on": "2026-03-01", "consent_by": "Guardian"}
RECIPE = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "clarinet-bb"}


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

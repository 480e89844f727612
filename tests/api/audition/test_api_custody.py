"""A candidate's history and the server's figures, for the leader."""

import argparse
import re
from pathlib import Path
from typing import Any

import pytest
from api_hall import full_marks, ok

from app.api.metrics import Metrics
from app.cli import verify_command
from app.domain.errors import NotFound
from app.domain.ids import new_id


def _history(hall: Any, candidate_id: str) -> list[tuple[str, str]]:
    found = ok(hall.leader.get(f"/api/candidates/{candidate_id}/audit"))
    assert found["broken"] is None
    assert [d["seq"] for d in found["deeds"]] == sorted(d["seq"] for d in found["deeds"])
    return [(d["who"], d["action"]) for d in found["deeds"]]


def test_who_did_what_to_a_candidate_in_order(hall: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    candidate = next(c["candidate_id"] for c in hall.candidates if _seen_by(hall, "B", c["candidate_id"]))
    other = next(c["candidate_id"] for c in hall.candidates if c["candidate_id"] != candidate)
    for letter in ("A", "B"):
        sheet = {"version_id": new_id(), "marks": full_marks(hall.piece_ids), "remarks": []}
        ok(hall.panel[letter].post(f"/api/panel/candidates/{candidate}/sheet/submit", json=sheet))
    again = {
        "version_id": new_id(),
        "marks": full_marks(hall.piece_ids, 7),
        "remarks": [],
        "reason": "misheard Zenobia",
    }
    ok(hall.panel["A"].post(f"/api/panel/candidates/{candidate}/sheet/correct", json=again))
    ok(hall.proctor.post(f"/api/takes/{hall.takes[candidate]}/void", json={"reason": "the phone of Zenobia"}))
    ok(hall.leader.patch(f"/api/candidates/{candidate}", json={"state": "withdrawn", "reason": "Zenobia is ill"}))
    assert _history(hall, candidate) == [
        ("Section leader Ines Okafor", "seed-committed"),
        ("Section leader Ines Okafor", "drawn"),
        ("Recording room (Recording room)", "take-received"),
        ("Adjudicator A", "sheet-submitted"),
        ("Adjudicator B", "sheet-submitted"),
        ("Adjudicator A", "sheet-corrected"),
        ("Recording room (Recording room)", "take-voided"),
        ("Section leader Ines Okafor", "candidate-marked"),
    ]
    assert len(_history(hall, other)) == 3
    number = next(c["blind_number"] for c in hall.candidates if c["candidate_id"] == candidate)
    text = hall.leader.get(f"/api/candidates/{candidate}/audit").text
    students = set(hall.secrets) - {"Ines Okafor"}
    assert not [secret for secret in students if secret in text]
    assert f"number {number}" in text

    parser = argparse.ArgumentParser()
    verify_command.register(parser)
    assert verify_command.run(parser.parse_args(["--history", number, "--data", str(tmp_path / "data")])) == 0
    said = capsys.readouterr().out
    assert "Adjudicator B sent the sheet (signature " in said
    assert "Recording room (Recording room) voided the take of Scale, with a reason." in said
    with pytest.raises(NotFound, match="Nobody had"):
        verify_command.run(parser.parse_args(["--history", "5", "--data", str(tmp_path / "data")]))


def _seen_by(hall: Any, letter: str, candidate_id: str) -> bool:
    shown = ok(hall.panel[letter].get("/api/panel"))["candidates"]
    return next(c["state"] for c in shown if c["candidate_id"] == candidate_id) != "recused"


def test_figures_are_the_leaders_and_hold_no_id_and_no_name(hall: Any, browser: Any) -> None:
    browser().request("GET", "/api/zenobia-quillfeather")
    browser().request("ZENOBIA", "/api/session")
    for name in ("Quillfeather One", "Quillfeather Two", "Quillfeather Three"):
        ok(hall.leader.post(f"/api/auditions/{hall.audition_id}/adjudicators", json={"name": name}))
    reply = hall.leader.get("/api/metrics")
    assert (reply.status_code, reply.headers["content-type"].partition(";")[0]) == (200, "text/plain")
    figures = dict(line.rsplit(" ", 1) for line in reply.text.splitlines() if not line.startswith("#"))
    added = "/api/auditions/{audition_id}/adjudicators"
    assert figures[f'fairhearing_requests_total{{method="POST",route="{added}",status="201"}}'] == "3"
    assert figures['fairhearing_jobs{state="queued"}'] == "3"
    assert figures["fairhearing_healthy"] == "1"
    assert float(figures["fairhearing_store_free_bytes"]) > 0
    assert figures[f'fairhearing_request_seconds_count{{request="POST {added}"}}'] == "3"
    assert figures[f'fairhearing_request_seconds_bucket{{request="POST {added}",le="+Inf"}}'] == "3"
    assert re.search(r"[0-9a-f]{32}", reply.text) is None
    assert not [secret for secret in hall.secrets if secret.casefold() in reply.text.casefold()]
    assert "zenobia" not in reply.text.casefold()


def test_counts_add_up() -> None:
    metrics = Metrics()
    for took_sec in (0.004, 0.02, 0.07, 3.0):
        metrics.answered("PUT", "/api/x", 200, took_sec)
    text = metrics.text({"fairhearing_y": 2.0})
    for bound, count in (("0.005", 1), ("0.025", 2), ("0.1", 3), ("2.5", 3), ("10", 4), ("+Inf", 4)):
        assert f'fairhearing_request_seconds_bucket{{request="PUT /api/x",le="{bound}"}} {count}\n' in text
    assert 'fairhearing_request_seconds_sum{request="PUT /api/x"} 3.094000\n' in text
    assert "# TYPE fairhearing_y gauge\nfairhearing_y 2\n" in text

"""The panel's day over HTTP: sheets, findings, corrections, the standing, opening, marks as a table."""

import csv
import io
import json

from api_hall import full_marks, ok

from app.cli.main import main
from app.domain.ids import new_id


def _sheet(candidate_id):
    return f"/api/panel/candidates/{candidate_id}/sheet"


def _send(visitor, hall, candidate_id, value=6, **more):
    body = {"version_id": new_id(), "marks": full_marks(hall.piece_ids, value), "remarks": [], **more}
    return visitor.post(f"{_sheet(candidate_id)}/submit", json=body)


def test_the_panels_screen(hall):
    shown = ok(hall.panel["B"].get("/api/panel"))
    assert shown["adjudicator"] == {"letter": "B"}
    assert shown["round"]["id"] == hall.round_id
    assert shown["pieces"][0]["bars"][:2] == ["1", "2"]
    assert [c["key"] for c in shown["rubric"]["captions"]] == ["tone", "pitch", "rhythm", "musicianship"]
    assert shown["rubric"]["captions"][0]["levels"][0].keys() == {"from", "to", "descriptor"}
    states = sorted(c["state"] for c in shown["candidates"])
    assert states == ["recused", "to hear", "to hear"]
    recused = next(c for c in shown["candidates"] if c["state"] == "recused")
    assert recused["takes"] == []
    assert all(c["takes"][0]["duration_sec"] > 3 for c in shown["candidates"] if c["state"] == "to hear")


def test_own_pupils_can_be_neither_heard_nor_marked(hall):
    visitor = hall.panel["B"]
    recused = next(c for c in ok(visitor.get("/api/panel"))["candidates"] if c["state"] == "recused")
    take = hall.takes[recused["candidate_id"]]
    for path in ("playback", "peaks", "findings"):
        assert visitor.get(f"/api/panel/takes/{take}/{path}").status_code == 403
    assert _send(visitor, hall, recused["candidate_id"]).status_code == 409
    assert ok(visitor.get(_sheet(recused["candidate_id"])))["state"] == "recused"


def test_bars_show_at_once_and_findings_only_after_the_own_sheet(hall):
    visitor, candidate = hall.panel["A"], hall.candidates[0]["candidate_id"]
    take = hall.takes[candidate]
    waveform = ok(visitor.get(f"/api/panel/takes/{take}/peaks"))
    assert waveform["bars"] == [{"bar": "1", "at_sec": 0.4}]
    assert len(waveform["peaks"]) > 100
    early = visitor.get(f"/api/panel/takes/{take}/findings")
    assert (early.status_code, early.json()["error"]["code"]) == (409, "wrong_state")
    ok(visitor.put(f"{_sheet(candidate)}/draft", json={"marks": full_marks(hall.piece_ids)}))
    assert visitor.get(f"/api/panel/takes/{take}/findings").status_code == 409
    ok(_send(visitor, hall, candidate))
    assert ok(visitor.get(f"/api/panel/takes/{take}/findings"))["pitch"]["median_abs_cents"] == 4.0
    recused = {
        c["candidate_id"] for c in ok(hall.panel["B"].get("/api/panel"))["candidates"] if c["state"] == "recused"
    }
    if candidate not in recused:
        assert hall.panel["B"].get(f"/api/panel/takes/{take}/findings").status_code == 409


def test_a_sheet_is_sent_once_and_corrected_with_a_reason(hall):
    visitor, candidate = hall.panel["A"], hall.candidates[0]["candidate_id"]
    version = new_id()
    first = _send(visitor, hall, candidate, version_id=version)
    again = _send(visitor, hall, candidate, version_id=version)
    assert (first.status_code, again.status_code, first.json()) == (200, 200, again.json())
    second = _send(visitor, hall, candidate)
    error = second.json()["error"]
    assert (second.status_code, error["code"]) == (409, "duplicate")
    assert error["sentence"] == (
        f"A sheet for number {hall.candidates[0]['blind_number']} was sent already; correct it with a reason instead."
    )
    body = {"version_id": new_id(), "marks": full_marks(hall.piece_ids, 7), "remarks": [], "reason": "misheard"}
    corrected = ok(visitor.post(f"{_sheet(candidate)}/correct", json=body))
    assert [v["version"] for v in corrected["versions"]] == [1, 2]
    assert corrected["versions"][0]["signature"] != corrected["versions"][1]["signature"]
    assert ok(visitor.get("/api/panel"))["candidates"][0]["state"] == "sent"


def test_marks_are_checked_with_a_sentence(hall):
    visitor, candidate = hall.panel["A"], hall.candidates[0]["candidate_id"]
    piece = hall.piece_ids[0]
    for marks in (
        {piece: {"tone": 11}},
        {piece: {"tone": 6.5}},
        {piece: {"tone": "6"}},
        {piece: {"tone": True}},
        {piece: {"speed": 6}},
        {new_id(): {"tone": 6}},
        {piece: [6]},
        [],
    ):
        reply = visitor.put(f"{_sheet(candidate)}/draft", json={"marks": marks})
        assert (reply.status_code, reply.json()["error"]["code"]) == (422, "bad_input"), marks
    half = {piece: {"tone": 6, "pitch": None}}
    reply = visitor.post(f"{_sheet(candidate)}/submit", json={"version_id": new_id(), "marks": half})
    assert "still missing" in reply.json()["error"]["sentence"]
    reply = visitor.post(
        f"{_sheet(candidate)}/submit", json={"version_id": new_id(), "marks": half, "reason": "the rest was not played"}
    )
    assert ok(reply)["versions"][0]["marks"] == {piece: {"tone": 6}}


def test_a_voided_take_is_gone_from_the_panel_and_nobody_says_why(hall):
    candidate = hall.candidates[0]["candidate_id"]
    take = hall.takes[candidate]
    ok(hall.proctor.post(f"/api/takes/{take}/void", json={"reason": "the door slammed"}))
    shown = hall.panel["A"].get("/api/panel")
    assert "door" not in shown.text
    assert next(c for c in shown.json()["candidates"] if c["candidate_id"] == candidate)["takes"] == []
    for path in ("playback", "peaks", "findings"):
        assert hall.panel["A"].get(f"/api/panel/takes/{take}/{path}").status_code == 404


def test_recusing_oneself_from_the_panel(hall):
    candidate = hall.candidates[0]["candidate_id"]
    for _ in range(2):
        assert ok(hall.panel["A"].post(f"{_sheet(candidate)}/recuse", json={}))["state"] == "recused"
    progress = ok(hall.leader.get(f"/api/rounds/{hall.round_id}/progress"))
    assert progress["candidates"][0]["sheets"]["A"] == "recused"


def test_from_the_last_sheet_to_the_opened_round(hall):
    standing = f"/api/rounds/{hall.round_id}/standing"
    before = ok(hall.leader.get(standing))
    assert (before["opened"], before["rows"]) == (False, [])
    assert before["why_not_open"] == "No sheet was sent yet, so there is nothing to open."
    for letter, visitor in hall.panel.items():
        for place, candidate in enumerate(ok(visitor.get("/api/panel"))["candidates"]):
            if candidate["state"] != "recused":
                ok(_send(visitor, hall, candidate["candidate_id"], 8 - place - (letter == "B")))
    sealed = ok(hall.leader.get(standing))
    assert [r["name"] for r in sealed["rows"]] == [None] * 3
    assert sealed["rows"][0]["blind_number"] == hall.candidates[0]["blind_number"]
    assert sealed["caption_names"]["tone"] == "Tone"
    table = hall.leader.get(f"/api/rounds/{hall.round_id}/marks.csv")
    assert table.headers["content-disposition"] == 'attachment; filename="marks.csv"'
    assert "name" not in table.text.splitlines()[0]
    refused = hall.leader.post(f"/api/rounds/{hall.round_id}/open")
    assert (refused.status_code, "being measured" in refused.json()["error"]["sentence"]) == (422, True)
    opened = ok(hall.leader.post(f"/api/rounds/{hall.round_id}/open", json={"reason": "no workers today"}))
    assert {r["name"] for r in opened["rows"]} == set(hall.entries)
    assert [r["blind_number"] for r in opened["rows"]] == [r["blind_number"] for r in sealed["rows"]]
    assert len(opened["standing_hash"]) == 64
    assert hall.leader.post(f"/api/rounds/{hall.round_id}/open").status_code == 409
    named = csv.DictReader(
        io.StringIO(hall.leader.get(f"/api/rounds/{hall.round_id}/marks.csv").content.decode("utf-8-sig"))
    )
    assert {row["name"] for row in named} == set(hall.entries)
    late = _send(hall.panel["A"], hall, hall.candidates[0]["candidate_id"])
    assert late.status_code == 409
    audit = ok(hall.leader.get(f"/api/auditions/{hall.audition_id}/audit"))
    opening = next(e for e in audit if e["action"] == "opened")
    assert opening["actor"].startswith("leader:")
    assert not any(name in str(audit) for name in hall.entries)


def test_the_table_of_marks_is_read_by_the_command_and_gives_the_same_order(hall, tmp_path):
    for visitor in hall.panel.values():
        for place, candidate in enumerate(ok(visitor.get("/api/panel"))["candidates"]):
            if candidate["state"] != "recused":
                ok(_send(visitor, hall, candidate["candidate_id"], 9 - 3 * place))
    table, result = tmp_path / "marks.csv", tmp_path / "standing.json"
    table.write_bytes(hall.leader.get(f"/api/rounds/{hall.round_id}/marks.csv").content)
    assert main(["panel", str(table), "--json", str(result)]) == 0
    ranked = [row["candidate"] for row in json.loads(result.read_text())["standing"]]
    shown = ok(hall.leader.get(f"/api/rounds/{hall.round_id}/standing"))["rows"]
    assert ranked == [row["blind_number"] for row in shown]

"""Recorded rounds through the public API: practice take, own orders, hidden repeats, and nothing that tells."""

import io
import re

import pytest
from api_hall import CAPTIONS, full_marks, ok, tagged_wav
from openpyxl import load_workbook

from app.domain.ids import new_id
from app.files.marks_table import read_marks


@pytest.fixture
def recorded(hall):
    """A second round of the same hall: own orders, one hidden repeat, a practice take from a take of the first."""
    leader, base = hall.leader, f"/api/auditions/{hall.audition_id}"
    plan = {"name": "Recorded", "listening_order": "own", "hidden_repeats": 1}
    round_id = ok(leader.post(f"{base}/rounds", json=plan))["id"]
    shown = ok(leader.get(f"/api/rounds/{round_id}/practice"))
    assert (shown["is_set"], len(shown["earlier_takes"])) == (False, 3)
    ok(leader.put(f"/api/rounds/{round_id}/practice", json={"take_id": shown["earlier_takes"][0]["take_id"]}))
    agreed = {"marks": dict.fromkeys(CAPTIONS, 6), "note": "Even, a little dry."}
    assert ok(leader.put(f"/api/rounds/{round_id}/practice/agreed", json=agreed))["is_set"]
    assert leader.get(f"/api/rounds/{round_id}/practice/playback").content[:4] == b"RIFF"
    ok(leader.post(f"/api/rounds/{round_id}/commit"))
    drawn = ok(leader.post(f"/api/rounds/{round_id}/draw"))
    hall.round_id, hall.candidates = round_id, drawn["candidates"]
    return hall


def record(hall, but=0):
    for candidate in hall.candidates[but:]:
        form = {"id": new_id(), "candidate_id": candidate["candidate_id"], "piece_id": hall.piece_ids[0]}
        sound = ("Zenobia_clarinet.wav", tagged_wav("Zenobia Quillfeather"), "audio/wav")
        ok(hall.proctor.post("/api/takes", data=form, files={"file": sound}))


def panel_of(hall, letter):
    return ok(hall.panel[letter].get(f"/api/panel?round_id={hall.round_id}"))


def send(hall, letter, candidate, value):
    body = {"version_id": new_id(), "marks": full_marks(hall.piece_ids, value), "remarks": []}
    return ok(hall.panel[letter].post(f"/api/panel/candidates/{candidate['candidate_id']}/sheet/submit", json=body))


def test_takes_come_up_together_and_a_repeat_answers_like_any_number(recorded):
    record(recorded, but=1)
    waiting = panel_of(recorded, "A")
    assert "when the last take is in" in waiting["waiting"]
    assert [len(c["takes"]) for c in waiting["candidates"]] == [1, 0, 0, 0, 0]  # the practice take may be heard
    first = recorded.candidates[0]
    recorded.candidates = [first]
    record(recorded)
    shown = panel_of(recorded, "A")
    assert shown["waiting"] is None
    assert [len(c["takes"]) for c in shown["candidates"]] == [1] * 5
    plain = {c["candidate_id"] for c in ok(recorded.leader.get(f"/api/rounds/{recorded.round_id}"))["candidates"]}
    (repeat,) = [c for c in shown["candidates"] if not c["practice"] and c["candidate_id"] not in plain]
    kinds = set()
    for candidate in shown["candidates"][1:]:
        take_id = candidate["takes"][0]["take_id"]
        assert re.fullmatch("[0-9a-f]{32}", take_id)
        base = f"/api/panel/takes/{take_id}"
        answers = [recorded.panel["A"].get(f"{base}/{what}") for what in ("playback", "peaks", "findings")]
        kinds.add(tuple(a.status_code for a in answers))
        assert answers[0].content[:4] == b"RIFF"
        assert all("Quillfeather" not in a.text for a in answers)
    assert kinds == {(200, 200, 409)}
    # Another tablet's ids of the repeat are the same, a stranger's guess is not there.
    assert recorded.leader.get(f"/api/takes/{repeat['takes'][0]['take_id']}/playback").status_code == 404
    sheet = ok(recorded.panel["A"].get(f"/api/panel/candidates/{repeat['candidate_id']}/sheet"))
    assert (sheet["state"], sheet["agreed"]) == ("to hear", None)
    assert not {"kind", "extra", "repeat"} & {key for c in shown["candidates"] for key in c}


def test_agreed_marks_show_after_the_own_sheet_and_repeats_after_the_sheets(recorded):
    record(recorded)
    for letter in ("A", "B"):
        shown = panel_of(recorded, letter)
        practice = shown["candidates"][0]
        before = ok(recorded.panel[letter].get(f"/api/panel/candidates/{practice['candidate_id']}/sheet"))
        assert (practice["practice"], before["agreed"]) == (True, None)
        after = send(recorded, letter, practice, 4)
        assert after["agreed"] == {"marks": dict.fromkeys(CAPTIONS, 6), "note": "Even, a little dry."}
        for place, candidate in enumerate(shown["candidates"][1:]):
            if candidate["state"] != "recused":
                send(recorded, letter, candidate, 5 + place % 2)
    standing = ok(recorded.leader.get(f"/api/rounds/{recorded.round_id}/standing"))
    assert (len(standing["rows"]), standing["questions_wait"]) == (3, None)
    assert not any("not sent" in sentence for sentence in standing["missing"])
    assert {c["kind"] for c in ok(recorded.leader.get(f"/api/rounds/{recorded.round_id}/progress"))["extras"]} == {
        "practice",
        "repeat",
    }
    ok(recorded.leader.post(f"/api/rounds/{recorded.round_id}/open", json={"reason": "nothing is measured here"}))
    compared = ok(recorded.leader.get(f"/api/rounds/{recorded.round_id}/standing/compare"))
    assert (compared["same"], compared["differs"]) == (True, [])


def test_a_re_hearing_and_a_workbook_come_from_the_standing(hall):
    numbers = []
    for letter in ("A", "B"):
        for candidate in panel_of(hall, letter)["candidates"]:
            if candidate["state"] != "recused":
                send(hall, letter, candidate, 6)
    rows = ok(hall.leader.get(f"/api/rounds/{hall.round_id}/standing"))["rows"]
    numbers = [row["blind_number"] for row in rows][:2]
    made = ok(hall.leader.post(f"/api/rounds/{hall.round_id}/rehearing", json={"numbers": numbers}))
    assert (made["kind"], made["state"], made["seats"], len(made["entry_ids"])) == ("rehearing", "setup", 1, 2)
    refused = hall.leader.post(f"/api/rounds/{hall.round_id}/rehearing", json={"numbers": numbers[:1]})
    assert (refused.status_code, refused.json()["error"]["code"]) == (422, "bad_input")

    reply = hall.leader.get(f"/api/rounds/{hall.round_id}/marks.xlsx")
    assert reply.headers["content-disposition"] == 'attachment; filename="marks.xlsx"'
    book = load_workbook(io.BytesIO(reply.content))
    assert book.sheetnames == ["Marks", "Standing", "Adjudicators"]
    cells = [c for sheet in book for row in sheet.iter_rows() for c in row]
    assert all(c.data_type != "f" for c in cells)
    assert not any(secret in str(c.value) for c in cells for secret in hall.secrets)  # sealed: no name
    table = read_marks(reply.content, file_name="marks.xlsx")
    assert len(table.candidates) == 3
    assert {(a, str(c)) for a, c in table.recusals} == {
        ("B", next(r["blind_number"] for r in rows if r["adjudicators_counted"] == 1))
    }

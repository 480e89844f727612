"""A second person confirms and spot-checks; absences; marks carried over; nobody confers."""

import pytest
from api_hall import full_marks, join, ok
from day_hall import Day, make_day, seats, send_sheet

from app.domain.ids import new_id

STUDENTS = [
    {"name": "Zenobia Quillfeather", "teacher": "Xylander Thrum", "extra_time_percent": 25, "accommodation": "braille"},
    {"name": "Ottokar Vandersloot"},
    {"name": "Merla Ashgrove"},
]
SECRETS = ["Zenobia", "Quillfeather", "Ottokar", "Vandersloot", "Merla", "Ashgrove", "braille", "Mockridge", "Thrum"]


@pytest.fixture
def day(leader, browser, app) -> Day:
    return make_day(leader, browser, app, STUDENTS, rooms=(), round_more={"second_check": True}, seats=1)


def sentence(reply) -> str:
    assert reply.status_code >= 400, reply.text
    return reply.json()["error"]["sentence"]


def second_person(day, browser):
    return join(browser, ok(day.leader.post(f"/api/auditions/{day.audition_id}/checker-link")))


def open_it(day, round_id=None, reason="nothing is measured here"):
    return day.leader.post(f"/api/rounds/{round_id or day.round_id}/open", json={"reason": reason})


def send_all(day, panel, values=(8, 6, 4)):
    for value, candidate in zip(values, day.order(), strict=True):
        for tablet in panel.values():
            ok(send_sheet(tablet, candidate, day.piece_ids, value))


def test_a_round_is_opened_only_after_a_second_person_has_confirmed_it(day, browser):
    panel = seats(day, browser)
    send_all(day, panel)
    assert "second person has not confirmed" in sentence(open_it(day))
    shown = ok(day.leader.get(f"/api/rounds/{day.round_id}/standing"))
    assert "second person has not confirmed" in shown["why_not_open"]
    checker = second_person(day, browser)
    [tabulation] = ok(checker.get("/api/check"))["tabulations"]
    assert tabulation["required"]
    assert tabulation["hash"] == shown["tabulation_hash"]  # both people look at the same code
    assert [n["total"] for n in tabulation["numbers"]] == [8, 6, 4]
    assert all(len(n["sheets"]) == 2 and n["sheets"][0]["marks"] == [n["total"]] * 4 for n in tabulation["numbers"])
    deed = f"/api/check/rounds/{day.round_id}/confirm"
    body = {"hash": tabulation["hash"], "person": "Philippa Oakes"}
    assert sentence(checker.post(deed, json=body | {"person": " "}))
    assert "has changed" in sentence(checker.post(deed, json=body | {"hash": "0" * 64}))
    assert day.leader.post(deed, json=body).status_code == 403  # one person alone confirms nothing
    ok(checker.post(deed, json=body))
    assert ok(checker.get("/api/check"))["tabulations"][0]["confirmed_by"] == "Philippa Oakes"
    correction = {"version_id": new_id(), "marks": full_marks(day.piece_ids, 9), "remarks": [], "reason": "misread"}
    ok(panel["A"].post(f"/api/panel/candidates/{day.order()[0]}/sheet/correct", json=correction))
    assert "second person has not confirmed" in sentence(open_it(day))  # a mark has changed since
    fresh = ok(checker.get("/api/check"))["tabulations"][0]
    assert fresh["confirmed_by"] is None
    ok(checker.post(deed, json={"hash": fresh["hash"], "person": "Philippa Oakes"}))
    assert ok(open_it(day))["opened"]
    audit = ok(day.leader.get(f"/api/auditions/{day.audition_id}/audit"))
    assert "tabulation-confirmed" in str(audit)
    told = ok(day.leader.get(f"/api/candidates/{day.order()[0]}/audit"))["deeds"]
    assert [d["who"] for d in told if d["what"].startswith("confirmed the tabulation")] == ["Second person"] * 2


def test_the_second_person_and_the_panel_learn_no_name_and_no_accommodation(day, browser):
    panel, checker = seats(day, browser), second_person(day, browser)
    send_all(day, panel)
    for visitor, paths in ((checker, ["/api/check", "/api/session"]), (panel["A"], ["/api/panel", "/api/session"])):
        for path in paths:
            text = visitor.get(path).text
            assert not [word for word in SECRETS if word in text], path
    for path in ("/api/door", "/api/room", f"/api/rounds/{day.round_id}/door-list.pdf", "/api/panel"):
        assert checker.get(path).status_code == 403
    for path in ("/api/door", "/api/check", f"/api/rounds/{day.round_id}/slips.pdf"):
        assert panel["A"].get(path).status_code == 403


def test_nobody_confers_before_the_sheets_are_in(day, browser):
    """What another adjudicator has marked can't be seen before one's own sheet is in, nor after."""
    panel = seats(day, browser)
    first = day.order()[0]
    before = panel["B"].get("/api/panel").text, panel["B"].get(f"/api/panel/candidates/{first}/sheet").text
    remark = [{"piece_id": day.piece_ids[0], "bar": "1", "text": "a glorious ending"}]
    body = {"version_id": new_id(), "marks": full_marks(day.piece_ids, 9), "remarks": remark}
    ok(panel["A"].post(f"/api/panel/candidates/{first}/sheet/submit", json=body))
    after = panel["B"].get("/api/panel").text, panel["B"].get(f"/api/panel/candidates/{first}/sheet").text
    assert before == after
    ok(send_sheet(panel["B"], first, day.piece_ids, 3))
    assert "glorious" not in panel["B"].get(f"/api/panel/candidates/{first}/sheet").text


def test_paper_is_typed_as_a_bundle_and_spot_checked_blind(day, browser):
    checker = second_person(day, browser)
    ids = {a["letter"]: a["id"] for a in ok(day.leader.get(f"/api/auditions/{day.audition_id}/adjudicators"))}
    order = day.order()
    sheets = [
        {
            "version_id": new_id(),
            "adjudicator_id": ids[letter],
            "candidate_id": c,
            "marks": full_marks(day.piece_ids, m),
        }
        for letter in ids
        for c, m in zip(order, (8, 6, 4), strict=True)
    ]
    path = f"/api/rounds/{day.round_id}/paper"
    bad = [*sheets[:-1], sheets[-1] | {"marks": {day.piece_ids[0]: {"tone": 99}}}]
    refused = sentence(day.leader.post(path, json={"bundle_id": new_id(), "sheets": bad}))
    assert refused.startswith("Adjudicator B, number ")
    assert ok(day.leader.get(path)) == []  # whole or not at all
    bundle = {"bundle_id": new_id(), "sheets": sheets, "share_percent": 34}
    kept = ok(day.leader.post(path, json=bundle))
    assert sorted(s["state"] for s in kept) == ["to check"] * 3 + ["unchecked"] * 3  # 34 % of six, rounded up
    assert [s["state"] for s in ok(day.leader.post(path, json=bundle))] == [s["state"] for s in kept]  # a resend
    assert "still to be checked" in sentence(open_it(day))
    waiting = ok(checker.get("/api/check"))["to_check"]
    assert len(waiting) == 3
    assert "marks" not in waiting[0]  # nobody sees what was typed before
    typed = {s["sheet_id"]: s["marks"] for s in kept}
    one, *others = waiting
    wrong = full_marks(day.piece_ids, 1)
    answer = ok(checker.post(f"/api/check/sheets/{one['sheet_id']}", json={"marks": wrong}))
    assert not answer["agrees"]
    assert "on the paper 1" in answer["differences"][0]
    assert {s["state"] for s in ok(day.leader.get(path))} == {"to check", "differs"}  # now all are checked
    assert "differs from what a second person read" in sentence(open_it(day))
    body = {"version_id": new_id(), "marks": wrong, "reason": "misread the paper"}
    ok(day.leader.post(f"/api/paper/{one['sheet_id']}/correct", json=body))
    for sheet in ok(checker.get("/api/check"))["to_check"]:
        marks = wrong if sheet["sheet_id"] == one["sheet_id"] else typed[sheet["sheet_id"]]
        assert ok(checker.post(f"/api/check/sheets/{sheet['sheet_id']}", json={"marks": marks}))["agrees"]
    assert "checked already" in sentence(checker.post(f"/api/check/sheets/{others[0]['sheet_id']}", json={"marks": {}}))
    assert "second person has not confirmed" in sentence(open_it(day))


def test_an_adjudicator_who_is_away_leaves_missing_cells_and_everybody_is_told(leader, browser, app):
    day = make_day(leader, browser, app, STUDENTS, rooms=())
    panel = seats(day, browser)
    ids = {a["letter"]: a["id"] for a in ok(leader.get(f"/api/auditions/{day.audition_id}/adjudicators"))}
    order = day.order()
    path = f"/api/rounds/{day.round_id}/absences"
    body = {"adjudicator_id": ids["B"], "candidate_ids": order[:1], "reason": "a train"}
    assert sentence(leader.post(path, json=body | {"reason": ""}))
    [noted] = ok(leader.post(path, json=body))
    assert "noted as away" in sentence(send_sheet(panel["B"], order[0], day.piece_ids, 1))
    assert [c["state"] for c in ok(panel["B"].get("/api/panel"))["candidates"]].count("away") == 1
    for value, candidate in zip((8, 6, 4), order, strict=True):
        for letter, tablet in panel.items():
            if (letter, candidate) != ("B", order[0]):
                ok(send_sheet(tablet, candidate, day.piece_ids, value))
    assert "has sent a sheet" in sentence(leader.post(path, json=body | {"candidate_ids": order[1:2]}))
    standing = ok(leader.get(f"/api/rounds/{day.round_id}/standing"))
    totals = {row["candidate_id"]: row["total"] for row in standing["rows"]}
    assert totals == dict(zip(order, (8, 6, 4), strict=True))  # missing, not zero
    assert not [text for text in standing["missing"] if "has not sent" in text]
    number = noted["blind_number"]
    assert f"Adjudicator B was away for number {number}; that cell is missing, not zero." in standing["sentences"]
    assert "away" in str(ok(leader.get(f"/api/rounds/{day.round_id}/progress"))["candidates"])
    ok(leader.delete(f"/api/absences/{noted['id']}"))
    ok(send_sheet(panel["B"], order[0], day.piece_ids, 2))
    again = ok(leader.get(f"/api/rounds/{day.round_id}/standing"))
    assert {r["candidate_id"]: r["total"] for r in again["rows"]}[order[0]] == 5


def test_marks_carry_over_as_declared_under_new_numbers(leader, browser, app):
    day = make_day(leader, browser, app, STUDENTS, rooms=(), pieces=("Scale", "Étude"))
    panel = seats(day, browser)
    ok(day.deed(day.order()[-1], "put-back", reason="a reed"))
    lines = day.turns()
    send_all(day, panel, (8, 6, 4))
    first = {lines[c]["name"]: v for c, v in zip(day.order(), (8, 6, 4), strict=True)}
    best = [e["entry_id"] for e in day.entries if first[e["name"]] >= 6]
    base = f"/api/auditions/{day.audition_id}/rounds"
    wanted = {"name": "Final", "kind": "final", "seats": 1, "entry_ids": best, "piece_ids": day.piece_ids[:1]}
    assert "between 1 and 90" in sentence(leader.post(base, json=wanted | {"carried_from": day.round_id}))
    final = ok(leader.post(base, json=wanted | {"carried_from": day.round_id, "carry_percent": 25}))
    assert (final["carried_from"], final["carry_percent"]) == (day.round_id, 25)
    ok(leader.post(f"/api/rounds/{final['id']}/commit"))
    drawn = ok(leader.post(f"/api/rounds/{final['id']}/draw"))
    assert "make a new round" in sentence(leader.patch(f"/api/rounds/{final['id']}", json={"carry_percent": 50}))
    old = {line["turn"]["blind_number"] for line in lines.values()}
    new = [c["blind_number"] for c in drawn["candidates"]]
    assert not old & set(new)
    assert {len(n) for n in old} == {2}
    assert {len(n) for n in new} == {3}  # no number of one round can be taken for one of another
    for value, candidate in zip((5, 9), drawn["candidates"], strict=True):
        for tablet in panel.values():
            ok(send_sheet(tablet, candidate["candidate_id"], day.piece_ids[:1], value))
    standing = ok(leader.get(f"/api/rounds/{final['id']}/standing"))
    assert "The marks of First round count 25 %, those of Final 75 %." in standing["sentences"]
    assert not standing["missing"] or "has not sent" not in standing["missing"][0]
    room = ok(leader.get(f"/api/room?audition_id={day.audition_id}&round_id={final['id']}"))
    names = {c["candidate_id"]: c["name"] for c in room["candidates"]}
    now = dict(zip([c["candidate_id"] for c in drawn["candidates"]], (5, 9), strict=True))
    for row in standing["rows"]:
        expected = 0.25 * first[names[row["candidate_id"]]] + 0.75 * now[row["candidate_id"]]
        assert row["total"] == pytest.approx(expected)
    csv = leader.get(f"/api/rounds/{final['id']}/marks.csv").text
    assert "First round: Scale,Tone" in csv
    assert "open First round first" in sentence(open_it(day, final["id"]))
    assert ok(open_it(day))["opened"]
    ok(leader.post(f"/api/auditions/{day.audition_id}/adjudicators", json={"name": "Late Comer"}))
    assert len(ok(leader.get(f"/api/rounds/{day.round_id}/standing"))["adjudicators"]) == 2
    assert ok(open_it(day, final["id"]))["opened"]
    sheet = leader.get(f"/api/candidates/{drawn['candidates'][0]['candidate_id']}/comment-sheet.pdf")
    assert sheet.status_code == 200


def test_who_was_not_heard_is_in_no_ranking_and_named_on_the_sheets(leader, browser, app):
    day = make_day(leader, browser, app, STUDENTS, rooms=())
    panel = seats(day, browser)
    missing, *heard = day.order()
    ok(day.tablets["door"].patch(f"/api/candidates/{missing}", json={"state": "no-show", "reason": "no word"}))
    for candidate in heard:
        for tablet in panel.values():
            ok(send_sheet(tablet, candidate, day.piece_ids, 7))
    number = day.turns()[missing]["turn"]["blind_number"]
    standing = ok(leader.get(f"/api/rounds/{day.round_id}/standing"))
    assert standing["not_heard"] == [{"blind_number": number, "state": "no-show"}]
    assert len(standing["rows"]) == 2
    assert "absent" not in panel["A"].get("/api/panel").text
    ok(open_it(day))


@pytest.mark.parametrize("declared", [True, False])
def test_the_panel_sees_restarts_only_when_that_was_declared(leader, browser, app, declared):
    day = make_day(leader, browser, app, STUDENTS, rooms=(), plan={"restarts": "any", "panel_sees_restarts": declared})
    panel = seats(day, browser)
    who = day.order()[0]
    body = {"id": new_id(), "piece_id": day.piece_ids[0]}
    ok(day.tablets["door"].post(f"/api/candidates/{who}/restarts", json=body))
    seen = next(c for c in ok(panel["A"].get("/api/panel"))["candidates"] if c["candidate_id"] == who)
    assert seen["restarts"] == ({day.piece_ids[0]: 1} if declared else None)

"""Who may do what: every route by every role. A new route fails here until it is classified."""

import re
from datetime import timedelta

from api_hall import join, ok

from app.db.types import now_utc
from app.services.access import new_token

OPEN, LEADER, ROOM, PANEL, DEMO, STUDENT, CHECK = "open", "leader", "room", "panel", "demo", "student", "check"
HAND_IN = "hand-in"

MATRIX = {
    "GET /healthz": OPEN,
    "GET /api/session": OPEN,
    "POST /api/setup": OPEN,
    "POST /api/sign-in": OPEN,
    "POST /api/join": OPEN,
    "GET /api/help": OPEN,
    "GET /api/help/authority.cer": OPEN,
    "GET /api/help/authority.pem": OPEN,
    "POST /api/sign-out": LEADER,
    "GET /api/demo/doors": DEMO,
    "POST /api/demo/enter": DEMO,
    "GET /api/defaults": LEADER,
    "GET /api/auditions": LEADER,
    "POST /api/auditions": LEADER,
    "GET /api/auditions/{audition_id}": LEADER,
    "PATCH /api/auditions/{audition_id}": LEADER,
    "PUT /api/auditions/{audition_id}/rubric": LEADER,
    "PUT /api/auditions/{audition_id}/rule": LEADER,
    "POST /api/auditions/{audition_id}/rule/declare": LEADER,
    "GET /api/auditions/{audition_id}/audit": LEADER,
    "GET /api/auditions/{audition_id}/pieces": LEADER,
    "POST /api/auditions/{audition_id}/pieces/notation": LEADER,
    "POST /api/auditions/{audition_id}/pieces/abc": LEADER,
    "POST /api/auditions/{audition_id}/pieces/untyped": LEADER,
    "POST /api/auditions/{audition_id}/pieces/generated": LEADER,
    "POST /api/abc/check": LEADER,
    "POST /api/notation/parts": LEADER,
    "GET /api/pieces/{piece_id}": LEADER,
    "PATCH /api/pieces/{piece_id}": LEADER,
    "DELETE /api/pieces/{piece_id}": LEADER,
    "GET /api/pieces/{piece_id}/engraving.svg": LEADER,
    "GET /api/auditions/{audition_id}/roster": LEADER,
    "POST /api/auditions/{audition_id}/roster": LEADER,
    "POST /api/auditions/{audition_id}/roster/csv": LEADER,
    "PATCH /api/entries/{entry_id}": LEADER,
    "DELETE /api/entries/{entry_id}": LEADER,
    "GET /api/auditions/{audition_id}/adjudicators": LEADER,
    "POST /api/auditions/{audition_id}/adjudicators": LEADER,
    "PATCH /api/adjudicators/{adjudicator_id}": LEADER,
    "DELETE /api/adjudicators/{adjudicator_id}": LEADER,
    "POST /api/adjudicators/{adjudicator_id}/link": LEADER,
    "POST /api/auditions/{audition_id}/proctor-link": LEADER,
    "GET /api/auditions/{audition_id}/tablets": LEADER,
    "DELETE /api/tablets/{token_id}": LEADER,
    "GET /api/auditions/{audition_id}/recusals": LEADER,
    "POST /api/auditions/{audition_id}/recusals": LEADER,
    "GET /api/auditions/{audition_id}/recusals/proposed": LEADER,
    "DELETE /api/recusals/{recusal_id}": LEADER,
    "GET /api/auditions/{audition_id}/rounds": LEADER,
    "POST /api/auditions/{audition_id}/rounds": LEADER,
    "GET /api/rounds/{round_id}": LEADER,
    "GET /api/rounds/{round_id}/candidates": LEADER,
    "PATCH /api/rounds/{round_id}": LEADER,
    "DELETE /api/rounds/{round_id}": LEADER,
    "POST /api/rounds/{round_id}/commit": LEADER,
    "POST /api/rounds/{round_id}/draw": LEADER,
    "GET /api/rounds/{round_id}/progress": LEADER,
    "GET /api/rounds/{round_id}/standing": LEADER,
    "POST /api/rounds/{round_id}/open": LEADER,
    "GET /api/rounds/{round_id}/marks.csv": LEADER,
    "GET /api/rounds/{round_id}/marks.xlsx": LEADER,
    "GET /api/rounds/{round_id}/standing/compare": LEADER,
    "POST /api/rounds/{round_id}/standing/work-out": LEADER,
    "POST /api/rounds/{round_id}/rehearing": LEADER,
    "GET /api/rounds/{round_id}/practice": LEADER,
    "PUT /api/rounds/{round_id}/practice": LEADER,
    "PUT /api/rounds/{round_id}/practice/agreed": LEADER,
    "DELETE /api/rounds/{round_id}/practice": LEADER,
    "GET /api/rounds/{round_id}/practice/playback": LEADER,
    "POST /api/practice-takes": LEADER,
    "GET /api/rounds/{round_id}/score-sheet.pdf": LEADER,
    "GET /api/rounds/{round_id}/comment-sheets.zip": LEADER,
    "GET /api/candidates/{candidate_id}/comment-sheet.pdf": LEADER,
    "POST /api/rounds/{round_id}/comment-sheets": LEADER,
    "GET /api/rounds/{round_id}/printing": LEADER,
    "POST /api/rounds/{round_id}/printing/{kind}": LEADER,
    "DELETE /api/rounds/{round_id}/printing/{kind}": LEADER,
    "GET /api/parcels/{parcel_id}.zip": LEADER,
    "GET /api/rounds/{round_id}/sheets": LEADER,
    "GET /api/sheets/{document_id}.pdf": LEADER,
    "GET /api/candidates/{candidate_id}/audit": LEADER,
    "GET /api/metrics": LEADER,
    "GET /api/takes/{take_id}/findings": LEADER,
    "POST /api/takes/{take_id}/measure": LEADER,
    "POST /api/candidates/{candidate_id}/consent": LEADER,
    "GET /api/rounds/{round_id}/section": LEADER,
    "POST /api/rounds/{round_id}/section/work-out": LEADER,
    "POST /api/rounds/{round_id}/standing/compare": LEADER,
    "GET /api/rounds/{round_id}/section-report.pdf": LEADER,
    "GET /api/auditions/{audition_id}/recordings": LEADER,
    "POST /api/auditions/{audition_id}/recordings/destroy": LEADER,
    "GET /api/certificates/{certificate_id}.pdf": LEADER,
    "GET /api/entries/{entry_id}/everything.zip": LEADER,
    "POST /api/auditions/{audition_id}/copy": LEADER,
    "POST /api/auditions/{audition_id}/pieces/sight-reading": LEADER,
    "POST /api/sight-reading/sample": LEADER,
    "GET /api/candidates/{candidate_id}/sight-reading/{piece_id}": ROOM,
    "POST /api/candidates/{candidate_id}/sight-reading/{piece_id}/begin": ROOM,
    "POST /api/candidates/{candidate_id}/sight-reading/{piece_id}/sheet.pdf": ROOM,
    "GET /api/auditions/{audition_id}/rooms": LEADER,
    "POST /api/auditions/{audition_id}/rooms": LEADER,
    "PATCH /api/rooms/{room_id}": LEADER,
    "DELETE /api/rooms/{room_id}": LEADER,
    "PUT /api/rounds/{round_id}/day": LEADER,
    "POST /api/rounds/{round_id}/day/announce": LEADER,
    "GET /api/rounds/{round_id}/absences": LEADER,
    "POST /api/rounds/{round_id}/absences": LEADER,
    "DELETE /api/absences/{absence_id}": LEADER,
    "POST /api/auditions/{audition_id}/checker-link": LEADER,
    "GET /api/rounds/{round_id}/paper": LEADER,
    "POST /api/rounds/{round_id}/paper": LEADER,
    "POST /api/paper/{sheet_id}/correct": LEADER,
    "GET /api/check": CHECK,
    "POST /api/check/rounds/{round_id}/confirm": CHECK,
    "POST /api/check/sheets/{sheet_id}": CHECK,
    "GET /api/door": ROOM,
    "GET /api/rounds/{round_id}/slips.pdf": ROOM,
    "GET /api/rounds/{round_id}/door-list.pdf": ROOM,
    "GET /api/rounds/{round_id}/schedule.pdf": ROOM,
    "GET /api/rounds/{round_id}/script.pdf": ROOM,
    "GET /api/rounds/{round_id}/adjudication-sheets.pdf": ROOM,
    "POST /api/candidates/{candidate_id}/check-in": ROOM,
    "POST /api/rounds/{round_id}/close-check-in": ROOM,
    "POST /api/rounds/{round_id}/pauses": ROOM,
    "POST /api/candidates/{candidate_id}/turn": ROOM,
    "POST /api/candidates/{candidate_id}/restarts": ROOM,
    "DELETE /api/restarts/{restart_id}": ROOM,
    "GET /api/room": ROOM,
    "PATCH /api/candidates/{candidate_id}": ROOM,
    "POST /api/takes": ROOM,
    "POST /api/takes/{take_id}/void": ROOM,
    "GET /api/room/pieces/{piece_id}/pulse": ROOM,
    "GET /api/uploads": ROOM,
    "PUT /api/uploads/{upload_id}": ROOM,
    "PUT /api/uploads/{upload_id}/chunks/{seq}": ROOM,
    "POST /api/uploads/{upload_id}/finish": ROOM,
    "POST /api/uploads/{upload_id}/rescue": ROOM,
    "DELETE /api/uploads/{upload_id}": ROOM,
    "GET /api/takes/{take_id}/playback": ROOM,
    "GET /api/day-recordings": ROOM,
    "PUT /api/day-recordings/{recording_id}": ROOM,
    "PUT /api/day-recordings/{recording_id}/parts/{seq}": ROOM,
    "POST /api/day-recordings/{recording_id}/finish": ROOM,
    "DELETE /api/day-recordings/{recording_id}/parts": ROOM,
    "GET /api/day-recordings/{recording_id}": ROOM,
    "PATCH /api/day-recordings/{recording_id}": ROOM,
    "POST /api/day-recordings/{recording_id}/cut-again": ROOM,
    "POST /api/day-recordings/{recording_id}/set-aside": ROOM,
    "POST /api/day-recordings/{recording_id}/remove": LEADER,
    "GET /api/day-recordings/{recording_id}/sound": ROOM,
    "POST /api/day-recordings/{recording_id}/cuts": ROOM,
    "POST /api/day-recordings/{recording_id}/confirm": ROOM,
    "PATCH /api/day-cuts/{cut_id}": ROOM,
    "POST /api/day-cuts/{cut_id}/split": ROOM,
    "POST /api/day-cuts/{cut_id}/join": ROOM,
    "POST /api/day-cuts/{cut_id}/confirm": ROOM,
    "GET /api/takes/{take_id}/peaks": ROOM,
    "GET /api/panel": PANEL,
    "GET /api/panel/candidates/{candidate_id}/sheet": PANEL,
    "PUT /api/panel/candidates/{candidate_id}/sheet/draft": PANEL,
    "POST /api/panel/candidates/{candidate_id}/sheet/submit": PANEL,
    "POST /api/panel/candidates/{candidate_id}/sheet/correct": PANEL,
    "POST /api/panel/candidates/{candidate_id}/sheet/recuse": PANEL,
    "GET /api/panel/takes/{take_id}/playback": PANEL,
    "GET /api/panel/takes/{take_id}/peaks": PANEL,
    "GET /api/panel/takes/{take_id}/findings": PANEL,
    "GET /api/panel/pieces/{piece_id}/music": PANEL,
    "GET /api/rounds/{round_id}/student-links": LEADER,
    "POST /api/rounds/{round_id}/student-links.pdf": LEADER,
    "DELETE /api/rounds/{round_id}/student-links": LEADER,
    "POST /api/candidates/{candidate_id}/student-link": LEADER,
    "DELETE /api/candidates/{candidate_id}/student-link": LEADER,
    "PUT /api/rounds/{round_id}/handing-in": LEADER,
    "GET /api/rounds/{round_id}/handing-in": LEADER,
    "POST /api/rounds/{round_id}/hand-in-links.csv": LEADER,
    "GET /api/rounds/{round_id}/reminders.csv": LEADER,
    "POST /api/candidates/{candidate_id}/hand-in-link": LEADER,
    "POST /api/candidates/{candidate_id}/more-time": LEADER,
    "GET /api/rounds/{round_id}/shares": LEADER,
    "POST /api/rounds/{round_id}/handing-in/close": LEADER,
    "POST /api/rounds/{round_id}/shares/hand-over": LEADER,
    "GET /api/hand-in": HAND_IN,
    "POST /api/hand-in/consent": HAND_IN,
    "PUT /api/hand-in/files/{upload_id}": HAND_IN,
    "PUT /api/hand-in/files/{upload_id}/chunks/{seq}": HAND_IN,
    "POST /api/hand-in/files/{upload_id}/finish": HAND_IN,
    "GET /api/hand-in/takes/{take_id}/playback": HAND_IN,
    "GET /api/student": STUDENT,
    "GET /api/student/candidates/{candidate_id}/pieces/{piece_id}": STUDENT,
    "GET /api/student/candidates/{candidate_id}/comment-sheet.pdf": STUDENT,
    "GET /api/student/takes/{take_id}/playback": STUDENT,
    "GET /api/student/takes/{take_id}/peaks": STUDENT,
}
MAY = {LEADER: {"leader"}, ROOM: {"leader", "room"}, PANEL: {"panel"}, STUDENT: {"student"}, CHECK: {"check"}}
MAY |= {HAND_IN: {"hand-in"}}
ID = "0123456789abcdef" * 2


def test_every_route_is_classified_and_nothing_else(route_table):
    assert {f"{method} {path}" for method, path, _ in route_table} == set(MATRIX)


def _ask(visitor, method, path):
    """A request with an id that could be one and no body: what is allowed may still be refused as unreadable."""
    path = path.replace("{seq}", "0")
    path = re.sub(r"\{\w+\}", ID, path)
    return visitor.request(method, path)


def test_each_role_gets_in_where_it_may_and_nowhere_else(hall, browser, route_table, held):
    def link(round_id):
        entry_id = next(iter(hall.entries.values()))
        own = {"audition_id": hall.audition_id, "entry_id": entry_id, "round_id": round_id}
        secret, _ = held.database.write(
            lambda s: new_token(s, role="student", now=now_utc(), life=timedelta(hours=1), **own)
        )
        return browser(Authorization=f"Bearer {secret}")

    visitors = {
        "nobody": browser(),
        "leader": hall.leader,
        "room": hall.proctor,
        "panel": hall.panel["A"],
        "student": link(None),
        "hand-in": link(hall.round_id),
    }
    visitors["check"] = join(browser, ok(hall.leader.post(f"/api/auditions/{hall.audition_id}/checker-link")))
    wrong = []
    for method, path, _ in route_table:
        kind = MATRIX[f"{method} {path}"]
        if kind in (OPEN, DEMO) or path == "/api/sign-out":
            continue
        for role, visitor in visitors.items():
            reply = _ask(visitor, method, path)
            refused = reply.status_code in (401, 403)
            if refused == (role in MAY[kind]) or (role == "nobody" and reply.status_code != 401):
                wrong.append((role, method, path, reply.status_code))
            if refused and (reply.json()["error"]["sentence"][-1] != "." or set(reply.json()) != {"error"}):
                wrong.append((role, method, path, reply.text))
            assert reply.status_code < 500, (method, path, reply.text)
    assert wrong == []


def test_bad_tokens_open_nothing_even_beside_a_good_cookie(hall, browser, route_table):
    cookie = hall.leader.cookies["fh_leader"]
    visitors = []
    for header in (
        "Bearer garbage",
        "Bearer " + "x" * 5000,
        f"Bearer {cookie}",
        "Basic eDp5",
        b"Bearer \xfc",
        "Bearer ",
    ):
        visitors.append(browser(Authorization=header, origin="http://testserver"))
        visitors[-1].cookies.set("fh_leader", cookie)
    for tablet in hall.leader.get(f"/api/auditions/{hall.audition_id}/tablets").json():
        assert hall.leader.delete(f"/api/tablets/{tablet['token_id']}").status_code == 200
    for visitor in (*visitors, *hall.panel.values(), hall.proctor):
        assert visitor.get("/api/session").status_code == 401
        for method, path, _ in route_table:
            if MATRIX[f"{method} {path}"] not in (OPEN, DEMO):
                assert _ask(visitor, method, path).status_code == 401, (method, path)


def test_the_demo_doors_are_not_there_outside_the_demo(hall, browser):
    for visitor in (browser(), hall.leader, hall.panel["A"]):
        assert visitor.get("/api/demo/doors").status_code == 404
        assert visitor.post("/api/demo/enter", json={"role": "leader"}).status_code == 404


def test_tablets_reach_their_own_audition_only(hall, browser):
    other = hall.leader.post("/api/auditions", json={"name": "Other", "held_on": "2026-04-01"}).json()["id"]
    link = hall.leader.post(f"/api/auditions/{other}/proctor-link").json()
    stranger = browser(
        Authorization="Bearer " + browser().post("/api/join", json={"link": link["url"]}).json()["token"]
    )
    take, candidate = next(iter(hall.takes.values())), hall.candidates[0]["candidate_id"]
    assert stranger.get("/api/room").status_code == 200
    for method, path, body in (
        ("GET", f"/api/takes/{take}/playback", None),
        ("GET", f"/api/takes/{take}/peaks", None),
        ("POST", f"/api/takes/{take}/void", {"reason": "x"}),
        ("PATCH", f"/api/candidates/{candidate}", {"state": "absent", "reason": "x"}),
        ("GET", f"/api/room?audition_id={hall.audition_id}", None),
    ):
        assert stranger.request(method, path, json=body).status_code in (403, 404), path
    judge = hall.leader.post(f"/api/auditions/{other}/adjudicators", json={"name": "Cy Lund"}).json()
    link = hall.leader.post(f"/api/adjudicators/{judge['id']}/link").json()
    outsider = browser(
        Authorization="Bearer " + browser().post("/api/join", json={"link": link["url"]}).json()["token"]
    )
    for path in (
        f"/api/panel/candidates/{candidate}/sheet",
        f"/api/panel/takes/{take}/playback",
        f"/api/panel/takes/{take}/peaks",
        f"/api/panel/takes/{take}/findings",
        f"/api/panel/pieces/{hall.piece_ids[0]}/music",
        f"/api/panel?round_id={hall.round_id}",
    ):
        assert outsider.get(path).status_code == 404, path
    assert outsider.get("/api/panel").json()["candidates"] == []

"""What somebody who means harm would try, each tried once. Roles, bad tokens, other sites' pages: see beside."""

import csv
import io
import time
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from api_hall import Hall, full_marks, join, ok
from plain_wav import wav

from app.api.access import DEVICE_COOKIE, LEADER_COOKIE
from app.domain.ids import new_id

EVIL_NAME = 'Eve"\r\nSet-Cookie: fh_leader=x\r\n\r\n<script>alert(1)</script>/../../x.pdf'
HTML = "<img src=x onerror=alert(1)>"
SCORE = (
    '<?xml version="1.0"?>{doctype}<score-partwise version="4.0"><work><work-title>{title}</work-title></work>'
    '<part-list><score-part id="P1"><part-name>{title}</part-name></score-part></part-list><part id="P1">'
    '<measure number="1"><attributes><divisions>1</divisions><time><beats>1</beats><beat-type>4</beat-type></time>'
    "<clef><sign>G</sign><line>2</line></clef></attributes><direction><direction-type><words>{title}</words>"
    "</direction-type></direction><note><pitch><step>C</step><octave>5</octave></pitch><duration>1</duration>"
    "<type>quarter</type><lyric><text>{title}</text></lyric></note></measure></part></score-partwise>"
)


def open_round(hall: Hall) -> None:
    """Everybody marked, and the round opened."""
    for visitor in hall.panel.values():
        for candidate in ok(visitor.get("/api/panel"))["candidates"]:
            if candidate["state"] != "recused":
                sheet = {"version_id": new_id(), "marks": full_marks(hall.piece_ids), "remarks": []}
                ok(visitor.post(f"/api/panel/candidates/{candidate['candidate_id']}/sheet/submit", json=sheet))
    ok(hall.leader.post(f"/api/rounds/{hall.round_id}/open", json={"reason": "nothing is measured here"}))


def files_in(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


# Tokens -----------------------------------------------------------------------------------------------------------


def test_secrets_are_good_for_their_own_door_only(hall: Hall, browser: Callable[..., Any]) -> None:
    """A tablet's token as a session, a session as a token, a device's marker as a session, a link as a token."""
    link = ok(hall.leader.post(f"/api/adjudicators/{hall.adjudicator_ids['A']}/link"))["url"]
    tablet = hall.panel["A"]._client.headers["authorization"].removeprefix("Bearer ")
    marker = next(c.value for c in hall.leader.cookies.jar if c.name == DEVICE_COOKIE)
    session = hall.leader.cookies[LEADER_COOKIE]
    for stolen in (tablet, marker, link, link.partition("#")[2], link.rpartition("=")[2], "", "null"):
        thief = browser()
        thief.cookies.set(LEADER_COOKIE, stolen)
        assert thief.get("/api/auditions").status_code == 401
    for stolen in (session, marker, link.partition("#")[2], link.rpartition("=")[2]):
        assert browser(Authorization=f"Bearer {stolen}").get("/api/panel").status_code == 401


def test_what_was_taken_back_can_not_be_played_again(hall: Hall, browser: Callable[..., Any]) -> None:
    link = ok(hall.leader.post(f"/api/adjudicators/{hall.adjudicator_ids['A']}/link"))
    thief_first = join(browser, link)
    assert browser().post("/api/join", json={"link": link["url"]}).status_code == 403  # the owner notices at once
    tablets = ok(hall.leader.get(f"/api/auditions/{hall.audition_id}/tablets"))
    assert len([t for t in tablets if t["role"] == "adjudicator" and t["state"] == "in use"]) == 3
    for tablet in tablets:
        ok(hall.leader.delete(f"/api/tablets/{tablet['token_id']}"))
    sheet = {"version_id": new_id(), "marks": full_marks(hall.piece_ids), "remarks": []}
    candidate = hall.candidates[0]["candidate_id"]
    assert thief_first.post(f"/api/panel/candidates/{candidate}/sheet/submit", json=sheet).status_code == 401
    assert hall.proctor.post("/api/takes").status_code == 401


def test_an_adjudicator_can_not_speak_for_another(hall: Hall) -> None:
    """The same version id, another's sheet, another's identity in the body: none of it changes anybody else's sheet."""
    candidate = next(
        c["candidate_id"] for c in ok(hall.panel["B"].get("/api/panel"))["candidates"] if c["state"] != "recused"
    )
    address = f"/api/panel/candidates/{candidate}/sheet"
    sheet = {"version_id": new_id(), "marks": full_marks(hall.piece_ids), "remarks": []}
    ok(hall.panel["A"].post(f"{address}/submit", json=sheet))
    assert hall.panel["B"].post(f"{address}/submit", json=sheet).status_code == 409
    named = {**sheet, "version_id": new_id(), "adjudicator_id": hall.adjudicator_ids["A"]}
    assert hall.panel["B"].post(f"{address}/submit", json=named).status_code == 422
    assert ok(hall.panel["B"].get(address))["versions"] == []
    assert len(ok(hall.panel["A"].get(address))["versions"]) == 1


def test_secrets_stand_in_no_log_and_no_file(
    hall: Hall, browser: Callable[..., Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    link = ok(hall.leader.post(f"/api/auditions/{hall.audition_id}/proctor-link"))["url"]
    tablet = join(browser, {"url": link})._client.headers["authorization"].removeprefix("Bearer ")
    browser().post("/api/sign-in", json={"name": "Ines Okafor", "password": "not the password 1"})
    secrets = [tablet, link.rpartition("#")[2], hall.leader.cookies[LEADER_COOKIE], "not the password 1"]
    secrets.append("reed and ligature")  # the leader's password
    said = "".join(capsys.readouterr())
    assert "request" in said
    kept = b"".join(path.read_bytes() for path in files_in(tmp_path))
    for secret in secrets:
        assert secret not in said
        assert secret.encode() not in kept


# Forms from other sites -------------------------------------------------------------------------------------------


def test_a_form_of_another_site_sends_no_recording_and_no_roster(hall: Hall) -> None:
    """A plain form needs no permission of the browser: multipart and text/plain reach the server with the cookie."""
    foreign = {"origin": "https://elsewhere.example"}
    form = {"id": new_id(), "candidate_id": hall.candidates[0]["candidate_id"], "piece_id": hall.piece_ids[0]}
    sent = {"file": ("x.csv", b"name,instrument\nMallory,clarinet-bb\n")}
    for path in (f"/api/auditions/{hall.audition_id}/roster/csv", "/api/takes", "/api/notation/parts"):
        assert hall.leader.post(path, data=form, files=sent, headers=foreign).status_code == 403
    plain = {**foreign, "content-type": "text/plain"}
    body = b'{"name": "Mallory", "held_on": "2026-03-14"}'
    assert hall.leader.post("/api/auditions", content=body, headers=plain).status_code == 403
    assert len(ok(hall.leader.get("/api/auditions"))) == 1
    assert len(ok(hall.leader.get(f"/api/auditions/{hall.audition_id}/roster"))) == 3


# Names that are more than names -----------------------------------------------------------------------------------


FILE_NAMES = (
    "../../../etc/cron.d/x",
    "/etc/passwd",
    "..\\..\\x.wav",
    "a\0b.wav",
    'x"; filename="y',
    "x\r\nEvil: 1",
)


def test_an_upload_s_file_name_leads_nowhere(hall: Hall, tmp_path: Path) -> None:
    candidate, take_id = next(iter(hall.takes.items()))
    before = {path.parent for path in files_in(tmp_path)}
    kept = [take_id]
    for file_name in FILE_NAMES:
        ok(hall.proctor.post(f"/api/takes/{kept.pop()}/void", json={"reason": "again"}))
        form = {"id": new_id(), "candidate_id": candidate, "piece_id": hall.piece_ids[0]}
        reply = hall.proctor.post("/api/takes", data=form, files={"file": (file_name, wav(), "audio/wav")})
        assert reply.status_code == 201, (file_name, reply.text)
        kept.append(form["id"])
        assert {p.parent for p in files_in(tmp_path) if "sha256" not in p.parts} <= before
        for visitor, address in ((hall.proctor, "/api/takes"), (hall.panel["A"], "/api/panel/takes")):
            said = visitor.get(f"{address}/{form['id']}/playback")
            assert "evil" not in {name.lower() for name in said.headers}
            assert "passwd" not in str(said.headers)


ADDRESSES = (
    "/api/takes/../../../etc/passwd/playback",
    "/api/takes/..%2f..%2f..%2fetc%2fpasswd/playback",
    "/api/panel/takes/%2e%2e/playback",
    "/api/candidates/..%2f..%2fx/comment-sheet.pdf",
    "/api/rounds/%00/marks.csv",
    "/%2e%2e/%2e%2e/etc/passwd",
    "/core/..%2f..%2fpyproject.toml",
    "//etc/passwd",
)


def test_addresses_that_climb_find_nothing(hall: Hall) -> None:
    for address in ADDRESSES:
        for visitor in (hall.leader, hall.proctor, hall.panel["A"]):
            reply = visitor.get(address)
            assert reply.status_code in (403, 404, 405, 422), (address, reply.status_code)
            assert "root:" not in reply.text


def test_a_name_can_not_write_headers_file_names_or_pages(leader: Any, hall: Hall) -> None:
    entry = next(iter(hall.entries.values()))
    ok(hall.leader.patch(f"/api/entries/{entry}", json={"name": EVIL_NAME, "school": HTML}))
    open_round(hall)
    told = ok(hall.leader.get("/api/room", params={"audition_id": hall.audition_id}))
    evil = next(c for c in told["candidates"] if "Eve" in (c["name"] or ""))
    reply = hall.leader.get(f"/api/candidates/{evil['candidate_id']}/comment-sheet.pdf")
    assert reply.status_code == 200
    disposition = reply.headers["content-disposition"]
    assert "\n" not in disposition
    assert "/" not in disposition.partition("filename=")[2].partition(";")[0]
    assert "fh_leader=x" not in str(reply.headers.get("set-cookie"))
    packed = hall.leader.get(f"/api/rounds/{hall.round_id}/comment-sheets.zip").content
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        for name in archive.namelist():
            assert name == Path(name).name
            assert not set(name) & set('\r\n"<>\\:|?*')
    for address in (
        f"/api/auditions/{hall.audition_id}/roster",
        f"/api/rounds/{hall.round_id}/standing",
        f"/api/rounds/{hall.round_id}/marks.csv",
    ):
        shown = hall.leader.get(address)
        assert shown.headers["content-type"].partition(";")[0] in ("application/json", "text/csv")
        assert shown.headers["x-content-type-options"] == "nosniff"
        assert "script-src 'self';" in shown.headers["content-security-policy"]


def test_remarks_come_back_as_text_and_never_as_a_page(hall: Hall) -> None:
    candidate = hall.candidates[0]["candidate_id"]
    remark = {"piece_id": hall.piece_ids[0], "bar": HTML[:20], "text": HTML}
    sheet = {"version_id": new_id(), "marks": full_marks(hall.piece_ids), "remarks": [remark]}
    reply = hall.panel["A"].post(f"/api/panel/candidates/{candidate}/sheet/submit", json=sheet)
    assert reply.headers["content-type"] == "application/json"
    if reply.status_code != 200:  # no such bar: said in a sentence, as text
        sheet["remarks"] = [{**remark, "bar": "1"}]
        reply = hall.panel["A"].post(f"/api/panel/candidates/{candidate}/sheet/submit", json=sheet)
    assert ok(reply)["versions"][0]["remarks"][0]["text"] == HTML


def test_an_engraving_holds_no_program(leader: Any) -> None:
    audition_id = ok(leader.post("/api/auditions", json={"name": "Spring mock", "held_on": "2026-03-14"}))["id"]
    for title in ("<script>alert(1)</script>", '"><svg onload="alert(1)">', "javascript:alert(1)"):
        escaped = title.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        page = SCORE.format(doctype="", title=escaped).encode()
        form = {"title": title, "instrument": "clarinet-bb"}
        address = f"/api/auditions/{audition_id}/pieces/notation"
        made = ok(leader.post(address, data=form, files={"file": ("p.musicxml", page)}))
        assert made["title"] == title
        picture = leader.get(f"/api/pieces/{made['id']}/engraving.svg")
        assert picture.status_code == 200, picture.text
        assert picture.headers["content-type"].startswith("image/svg+xml")
        for element in ET.fromstring(picture.text).iter():
            assert element.tag.rpartition("}")[2].lower() not in ("script", "foreignobject", "iframe", "image", "a")
            assert not [name for name in element.attrib if name.rpartition("}")[2].lower().startswith("on")]
            links = [value for name, value in element.attrib.items() if name.lower().endswith("href")]
            assert all(link.startswith("#") for link in links)  # a glyph of this picture


def test_a_name_is_no_formula_in_a_table(hall: Hall) -> None:
    for entry, start in zip(hall.entries.values(), ("=", "@", "\t+"), strict=True):
        ok(hall.leader.patch(f"/api/entries/{entry}", json={"name": f"{start}cmd|' /C calc'!A0"}))
    open_round(hall)
    table = hall.leader.get(f"/api/rounds/{hall.round_id}/marks.csv").text
    cells = [cell for row in csv.reader(io.StringIO(table)) for cell in row]
    assert any("calc" in cell for cell in cells)
    assert not [cell for cell in cells if cell.lstrip()[:1] in ("=", "+", "-", "@")]


# Bombs ------------------------------------------------------------------------------------------------------------


def laughs() -> bytes:
    levels = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))
    doctype = f'<!DOCTYPE score-partwise [<!ENTITY l0 "ha">{levels}]>'
    return SCORE.format(doctype=doctype, title="&l9;").encode()


def outside(address: str) -> bytes:
    doctype = f'<!DOCTYPE score-partwise [<!ENTITY x SYSTEM "{address}">]>'
    return SCORE.format(doctype=doctype, title="&x;").encode()


def packed(*entries: tuple[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries:
            archive.writestr(name, data)
    return out.getvalue()


BOMBS = {
    "billion laughs": laughs,
    "a file of this machine": lambda: outside("file:///etc/passwd"),
    "a network address": lambda: outside("http://127.0.0.1:1/x"),
    "a zip bomb": lambda: packed(("score.xml", b"\0" * (200 * 2**20))),
    "ten thousand entries": lambda: packed(*((f"{n}.xml", b"x") for n in range(10_000))),
    "a path that climbs": lambda: packed(("../../x.xml", SCORE.format(doctype="", title="x").encode())),
    "a zip in a zip": lambda: packed(("score.mxl", packed(("score.xml", b"\0" * 2**20)))),
    "deep nesting": lambda: b"<score-partwise>" + b"<a>" * 100_000,
}


def test_notation_that_is_a_bomb_is_put_out(leader: Any, tmp_path: Path) -> None:
    audition_id = ok(leader.post("/api/auditions", json={"name": "Spring mock", "held_on": "2026-03-14"}))["id"]
    before = files_in(tmp_path)
    for name, make in BOMBS.items():
        data = make()
        for path in (f"/api/auditions/{audition_id}/pieces/notation", "/api/notation/parts"):
            started = time.process_time()  # the server is in this process; others' work adds nothing
            form = {"title": "Bomb", "instrument": "clarinet-bb"}
            reply = leader.post(path, data=form, files={"file": ("bomb.mxl", data)})
            if name == "a path that climbs":  # its content is music; nothing is ever unpacked to a path
                assert reply.status_code in (200, 201, 422)
            else:
                assert reply.status_code in (413, 422), (name, reply.text)
                assert reply.json()["error"]["sentence"].endswith(".")
            assert "root:" not in reply.text
            assert time.process_time() - started < 10, name
    assert files_in(tmp_path) == before


def test_a_recording_that_is_a_bomb_is_put_out(hall: Hall, tmp_path: Path) -> None:
    """25 minutes of silence, packed to less than 200 kB, under the name of a short WAV."""
    out = io.BytesIO()
    with soundfile.SoundFile(out, "w", 16_000, 1, format="FLAC", subtype="PCM_16") as file:
        for _ in range(25):
            file.write(np.zeros(16_000 * 60))
    bomb = out.getvalue()
    assert len(bomb) < 200_000
    candidate, take_id = next(iter(hall.takes.items()))
    ok(hall.proctor.post(f"/api/takes/{take_id}/void", json={"reason": "again"}))
    before = [path for path in files_in(tmp_path) if "takes" in path.parts]
    form = {"id": new_id(), "candidate_id": candidate, "piece_id": hall.piece_ids[0]}
    reply = hall.proctor.post("/api/takes", data=form, files={"file": ("short.wav", bomb, "audio/wav")})
    assert (reply.status_code, reply.json()["error"]["code"]) == (413, "too_large")
    assert [path for path in files_in(tmp_path) if "takes" in path.parts] == before


def test_a_form_with_a_thousand_files_is_refused(hall: Hall) -> None:
    many = [("file", (f"{n}.wav", b"x")) for n in range(1500)]
    reply = hall.proctor.post("/api/takes", data={"id": new_id()}, files=many)
    assert reply.status_code == 400
    assert reply.json()["error"]["sentence"].endswith(".")

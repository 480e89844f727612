"""Printed sheets over HTTP: numbers before opening, names after, as files a browser can keep."""

import io
import json
import zipfile
from typing import Any

import pypdf
from api_hall import STUDENTS, Hall, full_marks, ok

from app.domain.ids import new_id
from app.services import long_printing
from app.services.ledger import DatabaseLedger


def _text(body: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(body)).pages
    return " ".join(" ".join(p.extract_text() for p in pages).replace("\u00a0", " ").split())


def _all_in(hall: Hall) -> None:
    for letter, tablet in hall.panel.items():
        for candidate in ok(tablet.get("/api/panel"))["candidates"]:
            if candidate["state"] != "recused":
                sheet = {"version_id": new_id(), "marks": full_marks(hall.piece_ids), "remarks": []}
                ok(tablet.post(f"/api/panel/candidates/{candidate['candidate_id']}/sheet/submit", json=sheet))
        assert letter


def test_sheets_are_numbers_before_opening_and_names_after(hall: Hall, leader: Any) -> None:
    _all_in(hall)
    base = f"/api/rounds/{hall.round_id}"
    sealed = leader.get(f"{base}/score-sheet.pdf")
    assert sealed.status_code == 200
    assert sealed.headers["content-type"] == "application/pdf"
    assert not any(part in _text(sealed.content) for s in STUDENTS for part in s["name"].split())
    candidate = hall.candidates[0]["candidate_id"]
    for path in (f"{base}/comment-sheets.zip", f"/api/candidates/{candidate}/comment-sheet.pdf"):
        refused = leader.get(path)
        assert refused.status_code == 409
        assert "open the round first" in refused.json()["error"]["sentence"]

    opened = leader.post(f"{base}/open", json={"reason": "a rehearsal: nothing is measured"})
    assert opened.status_code == 200, opened.text
    named = leader.get(f"{base}/score-sheet.pdf")
    assert all(s["name"] in _text(named.content) for s in STUDENTS)
    numbers = leader.get(f"{base}/score-sheet.pdf?numbers_only=true")
    assert not any(s["name"] in _text(numbers.content) for s in STUDENTS)
    packed = leader.get(f"{base}/comment-sheets.zip")
    assert packed.headers["content-type"] == "application/zip"
    with zipfile.ZipFile(io.BytesIO(packed.content)) as archive:
        assert {n[:-4].split(" ", 1)[1] for n in archive.namelist()} == {s["name"] for s in STUDENTS}
    one = leader.get(f"/api/candidates/{candidate}/comment-sheet.pdf")
    assert "filename*=UTF-8''" in one.headers["content-disposition"]
    assert one.headers["cache-control"] == "no-store"
    assert _text(one.content).startswith("Comment sheet")
    assert leader.get(f"/api/candidates/{candidate}/comment-sheet.pdf").content == one.content


def test_the_zip_tells_how_far_it_is_and_is_fetched_once(hall: Hall, leader: Any, browser: Any) -> None:
    _all_in(hall)
    base = f"/api/rounds/{hall.round_id}"
    assert leader.post(f"{base}/comment-sheets").status_code == 409
    ok(leader.post(f"{base}/open", json={"reason": "a rehearsal: nothing is measured"}))
    reply = leader.post(f"{base}/comment-sheets")
    steps = [json.loads(line) for line in reply.text.splitlines()]
    count = len(STUDENTS)
    assert steps[:-1] == [{"done": n, "total": count} for n in range(count + 1)]
    parcel = f"/api/parcels/{steps[-1]['parcel_id']}.zip"
    assert hall.proctor.get(parcel).status_code == 403
    packed = leader.get(parcel)
    assert packed.content == leader.get(f"{base}/comment-sheets.zip").content
    assert leader.get(parcel).status_code == 404


def test_a_long_round_is_printed_by_a_worker_and_fetched(hall: Hall, leader: Any, held: Any, monkeypatch: Any) -> None:
    _all_in(hall)
    base = f"/api/rounds/{hall.round_id}"
    ok(leader.post(f"{base}/open", json={"reason": "a rehearsal: nothing is measured"}))
    short = ok(leader.get(f"{base}/printing"))
    assert (short["score_sheet"], short["comment_sheets"]) == (None, None)
    whole = leader.get(f"{base}/comment-sheets.zip").content
    monkeypatch.setattr("app.services.rounds.LONG_ROUND", 1)
    assert leader.get(f"{base}/score-sheet.pdf").status_code == 409
    assert leader.post(f"{base}/comment-sheets").status_code == 409
    assert leader.post(f"{base}/printing/measure").status_code == 422
    told = leader.post(f"{base}/printing/print-comment-sheets").json()
    assert told["state"] == "queued"
    assert leader.delete(f"{base}/printing/print-comment-sheets").json()["state"] == "none"
    for kind in (long_printing.COMMENTS, long_printing.SCORE):
        ok(leader.post(f"{base}/printing/{kind}"))
        ledger = DatabaseLedger(held.database)
        while (job := ledger.claim("worker", 30.0)) is not None and job.kind != kind:
            continue  # takes that wait to be measured
        assert job is not None
        save = long_printing.PrintLong(held.database, kind)(job.payload, lambda share, text: None)
        assert ledger.finish(job.id, "worker", save)
    after = ok(leader.get(f"{base}/printing"))
    assert (after["printed"], after["in_a_file"]) == (len(STUDENTS), 500)
    assert after["comment_sheets"]["is_current"]
    assert all(s["name"] in _text(leader.get(f"{base}/score-sheet.pdf").content) for s in STUDENTS)
    packed = leader.get(f"{base}/comment-sheets.zip?offset=0&limit=500")
    assert packed.headers["content-type"] == "application/zip"
    both = [zipfile.ZipFile(io.BytesIO(content)) for content in (whole, packed.content)]
    assert {n: both[0].read(n) for n in both[0].namelist()} == {n: both[1].read(n) for n in both[1].namelist()}
    assert leader.get(f"{base}/comment-sheets.zip?offset=0&limit=501").status_code == 422
    candidate = hall.candidates[0]["candidate_id"]
    first = leader.get(f"/api/candidates/{candidate}/comment-sheet.pdf").content
    for entry in hall.entries.values():  # another name on it: what is kept is of yesterday
        ok(leader.patch(f"/api/entries/{entry}", json={"name": "Another Name"}))
    assert not ok(leader.get(f"{base}/printing"))["comment_sheets"]["is_current"]
    assert leader.get(f"/api/candidates/{candidate}/comment-sheet.pdf").content != first


def test_a_kept_sheet_is_printed_again_as_it_was(hall: Hall, leader: Any) -> None:
    _all_in(hall)
    base = f"/api/rounds/{hall.round_id}"
    ok(leader.post(f"{base}/open", json={"reason": "a rehearsal: nothing is measured"}))
    candidate = hall.candidates[0]["candidate_id"]
    first = leader.get(f"/api/candidates/{candidate}/comment-sheet.pdf")
    for entry in hall.entries.values():
        ok(leader.patch(f"/api/entries/{entry}", json={"name": "Another Name"}))
    assert leader.get(f"/api/candidates/{candidate}/comment-sheet.pdf").content != first.content
    kept = ok(leader.get(f"{base}/sheets"))
    assert [(k["kind"], k["candidate_id"], k["can_print"]) for k in kept] == [("comment-sheet", candidate, True)] * 2
    again = leader.get(f"/api/sheets/{kept[-1]['document_id']}.pdf")
    assert again.content == first.content
    assert again.headers["content-disposition"] == first.headers["content-disposition"]
    assert kept[-1]["model_hash"][:12] in _text(again.content)


def test_nobody_but_the_leader_prints(hall: Hall) -> None:
    path = f"/api/rounds/{hall.round_id}/score-sheet.pdf"
    assert hall.proctor.get(path).status_code == 403
    assert all(tablet.get(path).status_code == 403 for tablet in hall.panel.values())


def test_what_goes_wrong_while_sheets_are_made_is_the_last_line(hall: Hall, leader: Any, monkeypatch: Any) -> None:
    _all_in(hall)
    ok(leader.post(f"/api/rounds/{hall.round_id}/open", json={"reason": "a rehearsal: nothing is measured"}))

    def broken(*_args: Any, **_options: Any) -> None:
        raise RuntimeError("ink at /srv/secret")

    monkeypatch.setattr("app.api.routes.printing.printing.zip_of", broken)
    last = json.loads(leader.post(f"/api/rounds/{hall.round_id}/comment-sheets").text.splitlines()[-1])
    assert set(last) == {"error"}
    assert "secret" not in json.dumps(last)

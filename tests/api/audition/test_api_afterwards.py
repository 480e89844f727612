"""Consent before recording, destruction with a certificate, everything of one student, next year's audition."""

import io
import json
import zipfile
from datetime import date, timedelta

import pytest
from api_hall import full_marks, ok, tagged_wav
from pypdf import PdfReader
from sqlmodel import select

from app.db.identities import TakeOrigin
from app.db.models import AuditEntry, DestructionCertificate, ExtraHearing, Findings, Take
from app.domain.ids import new_id
from app.services import destroying, verifying


def newcomer(hall, **more):
    """A second round with one more student, who has no consent unless ``more`` says so."""
    line = {"name": "Ottoline Threnody", "instrument": "clarinet-bb", **more}
    entry = ok(hall.leader.post(f"/api/auditions/{hall.audition_id}/roster", json=line))
    wanted = {"name": "Extra", "seats": 1, "entry_ids": [entry["entry_id"]]}
    round_id = ok(hall.leader.post(f"/api/auditions/{hall.audition_id}/rounds", json=wanted))["id"]
    ok(hall.leader.post(f"/api/rounds/{round_id}/commit"))
    return ok(hall.leader.post(f"/api/rounds/{round_id}/draw"))["candidates"][0]["candidate_id"]


def send(hall, candidate_id):
    form = {"id": new_id(), "candidate_id": candidate_id, "piece_id": hall.piece_ids[0]}
    return hall.proctor.post("/api/takes", data=form, files={"file": ("t.wav", tagged_wav("x"), "audio/wav")})


def open_first_round(hall):
    for letter, visitor in hall.panel.items():
        for candidate in ok(visitor.get(f"/api/panel?round_id={hall.round_id}"))["candidates"]:
            if candidate["state"] != "recused":
                sheet = {"version_id": new_id(), "marks": full_marks(hall.piece_ids), "remarks": []}
                sheet["remarks"] = [{"piece_id": hall.piece_ids[0], "bar": "1", "text": f"From {letter}."}]
                ok(visitor.post(f"/api/panel/candidates/{candidate['candidate_id']}/sheet/submit", json=sheet))
    ok(hall.leader.post(f"/api/rounds/{hall.round_id}/open", json={"reason": "nothing is measured here"}))


# Consent ----------------------------------------------------------------------------------------------------------


def test_nobody_is_recorded_before_consent_is_noted(hall, held):
    candidate = newcomer(hall)
    plan = {"candidate_id": candidate, "piece_id": hall.piece_ids[0], "sample_rate_hz": 48_000}
    for refused in (send(hall, candidate), hall.proctor.put(f"/api/uploads/{new_id()}", json=plan)):
        assert refused.status_code == 409
        sentence = refused.json()["error"]["sentence"]
        assert sentence.startswith("No consent to record is noted for number ")
        assert "Threnody" not in sentence
    noted = {"given_on": "2026-03-01", "given_by": "Guardian Threnody"}
    assert hall.proctor.post(f"/api/candidates/{candidate}/consent", json=noted).status_code == 403
    ok(hall.leader.post(f"/api/candidates/{candidate}/consent", json=noted))
    assert send(hall, candidate).status_code == 201
    room = ok(hall.proctor.get("/api/room"))
    assert [c["consent"] for c in room["candidates"]] == [True]
    with held.database.read() as session:
        told = session.exec(select(AuditEntry).where(AuditEntry.action == "consent-noted")).one()
    assert told.facts["given_on"] == "2026-03-01"
    assert "Threnody" not in json.dumps(told.facts)


@pytest.mark.parametrize(
    ("noted", "said"),
    [
        ({"given_on": "2026-03-01", "given_by": "  "}, "consent"),
        ({"given_on": (date.today() + timedelta(days=9)).isoformat(), "given_by": "G"}, "future"),
    ],
)
def test_consent_needs_a_day_and_a_giver(hall, noted, said):
    reply = hall.leader.post(f"/api/candidates/{hall.candidates[0]['candidate_id']}/consent", json=noted)
    assert reply.status_code == 422
    assert said in reply.json()["error"]["sentence"]


def test_the_setting_is_on_by_default_and_can_be_declared_off(hall):
    candidate = newcomer(hall)
    assert ok(hall.leader.get(f"/api/auditions/{hall.audition_id}"))["consent_required"] is True
    ok(hall.leader.patch(f"/api/auditions/{hall.audition_id}", json={"consent_required": False}))
    assert send(hall, candidate).status_code == 201


# Destruction ------------------------------------------------------------------------------------------------------


def test_all_recordings_go_with_a_certificate_and_the_results_stay(hall, held):
    address = f"/api/auditions/{hall.audition_id}/recordings"
    early = hall.leader.post(f"{address}/destroy", json={"reason": "retention date"})
    assert early.status_code == 409
    assert "still being heard" in early.json()["error"]["sentence"]
    open_first_round(hall)
    standing = ok(hall.leader.get(f"/api/rounds/{hall.round_id}/standing"))
    ok(hall.leader.patch(f"/api/auditions/{hall.audition_id}", json={"retention_until": "2026-06-01"}))
    before = ok(hall.leader.get(address))
    assert (before["kept"], before["destroyed"]) == (3, 0)
    assert "destroy them now" in before["sentence"]
    with held.database.read() as session:
        rows = session.exec(select(Take)).all()
        hashes = {sha for take in rows for sha in (take.sha256, take.playback_sha256)}
    assert all(held.store.holds(sha) for sha in hashes)
    made = ok(hall.leader.post(f"{address}/destroy", json={"reason": "retention date has come"}))
    assert made["takes"] == 3
    assert not any(held.store.holds(sha) for sha in hashes)
    pdf = hall.leader.get(f"/api/certificates/{made['id']}.pdf")
    text = "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf.content)).pages).replace("\n", "")
    for sha in hashes:
        assert sha in text
    assert "retention date has come" in text
    for candidate in hall.candidates:
        assert f"number {candidate['blind_number']}" in text
    for name in hall.entries:
        assert name not in text
    assert hall.leader.get(f"/api/certificates/{made['id']}.pdf").content == pdf.content
    take_id = next(iter(hall.takes.values()))
    for visitor, path in ((hall.leader, "takes"), (hall.panel["A"], "panel/takes")):
        gone = visitor.get(f"/api/{path}/{take_id}/playback")
        assert gone.status_code == 404
        assert "was destroyed on" in gone.json()["error"]["sentence"]
    assert ok(hall.leader.get(f"/api/rounds/{hall.round_id}/standing")) == standing
    assert ok(hall.leader.get(f"/api/takes/{take_id}/findings"))["findings"]["notes"]
    assert hall.leader.post(f"/api/takes/{take_id}/measure").status_code == 409
    assert hall.leader.get(f"/api/rounds/{hall.round_id}/comment-sheets.zip").status_code == 200
    with held.database.read() as session:
        assert all(origin.file_name == "" for origin in session.exec(select(TakeOrigin)).all())
        assert len(session.exec(select(Findings)).all()) == 3
        checks = {check.name: check for check in verifying.verify(session, held.store)}
    assert all(check.holds for check in checks.values())
    assert "3 recording(s) were destroyed; their results are kept." in checks["takes"].notes
    again = hall.leader.post(f"{address}/destroy", json={"reason": "again"})
    assert again.status_code == 409
    audit = ok(hall.leader.get(f"/api/auditions/{hall.audition_id}/audit"))
    assert [e["action"] for e in audit if "destr" in e["action"]] == ["destruction-begun", "recordings-destroyed"]


def test_a_practice_recording_goes_with_the_others_and_stands_in_the_certificate(hall, held):
    open_first_round(hall)
    student = {"name": "Ottoline Threnody", "instrument": "clarinet-bb"}
    entry = ok(hall.leader.post(f"/api/auditions/{hall.audition_id}/roster", json=student))["entry_id"]
    wanted = {"name": "Extra", "seats": 1, "entry_ids": [entry]}
    round_id = ok(hall.leader.post(f"/api/auditions/{hall.audition_id}/rounds", json=wanted))["id"]
    form = {"round_id": round_id, "piece_id": hall.piece_ids[0]}
    files = {"file": ("Ottoline.wav", tagged_wav("Ottoline", 3.0), "audio/wav")}
    ok(hall.leader.post("/api/practice-takes", data=form, files=files))
    agreed = {"marks": full_marks(["x"])["x"], "note": ""}
    ok(hall.leader.put(f"/api/rounds/{round_id}/practice/agreed", json=agreed))
    ok(hall.leader.post(f"/api/rounds/{round_id}/commit"))
    [candidate] = ok(hall.leader.post(f"/api/rounds/{round_id}/draw"))["candidates"]
    address = f"/api/auditions/{hall.audition_id}/recordings"
    assert ok(hall.leader.get(address))["not_opened"] == ["Extra"]
    early = hall.leader.post(f"{address}/destroy", json={"reason": "retention date"})
    assert early.json()["error"]["sentence"].startswith("Extra is still being heard")
    away = {"state": "absent", "reason": "ill"}
    ok(hall.leader.patch(f"/api/candidates/{candidate['candidate_id']}", json=away))
    with held.database.read() as session:
        practice = session.exec(select(ExtraHearing)).one()
    assert held.store.holds(practice.sha256)
    assert held.store.holds(practice.playback_sha256)
    assert ok(hall.leader.get(address))["kept"] == 4
    made = ok(hall.leader.post(f"{address}/destroy", json={"reason": "retention date has come"}))
    assert made["takes"] == 4
    pdf = hall.leader.get(f"/api/certificates/{made['id']}.pdf")
    text = "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf.content)).pages)
    for wanted_text in ("Extra: Scale", "practice take of the panel", practice.sha256, practice.playback_sha256):
        assert wanted_text in text
    assert not held.store.holds(practice.sha256)
    assert not held.store.holds(practice.playback_sha256)
    assert "Its recording was destroyed on" in ok(hall.leader.get(f"/api/rounds/{round_id}/practice"))["sentence"]
    gone = hall.leader.get(f"/api/rounds/{round_id}/practice/playback")
    assert (gone.status_code, "was destroyed on" in gone.json()["error"]["sentence"]) == (404, True)
    with held.database.read() as session:
        assert session.get_one(ExtraHearing, practice.id).peaks == []
        assert all(check.holds for check in verifying.verify(session, held.store))
    assert hall.leader.post(f"{address}/destroy", json={"reason": "again"}).status_code == 409
    place = io.BytesIO(tagged_wav("Ottoline", 3.0))
    assert held.store.put(place).sha256 == practice.sha256  # a copy turns up
    with held.database.read() as session:
        [problem] = [p for check in verifying.verify(session, held.store) for p in check.problems]
    assert "was destroyed and is still here" in problem


def test_one_students_recordings_go_any_time_and_only_theirs(hall, held):
    candidate = hall.candidates[0]["candidate_id"]
    entry = next(
        entry_id
        for name, entry_id in hall.entries.items()
        for c in ok(hall.leader.get(f"/api/room?audition_id={hall.audition_id}"))["candidates"]
        if c["name"] == name and c["candidate_id"] == candidate
    )
    address = f"/api/auditions/{hall.audition_id}/recordings"
    made = ok(hall.leader.post(f"{address}/destroy", json={"entry_id": entry, "reason": "the family asked"}))
    assert (made["takes"], made["one_student"]) == (1, True)
    after = ok(hall.leader.get(address))
    assert (after["kept"], after["destroyed"]) == (2, 1)
    with held.database.read() as session:
        for take in session.exec(select(Take)).all():
            mine = take.candidate_id == candidate
            assert (take.destroyed_at is not None) is mine
            assert held.store.holds(take.sha256) is not mine
    assert hall.leader.post(f"{address}/destroy", json={"entry_id": new_id(), "reason": "x"}).status_code == 404


def test_a_destruction_that_was_cut_off_is_finished_by_asking_again(hall, held, monkeypatch):
    open_first_round(hall)
    address = f"/api/auditions/{hall.audition_id}/recordings"

    def cut_off(*_args, **_more):
        raise OSError("the lights went out")

    monkeypatch.setattr(destroying, "_certify", cut_off)
    assert hall.leader.post(f"{address}/destroy", json={"reason": "r"}).status_code >= 500
    monkeypatch.undo()
    made = ok(hall.leader.post(f"{address}/destroy", json={"reason": "r"}))
    assert made["takes"] == 3
    with held.database.read() as session:
        assert len(session.exec(select(DestructionCertificate)).all()) == 1
        assert not any(held.store.holds(take.sha256) for take in session.exec(select(Take)).all())


# Everything of one student ----------------------------------------------------------------------------------------


def test_a_family_gets_everything_but_what_would_break_a_seal(hall, held):
    name, entry = next(iter(hall.entries.items()))
    address = f"/api/entries/{entry}/everything.zip"
    needs = {"accommodation": "sits", "extra_time_percent": 25, "enlarged_music": True}
    ok(hall.leader.patch(f"/api/entries/{entry}", json=needs))
    [mine] = [c for c in ok(hall.proctor.get("/api/room"))["candidates"] if c["name"] == name]
    again = {"id": new_id(), "piece_id": hall.piece_ids[0]}
    ok(hall.proctor.post(f"/api/candidates/{mine['candidate_id']}/restarts", json=again))
    sealed = hall.leader.get(address)
    assert sealed.status_code == 200
    with zipfile.ZipFile(io.BytesIO(sealed.content)) as archive:
        names = archive.namelist()
        assert not any(n.startswith("sheets/") for n in names)
        assert "still sealed" in archive.read("READ ME.txt").decode()
    open_first_round(hall)
    ok(hall.leader.post(f"/api/candidates/{mine['candidate_id']}/student-link"))
    reply = hall.leader.get(address)
    with zipfile.ZipFile(io.BytesIO(reply.content)) as archive:
        about = json.loads(archive.read("about.json"))
        assert (about["student"]["name"], about["student"]["consent_by"]) == (name, "Guardian Pemberley")
        [line] = about["roster_lines"]
        assert {key: line[key] for key in needs} == needs
        assert [link["withdrawn_at"] for link in line["private_links"]] == [None]
        assert about["numbers"][0]["begun_again"] == {"Scale": 1}
        assert about["numbers"][0]["times"]["left_at"] is not None
        (recording,) = [n for n in archive.namelist() if n.startswith("recordings/")]
        take = about["numbers"][0]["takes"][0]
        with held.database.read() as session:
            kept = session.get_one(Take, take["id"])
        assert archive.read(recording) == held.store.read(kept.sha256)
        (marks,) = [n for n in archive.namelist() if n.endswith("marks.json")]
        sheets = json.loads(archive.read(marks))
        assert sheets[0]["marks"] == {"Scale": full_marks(["x"])["x"]}
        assert sheets[0]["remarks"][0]["bar"] == "1"
        (pdf,) = [n for n in archive.namelist() if n.endswith(".pdf")]
        assert archive.read(pdf).startswith(b"%PDF")
        assert json.loads(archive.read(next(n for n in archive.namelist() if n.startswith("findings/"))))
        assert json.loads(archive.read("audit.json"))
        everything = b"".join(archive.read(n) for n in archive.namelist() if n.endswith((".json", ".txt"))).decode()
        assert "still sealed" not in archive.read("READ ME.txt").decode()
    for other in hall.entries:
        assert (other in everything) is (other == name)
    assert "Mockridge" not in everything  # adjudicators stay letters
    audit = ok(hall.leader.get(f"/api/auditions/{hall.audition_id}/audit"))
    assert sum(e["action"] == "family-export" for e in audit) == 2


# Next year --------------------------------------------------------------------------------------------------------


def test_a_copy_has_the_material_and_nobody(hall):
    base = f"/api/auditions/{hall.audition_id}"
    recipe = {"tonic": "F", "bars": 4}
    reread = hall.leader.post(f"{base}/pieces/sight-reading", json={"recipe": recipe})
    assert reread.status_code == 409  # takes are in: a copy is how next year gets another piece
    ok(hall.leader.patch(base, json={"a4_hz": 440.0, "paper": "a4", "retention_until": "2026-06-12"}))
    made = ok(hall.leader.post(f"{base}/copy", json={"name": "Spring mock again", "held_on": "2027-03-13"}))
    assert made["name"] == "Spring mock again"
    assert made["counts"] == {"pieces": 1, "entries": 0, "adjudicators": 0, "rounds": 1, "takes": 0}
    assert (made["paper"], made["retention_until"], made["rule_declared_at"]) == ("a4", "2027-06-11", None)
    before = ok(hall.leader.get(base))
    assert made["rubric"] == before["rubric"]
    (piece,) = ok(hall.leader.get(f"/api/auditions/{made['id']}/pieces"))
    assert piece["id"] != hall.piece_ids[0]
    assert piece["title"] == "Scale"
    assert hall.leader.get(f"/api/pieces/{piece['id']}/engraving.svg").status_code == 200
    (round_row,) = ok(hall.leader.get(f"/api/auditions/{made['id']}/rounds"))
    assert (round_row["name"], round_row["state"], round_row["candidates"]) == ("First round", "setup", [])
    text = json.dumps(ok(hall.leader.get(f"/api/auditions/{made['id']}/roster")))
    text += json.dumps(ok(hall.leader.get(f"/api/auditions/{made['id']}/adjudicators")))
    assert text == "[][]"
    ok(hall.leader.post(f"/api/auditions/{made['id']}/rule/declare"))

"""Sight-reading stays sealed until a candidate's study time begins, and never comes twice for one student."""

import io
import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
import soundfile
from api_hall import join, ok
from pypdf import PdfReader
from sqlmodel import select

from app.db.models import AuditEntry, Piece, SightSheet
from app.domain.ids import new_id
from app.material.performing import Plan, perform
from app.material.sounding import SAMPLE_RATE_HZ, sound, voice_for
from app.services import piece_reading, sight_sheets
from app.services.measuring import MeasureTake

RECIPE = {"tonic": "G", "bars": 4, "metre": "4/4", "tempo_bpm": 100, "instrument": "clarinet-bb"}


@dataclass
class Scene:
    leader: Any
    proctor: Any
    panel: Any
    audition_id: str
    round_id: str
    piece_id: str
    candidates: dict[str, str]  # by name and instrument


@pytest.fixture
def scene(leader, browser):
    audition = ok(leader.post("/api/auditions", json={"name": "Spring mock", "held_on": "2026-03-14"}))["id"]
    base = f"/api/auditions/{audition}"
    piece = ok(leader.post(f"{base}/pieces/sight-reading", json={"recipe": RECIPE}))
    for name, instrument in (("Ada Sample", "clarinet-bb"), ("Ada Sample", "flute"), ("Béla Próba", "clarinet-bb")):
        line = {"name": name, "instrument": instrument, "consent_on": "2026-03-01", "consent_by": "Guardian"}
        ok(leader.post(f"{base}/roster", json=line))
    judge = ok(leader.post(f"{base}/adjudicators", json={"name": "First Ear"}))
    ok(leader.post(f"{base}/rule/declare"))
    round_id = draw(leader, audition, "First")
    proctor = join(browser, ok(leader.post(f"{base}/proctor-link")))
    panel = join(browser, ok(leader.post(f"/api/adjudicators/{judge['id']}/link")))
    return Scene(leader, proctor, panel, audition, round_id, piece["id"], candidates(proctor))


def draw(leader, audition, name):
    round_id = ok(leader.post(f"/api/auditions/{audition}/rounds", json={"name": name, "seats": 1}))["id"]
    ok(leader.post(f"/api/rounds/{round_id}/commit"))
    ok(leader.post(f"/api/rounds/{round_id}/draw"))
    return round_id


def candidates(proctor, round_id=""):
    room = ok(proctor.get(f"/api/room?round_id={round_id}" if round_id else "/api/room"))
    return {f"{c['name']} {c['instrument']}": c["candidate_id"] for c in room["candidates"]}


def begin(scene, candidate_id):
    return ok(scene.proctor.post(f"/api/candidates/{candidate_id}/sight-reading/{scene.piece_id}/begin"))


def read_by(held, scene, candidate_id):
    with held.database.read() as session:
        row = sight_sheets.as_read(session, session.get_one(Piece, scene.piece_id), candidate_id)
        return piece_reading.load_piece(row)


def test_nobody_sees_the_notes_before_the_study_time_begins(scene, held):
    first = scene.candidates["Béla Próba clarinet-bb"]
    address = f"/api/candidates/{first}/sight-reading/{scene.piece_id}"
    shown = ok(scene.proctor.get(address))
    assert (shown["sealed"], shown["printed"], shown["svg"], shown["study_began_at"]) == (True, False, None, None)
    piece = ok(scene.leader.get(f"/api/pieces/{scene.piece_id}"))
    assert piece["sealed"] is True
    assert piece["notes"] == [] == piece["phrases"]
    assert scene.leader.get(f"/api/pieces/{scene.piece_id}/engraving.svg").status_code == 409
    everything = [
        visitor.get(path).text
        for visitor in (scene.leader, scene.proctor, scene.panel)
        for path in (
            "/api/panel",
            f"/api/room?audition_id={scene.audition_id}",
            f"/api/auditions/{scene.audition_id}/pieces",
            f"/api/auditions/{scene.audition_id}/audit",
            f"/api/room/pieces/{scene.piece_id}/pulse",
            f"/api/pieces/{scene.piece_id}",
            address,
        )
    ]
    with held.database.read() as session:
        secret = json.loads(session.get_one(Piece, scene.piece_id).source)["seed"]
    begun = begin(scene, first)
    notes = [note.written_pitch for note in read_by(held, scene, first).notes]
    for text in everything:
        assert secret not in text
        assert "<svg" not in text
        assert "written_pitch" not in text
    assert begun["svg"].count('class="note') >= len(notes) - 1
    music = scene.panel.get(f"/api/panel/pieces/{scene.piece_id}/music")
    assert music.status_code == 404
    assert "sealed" in music.json()["error"]["sentence"]
    for visitor in (scene.panel,):
        assert visitor.get(address).status_code == 403
        assert visitor.post(f"{address}/begin").status_code == 403
        assert visitor.post(f"{address}/sheet.pdf").status_code == 403


def test_a_begun_study_time_is_kept_and_told_once(scene, held):
    first = scene.candidates["Béla Próba clarinet-bb"]
    one, again = begin(scene, first), begin(scene, first)
    assert one == again
    assert one["sealed"] is False
    with held.database.read() as session:
        told = session.exec(select(AuditEntry).where(AuditEntry.action == "sight-reading-unsealed")).all()
        assert [entry.subject for entry in told] == [first]
    other = ok(
        scene.proctor.get(f"/api/candidates/{scene.candidates['Ada Sample flute']}/sight-reading/{scene.piece_id}")
    )
    assert other["sealed"] is True


def test_a_sheet_for_the_stand_breaks_the_seal_and_leaves_the_study_time_to_begin(scene, held):
    bela = scene.candidates["Béla Próba clarinet-bb"]
    address = f"/api/candidates/{bela}/sight-reading/{scene.piece_id}"
    entry = next(
        e for e in ok(scene.leader.get(f"/api/auditions/{scene.audition_id}/roster")) if e["name"] == "Béla Próba"
    )
    changes = {"enlarged_music": True, "extra_time_percent": 50, "accommodation": "large print"}
    ok(scene.leader.patch(f"/api/entries/{entry['entry_id']}", json=changes))
    day = {"starts_at": "2026-03-14T09:00-06:00", "minutes": 8, "study_sec": 45}
    ok(scene.leader.put(f"/api/rounds/{scene.round_id}/day", json=day))
    number = next(
        c["blind_number"] for c in ok(scene.proctor.get("/api/room"))["candidates"] if c["candidate_id"] == bela
    )
    large = scene.proctor.post(f"{address}/sheet.pdf")
    usual = scene.proctor.post(f"{address}/sheet.pdf?large=false")
    assert large.headers["content-type"] == "application/pdf"
    assert scene.proctor.post(f"{address}/sheet.pdf?large=true").content == large.content != usual.content
    for reply in (large, usual):
        pdf = PdfReader(io.BytesIO(reply.content))
        text = " ".join(page.extract_text() for page in pdf.pages) + str(pdf.metadata)
        assert number in text
        assert "Study time: 68 seconds" in text  # half more of 45
        for word in ("Béla", "Próba", "large print", entry["entry_id"]):
            assert word not in text
    shown = ok(scene.proctor.get(address))
    assert (shown["sealed"], shown["printed"], shown["svg"]) == (True, True, None)  # on paper, on no screen
    form = {"id": new_id(), "candidate_id": bela, "piece_id": scene.piece_id}
    early = scene.proctor.post("/api/takes", data=form, files={"file": ("t.wav", b"RIFF", "audio/wav")})
    assert "begin the study time" in early.json()["error"]["sentence"]
    begun = begin(scene, bela)
    assert (begun["sealed"], begun["printed"]) == (False, False)
    assert begun["study_began_at"] is not None
    with held.database.read() as session:
        [read] = session.exec(select(SightSheet)).all()
        told = session.exec(select(AuditEntry).where(AuditEntry.subject == bela)).all()
    assert read.unsealed_at <= read.study_began_at
    assert [(e.action, e.facts.get("for")) for e in told if "candidate" not in e.action] == [
        ("sight-reading-unsealed", "paper"),
        ("study-time-began", None),
    ]
    other = scene.candidates["Ada Sample flute"]
    ok(scene.proctor.patch(f"/api/candidates/{other}", json={"state": "absent", "reason": "bus"}))
    away = scene.proctor.post(f"/api/candidates/{other}/sight-reading/{scene.piece_id}/sheet.pdf")
    assert away.status_code == 409


def test_a_round_reads_the_same_and_no_student_reads_it_twice(scene, held):
    bela, ada, flute = (
        scene.candidates[name] for name in ("Béla Próba clarinet-bb", "Ada Sample clarinet-bb", "Ada Sample flute")
    )
    for candidate in (bela, ada, flute):
        begin(scene, candidate)
    assert read_by(held, scene, bela) == read_by(held, scene, ada)
    assert read_by(held, scene, flute) != read_by(held, scene, ada)
    later = draw(scene.leader, scene.audition_id, "Second")
    for candidate in candidates(scene.proctor, later).values():
        begin(scene, candidate)
    with held.database.read() as session:
        sheets = session.exec(select(SightSheet)).all()
    by_student: dict[str, list[str]] = {}
    names = {value: key for key, value in (scene.candidates | candidates(scene.proctor, later)).items()}
    names |= {value: key for key, value in scene.candidates.items()}
    for sheet in sheets:
        by_student.setdefault(names[sheet.candidate_id][:3], []).append(sheet.fingerprint)
    assert {name: len(had) for name, had in by_student.items()} == {"Ada": 4, "Bél": 2}
    assert all(len(set(had)) == len(had) for had in by_student.values())


def test_recording_waits_for_the_seal_and_the_take_is_measured_against_what_was_read(scene, held):
    bela = scene.candidates["Béla Próba clarinet-bb"]
    send = lambda sent: scene.proctor.post(  # noqa: E731
        "/api/takes",
        data={"id": new_id(), "candidate_id": bela, "piece_id": scene.piece_id},
        files={"file": ("take.wav", sent, "audio/wav")},
    )
    silence = io.BytesIO()
    soundfile.write(silence, np.zeros(22_050), 22_050, format="WAV")
    refused = send(silence.getvalue())
    assert refused.status_code == 409
    assert "sealed" in refused.json()["error"]["sentence"]
    begin(scene, bela)
    piece = read_by(held, scene, bela)
    random = np.random.default_rng(5)
    samples = sound(perform(piece, Plan(), random), voice_for(piece.instrument), random)
    out = io.BytesIO()
    soundfile.write(out, samples, SAMPLE_RATE_HZ, format="WAV", subtype="PCM_16")
    take = ok(send(out.getvalue()))["take"]
    save = MeasureTake(held.database, held.store)({"take_id": take["take_id"]}, lambda *_: None)
    held.database.write(save)
    found = ok(scene.leader.get(f"/api/takes/{take['take_id']}/findings"))["findings"]
    assert [note["written_pitch"] for note in found["notes"]] == [note.written_pitch for note in piece.notes]
    assert {note["status"] for note in found["notes"]} == {"played"}


def test_only_the_rounds_own_sheets_can_be_begun(scene, leader):
    bela = scene.candidates["Béla Próba clarinet-bb"]
    assert scene.proctor.post(f"/api/candidates/{bela}/sight-reading/{new_id()}/begin").status_code == 404
    ok(scene.proctor.patch(f"/api/candidates/{bela}", json={"state": "absent", "reason": "bus"}))
    away = scene.proctor.post(f"/api/candidates/{bela}/sight-reading/{scene.piece_id}/begin")
    assert away.status_code == 409
    assert "absent" in away.json()["error"]["sentence"]


def test_samples_show_the_recipe_and_not_the_sealed_notes(scene):
    first, second = (ok(scene.leader.post("/api/sight-reading/sample", json=RECIPE))["svg"] for _ in range(2))
    assert first.startswith("<svg")
    assert first != second
    bad = scene.leader.post("/api/sight-reading/sample", json={**RECIPE, "lowest": "C4", "highest": "D4"})
    assert bad.status_code == 422
    assert "sixth" in bad.json()["error"]["sentence"]
    assert scene.proctor.post("/api/sight-reading/sample", json=RECIPE).status_code == 403

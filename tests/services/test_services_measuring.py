"""A synthesised take through the real task: from the store to the findings row."""

import dataclasses
import io
from typing import Any

import numpy as np
import pytest
from heard_take import SOUNDING, heard_sound
from sqlmodel import select

from app.db.database import Database
from app.db.models import Findings, Job, Piece, Take
from app.domain.actor import Actor
from app.domain.errors import BadAudio
from app.domain.findings import findings_from_dict
from app.domain.ids import new_id
from app.files.playback import rendition
from app.files.store import TakeStore
from app.jobs.worker import Worker
from app.listening.version import ALGORITHM_VERSION
from app.material.generating import generate
from app.material.performing import Plan, perform
from app.material.recipe import recipe_from
from app.material.sounding import SAMPLE_RATE_HZ, sound, voice_for
from app.services import intake, measuring, remeasuring
from app.services.ledger import DatabaseLedger

pytestmark = pytest.mark.both_engines

PROCTOR = Actor("proctor", "1" * 32)
SHARP_CENTS = 12.0


@pytest.fixture(scope="module")
def played() -> bytes:
    """The scale of the scene, played 12 cents sharp throughout."""
    recipe = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "clarinet-bb"}
    random = np.random.default_rng(5)
    notes = perform(generate(recipe_from(recipe)), Plan(tuning_cents=SHARP_CENTS), random)
    return rendition(sound(notes, voice_for("clarinet-bb"), random), SAMPLE_RATE_HZ)


@pytest.fixture
def take_id(database: Database, store: TakeStore, scene: Any, played: bytes) -> str:
    upload = intake.Upload(new_id(), scene.candidate_ids[0], scene.piece_ids[0], io.BytesIO(played))
    return intake.receive(database, store, upload, actor=PROCTOR).take_id


def work_off(database: Database, store: TakeStore) -> None:
    tasks = {measuring.KIND: measuring.MeasureTake(database, store)}
    worker = Worker("w", DatabaseLedger(database), tasks, lambda: False, lease_sec=60.0, idle=lambda sec: None)
    while worker.run_one():
        pass


@pytest.mark.slow
def test_a_take_is_measured(database: Database, store: TakeStore, take_id: str, scene: Any) -> None:
    work_off(database, store)
    with database.read() as session:
        job = session.exec(select(Job)).one()
        assert (job.state, job.error) == ("done", "")
        row = measuring.newest(session, take_id)
        assert row is not None
        assert row.algorithm_version == ALGORITHM_VERSION
        assert not measuring.is_stale(session, row)
        assert measuring.states(session, [take_id])[take_id].state == "done"
        waveform = measuring.waveform(session, session.get_one(Take, take_id))
    findings = findings_from_dict(row.payload)
    assert findings.usable
    played_notes = [n for n in findings.notes if n.status == "played"]
    assert len(played_notes) >= 0.9 * len(findings.notes)
    cents = [n.deviation_cents for n in played_notes if n.deviation_cents is not None]
    assert np.median(cents) == pytest.approx(SHARP_CENTS, abs=4.0)
    assert set(findings.marks) == {"tone", "pitch", "rhythm", "musicianship"}
    assert [bar["bar"] for bar in waveform.bars][:2] == ["1", "2"]

    # A leader's mark changes the reading: the result is stale, and measuring again makes a second row beside it.
    def mark(session: Any) -> None:
        session.get_one(Piece, scene.piece_ids[0]).leader_marks = {"tonic": "C", "mode": "major"}
        measuring.ask_for_piece(session, scene.piece_ids[0])

    database.write(mark)
    with database.read() as session:
        assert measuring.is_stale(session, row)
    work_off(database, store)
    with database.read() as session:
        assert len(session.exec(select(Findings)).all()) == 2
        newest = measuring.newest(session, take_id)
        assert newest is not None
        assert not measuring.is_stale(session, newest)

    # Asked again for the same reading: still one row for it.
    database.write(lambda s: measuring.ask_again(s, take_id))
    work_off(database, store)
    with database.read() as session:
        assert len(session.exec(select(Findings)).all()) == 2


@pytest.mark.slow
def test_a_take_of_a_piece_that_nobody_typed_in_is_measured_by_its_sound(
    database: Database, store: TakeStore, scene: Any
) -> None:
    def by_title(session: Any) -> None:
        piece = session.get_one(Piece, scene.piece_ids[0])
        piece.kind, piece.source, piece.source_format = "untyped", b"", ""

    database.write(by_title)
    sent = io.BytesIO(rendition(heard_sound(), SAMPLE_RATE_HZ))
    upload = intake.Upload(new_id(), scene.candidate_ids[0], scene.piece_ids[0], sent)
    take_id = intake.receive(database, store, upload, actor=PROCTOR).take_id
    with database.read() as session:
        assert measuring.states(session, [take_id])[take_id].state == "queued"
    told: list[tuple[float, str]] = []
    measuring.MeasureTake(database, store)({"take_id": take_id}, lambda share, text: told.append((share, text)))
    assert [share for share, _ in told[1:]] == sorted(share for share, _ in told[1:])
    assert {text for _, text in told} >= {"decoding", "listening", "cutting out the notes", "measured"}
    work_off(database, store)
    with database.read() as session:
        assert measuring.states(session, [take_id])[take_id].state == "done"
        row = measuring.newest(session, take_id)
        assert row is not None
        assert not measuring.is_stale(session, row)
        assert measuring.waveform(session, session.get_one(Take, take_id)).bars == []
        assert remeasuring.takes(session, None) == [take_id]
    findings = findings_from_dict(row.payload)
    assert not findings.notated
    assert [n.sounding_midi for n in findings.notes] == list(SOUNDING)
    assert findings.notes[0].written_pitch == "E4"  # as the candidate's clarinet writes it
    assert [mark["mark"] for mark in findings.marks.values()] == [None] * 4
    assert findings.rhythm["median_abs_ms"] is None
    assert len(findings.pitch["trace"]["semitones"]) > 100
    assert database.write(lambda s: measuring.ask_again(s, take_id)).state == "queued"
    work_off(database, store)
    with database.read() as session:
        assert len(session.exec(select(Findings)).all()) == 1


def test_a_recording_that_rots_on_the_disk_is_said(database: Database, store: TakeStore, take_id: str) -> None:
    with database.read() as session:
        place = store.local_path(session.get_one(Take, take_id).sha256)
    place.chmod(0o600)
    place.write_bytes(place.read_bytes()[:5000])
    work_off(database, store)
    with database.read() as session:
        shown = measuring.states(session, [take_id])[take_id]
        assert shown.state == "failed"
        assert "breaks off" in shown.text
        assert session.exec(select(Findings)).all() == []


def test_a_recording_that_is_gone_is_said(database: Database, store: TakeStore, take_id: str) -> None:
    with database.read() as session:
        store.local_path(session.get_one(Take, take_id).sha256).unlink()
    work_off(database, store)
    with database.read() as session:
        assert "missing" in measuring.states(session, [take_id])[take_id].text


def test_progress_comes_in_order_and_reasons_are_kept(
    database: Database, store: TakeStore, take_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    import app.listening.measuring as listening

    shown: list[tuple[float, str]] = []

    def refuse(*arguments: Any) -> None:
        arguments[4](0.5, "listening")
        raise BadAudio("The take is only noise.")

    monkeypatch.setattr(listening, "measure", refuse)
    with pytest.raises(BadAudio, match="noise"):
        measuring.MeasureTake(database, store)({"take_id": take_id}, lambda share, text: shown.append((share, text)))
    assert [share for share, _ in shown] == sorted(share for share, _ in shown)
    assert shown[-1] == (0.5, "listening")


@pytest.mark.parametrize("field", ["source", "options", "leader_marks", "instrument"])
def test_what_changes_the_reading_changes_the_hash(database: Database, take_id: str, scene: Any, field: str) -> None:
    changed: dict[str, Any] = {
        "source": b"{}",
        "options": {"first_bar": "2"},
        "leader_marks": {"tonic": "D"},
        "instrument": "trumpet-bb",
    }
    with database.read() as session:
        take = session.get_one(Take, take_id)
        around = measuring._around(session, take)
        before = measuring.input_hash(take, around.piece, around.candidate, around.audition)
        other = Piece.model_validate({**around.piece.model_dump(), field: changed[field]})
        assert measuring.input_hash(take, other, around.candidate, around.audition) != before
        same = dataclasses.replace(around)
        assert measuring.input_hash(take, same.piece, same.candidate, same.audition) == before


def test_a_declared_click_is_listened_for_and_changes_the_hash(database: Database, take_id: str) -> None:
    with database.read() as session:
        take = session.get_one(Take, take_id)
        around = measuring._around(session, take)
        before = measuring.input_hash(take, around.piece, around.candidate, around.audition)
        assert not measuring._settings(around.audition).click
        around.audition.room_sounds = {"click": True}
        assert measuring.input_hash(take, around.piece, around.candidate, around.audition) != before
        assert measuring._settings(around.audition).click

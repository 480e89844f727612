"""A worker that is killed while it cuts a day's recording: the next one does it, and there is exactly one result."""

import io
import multiprocessing
import os
import signal
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import day_cutter
import numpy as np
import pytest
from rendered_day import Day, scale
from sqlmodel import select

from app.db.database import Database
from app.db.models import AuditEntry, DayCut, DayRecording, Job
from app.domain.ids import new_id
from app.files.store import TakeStore
from app.services import day_cutting

PATIENCE_SEC = 180  # a shared machine may be slow; only a job that never ends is wrong
LEASE_SEC = 2.0


def recording(database: Database, store: TakeStore, scene: Any) -> str:
    day = Day(np.random.default_rng(4))
    day.quiet(1.0)
    for number in ("1", "2"):
        day.talk(2.0)
        day.quiet(2.0)
        day.take(number, "scale", scale("C"))
        day.quiet(4.0)
    stored = store.put(io.BytesIO(day.wav()))
    row = DayRecording(id=new_id(), round_id=scene.round_id, sha256=stored.sha256, size_bytes=stored.size_bytes)

    def enter(session: Any) -> str:
        session.add(row)
        session.flush()
        day_cutting.ask(session, row)
        day_cutting.ask(session, row)  # asked twice it is one job
        return row.id

    return database.write(enter)


def job(database: Database) -> Job:
    with database.read() as session:
        return session.exec(select(Job).where(Job.kind == day_cutting.KIND)).one()


@pytest.mark.slow
@pytest.mark.both_engines
def test_killed_in_the_middle_of_the_cutting_there_is_one_result(
    url: str, database: Database, store: TakeStore, scene: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spool = tmp_path / "spool"
    spool.mkdir()
    monkeypatch.setenv("TMPDIR", str(spool))
    monkeypatch.setattr(tempfile, "tempdir", None)
    recording_id = recording(database, store, scene)
    takes = str(tmp_path / "data" / "takes")
    spawned = multiprocessing.get_context("spawn").Process(
        target=day_cutter.work, args=(url, takes, "first", LEASE_SEC), daemon=True
    )
    spawned.start()
    deadline = time.monotonic() + PATIENCE_SEC
    while job(database).state != "running":
        assert time.monotonic() < deadline, "the worker did not begin"
        time.sleep(0.01)
    os.kill(spawned.pid or 0, signal.SIGKILL)
    spawned.join()
    with database.read() as session:
        assert session.exec(select(DayCut)).all() == []
    assert list(spool.iterdir()) == []  # the copy it worked on has no name
    while job(database).state != "done":
        assert time.monotonic() < deadline, "nobody took the job over"
        day_cutter.work(url, takes, "second", 60.0)
        time.sleep(0.1)
    assert job(database).attempts == 2
    with database.read() as session:
        cuts = session.exec(select(DayCut).where(DayCut.recording_id == recording_id)).all()
        assert sum(cut.kind == "playing" for cut in cuts) == 2
        told = session.exec(select(AuditEntry).where(AuditEntry.action == "day-recording-cut")).all()
        assert len(told) == 1
    assert list(spool.iterdir()) == []


def test_a_recording_that_is_cut_already_stays_as_people_left_it(
    url: str, database: Database, store: TakeStore, scene: Any, tmp_path: Path
) -> None:
    recording_id = recording(database, store, scene)
    task = day_cutting.CutDayRecording(database, store)
    first = task({"recording_id": recording_id}, lambda share, text: None)
    database.write(first)
    with database.read() as session:
        before = sorted(cut.id for cut in session.exec(select(DayCut)).all())
    database.write(first)  # a job whose answer was lost runs once more
    with database.read() as session:
        assert sorted(cut.id for cut in session.exec(select(DayCut)).all()) == before
    assert before


def test_strokes_are_playing_in_a_round_with_a_drum_piece_and_are_compared_with_no_notes(
    database: Database, store: TakeStore, scene: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    day = Day(np.random.default_rng(6))
    day.talk(2.0)
    day.quiet(2.0)
    day.drum("1", "strokes", (1.0, 0.5, 0.5, 1.0, 1.0) * 3)
    day.quiet(2.0)
    stored = store.put(io.BytesIO(day.wav()))
    row = DayRecording(id=new_id(), round_id=scene.round_id, sha256=stored.sha256, size_bytes=stored.size_bytes)
    recording_id = row.id
    database.write(lambda session: session.add(row))
    strokes = scale("C")
    strokes = replace(strokes, notes=tuple(replace(note, unpitched=True) for note in strokes.notes))
    found = day_cutting._pieces
    monkeypatch.setattr(day_cutting, "_pieces", lambda *given: {**found(*given), "strokes": strokes})
    database.write(day_cutting.CutDayRecording(database, store)({"recording_id": recording_id}, lambda *told: None))
    with database.read() as session:
        cuts = session.exec(select(DayCut).order_by(DayCut.start_sec)).all()  # type: ignore[arg-type]
    assert [cut.kind for cut in cuts] == ["talk", "playing"]
    assert cuts[1].fits["strokes"]["right"] is None  # nothing to follow

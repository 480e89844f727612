"""A clock that is set back, and recordings that a sudden end left without a take."""

import argparse
import io
import os
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from plain_wav import wav
from sqlmodel import Session, select

from app.cli import verify_command
from app.db import types
from app.db.database import Database
from app.db.models import Job, Take
from app.domain.actor import Actor
from app.domain.errors import WrongState
from app.domain.ids import new_id
from app.files.store import TakeStore
from app.services import audition, custody, draw, intake, measuring, queueing
from app.services.folder import owned
from app.services.ledger import DatabaseLedger
from app.services.verifying import remove_left_over, verify

pytestmark = pytest.mark.file_database

LEADER = Actor("leader", "0" * 32)


class Clock:
    """Tells the time to everything that asks for it by ``now_utc``."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 7, 10, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now

    def back(self, **ago: float) -> None:
        self.now -= timedelta(**ago)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    for module in (types, custody, draw, intake):
        monkeypatch.setattr(module, "now_utc", clock)
    return clock


def send(database: Database, store: TakeStore, scene: Any, **changed: Any) -> intake.TakeView:
    fields = {"take_id": new_id(), "candidate_id": scene.candidate_ids[0], "piece_id": scene.piece_ids[0]}
    upload = intake.Upload(**{**fields, "source": io.BytesIO(wav()), **changed})
    return intake.receive(database, store, upload, actor=LEADER)


# The clock --------------------------------------------------------------------------------------------------------


def test_a_clock_set_back_leaves_draws_audit_and_order_true(
    clock: Clock, database: Database, store: TakeStore, scene: Any
) -> None:
    def draw_one(session: Session) -> str:
        made = draw.create_round(
            session, scene.audition_id, name="R", kind="first", seats=1, piece_ids=[], entry_ids=None, actor=LEADER
        )
        draw.commit_seed(session, made.id, actor=LEADER)
        return draw.draw_round(session, made.id, actor=LEADER).id

    rounds = []
    for _ in range(3):  # each round is drawn "before" the last one
        rounds.append(database.write(draw_one))
        clock.back(hours=5)
    with database.read() as session:
        assert [draw.recompute(session, round_id) for round_id in rounds] == [None, None, None]
        numbers = [c.blind_number for r in rounds for c in draw.one_round(session, r).candidates]
        assert len(set(numbers)) == len(numbers)
        trail = audition.audit_trail(session, scene.audition_id)
        for round_id in rounds:
            assert [e.action for e in trail if e.chain == round_id] == ["round-made", "seed-committed", "drawn"]

    first = send(database, store, scene)
    clock.back(days=2)
    database.write(lambda s: intake.void(s, first.take_id, "noise", actor=LEADER))
    second = send(database, store, scene)
    assert second.received_at > first.received_at
    with database.read() as session:
        checks = {check.name: check for check in verify(session, store)}
    assert all(check.holds for check in checks.values()), checks
    assert "set back" in checks["audit entries"].notes[0]


def test_entries_of_several_chains_keep_each_chains_order(clock: Clock, database: Database) -> None:
    def write(chain: str, count: int) -> None:
        for _ in range(count):
            database.write(lambda s: custody.record(s, chain, LEADER, "test", "", {}))

    write("one", 2)
    clock.back(hours=1)
    write("one", 1)
    write("two", 2)
    with database.read() as session:
        merged = custody.merged([custody.chain_entries(session, chain) for chain in ("two", "one")])
    assert [e.seq for e in merged if e.chain == "one"] == [1, 2, 3]
    assert [e.seq for e in merged if e.chain == "two"] == [1, 2]
    assert len(merged) == 5


def test_the_newest_findings_stay_the_newest(clock: Clock, database: Database, store: TakeStore, scene: Any) -> None:
    take = send(database, store, scene)

    def add(version: str) -> None:
        fields = {"take_id": take.take_id, "input_hash": "0" * 64, "algorithm_version": version, "payload": {}}
        database.write(lambda session: measuring.save_findings(session, fields))

    add("1")
    clock.back(days=1)
    add("2")
    with database.read() as session:
        found = measuring.newest(session, take.take_id)
        assert found is not None
        assert found.algorithm_version == "2"


def test_jobs_do_not_wait_for_a_time_that_is_gone(database: Database) -> None:
    now = time.time()
    enqueued = database.write(lambda s: queueing.enqueue(s, "kind", "key", {}).id)
    ahead = DatabaseLedger(database, clock=lambda: now + 1800.0)  # the clock was half an hour fast ...
    assert ahead.claim("a", 30.0) is not None
    ahead.give_up(enqueued, "a", "later", retry_after_sec=5.0)
    right = DatabaseLedger(database, clock=lambda: now)  # ... and is right now
    assert right.claim("b", 30.0) is not None
    with database.read() as session:
        assert session.get_one(Job, enqueued).worker == "b"


# What was left over -----------------------------------------------------------------------------------------------


@pytest.fixture
def cut_off(database: Database, store: TakeStore, scene: Any, monkeypatch: pytest.MonkeyPatch) -> str:
    """A recording whose server ended between keeping it and writing its row, two hours ago."""
    with monkeypatch.context() as patched:

        def gone(*_arguments: object) -> None:
            raise SystemExit

        patched.setattr(intake, "_enter", gone)
        patched.setattr(Database, "write", lambda self, work: work(None))
        with pytest.raises(SystemExit):
            send(database, store, scene, source=io.BytesIO(wav(hz=300)))
    left = list(store.every())
    assert len(left) == 1  # a plain recording is its own playback
    for sha256 in left:
        make_old(store, sha256)
    return left[0]


def make_old(store: TakeStore, sha256: str) -> None:
    then = time.time() - 7200
    os.utime(store.local_path(sha256), (then, then))


def command(data: Path, *words: str) -> int:
    parser = argparse.ArgumentParser()
    verify_command.register(parser)
    return verify_command.run(parser.parse_args([*words, "--data", str(data)]))


def test_repairing_removes_what_belongs_to_no_take_and_nothing_else(
    cut_off: str,
    database: Database,
    store: TakeStore,
    scene: Any,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    take = send(database, store, scene)
    for sha256 in store.every():
        make_old(store, sha256)
    assert command(tmp_path / "data") == 0
    assert "1 recording(s) belong to no take" in capsys.readouterr().out
    assert len(list(store.every())) == 2
    assert command(tmp_path / "data", "--repair") == 0
    assert "Removed 1 recording(s)" in capsys.readouterr().out
    with database.read() as session:
        row = session.exec(select(Take)).one()
        assert set(store.every()) == {take.sha256, row.playback_sha256}
        assert all(check.holds for check in verify(session, store))
    assert command(tmp_path / "data", "--repair") == 0
    assert "Removed 0" in capsys.readouterr().out


def test_young_recordings_are_left_alone(cut_off: str, database: Database, store: TakeStore) -> None:
    for sha256 in store.every():
        os.utime(store.local_path(sha256))
    assert remove_left_over(database, store) == 0
    assert len(list(store.every())) == 1


def test_nothing_is_removed_beside_a_running_server_or_from_damaged_data(
    cut_off: str, database: Database, store: TakeStore, scene: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with owned(tmp_path / "data"), pytest.raises(WrongState, match="stop it first"):
        command(tmp_path / "data", "--repair")
    take = send(database, store, scene)
    place = store.local_path(take.sha256)
    place.chmod(0o600)
    place.write_bytes(b"other")
    assert command(tmp_path / "data", "--repair") == 1
    assert "Nothing was removed" in capsys.readouterr().out
    assert len(list(store.every())) == 2


def test_the_same_recording_sent_again_at_the_worst_moment_is_not_lost(
    cut_off: str, database: Database, store: TakeStore, scene: Any
) -> None:
    """The upload comes between looking and removing, and once more between moving aside and removing."""
    moments = iter(["while it is in its place", "while it is aside"])
    received = wav(hz=300)

    def is_used(sha256: str) -> bool:
        if next(moments, None) is not None:
            assert store.put(io.BytesIO(received)).sha256 == cut_off
        return False

    assert store.read(cut_off) == received
    store.remove_unused(cut_off, older_than_sec=3600.0, is_used=is_used)
    assert store.read(cut_off) == received


def test_a_removal_that_was_cut_off_is_undone_at_the_next_start(cut_off: str, store: TakeStore) -> None:
    place = store.local_path(cut_off)
    os.rename(place, store._incoming / f"unused-{cut_off}")
    assert not store.holds(cut_off)
    assert store.clear_incoming() == 1
    assert store.is_true(cut_off)

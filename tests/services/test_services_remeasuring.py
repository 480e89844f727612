"""A season measured again: queued behind the room, called off without a trace, old and new side by side."""

import argparse
import csv
from pathlib import Path
from typing import Any

import pytest
from sqlmodel import Session, col, select

from app.cli import remeasure_command
from app.db.database import Database
from app.db.models import Job, Piece, Take
from app.domain.errors import BadInput, NotFound
from app.domain.ids import new_id
from app.listening.version import ALGORITHM_VERSION
from app.services import measuring, remeasuring
from app.services.ledger import DatabaseLedger

pytestmark = pytest.mark.both_engines

MARKS = {"pitch": (6.0, 6.5), "rhythm": (7.0, None), "tone": (None, None)}


@pytest.fixture
def takes(database: Database, scene: Any) -> list[str]:
    """A kept take of every candidate and piece, each measured by an earlier algorithm."""

    def add(session: Session) -> list[str]:
        ids = []
        for candidate_id in scene.candidate_ids:
            for piece_id in scene.piece_ids:
                take = Take(
                    id=new_id(), candidate_id=candidate_id, piece_id=piece_id, sha256=new_id() * 2, size_bytes=1,
                    container="wav", playback_sha256=new_id() * 2, duration_sec=1.0, sample_rate_hz=44100, channels=1,
                )  # fmt: skip
                session.add(take)
                session.flush()
                add_findings(session, take.id, "0-earlier", 0)
                ids.append(take.id)
        return ids

    return database.write(add)


def add_findings(session: Session, take_id: str, version: str, which: int) -> None:
    marks = {caption: {"mark": both[which]} for caption, both in MARKS.items()}
    row = {"take_id": take_id, "input_hash": "0" * 64, "algorithm_version": version, "payload": {"marks": marks}}
    measuring.save_findings(session, row)


def jobs(database: Database) -> list[Job]:
    with database.read() as session:
        return list(session.exec(select(Job).order_by(col(Job.subject))).all())


def test_everything_is_asked_for_once_and_waits_behind_the_room(
    database: Database, scene: Any, takes: list[str]
) -> None:
    with database.read() as session:
        assert remeasuring.takes(session, scene.audition_id) == remeasuring.takes(session, None) == sorted(takes)
        assert remeasuring.takes(session, "0" * 32) == []
    assert database.write(lambda s: remeasuring.ask(s, takes[:3])) == 3
    assert database.write(lambda s: remeasuring.ask(s, takes)) == 1
    assert database.write(lambda s: remeasuring.ask(s, takes)) == 0
    assert sorted(job.subject for job in jobs(database)) == sorted(takes)
    ledger = DatabaseLedger(database)
    database.write(lambda s: measuring.queueing.enqueue(s, measuring.KIND, "room", {}, measuring.PRIORITY_IN_THE_ROOM))
    first = ledger.claim("w", 60.0)
    assert first is not None
    assert first.payload == {}  # the room's


def test_voided_takes_are_left_out_and_pieces_without_notation_are_not(
    database: Database, scene: Any, takes: list[str]
) -> None:
    def change(session: Session) -> None:
        session.get_one(Take, takes[0]).state = "voided"
        session.get_one(Piece, scene.piece_ids[1]).kind = "untyped"

    database.write(change)
    with database.read() as session:
        assert remeasuring.takes(session, None) == sorted(takes[1:])
    assert database.write(lambda s: remeasuring.ask(s, takes)) == 3


def test_calling_off_leaves_the_room_alone_and_can_be_undone(database: Database, scene: Any, takes: list[str]) -> None:
    room = database.write(lambda s: measuring.ask(s, s.get_one(Take, takes[0])).id)  # type: ignore[union-attr]
    database.write(lambda s: remeasuring.ask(s, takes))
    ledger = DatabaseLedger(database)
    assert ledger.claim("one", 60.0).id == room  # type: ignore[union-attr]
    begun = ledger.claim("two", 60.0)
    assert begun is not None
    assert database.write(lambda s: remeasuring.call_off(s, "0" * 32)) == 0  # another audition's
    assert database.write(lambda s: remeasuring.call_off(s, scene.audition_id)) == 3
    assert [job.id for job in jobs(database)] == [room]
    assert not ledger.keep(begun.id, "two", 60.0, 0.5, "")  # the worker hears it, and what it made is thrown away
    assert not ledger.finish(begun.id, "two", lambda s: add_findings(s, takes[1], ALGORITHM_VERSION, 1))
    with database.read() as session:
        assert list(remeasuring.side_by_side(session, None)) == []
    assert database.write(lambda s: remeasuring.ask(s, takes)) == 3


def test_old_and_new_stand_side_by_side(database: Database, scene: Any, takes: list[str]) -> None:
    with database.read() as session:
        assert list(remeasuring.side_by_side(session, scene.audition_id)) == []
    database.write(lambda s: add_findings(s, takes[0], "1-between", 0))
    for take_id in takes[:2]:
        database.write(lambda s, take_id=take_id: add_findings(s, take_id, ALGORITHM_VERSION, 1))  # type: ignore[misc]
    with database.read() as session:
        found = list(remeasuring.side_by_side(session, scene.audition_id))
        assert list(remeasuring.side_by_side(session, "0" * 32)) == []
    assert [(c.piece_title, c.old_version) for c in found] == [("Scale", "1-between"), ("Étude", "0-earlier")]
    assert (found[0].old, found[0].new) == ({c: m[0] for c, m in MARKS.items()}, {c: m[1] for c, m in MARKS.items()})
    assert [found[0].moved(caption) for caption in ("pitch", "rhythm", "tone")] == [0.5, None, None]


def command(data: Path, url: str, monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    monkeypatch.setenv("FAIRHEARING_DATABASE_URL", url if url.startswith("postgresql") else "")
    parser = argparse.ArgumentParser()
    remeasure_command.register(parser)
    return remeasure_command.run(parser.parse_args([*words, "--data", str(data)]))


def test_the_command_asks_compares_and_calls_off(
    database: Database, scene: Any, takes: list[str], url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    def say(*words: str) -> str:
        assert command(tmp_path / "data", url, monkeypatch, *words) == 0
        return capsys.readouterr().out

    assert "Queued: 4 of 4 take(s)" in say("--audition", "spring mock")
    assert "Queued: 0 of 4 take(s)" in say()
    assert "Called off: 4 take(s)" in say("--cancel")
    database.write(lambda s: add_findings(s, takes[0], ALGORITHM_VERSION, 1))
    table = tmp_path / "changes.csv"
    said = say("--compare", "--csv", str(table))
    assert "1 take(s) are measured under" in said
    assert "pitch: 1 marks, moved by +0.50 on average, by +0.50 at most" in said
    with table.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [(r["caption"], r["old"], r["new"], r["moved"]) for r in rows] == [
        ("pitch", "6.0", "6.5", "0.5"), ("rhythm", "7.0", "", ""), ("tone", "", "", ""),
    ]  # fmt: skip
    for name in scene.names:
        assert name not in table.read_text(encoding="utf-8")
    with pytest.raises(BadInput, match="choose a new name"):
        command(tmp_path / "data", url, monkeypatch, "--compare", "--csv", str(table))
    with pytest.raises(BadInput, match="give both"):
        command(tmp_path / "data", url, monkeypatch, "--csv", str(table))
    with pytest.raises(NotFound, match="no audition"):
        command(tmp_path / "data", url, monkeypatch, "--audition", "Autumn")

"""Takes in an object store, end to end: taken in, measured from there, verified, copied from one store to another."""

import argparse
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import s3_server
import soundfile

from app.cli import move_takes_command, restore_command
from app.db.database import Database
from app.domain.actor import Actor
from app.domain.errors import BadInput, NotFound, Unavailable
from app.domain.ids import new_id
from app.files.object_store import ObjectStore
from app.files.store import TakeStore
from app.services import intake
from app.services.backup import back_up, restore
from app.services.storing import open_store
from app.services.verifying import remove_left_over, verify
from app.settings import Settings

PROCTOR = Actor("proctor", "1" * 32)


@pytest.fixture
def bucket(s3: s3_server.Server, monkeypatch: pytest.MonkeyPatch) -> str:
    """An address nobody else uses, with the variables that open it."""
    for name, value in s3.environment.items():
        monkeypatch.setenv(name, value)
    return f"s3://{s3_server.BUCKET}/{new_id()}"


def recording(hz: float) -> bytes:
    time = np.arange(44_100 * 2) / 44_100
    out = io.BytesIO()  # finer than what is played back, so the two differ
    soundfile.write(out, 0.2 * np.sin(2 * np.pi * hz * time), 44_100, format="WAV", subtype="PCM_24")
    return out.getvalue()


def send(database: Database, store: Any, scene: Any, n: int) -> None:
    where = (scene.candidate_ids[n // 2], scene.piece_ids[n % 2])
    upload = intake.Upload(new_id(), *where, io.BytesIO(recording(300.0 + n)), "Ada Sample.wav")
    intake.receive(database, store, upload, actor=PROCTOR)


def problems(database: Database, store: Any) -> list[str]:
    with database.read() as session:
        return [sentence for check in verify(session, store) for sentence in check.problems]


def test_takes_live_in_the_object_store_and_nowhere_else(
    database: Database, scene: Any, bucket: str, tmp_path: Path
) -> None:
    settings = Settings(data_dir=tmp_path / "data", takes_url=bucket)
    store = open_store(settings)
    send(database, store, scene, 0)
    store.put(io.BytesIO(b"left by an upload that was cut off"))
    elsewhere = open_store(Settings(data_dir=tmp_path / "another machine", takes_url=bucket))
    assert len(list(elsewhere.every())) == 3  # as received, as played back, left over
    assert problems(database, elsewhere) == []
    assert remove_left_over(database, elsewhere, older_than_sec=-5.0) == 1
    remove_left_over(database, elsewhere, older_than_sec=-5.0)
    assert len(list(store.every())) == 2
    assert problems(database, store) == []

    # A backup holds them although the data folder does not.
    report = back_up(tmp_path / "data", tmp_path / "backup", store=store)
    assert report.takes == 2
    restore(tmp_path / "backup", tmp_path / "restored")
    there = Database(f"sqlite:///{tmp_path / 'restored' / 'fairhearing.db'}")
    assert problems(there, TakeStore(tmp_path / "restored" / "takes")) == []
    there.close()


@pytest.fixture
def move(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    def run(*words: str, now_at: str = "") -> str:
        monkeypatch.setenv("FAIRHEARING_TAKES_URL", now_at)
        parser = argparse.ArgumentParser()
        move_takes_command.register(parser)
        assert move_takes_command.run(parser.parse_args([*words, "--data", str(tmp_path / "data")])) == 0
        return capsys.readouterr().out

    return run


def test_takes_move_to_an_object_store_and_back(
    database: Database, store: TakeStore, scene: Any, bucket: str, tmp_path: Path, s3: s3_server.Server,
    move: Callable[..., str],
) -> None:  # fmt: skip
    send(database, store, scene, 0)
    assert "Copied: 2; there already: 0" in move(bucket, "--audition", "Spring mock")
    send(database, store, scene, 1)
    said = move(f"{bucket}/")
    assert "Copied: 2; there already: 2" in said
    assert f"FAIRHEARING_TAKES_URL={bucket};" in said
    moved = ObjectStore(bucket, tmp_path / "elsewhere", s3.environment)
    assert problems(database, moved) == problems(database, store) == []

    for sha256 in list(store.every()):  # the folder is lost, and filled again from there
        store.local_path(sha256).unlink()
    assert "Copied: 4; there already: 0" in move("folder", now_at=bucket)
    assert problems(database, store) == []


def test_what_is_damaged_or_missing_is_said_and_not_copied(
    database: Database, store: TakeStore, scene: Any, bucket: str, tmp_path: Path, s3: s3_server.Server,
    move: Callable[..., str],
) -> None:  # fmt: skip
    send(database, store, scene, 0)
    damaged = store.local_path(next(iter(store.every())))
    whole = damaged.read_bytes()
    damaged.chmod(0o600)
    damaged.write_bytes(whole[:-1] + b"!")
    with pytest.raises(Unavailable, match="damaged where it is"):
        move(bucket)
    damaged.unlink()
    with pytest.raises(NotFound, match="missing"):
        move(bucket)
    assert list(ObjectStore(bucket, tmp_path / "elsewhere", s3.environment).every()) == []


@pytest.mark.parametrize(
    ("variable", "value"),
    [("FAIRHEARING_DATABASE_URL", "postgresql://a@b/c"), ("FAIRHEARING_TAKES_URL", "s3://takes")],
)
def test_a_backup_is_restored_into_a_folder_only(
    variable: str, value: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(variable, value)
    parser = argparse.ArgumentParser()
    restore_command.register(parser)
    with pytest.raises(BadInput, match="folder of its own"):
        restore_command.run(parser.parse_args([str(tmp_path / "backup"), "--data", str(tmp_path / "data")]))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("target", "told"),
    [("folder", "there already"), ("s3://", "no address"), ("http://x/y", "no address"), ("", "Say where to")],
)
def test_a_target_that_can_not_be_is_a_sentence(
    database: Database, scene: Any, target: str, told: str, move: Callable[..., str]
) -> None:
    with pytest.raises(BadInput, match=told):
        move(target)

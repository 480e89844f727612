"""Verifying, backing up and restoring, through the commands people run."""

import argparse
import hashlib
import io
import json
import shutil
import sqlite3
import tarfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from app.cli import backup_command, restore_command, take_command, verify_command
from app.db.database import Database
from app.domain.errors import BadInput, FairhearingError, NotFound, WrongState
from app.files.playback import rendition
from app.files.store import TakeStore
from app.services import backup
from app.services.custody import record
from app.services.verifying import verify

pytestmark = pytest.mark.file_database

RATE = 22_050


def tone(hz: float = 440.0) -> bytes:
    time = np.arange(RATE * 5) / RATE  # as long as the scale it stands for
    noise = np.random.default_rng(1).normal(0, 1e-4, time.size)
    return rendition((0.2 * np.sin(2 * np.pi * hz * time) + noise).astype(np.float32), RATE)


def command(module: Any, *words: object) -> int:
    parser = argparse.ArgumentParser()
    module.register(parser)
    return int(module.run(parser.parse_args([str(word) for word in words])))


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


@pytest.fixture
def numbers(database: Database, scene: Any) -> tuple[str, str]:
    from app.db.models import Candidate

    with database.read() as session:
        first, second = (session.get_one(Candidate, c).blind_number for c in scene.candidate_ids)
    return first, second


@pytest.fixture
def filled(data: Path, tmp_path: Path, numbers: tuple[str, str]) -> Path:
    """The scene with one take, handed in by the command."""
    file = tmp_path / "Ada Sample.wav"
    file.write_bytes(tone())
    assert take(data, file, numbers[0]) == 0
    return data


def take(data: Path, file: Path, number: str, round_name: str = "first", piece: str = "scale") -> int:
    return command(take_command, file, "--round", round_name, "--number", number, "--piece", piece, "--data", data)


def snapshot(data: Path) -> tuple[dict[str, list[Any]], dict[str, str]]:
    """Every row of every table, and the hash of every recording."""
    connection = sqlite3.connect(data / "fairhearing.db")
    tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY 1")]
    rows = {table: sorted(map(repr, connection.execute(f'SELECT * FROM "{table}"'))) for table in tables}
    connection.close()
    files = sorted(path for path in (data / "takes" / "sha256").rglob("*") if path.is_file())
    return rows, {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


# The take command -------------------------------------------------------------------------------------------------


def test_a_file_becomes_a_take_once(
    data: Path, tmp_path: Path, numbers: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "Ada Sample.wav"
    file.write_bytes(tone())
    assert take(data, file, numbers[0]) == 0
    assert f"Number {numbers[0]}, Scale: 5.0 s, fine." in capsys.readouterr().out
    assert take(data, file, numbers[0]) == 0
    connection = sqlite3.connect(data / "fairhearing.db")
    assert connection.execute("SELECT count(*) FROM take").fetchone() == (1,)
    connection.close()


def test_the_take_command_names_what_it_can_not_find(data: Path, tmp_path: Path, numbers: tuple[str, str]) -> None:
    file = tmp_path / "take.wav"
    with pytest.raises(BadInput, match="can't be read"):
        take(data, file, numbers[0])
    file.write_bytes(tone())
    with pytest.raises(NotFound, match="no round"):
        take(data, file, numbers[0], round_name="second")
    with pytest.raises(NotFound, match="no number"):
        take(data, file, "0")
    with pytest.raises(NotFound, match="No piece"):
        take(data, file, numbers[0], piece="sonata")
    with pytest.raises(BadInput, match="no Fairhearing data"):
        take(tmp_path / "elsewhere", file, numbers[0])


# Verifying --------------------------------------------------------------------------------------------------------


def problems(database: Database, store: TakeStore) -> list[str]:
    with database.read() as session:
        return [sentence for check in verify(session, store) for sentence in check.problems]


def test_untouched_data_hold(filled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert command(verify_command, "--data", filled) == 0
    said = capsys.readouterr().out
    assert "WRONG" not in said
    assert "draws recomputed: 1" in said
    assert "takes: 1" in said


def change(data: Path, statement: str) -> None:
    connection = sqlite3.connect(data / "fairhearing.db")
    connection.execute(statement)
    connection.commit()
    connection.close()


@pytest.mark.parametrize(
    ("statement", "expected"),
    [
        ("UPDATE auditentry SET facts = '{}' WHERE action = 'take-received'", "was changed after it was written"),
        ("UPDATE auditentry SET actor = 'leader:x' WHERE seq = 2", "was changed after it was written"),
        ("DELETE FROM auditentry WHERE seq = 2", "is missing"),
        ("UPDATE candidate SET blind_number = '1' WHERE playing_order = 1", ""),
        ("UPDATE round SET seed = replace(seed, substr(seed, 1, 4), '0000')", ""),
        ("UPDATE audition SET rule = json_set(rule, '$.combine', 'median')", "not the one that was declared"),
        ("UPDATE take SET sha256 = '" + "0" * 64 + "'", "is missing"),
        ("UPDATE take SET piece_id = 'gone'", "refers to a row of piece"),
    ],
)
def test_every_change_behind_our_back_is_found(
    filled: Path, database: Database, store: TakeStore, statement: str, expected: str
) -> None:
    assert problems(database, store) == []
    change(filled, statement)
    found = problems(database, store)
    assert found
    assert expected in " ".join(found)
    assert command(verify_command, "--data", filled) == 1


def test_a_changed_recording_is_found(filled: Path, store: TakeStore, database: Database) -> None:
    for sha256 in store.every():
        place = store.local_path(sha256)
        place.chmod(0o600)
        place.write_bytes(place.read_bytes()[:-2] + b"xx")
    assert len([p for p in problems(database, store) if "not what was received" in p]) == 1


# Backup and restore -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["copy", "copy.tar"])
def test_what_was_backed_up_comes_back(filled: Path, tmp_path: Path, name: str) -> None:
    assert command(backup_command, tmp_path / name, "--data", filled) == 0
    back = tmp_path / "elsewhere" / "data"
    back.parent.mkdir()
    assert command(restore_command, tmp_path / name, "--data", back) == 0
    assert snapshot(back) == snapshot(filled)
    assert back.stat().st_mode & 0o077 == 0
    assert command(verify_command, "--data", back) == 0
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.startswith(".")) == []


def test_nothing_is_ever_written_over(filled: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy.tar"
    target.write_text("precious")
    with pytest.raises(WrongState, match="never writes over"):
        command(backup_command, target, "--data", filled)
    assert target.read_text() == "precious"
    command(backup_command, tmp_path / "copy", "--data", filled)
    before = snapshot(filled)
    with pytest.raises(WrongState, match="never writes over"):
        command(restore_command, tmp_path / "copy", "--data", filled)
    assert snapshot(filled) == before
    dangling = tmp_path / "link"
    dangling.symlink_to(tmp_path / "nowhere")
    with pytest.raises(WrongState):
        command(restore_command, tmp_path / "copy", "--data", dangling)
    empty = tmp_path / "empty"
    empty.mkdir()
    assert command(restore_command, tmp_path / "copy", "--data", empty) == 0


def test_a_backup_while_in_use_is_of_one_moment(filled: Path, tmp_path: Path, database: Database) -> None:
    from app.domain.actor import SYSTEM

    stop = threading.Event()
    written = 0

    def keep_writing() -> None:
        nonlocal written
        while not stop.is_set():
            database.write(lambda s, n=written: record(s, "site", SYSTEM, "test", "", {"n": n}))
            written += 1

    writer = threading.Thread(target=keep_writing)
    writer.start()
    try:
        for number in range(3):
            command(backup_command, tmp_path / f"copy{number}", "--data", filled)
    finally:
        stop.set()
        writer.join()
    assert written > 5
    for number in range(3):
        command(restore_command, tmp_path / f"copy{number}", "--data", tmp_path / f"back{number}")
        assert command(verify_command, "--data", tmp_path / f"back{number}") == 0


def damage_database(folder: Path) -> None:
    data = bytearray((folder / "fairhearing.db").read_bytes())
    data[5000] ^= 1
    (folder / "fairhearing.db").write_bytes(data)


def damage_take(folder: Path) -> None:
    place = next((folder / "takes").iterdir())
    place.chmod(0o600)
    place.write_bytes(b"other")


def lose_take(folder: Path) -> None:
    next((folder / "takes").iterdir()).unlink()


def add_take(folder: Path) -> None:
    (folder / "takes" / ("0" * 64)).write_bytes(b"")


def spoil_manifest(folder: Path) -> None:
    (folder / "manifest.json").write_text("{")


def name_outside(folder: Path) -> None:
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["takes"]["../../../etc/passwd"] = 1
    (folder / "manifest.json").write_text(json.dumps(manifest))


def from_the_future(folder: Path) -> None:
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["format"] = "fairhearing-backup-9"
    (folder / "manifest.json").write_text(json.dumps(manifest))


@pytest.mark.parametrize(
    "spoil", [damage_database, damage_take, lose_take, add_take, spoil_manifest, name_outside, from_the_future]
)
def test_a_damaged_backup_is_not_restored(filled: Path, tmp_path: Path, spoil: Callable[[Path], None]) -> None:
    command(backup_command, tmp_path / "copy", "--data", filled)
    spoil(tmp_path / "copy")
    with pytest.raises(BadInput):
        command(restore_command, tmp_path / "copy", "--data", tmp_path / "back")
    assert not (tmp_path / "back").exists()


def test_a_tar_that_reaches_outside_is_refused(tmp_path: Path) -> None:
    for name in ("../outside", "/tmp/outside", "takes/../../outside", "takes/x"):
        evil = tmp_path / "evil.tar"
        with tarfile.open(evil, "w") as tar:
            member = tarfile.TarInfo(name)
            member.size = 4
            tar.addfile(member, io.BytesIO(b"evil"))
        with pytest.raises(BadInput, match="no part of a backup"):
            command(restore_command, evil, "--data", tmp_path / "back")
    link = tmp_path / "link.tar"
    with tarfile.open(link, "w") as tar:
        member = tarfile.TarInfo("manifest.json")
        member.type, member.linkname = tarfile.SYMTYPE, "/etc/passwd"
        tar.addfile(member)
    with pytest.raises(BadInput, match="no part of a backup"):
        command(restore_command, link, "--data", tmp_path / "back")
    assert not (tmp_path / "back").exists()


def test_no_backup_is_made_of_damaged_recordings(filled: Path, tmp_path: Path, store: TakeStore) -> None:
    place = store.local_path(next(iter(store.every())))
    place.chmod(0o600)
    place.write_bytes(b"other")
    with pytest.raises(FairhearingError, match="damaged"):
        command(backup_command, tmp_path / "copy", "--data", filled)
    assert not (tmp_path / "copy").exists()


def test_what_is_no_backup_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "words.tar").write_text("words")
    (tmp_path / "folder").mkdir()
    for source in ("words.tar", "folder", "nowhere"):
        with pytest.raises(BadInput):
            command(restore_command, tmp_path / source, "--data", tmp_path / "back")
    with pytest.raises(BadInput, match="is not there"):
        backup.restore(tmp_path / "folder", tmp_path / "no" / "such" / "parent")


def test_a_disk_that_refuses_is_a_sentence(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_arguments: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(shutil, "copyfile", full)
    with pytest.raises(FairhearingError, match="No space left"):
        command(backup_command, tmp_path / "copy", "--data", filled)
    assert not (tmp_path / "copy").exists()


# Encrypted --------------------------------------------------------------------------------------------------------


@pytest.fixture
def key(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> tuple[Path, str]:
    """A key file and its public half."""
    place = tmp_path / "backup.key"
    assert command(backup_command, "--new-key", place) == 0
    public = capsys.readouterr().out.split("--to ")[1].split()[0]
    return place, public


def test_an_encrypted_backup_comes_back_equal_with_its_key(filled: Path, tmp_path: Path, key: tuple[Path, str]) -> None:
    place, public = key
    target = tmp_path / "elsewhere" / "copy.tar.age"
    target.parent.mkdir()
    assert command(backup_command, target, "--to", public, "--data", filled) == 0
    assert [p.name for p in target.parent.iterdir()] == [target.name]
    sealed = target.read_bytes()
    assert sealed.startswith(b"age-encryption.org/v1\n")
    for told in (b"SQLite format", b"Ada Sample", b"manifest.json", b"RIFF"):
        assert told not in sealed
    assert command(restore_command, target, "--key", place, "--data", tmp_path / "back") == 0
    assert snapshot(tmp_path / "back") == snapshot(filled)
    assert command(verify_command, "--data", tmp_path / "back") == 0
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.startswith(".")) == []


def test_the_key_is_its_owners_and_never_written_over(tmp_path: Path, key: tuple[Path, str]) -> None:
    place, public = key
    assert place.stat().st_mode & 0o777 == 0o600
    assert f"# public key: {public}\n" in place.read_text()
    before = place.read_text()
    with pytest.raises(WrongState, match="left as it is"):
        command(backup_command, "--new-key", place)
    assert place.read_text() == before
    with pytest.raises(BadInput, match="can't be written"):
        command(backup_command, "--new-key", tmp_path / "nowhere" / "key")


def test_an_encrypted_backup_opens_for_its_keys_only(filled: Path, tmp_path: Path, key: tuple[Path, str]) -> None:
    place, public = key
    other = tmp_path / "other.key"
    command(backup_command, "--new-key", other)
    target = tmp_path / "copy.tar.age"
    command(backup_command, target, "--to", public, "--data", filled)
    with pytest.raises(BadInput, match="name the file of its key"):
        command(restore_command, target, "--data", tmp_path / "back")
    with pytest.raises(BadInput, match="another key"):
        command(restore_command, target, "--key", other, "--data", tmp_path / "back")
    for no_key in (target, tmp_path / "nowhere"):
        with pytest.raises(BadInput):
            command(restore_command, target, "--key", no_key, "--data", tmp_path / "back")
    sealed = target.read_bytes()
    for damage in (sealed[:-20], sealed[:-100] + b"x" + sealed[-99:], sealed[: len(sealed) // 2]):
        target.write_bytes(damage)
        with pytest.raises(BadInput, match="damaged"):
            command(restore_command, target, "--key", place, "--data", tmp_path / "back")
    assert not (tmp_path / "back").exists()
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.startswith(".")) == []


def test_encrypting_is_asked_for_wholly_or_not_at_all(filled: Path, tmp_path: Path, key: tuple[Path, str]) -> None:
    place, public = key
    secret = next(line for line in place.read_text().splitlines() if line.startswith("AGE-SECRET"))
    for words, said in (
        ((tmp_path / "copy.tar.age",), "give both or neither"),
        ((tmp_path / "copy.tar", "--to", public), "give both or neither"),
        ((tmp_path / "copy", "--to", public), "give both or neither"),
        ((tmp_path / "copy.tar.age", "--to", secret), "begins with age1"),
        ((), "Say where"),
    ):
        with pytest.raises(BadInput, match=said) as raised:
            command(backup_command, *words, "--data", filled)
        assert secret not in raised.value.sentence
    assert not [p for p in tmp_path.iterdir() if p.name.startswith("copy")]


def test_a_disk_that_refuses_in_the_middle_leaves_nothing_encrypted(
    filled: Path, tmp_path: Path, key: tuple[Path, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_source: Any, out: Any, _keys: Any) -> None:
        out.write(b"x")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(backup.sealing, "seal", full)
    with pytest.raises(FairhearingError, match="No space left"):
        command(backup_command, tmp_path / "copy.tar.age", "--to", key[1], "--data", filled)
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(("copy", "."))]

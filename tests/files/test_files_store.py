"""The take store: what was put is there, whole, under its hash, and is never changed."""

import errno
import hashlib
import io
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from app.domain.errors import NotFound, TooLarge, Unavailable
from app.files.store import TakeStore

DATA = b"a take" * 100_000


@pytest.fixture
def store(tmp_path: Path) -> TakeStore:
    return TakeStore(tmp_path / "takes")


def test_put_gives_the_hash_and_read_the_bytes(store: TakeStore) -> None:
    stored = store.put(io.BytesIO(DATA))
    assert stored.sha256 == hashlib.sha256(DATA).hexdigest()
    assert stored.size_bytes == len(DATA)
    assert store.read(stored.sha256) == DATA
    assert store.is_true(stored.sha256)
    assert list(store.every()) == [stored.sha256]


def test_the_same_bytes_are_kept_once(store: TakeStore) -> None:
    first = store.put(io.BytesIO(DATA))
    before = store.local_path(first.sha256).stat()
    assert store.put(io.BytesIO(DATA)) == first
    after = store.local_path(first.sha256).stat()
    assert before.st_ino == after.st_ino
    assert after.st_mtime_ns > before.st_mtime_ns  # somebody counts on it from now on


def test_kept_files_are_read_only_and_nobody_elses(store: TakeStore) -> None:
    place = store.local_path(store.put(io.BytesIO(DATA)).sha256)
    assert place.stat().st_mode & 0o777 == 0o400


def test_everything_is_synced_before_put_returns(store: TakeStore, monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []
    sync, rename = os.fsync, os.rename

    def note_sync(handle: int) -> None:
        order.append("folder" if os.path.isdir(f"/proc/self/fd/{handle}") else "file")
        sync(handle)

    def note_rename(source: object, target: object) -> None:
        order.append("rename")
        rename(str(source), str(target))

    monkeypatch.setattr(os, "fsync", note_sync)
    monkeypatch.setattr(os, "rename", note_rename)
    store.put(io.BytesIO(DATA))
    assert order == ["file", "folder", "rename", "folder"]


def test_a_cap_stops_the_stream_and_leaves_nothing(store: TakeStore, tmp_path: Path) -> None:
    with pytest.raises(TooLarge, match="larger"):
        store.put(io.BytesIO(DATA), max_bytes=1000)
    assert [p for p in (tmp_path / "takes").rglob("*") if p.is_file()] == []


class FullDisk(io.RawIOBase):
    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        raise OSError(errno.ENOSPC, "No space left on device")


def test_a_full_disk_is_a_sentence_and_leaves_nothing(store: TakeStore, tmp_path: Path) -> None:
    with pytest.raises(Unavailable, match=r"No space left.*nothing was kept"):
        store.put(FullDisk())  # type: ignore[arg-type]
    assert [p for p in (tmp_path / "takes").rglob("*") if p.is_file()] == []


def test_a_changed_file_is_noticed(store: TakeStore) -> None:
    stored = store.put(io.BytesIO(DATA))
    place = store.local_path(stored.sha256)
    place.chmod(0o600)
    place.write_bytes(DATA[:-1] + b"!")
    assert not store.is_true(stored.sha256)


@pytest.mark.parametrize("name", ["", "../../etc/passwd", "0" * 63, "G" * 64, "0" * 64])
def test_unknown_names_reach_no_file(store: TakeStore, name: str) -> None:
    assert not store.holds("0" * 64)
    with pytest.raises(NotFound):
        store.local_path(name)


def test_what_an_interrupted_upload_left_is_cleared(store: TakeStore) -> None:
    def interrupted() -> Iterator[bytes]:
        yield b"half"
        raise KeyboardInterrupt

    parts = interrupted()

    class Cut(io.RawIOBase):
        def read(self, size: int = -1) -> bytes:
            return next(parts)

    with pytest.raises(KeyboardInterrupt):
        store.put(Cut())  # type: ignore[arg-type]
    (store._incoming / "left-over").write_bytes(b"half a take")
    assert store.clear_incoming() == 1
    assert list(store.every()) == []


def test_probe_writes_and_leaves_nothing(store: TakeStore, tmp_path: Path) -> None:
    store.probe()
    assert [p for p in (tmp_path / "takes").rglob("*") if p.is_file()] == []
    assert store.free_bytes() > 0

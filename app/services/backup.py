"""Backups taken while in use, and restoring them into an empty place.

A backup is a folder (or a tar of it): ``fairhearing.db`` by SQLite's online backup, ``takes/`` with every recording,
``manifest.json`` with the sha256 of each. The database is copied first and recordings are never changed or removed,
so every recording the copy names is there. Nothing is ever written over: a new name is taken, or it is refused.
A backup for public keys is that tar, encrypted with age; what is not encrypted then never leaves the data's own disk.
"""

import hashlib
import json
import os
import shutil
import sqlite3
import tarfile
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from app.db.types import now_utc
from app.domain.errors import BadInput, FairhearingError, Unavailable, WrongState
from app.files.store import BlobStore, TakeStore
from app.services import sealing

FORMAT = "fairhearing-backup-1"
MANIFEST = "manifest.json"
DATABASE = "fairhearing.db"
TAKES = "takes"
PAGES_PER_STEP = 500  # our choice: between steps writers get their turn


@dataclass(frozen=True, slots=True)
class BackupReport:
    """What a backup holds."""

    place: Path
    takes: int
    size_bytes: int


def back_up(data_dir: Path, target: Path, keys: Sequence[str] = (), *, store: BlobStore | None = None) -> BackupReport:
    """Write a backup to ``target`` (a tar when its name ends in .tar, else a folder). Harmless while in use.

    Recordings come from ``store`` (None: the data folder's own). With public ``keys`` it is encrypted for each of them,
    and the name ends in .tar.age. Raises ``WrongState`` when something is there already and ``Unavailable`` when the
    disk refuses.
    """
    if os.path.lexists(target):
        raise WrongState(f"{target} is there already, and a backup never writes over anything; choose another name.")
    if bool(keys) != target.name.endswith(f".tar{sealing.ENDING}"):
        raise BadInput(
            f"An encrypted backup needs a name that ends in .tar{sealing.ENDING} and a public key (--to); "
            "give both or neither."
        )
    sealing.check_public(keys)
    database = data_dir / DATABASE
    if not database.is_file():
        raise BadInput(f"There are no Fairhearing data in {data_dir}; name their folder with --data.")
    # Names and recordings in the clear stay on the disk where they are anyway, when they are to leave it encrypted.
    staged_beside = data_dir if keys else target
    with _disk_errors(target), _beside(target) as work, _beside(staged_beside) as stage:
        folder = stage / "backup"
        folder.mkdir(mode=0o700)
        _copy_database(database, folder / DATABASE)
        objects = _copy_takes(store or TakeStore(data_dir / TAKES), folder / TAKES)
        manifest = {
            "format": FORMAT,
            "made_at": now_utc().isoformat(timespec="seconds"),
            "database_sha256": _sha256(folder / DATABASE),
            "takes": objects,
        }
        (folder / MANIFEST).write_text(json.dumps(manifest, indent=1, sort_keys=True), encoding="utf-8")
        result = folder
        if keys:
            result = work / f"backup.tar{sealing.ENDING}"
            _seal(folder, result, keys)
        elif target.suffix == ".tar":
            result = work / "backup.tar"
            with tarfile.open(result, "x") as tar:
                tar.add(folder, arcname=".", filter=_anonymous)
        size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
        _sync_all(result)
        _take_name(result, target)
    return BackupReport(target, len(objects), size)


def restore(source: Path, data_dir: Path, key_file: Path | None = None) -> BackupReport:
    """Put a backup into ``data_dir``, which must not be there or be empty. Everything is checked before it gets there.

    ``key_file`` opens an encrypted one. Raises ``WrongState`` when data are there, ``BadInput`` when the backup is
    damaged, none, or closed to this key.
    """
    if os.path.lexists(data_dir) and not (data_dir.is_dir() and not any(data_dir.iterdir())):
        raise WrongState(
            f"{data_dir} is not empty, and restoring never writes over anything; choose a new folder with --data."
        )
    if not source.exists():
        raise BadInput(f"There is no backup at {source}.")
    with _disk_errors(data_dir), _beside(data_dir) as work:
        folder = work / "data"
        if source.is_dir():
            shutil.copytree(source, folder)
        elif sealing.is_sealed(source):
            if key_file is None:
                raise BadInput(f"{source} is encrypted; name the file of its key with --key.")
            sealing.unseal(source, work / "backup.tar", key_file)
            _unpack(work / "backup.tar", folder)
        else:
            _unpack(source, folder)
        manifest = _checked(folder)
        (folder / MANIFEST).unlink()
        _arrange(folder)
        size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
        _sync_all(folder)
        if data_dir.is_dir():
            data_dir.rmdir()
        _take_name(folder, data_dir)
    return BackupReport(data_dir, len(manifest["takes"]), size)


def _seal(folder: Path, result: Path, keys: Sequence[str]) -> None:
    """Write the folder as an encrypted tar, without a copy of the tar in between."""
    reading, writing = os.pipe()

    def pack() -> None:
        with os.fdopen(writing, "wb") as out, tarfile.open(fileobj=out, mode="w|") as tar:
            tar.add(folder, arcname=".", filter=_anonymous)

    with ThreadPoolExecutor(1) as pool, os.fdopen(reading, "rb") as packed, result.open("xb") as out:
        packing = pool.submit(pack)
        try:
            sealing.seal(packed, out, keys)
        finally:
            packed.close()  # whatever went wrong here must not leave the packer waiting
        packing.result()


@contextmanager
def _disk_errors(target: Path) -> Iterator[None]:
    try:
        yield
    except FairhearingError:
        raise
    except (OSError, sqlite3.Error) as error:
        why = getattr(error, "strerror", None) or type(error).__name__
        raise Unavailable(
            f"{target} can't be written ({why}), so nothing was kept; free space or choose another place."
        ) from error


@contextmanager
def _beside(target: Path) -> Iterator[Path]:
    """A work folder in the same file system, gone at the end, so that the result appears whole or not at all."""
    parent = target.absolute().parent
    if not parent.is_dir():
        raise BadInput(f"The folder {parent} is not there; make it first or choose another.")
    with tempfile.TemporaryDirectory(prefix=".fairhearing-", dir=parent) as name:
        yield Path(name)


def _copy_database(source: Path, target: Path) -> None:
    with closing(sqlite3.connect(f"file:{source}?mode=ro", uri=True)) as live, closing(sqlite3.connect(target)) as copy:
        live.backup(copy, pages=PAGES_PER_STEP)
        copy.execute("PRAGMA journal_mode=DELETE")  # one file, readable from read-only places
    target.chmod(0o600)


def _copy_takes(store: BlobStore, target: Path) -> dict[str, int]:
    """Copy every recording and return {sha256: bytes}; raises ``Unavailable`` when one is damaged."""
    target.mkdir(mode=0o700)
    copied: dict[str, int] = {}
    for sha256 in store.every():
        place = target / sha256
        shutil.copyfile(store.local_path(sha256), place)
        if _sha256(place) != sha256:
            raise Unavailable(
                f"The recording {sha256[:12]}… is damaged, so no backup was made; run `fairhearing verify` to see more."
            )
        copied[sha256] = place.stat().st_size
    return copied


def _unpack(source: Path, folder: Path) -> None:
    folder.mkdir(mode=0o700)
    try:
        with tarfile.open(source, "r:") as tar:
            for member in tar:
                name = member.name.removeprefix("./")
                if member.isdir() and name in (".", "", TAKES):
                    continue
                if not member.isfile() or not _is_expected(name):
                    raise BadInput(f"{source} holds something that is no part of a backup ({name[:60]!r}).")
                stream = tar.extractfile(member)
                place = folder / name
                place.parent.mkdir(mode=0o700, exist_ok=True)
                if stream is not None:
                    with place.open("xb") as out:
                        shutil.copyfileobj(stream, out)
    except tarfile.TarError as error:
        raise BadInput(f"{source} is no backup of Fairhearing, or it is damaged.") from error


def _is_expected(name: str) -> bool:
    return name in (DATABASE, MANIFEST) or (
        name.startswith(f"{TAKES}/") and len(name) == len(TAKES) + 65 and name[len(TAKES) + 1 :].isalnum()
    )


def _checked(folder: Path) -> dict[str, Any]:
    """The manifest of an unpacked backup, once every file in it is what the manifest says."""
    try:
        manifest: dict[str, Any] = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        known = manifest["format"] == FORMAT
        takes, database_sha256 = dict(manifest["takes"]), str(manifest["database_sha256"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BadInput("This is no backup of Fairhearing: its manifest is missing or can't be read.") from error
    if not known:
        raise BadInput("This backup was made by a newer Fairhearing; restore it with that version.")
    if not (folder / DATABASE).is_file() or _sha256(folder / DATABASE) != database_sha256:
        raise BadInput("The database in this backup is damaged, so nothing was restored; use another backup.")
    for sha256 in takes:
        place = folder / TAKES / sha256
        if not _is_expected(f"{TAKES}/{sha256}") or not place.is_file() or _sha256(place) != sha256:
            raise BadInput(f"The recording {sha256[:12]}… in this backup is damaged, so nothing was restored.")
    found = {path.name for path in (folder / TAKES).iterdir()}
    if found != set(takes):
        raise BadInput("This backup holds recordings that its manifest does not name, so nothing was restored.")
    return manifest


def _arrange(folder: Path) -> None:
    """Put the flat recordings where the take store keeps them."""
    flat = folder / TAKES
    kept = folder / "arranged"
    store = TakeStore(kept)
    for path in sorted(flat.iterdir()):
        with path.open("rb") as source:
            store.put(source)
        path.unlink()
    flat.rmdir()
    kept.rename(flat)
    folder.chmod(0o700)


def _sha256(path: Path) -> str:
    with path.open("rb") as source:
        return hashlib.file_digest(source, "sha256").hexdigest()


def _anonymous(member: tarfile.TarInfo) -> tarfile.TarInfo:
    """Nothing about this machine's accounts goes into the file."""
    member.uid = member.gid = 0
    member.uname = member.gname = ""
    return member


def _sync_all(place: Path) -> None:
    for path in [place, *(place.rglob("*") if place.is_dir() else ())]:
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _take_name(made: Path, target: Path) -> None:
    """Give the finished result its name; the last moment to notice that someone else took it."""
    if os.path.lexists(target):
        raise WrongState(f"{target} appeared meanwhile and is left as it is; choose another name.")
    made.rename(target)
    handle = os.open(target.absolute().parent, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

"""The take store: immutable files named by the sha256 of their bytes.

Put: temporary file in the same file system, hash while writing, fsync, rename, fsync of the folder. After :meth:`put`
has returned, a power cut leaves the whole file or (before that) nothing. Nothing is ever overwritten.
The interface is small so that an object store can stand in for the folder.
"""

import hashlib
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Protocol

from app.domain.errors import NotFound, TooLarge, Unavailable
from app.files.folders import sync_folder

CHUNK_BYTES = 256 * 1024
PROBE_BYTES = 4096  # one block: an empty file can be made on a full disk


@dataclass(frozen=True, slots=True)
class Stored:
    """What was put: its hash (hexadecimal) and length."""

    sha256: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Incoming:
    """Received, on this disk, not kept yet."""

    path: Path
    sha256: str
    size_bytes: int


class BlobStore(Protocol):
    """What intake, playback and measuring need of a store."""

    def put(self, source: BinaryIO, max_bytes: int | None = None) -> Stored:
        """Keep everything ``source`` holds; returns once it is durable."""

    def incoming(self, source: BinaryIO, max_bytes: int | None = None) -> AbstractContextManager["Incoming"]:
        """Receive ``source`` into a temporary file that is gone at the end of the block unless it was kept."""

    def keep(self, incoming: "Incoming") -> Stored:
        """Keep what was received; returns once it is durable."""

    def read(self, sha256: str) -> bytes:
        """All bytes of one object."""

    def local_path(self, sha256: str) -> Path:
        """A file that holds the object, for decoders and for sending parts."""

    def holds(self, sha256: str) -> bool:
        """Whether the object is there (its bytes are not checked)."""

    def is_true(self, sha256: str) -> bool:
        """Whether the object's bytes still have its hash; raises ``NotFound``."""

    def every(self) -> Iterator[str]:
        """The hashes of all objects, in order."""

    def remove_unused(self, sha256: str, *, older_than_sec: float, is_used: Callable[[str], bool]) -> bool:
        """Remove an object that nothing refers to. Returns False when it is young, used, or gone already."""

    def clear_incoming(self) -> int:
        """Remove what interrupted uploads left; only for a server that is alone in the folder. Returns how many."""

    def free_bytes(self) -> int:
        """Free space for what comes in."""

    def probe(self) -> None:
        """Write and remove something small; raises ``Unavailable`` when that is refused."""


class TakeStore:
    """A :class:`BlobStore` in a local folder: ``sha256/ab/cdef...``."""

    def __init__(self, folder: Path) -> None:
        self._objects = folder / "sha256"
        self._incoming = folder / "incoming"
        try:
            self._objects.mkdir(parents=True, exist_ok=True)
            self._incoming.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise _unavailable(error) from error

    def put(self, source: BinaryIO, max_bytes: int | None = None) -> Stored:
        """Keep everything ``source`` holds; returns once it is durable.

        Raises ``TooLarge`` over ``max_bytes`` and ``Unavailable`` when the disk refuses; then nothing is kept.
        """
        with self.incoming(source, max_bytes) as incoming:
            return self.keep(incoming)

    @contextmanager
    def incoming(self, source: BinaryIO, max_bytes: int | None = None) -> Iterator[Incoming]:
        """Receive ``source`` into a temporary file that is gone at the end of the block unless it was kept.

        Raises what :meth:`put` raises.
        """
        try:
            handle, name = tempfile.mkstemp(dir=self._incoming)
        except OSError as error:
            raise _unavailable(error) from error
        temporary = Path(name)
        try:
            try:
                received = self._receive(handle, temporary, source, max_bytes)
            except OSError as error:
                raise _unavailable(error) from error
            yield received
        finally:
            temporary.unlink(missing_ok=True)

    @staticmethod
    def _receive(handle: int, temporary: Path, source: BinaryIO, max_bytes: int | None) -> Incoming:
        digest = hashlib.sha256()
        size = 0
        with os.fdopen(handle, "wb") as out:
            while chunk := source.read(CHUNK_BYTES):
                size += len(chunk)
                if max_bytes is not None and size > max_bytes:
                    raise TooLarge(
                        f"The file is larger than the {max_bytes // 2**20} MB allowed; send a shorter one.",
                        max_bytes=max_bytes,
                    )
                digest.update(chunk)
                out.write(chunk)
            out.flush()
            os.fsync(out.fileno())
        return Incoming(temporary, digest.hexdigest(), size)

    def keep(self, incoming: Incoming) -> Stored:
        """Keep what was received; returns once it is durable."""
        try:
            self._keep(incoming.path, incoming.sha256)
        except OSError as error:
            raise _unavailable(error) from error
        return Stored(incoming.sha256, incoming.size_bytes)

    def _keep(self, temporary: Path, sha256: str) -> None:
        place = self._place(sha256)
        try:
            os.utime(place)  # kept already; its new time tells remove_unused that somebody counts on it
        except FileNotFoundError:
            pass
        else:
            return
        if not place.parent.is_dir():
            place.parent.mkdir(exist_ok=True)
            sync_folder(self._objects)
        os.chmod(temporary, 0o400)  # immutable, and nobody else's to read
        os.rename(temporary, place)
        sync_folder(place.parent)

    def read(self, sha256: str) -> bytes:
        """All bytes of one object; raises ``NotFound``."""
        return self.local_path(sha256).read_bytes()

    def local_path(self, sha256: str) -> Path:
        """The file that holds one object; raises ``NotFound``."""
        place = self._place(sha256)
        if not place.is_file():
            raise NotFound("The recording is missing from the take store; restore it from a backup.", sha256=sha256)
        return place

    def holds(self, sha256: str) -> bool:
        """Whether the object is there (its bytes are not checked)."""
        return self._place(sha256).is_file()

    def is_true(self, sha256: str) -> bool:
        """Whether the object's bytes still have its hash; raises ``NotFound``."""
        with self.local_path(sha256).open("rb") as source:
            return hashlib.file_digest(source, "sha256").hexdigest() == sha256

    def every(self) -> Iterator[str]:
        """The hashes of all objects, in order."""
        for place in sorted(self._objects.glob("??/*")):
            yield place.parent.name + place.name

    def remove_unused(self, sha256: str, *, older_than_sec: float, is_used: Callable[[str], bool]) -> bool:
        """Remove an object that nothing refers to. Returns False when it is young, used, or gone already.

        It is moved aside first and looked at again there: an upload of the same bytes that finds it in its place sets
        its time anew, one that doesn't keeps its own copy, and neither loses anything.
        """
        place = self._place(sha256)
        aside = self._incoming / f"unused-{sha256}"
        try:
            if place.stat().st_mtime > time.time() - older_than_sec or is_used(sha256):
                return False
            os.rename(place, aside)
        except FileNotFoundError:
            return False
        except OSError as error:
            raise _unavailable(error) from error
        if aside.stat().st_mtime > time.time() - older_than_sec or is_used(sha256):
            os.rename(aside, place)
            sync_folder(place.parent)
            return False
        aside.unlink()
        return True

    def clear_incoming(self) -> int:
        """Remove what interrupted uploads left; only for the one server that owns the folder. Returns how many."""
        left = list(self._incoming.iterdir())
        for path in left:
            sha256 = path.name.removeprefix("unused-")
            if sha256 != path.name and not self.holds(sha256):
                os.rename(path, self._place(sha256))  # a removal that was cut off before its second look
                sync_folder(self._place(sha256).parent)
            else:
                path.unlink()
        return len(left)

    def free_bytes(self) -> int:
        """Free space where takes are kept."""
        return shutil.disk_usage(self._objects).free

    def probe(self) -> None:
        """Write and remove a small file; raises ``Unavailable`` when the folder refuses."""
        try:
            handle, temporary = tempfile.mkstemp(dir=self._incoming, prefix="probe-")
            try:
                os.write(handle, bytes(PROBE_BYTES))
                os.fsync(handle)
            finally:
                os.close(handle)
                os.unlink(temporary)
        except OSError as error:
            raise _unavailable(error) from error

    def _place(self, sha256: str) -> Path:
        if len(sha256) != 64 or any(c not in "0123456789abcdef" for c in sha256):
            raise NotFound("There is no recording under this hash.")
        return self._objects / sha256[:2] / sha256[2:]


def _unavailable(error: OSError) -> Unavailable:
    return Unavailable(
        f"The take store can't save ({error.strerror or 'unknown reason'}), so nothing was kept; "
        "free space or make the folder writable, then send the take again.",
        errno=error.errno or 0,
    )

"""Recordings that come in piece by piece: numbered chunks of samples, each durable before it is acknowledged.

A chunk is mono float32, little-endian, as the microphone gave it. One folder per recording, one file per chunk; the
name carries number, hash and nothing else, so a folder can be read after any sudden end. The chunks in order behind
the head of :func:`wav_head` are the recording, bit for bit.
"""

import hashlib
import io
import os
import re
import shutil
import struct
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fcntl import LOCK_EX, flock
from pathlib import Path
from typing import BinaryIO, cast

from app.domain.errors import BadInput, Duplicate, TooLarge, Unavailable
from app.domain.ids import is_id
from app.files.folders import sync_folder

MAX_CHUNK_BYTES = 2 * 2**20  # our choice: one second of float32 at 192 kHz is 768,000 bytes
MAX_CHUNKS = 36_000  # our choice: ten hours of seconds
SAMPLE_BYTES = 4
FLOAT_FORMAT = 3  # WAVE_FORMAT_IEEE_FLOAT
HEAD_BYTES = 58  # RIFF + fmt of 18 bytes + fact, as the format asks for when samples are not PCM integers
_CHUNK_NAME = re.compile(r"(\d{6})\.([0-9a-f]{64})")


@dataclass(frozen=True, slots=True)
class Chunk:
    """One durable chunk."""

    seq: int
    sha256: str
    path: Path
    size_bytes: int


class ChunkSpool:
    """Recordings on their way in, below one folder."""

    def __init__(self, folder: Path, *, unit_bytes: int = SAMPLE_BYTES) -> None:
        """``unit_bytes``: what a chunk holds whole ones of; 1 for the bytes of any file."""
        self._folder = folder
        self._unit_bytes = unit_bytes

    def put(self, upload_id: str, seq: int, sha256: str, data: bytes) -> None:
        """Keep one chunk; returns once it is durable. The same chunk again is harmless.

        Raises ``BadInput`` when the bytes don't have their hash or are no whole samples, ``TooLarge`` over 2 MB,
        ``Duplicate`` when another chunk came under this number before, ``Unavailable`` when the disk refuses.
        """
        if not 0 <= seq < MAX_CHUNKS:
            raise BadInput(f"Chunks are numbered from 0 to {MAX_CHUNKS - 1}.")
        if len(data) > MAX_CHUNK_BYTES:
            raise TooLarge(f"A chunk holds at most {MAX_CHUNK_BYTES // 2**20} MB; send shorter ones.")
        if not data or len(data) % self._unit_bytes:
            raise BadInput(f"A chunk must hold whole units of {self._unit_bytes} bytes, and at least one.")
        if hashlib.sha256(data).hexdigest() != sha256:
            raise BadInput("The chunk changed on its way: its hash does not fit; send it again.", damaged=True)
        try:
            with self.alone(upload_id) as folder:
                earlier = next((chunk for chunk in _chunks(folder) if chunk.seq == seq), None)
                if earlier is None:
                    _write_durably(folder, f"{seq:06d}.{sha256}", data)
                elif earlier.sha256 != sha256:
                    raise Duplicate("Another chunk came under this number before; send the recording under a new id.")
        except OSError as error:
            raise _unavailable(error) from error

    def chunks(self, upload_id: str) -> tuple[Chunk, ...]:
        """What is here of a recording, by number."""
        folder = self._of(upload_id)
        return tuple(_chunks(folder)) if folder.is_dir() else ()

    def drop(self, upload_id: str) -> None:
        """Forget a recording that is kept elsewhere now."""
        shutil.rmtree(self._of(upload_id), ignore_errors=True)

    def remove_silent(self, older_than_sec: float) -> int:
        """Remove recordings of which nothing came for so long. Returns how many."""
        if not self._folder.is_dir():
            return 0
        old = [path for path in self._folder.iterdir() if path.stat().st_mtime < time.time() - older_than_sec]
        for path in old:
            shutil.rmtree(path, ignore_errors=True)
        return len(old)

    @contextmanager
    def alone(self, upload_id: str) -> Iterator[Path]:
        """The recording's folder, made when it is not there, for one at a time."""
        folder = self._of(upload_id)
        if not folder.is_dir():
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            sync_folder(self._folder)
        handle = os.open(folder, os.O_RDONLY)
        try:
            flock(handle, LOCK_EX)
            folder.mkdir(mode=0o700, exist_ok=True)  # whoever was here before may have finished it
            yield folder
        finally:
            os.close(handle)

    def _of(self, upload_id: str) -> Path:
        if not is_id(upload_id):
            raise BadInput("The id of a recording must be 32 hexadecimal digits made at random by the sender.")
        return self._folder / upload_id


def wav_head(data_bytes: int, sample_rate: int) -> bytes:
    """The head of a WAV file of mono float32 samples; ``data_bytes`` follow it."""
    return struct.pack(
        "<4sI4s4sIHHIIHHH4sII4sI",
        *(b"RIFF", HEAD_BYTES - 8 + data_bytes, b"WAVE", b"fmt ", 18, FLOAT_FORMAT, 1, sample_rate),
        *(sample_rate * SAMPLE_BYTES, SAMPLE_BYTES, 8 * SAMPLE_BYTES, 0),
        *(b"fact", 4, data_bytes // SAMPLE_BYTES, b"data", data_bytes),
    )


def as_file(chunks: Sequence[Chunk]) -> BinaryIO:
    """The chunks of a file as that file, to read from start to end."""
    return cast(BinaryIO, io.BufferedReader(_OneAfterAnother(b"", [chunk.path for chunk in chunks])))


def as_wav(chunks: Sequence[Chunk], sample_rate: int) -> BinaryIO:
    """The chunks as one WAV file to read from start to end; ``sample_rate`` in Hz."""
    head = wav_head(sum(chunk.size_bytes for chunk in chunks), sample_rate)
    return cast(BinaryIO, io.BufferedReader(_OneAfterAnother(head, [chunk.path for chunk in chunks])))


class _OneAfterAnother(io.RawIOBase):
    """A head and files behind it, read as if they were one file."""

    def __init__(self, head: bytes, paths: Sequence[Path]) -> None:
        super().__init__()
        self._now: BinaryIO = io.BytesIO(head)
        self._later = list(reversed(paths))

    def readable(self) -> bool:
        """Yes."""
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        """Fill ``buffer`` as far as the present file goes."""
        while True:
            data = self._now.read(len(buffer))
            if data or not self._later:
                buffer[: len(data)] = data
                return len(data)
            self._now.close()
            self._now = self._later.pop().open("rb")

    def close(self) -> None:
        """Close the present file."""
        self._now.close()
        super().close()


def _chunks(folder: Path) -> Iterator[Chunk]:
    for path in sorted(folder.iterdir()):
        if found := _CHUNK_NAME.fullmatch(path.name):
            yield Chunk(int(found[1]), found[2], path, path.stat().st_size)


def _write_durably(folder: Path, name: str, data: bytes) -> None:
    temporary = folder / f"{name}.part"
    with temporary.open("wb") as out:
        out.write(data)
        out.flush()
        os.fsync(out.fileno())
    os.rename(temporary, folder / name)
    sync_folder(folder)


def _unavailable(error: OSError) -> Unavailable:
    return Unavailable(
        f"The server can't save the recording ({error.strerror or 'unknown reason'}); free space there. What was "
        "recorded stays on the device and is sent again.",
        errno=error.errno or 0,
    )

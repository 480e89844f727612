"""Recordings that come in while the candidate still plays: chunk by chunk, resumed after any interruption.

The sender makes the id, sends numbered chunks as it records, and finishes; each step may be repeated. A recording is
only taken once it is whole, by the same intake as a file. One whose sender never came back can be rescued: what is
here of it becomes the take.
"""

import hashlib
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from app.db.database import Database
from app.db.models import Candidate, Piece, Take
from app.domain.actor import Actor
from app.domain.errors import BadInput, Duplicate, NotAllowed, NotFound, Unavailable, WrongState
from app.files.chunk_spool import MAX_CHUNKS, SAMPLE_BYTES, Chunk, ChunkSpool, as_wav
from app.files.store import CHUNK_BYTES, BlobStore
from app.services import intake
from app.services.intake import MAX_TAKE_BYTES, TakeView, Upload
from app.services.upload_about import ABOUT, read_about, write_about

SAMPLE_RATES_HZ = (8_000, 384_000)  # our choice: what microphones and their browsers offer
KEPT_FREE_BYTES = 300 * 2**20  # our choice: a take on its way to the store needs room for copies
SILENT_DAYS = 30  # our choice: after that nobody comes back for a recording that was never finished


@dataclass(frozen=True, slots=True)
class Plan:
    """What is being recorded, as the sender says."""

    take_id: str
    candidate_id: str
    piece_id: str
    sample_rate_hz: int


@dataclass(frozen=True, slots=True)
class Progress:
    """What is here of a recording: the numbers of its chunks, or the take it has become."""

    chunks: tuple[int, ...]
    take: TakeView | None


@dataclass(frozen=True, slots=True)
class Unfinished:
    """A recording that was begun and not finished, for those who see names anyway."""

    upload_id: str
    candidate_id: str
    blind_number: str
    piece_id: str
    piece_title: str
    duration_sec: float
    silent_sec: float  # since the last chunk


class Uploads:
    """Recordings on their way into one server."""

    def __init__(self, data_dir: Path, database: Database, store: BlobStore) -> None:
        self._folder = data_dir / "uploads"
        self._spool = ChunkSpool(self._folder)
        self._database = database
        self._store = store

    def begin(self, plan: Plan, *, audition_id: str | None) -> Progress:
        """Begin a recording, or go on with it: says what is here already.

        Raises what :func:`intake.receive` raises where the place is not free, so that it shows before the playing.
        """
        _check_rate(plan.sample_rate_hz)
        with self._database.read() as session:
            own = intake.check_place(session, plan.take_id, plan.candidate_id, plan.piece_id, audition_id)
            take = session.get(Take, plan.take_id)
            if take is not None:
                return Progress((), intake.view(take))
        about = {
            "candidate_id": plan.candidate_id,
            "piece_id": plan.piece_id,
            "sample_rate_hz": plan.sample_rate_hz,
            "audition_id": own,
        }
        try:
            with self._spool.alone(plan.take_id) as folder:
                if not (folder / ABOUT).exists():
                    write_about(folder, about)
                elif read_about(folder) != about:
                    raise Duplicate("Another recording was begun under this id; send this one under an id of its own.")
        except OSError as error:
            raise Unavailable(
                "The server can't save recordings just now; free space there. The recording stays on this device."
            ) from error
        return Progress(tuple(chunk.seq for chunk in self._spool.chunks(plan.take_id)), None)

    def put(self, upload_id: str, seq: int, sha256: str, data: bytes, *, audition_id: str | None) -> None:
        """Keep one chunk of a recording that was begun; returns once it is durable."""
        self._about(upload_id, audition_id)
        if self._store.free_bytes() < KEPT_FREE_BYTES:
            raise Unavailable(
                "There is too little space left on the server for more recordings; free space there. The recording "
                "stays on this device and is sent then."
            )
        self._spool.put(upload_id, seq, sha256, data)

    def finish(
        self, plan: Plan, count: int, sha256: str, *, replaces: str | None, actor: Actor, audition_id: str | None
    ) -> TakeView:
        """Make the take from ``count`` chunks whose WAV file has ``sha256``. The same again gives the same take.

        Raises ``WrongState`` with ``missing`` (numbers of chunks) while some are not here, ``BadInput`` when the whole
        does not have its hash, and what :func:`intake.receive` raises.
        """
        _check_rate(plan.sample_rate_hz)
        with self._database.read() as session:
            take = session.get(Take, plan.take_id)
            if take is not None:
                intake.check_place(session, plan.take_id, plan.candidate_id, plan.piece_id, audition_id)
                if take.sha256 != sha256:
                    raise Duplicate("Another recording was sent under this take's id before; use an id of its own.")
                self._spool.drop(plan.take_id)
                return intake.view(take)
        self._about(plan.take_id, audition_id)
        chunks = {chunk.seq: chunk for chunk in self._spool.chunks(plan.take_id)}
        missing = [seq for seq in range(min(count, MAX_CHUNKS)) if seq not in chunks]
        if missing:
            raise WrongState("Parts of the recording are still on the way; they are sent again.", missing=missing[:500])
        whole = [chunks[seq] for seq in range(min(count, MAX_CHUNKS))]
        return self._take(plan, whole, sha256, replaces=replaces, actor=actor, audition_id=audition_id)

    def rescue(self, upload_id: str, *, actor: Actor, audition_id: str | None) -> TakeView:
        """Make the take from what is here of a recording whose sender does not come back: up to the first gap."""
        about = self._about(upload_id, audition_id)
        whole = _up_to_first_gap(self._spool.chunks(upload_id))
        if not whole:
            raise NotFound("Nothing of this recording has arrived, so there is nothing to rescue; record again.")
        plan = Plan(upload_id, about["candidate_id"], about["piece_id"], about["sample_rate_hz"])
        return self._take(plan, whole, None, replaces=None, actor=actor, audition_id=audition_id)

    def throw_away(self, upload_id: str, *, audition_id: str | None) -> None:
        """Forget a recording that was begun and not finished. One that is gone already is no error."""
        try:
            self._about(upload_id, audition_id)
        except NotFound:
            return
        self._spool.drop(upload_id)

    def unfinished(self, audition_id: str) -> list[Unfinished]:
        """Recordings of an audition that were begun and not finished, the longest silent first."""
        found = []
        with self._database.read() as session:
            for folder in self._folder.glob("*/") if self._folder.is_dir() else ():
                if not (folder / ABOUT).exists() or (about := read_about(folder))["audition_id"] != audition_id:
                    continue
                candidate = session.get(Candidate, about["candidate_id"])
                piece = session.get(Piece, about["piece_id"])
                chunks = _up_to_first_gap(self._spool.chunks(folder.name))
                if candidate is None or piece is None or not chunks or session.get(Take, folder.name) is not None:
                    continue
                frames = sum(chunk.size_bytes for chunk in chunks) // SAMPLE_BYTES
                found.append(
                    Unfinished(
                        upload_id=folder.name,
                        candidate_id=candidate.id,
                        blind_number=candidate.blind_number,
                        piece_id=piece.id,
                        piece_title=piece.title,
                        duration_sec=round(frames / about["sample_rate_hz"], 1),
                        silent_sec=round(max(0.0, time.time() - folder.stat().st_mtime), 1),
                    )
                )
        return sorted(found, key=lambda one: -one.silent_sec)

    def tidy(self) -> int:
        """Remove recordings nobody came back for within a month, and those that have become takes."""
        with self._database.read() as session:
            for folder in self._folder.glob("*/") if self._folder.is_dir() else ():
                if session.get(Take, folder.name) is not None:
                    self._spool.drop(folder.name)
        return self._spool.remove_silent(SILENT_DAYS * 24 * 3600)

    def _about(self, upload_id: str, audition_id: str | None) -> dict[str, Any]:
        folder = self._folder / upload_id
        if not (folder / ABOUT).exists():
            raise NotFound("This recording was not begun here, or is finished already.", begin_again=True)
        about = read_about(folder)
        if audition_id not in (None, about["audition_id"]):
            raise NotAllowed("This tablet belongs to another audition's recording room.")
        return about

    def _take(
        self,
        plan: Plan,
        whole: list[Chunk],
        sha256: str | None,
        *,
        replaces: str | None,
        actor: Actor,
        audition_id: str | None,
    ) -> TakeView:
        if sum(chunk.size_bytes for chunk in whole) > MAX_TAKE_BYTES:
            raise BadInput(f"The recording is larger than the {MAX_TAKE_BYTES // 2**20} MB allowed; record it again.")
        if sha256 is not None:
            digest = hashlib.sha256()
            with as_wav(whole, plan.sample_rate_hz) as sound:
                while data := sound.read(CHUNK_BYTES):
                    digest.update(data)
            if digest.hexdigest() != sha256:
                raise BadInput("The recording here is not the one on the device; send it under a new id.", damaged=True)
        with as_wav(whole, plan.sample_rate_hz) as sound:
            upload = Upload(
                take_id=plan.take_id,
                candidate_id=plan.candidate_id,
                piece_id=plan.piece_id,
                source=sound,
                replaces=replaces,
            )
            take = intake.receive(self._database, self._store, upload, actor=actor, audition_id=audition_id)
        self._spool.drop(plan.take_id)
        return take


def _up_to_first_gap(chunks: tuple[Chunk, ...]) -> list[Chunk]:
    return [chunk for place, chunk in enumerate(chunks) if chunk.seq == place]


def _check_rate(sample_rate_hz: int) -> None:
    low, high = SAMPLE_RATES_HZ
    if not low <= sample_rate_hz <= high:
        raise BadInput(f"The sample rate must lie between {low} and {high} Hz.")

"""Files that students hand in by a link: chunk by chunk, resumed after any interruption, then the intake of any take.

The sender makes the id, sends the file in numbered chunks and finishes; each step may be repeated. Only a file that is
here whole before the handing in closes counts. A file that replaces another of the same piece sets that one aside in
the same transaction that takes the new one in, so a refused file never costs the one before.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from app.db.database import Database
from app.db.models import Take
from app.domain.errors import BadInput, Duplicate, NotFound, TooLarge, Unavailable, WrongState
from app.domain.ids import is_id
from app.files.chunk_spool import MAX_CHUNK_BYTES, MAX_CHUNKS, ChunkSpool, as_file
from app.files.folders import sync_folder
from app.files.store import BlobStore
from app.services import handing_in, intake
from app.services.access import HandInPrincipal
from app.services.intake import MAX_TAKE_BYTES, TakeView, Upload
from app.services.uploads import KEPT_FREE_BYTES, SILENT_DAYS

ABOUT = "about.json"


@dataclass(frozen=True, slots=True)
class FilePlan:
    """The file a student wants to hand in."""

    upload_id: str  # becomes the take's id
    piece_id: str
    file_name: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Here:
    """What is here of a file: the numbers of its chunks, or the take it has become."""

    chunks: tuple[int, ...]
    take: TakeView | None


class HandedFiles:
    """Files on their way into one server. ``clock`` is the server's time."""

    def __init__(self, data_dir: Path, database: Database, store: BlobStore, clock: Callable[[], datetime]) -> None:
        self._folder = data_dir / "handed-in"
        self._spool = ChunkSpool(self._folder, unit_bytes=1)
        self._database = database
        self._store = store
        self._clock = clock

    def begin(self, principal: HandInPrincipal, plan: FilePlan) -> Here:
        """Begin a file, or go on with it. Raises where it could not be taken, so that it shows before the sending."""
        if not is_id(plan.upload_id):
            raise BadInput("The id of a file must be 32 hexadecimal digits made at random by the sender.")
        if not 0 < plan.size_bytes <= MAX_TAKE_BYTES:
            raise TooLarge(f"A recording has at most {MAX_TAKE_BYTES // 2**20} MB; save it in a smaller format.")
        with self._database.read() as session:
            candidate, row = handing_in.candidate_of(session, principal.entry_id, principal.round_id)
            take = session.get(Take, plan.upload_id)
            if take is not None:
                if (take.candidate_id, take.piece_id) != (candidate.id, plan.piece_id):
                    raise Duplicate("Another recording was sent under this id; send this one under an id of its own.")
                return Here((), intake.view(take))
            handing_in.require_open(session, candidate, row, self._clock())
            intake.check_piece(session, candidate.id, plan.piece_id, row.audition_id)
        about = {
            "audition_id": principal.audition_id,
            "entry_id": principal.entry_id,
            "round_id": principal.round_id,
            "piece_id": plan.piece_id,
            "file_name": plan.file_name,
            "size_bytes": plan.size_bytes,
        }
        try:
            with self._spool.alone(plan.upload_id) as folder:
                if not (folder / ABOUT).exists():
                    _write(folder, about)
                elif json.loads((folder / ABOUT).read_text()) != about:
                    raise Duplicate("Another file was begun under this id; send this one under an id of its own.")
        except OSError as error:
            raise Unavailable("The server can't save recordings just now; try again in a while.") from error
        return Here(tuple(chunk.seq for chunk in self._spool.chunks(plan.upload_id)), None)

    def put(self, principal: HandInPrincipal, upload_id: str, seq: int, sha256: str, data: bytes) -> None:
        """Keep one chunk of a file that was begun; returns once it is durable."""
        self._about(principal, upload_id)
        if seq >= MAX_TAKE_BYTES // MAX_CHUNK_BYTES * 4:
            raise TooLarge(f"A recording has at most {MAX_TAKE_BYTES // 2**20} MB; save it in a smaller format.")
        if self._store.free_bytes() < KEPT_FREE_BYTES:
            raise Unavailable("There is too little space left on the server; tell your section leader and try later.")
        self._spool.put(upload_id, seq, sha256, data)

    def finish(self, principal: HandInPrincipal, upload_id: str, count: int) -> TakeView:
        """Make the take from ``count`` chunks. The same again gives the same take.

        Raises ``WrongState`` with ``missing`` (numbers of chunks) while some are not here, ``BadInput`` when the file
        is not as long as was said or it is too late, and what :func:`intake.receive` raises.
        """
        now = self._clock()
        with self._database.read() as session:
            candidate, row = handing_in.candidate_of(session, principal.entry_id, principal.round_id)
            take = session.get(Take, upload_id)
            if take is not None and take.candidate_id == candidate.id:
                self._spool.drop(upload_id)
                return intake.view(take)
            handing_in.require_open(session, candidate, row, now)
        about = self._about(principal, upload_id)
        chunks = {chunk.seq: chunk for chunk in self._spool.chunks(upload_id)}
        missing = [seq for seq in range(min(count, MAX_CHUNKS)) if seq not in chunks]
        if missing:
            raise WrongState("Parts of the file are still on the way; they are sent again.", missing=missing[:500])
        whole = [chunks[seq] for seq in range(min(count, MAX_CHUNKS))]
        if sum(chunk.size_bytes for chunk in whole) != about["size_bytes"]:
            self._spool.drop(upload_id)
            raise BadInput("What arrived is not as long as the file; choose the file again.", damaged=True)
        with as_file(whole) as source:
            upload = Upload(
                take_id=upload_id,
                candidate_id=candidate.id,
                piece_id=about["piece_id"],
                source=source,
                file_name=about["file_name"],
                via="link",
                over_kept=True,
            )
            try:
                made = intake.receive(
                    self._database, self._store, upload, actor=principal.actor, audition_id=row.audition_id
                )
            except BadInput:
                self._spool.drop(upload_id)  # this file will never do; the student chooses another
                raise
        self._spool.drop(upload_id)
        return made

    def throw_away(self, audition_id: str, entry_id: str | None) -> None:
        """Forget what was begun and never finished in an audition, or by one student of it."""
        for path in self._folder.glob(f"*/{ABOUT}") if self._folder.is_dir() else ():
            about = json.loads(path.read_text())
            if about["audition_id"] == audition_id and entry_id in (None, about["entry_id"]):
                self._spool.drop(path.parent.name)

    def tidy(self) -> int:
        """Remove files nobody came back for within a month. Returns how many."""
        return self._spool.remove_silent(SILENT_DAYS * 24 * 3600)

    def _about(self, principal: HandInPrincipal, upload_id: str) -> dict[str, Any]:
        path = self._folder / upload_id / ABOUT
        if not is_id(upload_id) or not path.exists():
            raise NotFound("This file was not begun here, or is handed in already; reload the page.", begin_again=True)
        about: dict[str, Any] = json.loads(path.read_text())
        if (about["entry_id"], about["round_id"]) != (principal.entry_id, principal.round_id):
            raise NotFound("This file was not begun here, or is handed in already; reload the page.", begin_again=True)
        return about


def _write(folder: Path, about: dict[str, Any]) -> None:
    temporary = folder / f"{ABOUT}.part"
    temporary.write_text(json.dumps(about))
    temporary.rename(folder / ABOUT)
    sync_folder(folder)

"""The long file of a day on its way in, in parts of two megabytes, resumed after any interruption.

The sender makes the id, asks which parts are here, sends the others, and finishes; each step may be repeated.
"""

import hashlib
import time
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import DayRecording, RecordingRoom, Round
from app.domain.actor import Actor
from app.domain.errors import BadInput, Duplicate, NotAllowed, NotFound, TooLarge, Unavailable, WrongState
from app.files.chunk_spool import MAX_CHUNK_BYTES, ChunkSpool, as_file
from app.files.store import BlobStore
from app.services import custody, day_cutting
from app.services.upload_about import ABOUT, read_about, write_about

MAX_BYTES = 12 * 2**30  # our choice: ten hours of stereo WAV at 48 kHz and 24 bit are 10.4 GB
PART_BYTES = MAX_CHUNK_BYTES  # every part but the last
KEPT_FREE_BYTES = 300 * 2**20  # our choice: takes must still come in
COPIES = 2  # the parts, and the whole made from them
SILENT_DAYS = 7  # our choice: a file can be sent again from the recorder's card
FOLDER = "day-uploads"


@dataclass(frozen=True, slots=True)
class DayPlan:
    """What is being sent."""

    recording_id: str
    round_id: str
    size_bytes: int
    room_id: str | None = None
    started_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Coming:
    """How far a long file is: the numbers of the parts that are here, and whether it has become a recording."""

    recording_id: str
    round_id: str
    size_bytes: int
    part_bytes: int
    parts: tuple[int, ...]
    arrived: bool
    audition_id: str = ""
    silent_sec: float = 0.0


class DayUploads:
    """Long files on their way into one server."""

    def __init__(self, data_dir: Path, database: Database, store: BlobStore) -> None:
        self._folder = data_dir / FOLDER
        self._spool = ChunkSpool(self._folder, unit_bytes=1)
        self._database = database
        self._store = store

    def begin(self, plan: DayPlan, *, audition_id: str | None) -> Coming:
        """Begin to send, or go on: says which parts are here."""
        with self._database.read() as session:
            own = check_place(session, plan, audition_id)
            if session.get(DayRecording, plan.recording_id) is not None:
                return Coming(plan.recording_id, plan.round_id, plan.size_bytes, PART_BYTES, (), arrived=True)
        if not 0 < plan.size_bytes <= MAX_BYTES:
            raise TooLarge(f"A recording may have up to {MAX_BYTES // 2**30} GB; send it in parts, or as FLAC.")
        about = {**asdict(plan), "audition_id": own, "started_at": None}
        here = self._folder / plan.recording_id / ABOUT
        if not here.exists() and self._store.free_bytes() < COPIES * plan.size_bytes + KEPT_FREE_BYTES:
            raise Unavailable(
                "There is too little space on the server: this recording needs "
                f"{COPIES * plan.size_bytes / 2**30:.1f} GB while it comes in. Free space there, then send it again."
            )
        try:
            with self._spool.alone(plan.recording_id) as folder:
                if not here.exists():
                    write_about(folder, about)
                elif (
                    read_about(folder)["size_bytes"] != plan.size_bytes
                    or read_about(folder)["round_id"] != plan.round_id
                ):
                    raise Duplicate("Another recording was begun under this id; send this one under an id of its own.")
        except OSError as error:
            raise Unavailable("The server can't save recordings just now; free space there, then try again.") from error
        return self._coming(plan.recording_id)

    def put(self, recording_id: str, seq: int, sha256: str | None, data: bytes, *, audition_id: str | None) -> None:
        """Keep one part; returns once it is durable. The same part again is harmless."""
        about = self._about(recording_id, audition_id)
        size = int(str(about["size_bytes"]))
        if len(data) != min(PART_BYTES, size - seq * PART_BYTES):
            raise BadInput("This part does not have the length it should have; send it again.", damaged=True)
        if self._store.free_bytes() < KEPT_FREE_BYTES:
            raise Unavailable("There is too little space left on the server; free space there, then go on sending.")
        self._spool.put(recording_id, seq, sha256 or hashlib.sha256(data).hexdigest(), data)

    def finish(self, plan: DayPlan, *, actor: Actor, audition_id: str | None) -> None:
        """Keep the whole and have it cut. The same again is harmless.

        Raises ``WrongState`` with ``missing`` (numbers of parts) while some are not here, ``Duplicate`` when the round
        has this very recording already.
        """
        with self._database.read() as session:
            check_place(session, plan, audition_id)
            if session.get(DayRecording, plan.recording_id) is not None:
                self._spool.drop(plan.recording_id)
                return
        self._about(plan.recording_id, audition_id)
        with self._spool.alone(plan.recording_id):
            self._finish(plan, actor, audition_id)
        self._spool.drop(plan.recording_id)

    def _finish(self, plan: DayPlan, actor: Actor, audition_id: str | None) -> None:
        count = -(-plan.size_bytes // PART_BYTES)
        parts = {chunk.seq: chunk for chunk in self._spool.chunks(plan.recording_id)}
        missing = [seq for seq in range(count) if seq not in parts]
        if missing:
            raise WrongState("Parts of the recording are still on the way; they are sent again.", missing=missing[:500])
        with as_file([parts[seq] for seq in range(count)]) as whole, self._store.incoming(whole, MAX_BYTES) as incoming:
            stored = self._store.keep(incoming)

        def enter(session: Session) -> None:
            check_place(session, plan, audition_id)
            if session.get(DayRecording, plan.recording_id) is not None:
                return
            same = select(DayRecording).where(
                DayRecording.round_id == plan.round_id,
                DayRecording.sha256 == stored.sha256,
                col(DayRecording.removed_at).is_(None),
            )
            if session.exec(same).first() is not None:
                raise Duplicate("This round has this very recording already; open that one.")
            row = DayRecording(
                id=plan.recording_id,
                round_id=plan.round_id,
                room_id=plan.room_id,
                started_at=plan.started_at,
                sha256=stored.sha256,
                size_bytes=stored.size_bytes,
            )
            session.add(row)
            session.flush()
            facts = {"sha256": stored.sha256, "size_bytes": stored.size_bytes}
            custody.record(session, plan.round_id, actor, "day-recording-received", row.id, facts)
            day_cutting.ask(session, row)

        self._database.write(enter)

    def throw_away(self, recording_id: str, *, audition_id: str | None) -> None:
        """Forget a file that was begun and not finished. One that is gone already is no error."""
        try:
            self._about(recording_id, audition_id)
        except NotFound:
            return
        self._spool.drop(recording_id)

    def unfinished(self, audition_id: str) -> list[Coming]:
        """Files of an audition that were begun and not finished."""
        return [one for one in self.all_unfinished() if one.audition_id == audition_id]

    def all_unfinished(self) -> list[Coming]:
        """Every file that was begun and not finished."""
        folders = sorted(self._folder.glob("*/")) if self._folder.is_dir() else []
        return [self._coming(folder.name) for folder in folders if (folder / ABOUT).exists()]

    def tidy(self) -> int:
        """Remove what nobody came back for within a week, and what has become a recording. Returns how many."""
        with self._database.read() as session:
            for folder in self._folder.glob("*/") if self._folder.is_dir() else ():
                if session.get(DayRecording, folder.name) is not None:
                    self._spool.drop(folder.name)
        return self._spool.remove_silent(SILENT_DAYS * 24 * 3600)

    def _coming(self, recording_id: str) -> Coming:
        folder = self._folder / recording_id
        about = read_about(folder)
        return Coming(
            recording_id=recording_id,
            round_id=str(about["round_id"]),
            size_bytes=int(str(about["size_bytes"])),
            part_bytes=PART_BYTES,
            parts=tuple(chunk.seq for chunk in self._spool.chunks(recording_id)),
            arrived=False,
            audition_id=str(about["audition_id"]),
            silent_sec=round(max(0.0, time.time() - folder.stat().st_mtime), 1),
        )

    def _about(self, recording_id: str, audition_id: str | None) -> dict[str, object]:
        folder = self._folder / recording_id
        if not (folder / ABOUT).exists():
            raise NotFound("This recording was not begun here, or is finished already.", begin_again=True)
        about = read_about(folder)
        if audition_id not in (None, about["audition_id"]):
            raise NotAllowed("This tablet belongs to another audition's recording room.")
        return about


def check_place(session: Session, plan: DayPlan, audition_id: str | None) -> str:
    """The audition whose round this is; raises when the round can't have recordings, or the room is not its own."""
    row = session.get(Round, plan.round_id)
    if row is None:
        raise NotFound("This round is not there any more; reload the page.")
    if audition_id not in (None, row.audition_id):
        raise NotAllowed("This tablet belongs to another audition's recording room.")
    if row.state == "opened":
        raise WrongState("This round is opened, so its takes stay as they are.")
    if row.state != "drawn":
        raise WrongState("This round is not drawn yet; draw it first, so that candidates have their numbers.")
    if plan.room_id is not None:
        room = session.get(RecordingRoom, plan.room_id)
        if room is None or room.audition_id != row.audition_id:
            raise NotFound("This recording room is not one of this audition's; reload the page.")
    return row.audition_id

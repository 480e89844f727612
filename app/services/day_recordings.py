"""A day's recording as the proctor's screen shows it: the timeline, its cuts, whose each could be and why.

Names come from the recording room's own view; no panel's request leads here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import DayCut, DayRecording, Round, Take
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import NotAllowed, NotFound, WrongState
from app.files.store import BlobStore
from app.services import custody, day_cutting, day_sorting, retention, room, turns
from app.services.room import RoomNumber
from app.services.sheet_cells import round_pieces

REMOVALS = 2  # an object store sets a recording aside first and lets it go when asked again
HOWEVER_YOUNG_SEC = -3600.0


@dataclass(frozen=True, slots=True)
class CutView:
    """One cut."""

    cut_id: str
    start_sec: float
    end_sec: float
    kind: str
    candidate_id: str | None
    piece_id: str | None
    word: str
    repeated: bool
    by_hand: bool
    state: str
    edition: int
    take_id: str | None  # once confirmed
    take_state: str | None
    likeness: tuple[dict[str, Any], ...]  # [{"piece_id", "percent"}]: share of its notes that were heard, best first
    sentence: str


@dataclass(frozen=True, slots=True)
class RecordingLine:
    """A recording in the list."""

    recording_id: str
    round_id: str
    room_id: str | None
    started_at: datetime | None
    received_at: datetime
    removed_at: datetime | None
    duration_sec: float
    size_bytes: int
    state: str  # queued | running | failed | ready | removed
    progress: float
    text: str
    open_cuts: int  # playing, neither confirmed nor set aside
    confirmed: int


@dataclass(frozen=True, slots=True)
class RecordingView:
    """Everything the screen shows of one recording."""

    line: RecordingLine
    peaks: list[float]
    notes: tuple[str, ...]
    cuts: tuple[CutView, ...]
    pieces: tuple[dict[str, str], ...]
    candidates: tuple[RoomNumber, ...]  # in the order of calling
    rooms: tuple[dict[str, str], ...]
    sentence: str


def of_round(session: Session, round_id: str, audition_id: str | None) -> list[RecordingLine]:
    """The recordings of a round, the newest first."""
    row = session.get(Round, round_id)
    if row is None:
        raise NotFound("This round is not there any more; reload the page.")
    if audition_id not in (None, row.audition_id):
        raise NotAllowed("This tablet belongs to another audition's recording room.")
    rows = session.exec(
        select(DayRecording).where(DayRecording.round_id == round_id).order_by(col(DayRecording.received_at).desc())
    ).all()
    return [_line(session, one, _cuts(session, one.id)) for one in rows]


def get_recording(session: Session, recording_id: str, audition_id: str | None) -> DayRecording:
    """A recording by id, of the given audition when one is given; raises ``NotFound``."""
    row = session.get(DayRecording, recording_id)
    if row is None or audition_id not in (None, session.get_one(Round, row.round_id).audition_id):
        raise NotFound("This recording is not there; reload the page.")
    return row


def kept(recording: DayRecording) -> DayRecording:
    """The recording, whose long file is still there; raises ``NotFound``."""
    if recording.removed_at is not None:
        raise NotFound(
            f"The long recording was removed on {recording.removed_at:%Y-%m-%d}; the takes cut from it are kept."
        )
    return recording


def look(session: Session, recording_id: str, audition_id: str | None) -> RecordingView:
    """One recording with its cuts."""
    recording = get_recording(session, recording_id, audition_id)
    row = session.get_one(Round, recording.round_id)
    pieces = tuple({"piece_id": piece.id, "title": piece.title} for piece in round_pieces(session, row))
    titles = {piece["piece_id"]: piece["title"] for piece in pieces}
    cuts = _cuts(session, recording_id)
    takes = {
        take.id: take.state
        for take in session.exec(select(Take).where(col(Take.id).in_([cut.take_id for cut in cuts]))).all()
    }
    line = _line(session, recording, cuts)
    return RecordingView(
        line=line,
        peaks=list(recording.peaks),
        notes=tuple(recording.notes),
        cuts=tuple(_cut(cut, takes, titles) for cut in cuts),
        pieces=pieces,
        candidates=room.numbers(session, row, recording.room_id),
        rooms=tuple({"id": one.id, "name": one.name} for one in turns.rooms(session, row.audition_id)),
        sentence=_sentence(line),
    )


def settle(
    database: Database,
    recording_id: str,
    *,
    started_at: datetime | None,
    room_id: str | None,
    actor: Actor,
    audition_id: str | None,
) -> None:
    """Say when the recorder was started and in which room it stood; what nobody has moved is proposed anew."""

    def change(session: Session) -> bool:
        recording = get_recording(session, recording_id, audition_id)
        if room_id is not None:
            own = session.get_one(Round, recording.round_id).audition_id
            if turns.get_room(session, room_id).audition_id != own:
                raise NotFound("This recording room is not one of this audition's; reload the page.")
        recording.started_at, recording.room_id = started_at, room_id
        session.add(recording)
        session.flush()
        facts = {"started_at": started_at.isoformat() if started_at is not None else None, "room": room_id}
        custody.record(session, recording.round_id, actor, "day-recording-settled", recording.id, facts)
        return bool(recording.cut_by) and recording.removed_at is None

    if database.write(change):
        day_sorting.propose(database, recording_id)


def remove(
    database: Database, store: BlobStore, recording_id: str, *, actor: Actor, audition_id: str | None = None
) -> None:
    """Remove the long file once nothing in it is open; its takes stay. Again finishes what was cut off."""

    def mark(session: Session) -> str:
        recording = get_recording(session, recording_id, audition_id)
        if recording.removed_at is None:
            line = _line(session, recording, _cuts(session, recording_id))
            if line.state != "failed" and (line.state != "ready" or line.open_cuts):
                raise WrongState(why_open(line))
            mark_removed(session, recording, actor)
        return recording.sha256

    sha256 = database.write(mark)

    def is_used(sha256: str) -> bool:
        with database.read() as session:
            return retention.is_wanted(session, sha256)

    for _ in range(REMOVALS):
        store.remove_unused(sha256, older_than_sec=HOWEVER_YOUNG_SEC, is_used=is_used)


def mark_removed(session: Session, recording: DayRecording, actor: Actor) -> None:
    """Note that the long file goes."""
    recording.removed_at, recording.peaks = now_utc(), []
    session.add(recording)
    session.flush()
    facts = {"sha256": recording.sha256, "size_bytes": recording.size_bytes}
    custody.record(session, recording.round_id, actor, "day-recording-removed", recording.id, facts)


def open_cuts(session: Session, recording: DayRecording) -> str | None:
    """Why the long file can't go yet, in a sentence; None when it can."""
    line = _line(session, recording, _cuts(session, recording.id))
    done = line.state in ("failed", "removed") or (line.state == "ready" and not line.open_cuts)
    return None if done else why_open(line)


def why_open(line: RecordingLine) -> str:
    """What must be done before the long file can go."""
    if line.state != "ready":
        return "The day's recording is still being cut; wait until that is done."
    cuts = "1 cut" if line.open_cuts == 1 else f"{line.open_cuts} cuts"
    return f"{cuts} of the day's recording are neither confirmed nor set aside; decide on them first."


def _cuts(session: Session, recording_id: str) -> Sequence[DayCut]:
    return session.exec(
        select(DayCut).where(DayCut.recording_id == recording_id).order_by(col(DayCut.start_sec), col(DayCut.id))
    ).all()


def _line(session: Session, row: DayRecording, cuts: Sequence[DayCut]) -> RecordingLine:
    if row.removed_at is not None:
        state, progress, text = "removed", 1.0, ""
    elif row.cut_by:
        state, progress, text = "ready", 1.0, ""
    else:
        job = day_cutting.state_of(session, row.id)
        state, progress, text = job.state, job.progress, job.text
    return RecordingLine(
        recording_id=row.id,
        round_id=row.round_id,
        room_id=row.room_id,
        started_at=row.started_at,
        received_at=row.received_at,
        removed_at=row.removed_at,
        duration_sec=row.duration_sec,
        size_bytes=row.size_bytes,
        state=state,
        progress=progress,
        text=text,
        open_cuts=sum(cut.kind == "playing" and cut.state == "proposed" for cut in cuts),
        confirmed=sum(cut.state == "confirmed" for cut in cuts),
    )


def _sentence(line: RecordingLine) -> str:
    if line.state == "removed":
        return "The long recording is removed; the takes cut from it are kept."
    if line.state != "ready":
        return "The recording is in. It is being cut; nothing is anybody's take before you confirm it."
    if line.open_cuts:
        cuts = "1 stretch of playing is" if line.open_cuts == 1 else f"{line.open_cuts} stretches of playing are"
        return f"{cuts} open. Nothing is anybody's take before you confirm it."
    return "Everything is confirmed or set aside. The section leader can remove the long recording."


def _cut(cut: DayCut, takes: Mapping[str, str], titles: Mapping[str, str]) -> CutView:
    best: dict[str, float] = {}
    for key, fit in cut.fits.items():
        piece_id, share = key.partition(":")[0], fit["right"]
        if piece_id in titles and share is not None:
            best[piece_id] = max(best.get(piece_id, 0.0), float(share))
    ordered = sorted(best.items(), key=lambda pair: -pair[1])
    return CutView(
        cut_id=cut.id,
        start_sec=cut.start_sec,
        end_sec=cut.end_sec,
        kind=cut.kind,
        candidate_id=cut.candidate_id,
        piece_id=cut.piece_id,
        word=cut.word,
        repeated=cut.repeated,
        by_hand=cut.by_hand,
        state=cut.state,
        edition=cut.edition,
        take_id=cut.take_id if cut.take_id in takes else None,
        take_state=takes.get(cut.take_id),
        likeness=tuple({"piece_id": piece_id, "percent": round(100 * share)} for piece_id, share in ordered),
        sentence=_why(cut, ordered, titles),
    )


def _why(cut: DayCut, ordered: Sequence[tuple[str, float]], titles: Mapping[str, str]) -> str:
    """Why this is proposed, in words."""
    if cut.kind == "talk":
        return "Talk: its pitch glides and breaks off."
    if cut.kind == "noise":
        return "Noise without pitch: applause, steps, chairs."
    if cut.by_hand:
        return "Set by hand."
    heard = "" if not ordered else f"{titles[ordered[0][0]]}: {round(100 * ordered[0][1])} % of its notes were heard. "
    if cut.candidate_id is None:
        return f"{heard}Too short or too unlike everything that was to be played: tuning, or warming up."
    if cut.repeated:
        return f"{heard}Broken off or played again: another cut of this number is the fuller one."
    if cut.word == "sure":
        return f"{heard}Order and times agree."
    if cut.word == "likely":
        return f"{heard}By order and times it could also be a neighbour's."
    if not ordered:
        return "This piece has no notes to compare with, so only the order speaks. Listen."
    return f"{heard}Whose it is can't be told from order and times, or two pieces fit about as well. Listen."

"""Changing the cuts of a day's recording before they are confirmed, and confirming them.

Every change names the edition it was made on, so that two people on two devices notice each other.
"""

import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import Candidate, DayCut, DayRecording, Piece, Round, Take
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import BadInput, Duplicate, FairhearingError, NotFound, WrongState
from app.domain.ids import is_id, new_id
from app.files.audio import MAX_SEC
from app.files.long_decoding import cut_apart
from app.files.store import BlobStore
from app.services import custody, day_sorting, intake
from app.services.day_recordings import get_recording, kept
from app.services.sheet_cells import round_pieces

SHORTEST_SEC = 0.5  # our choice
LONGEST_HEARD_SEC = MAX_SEC
MOST_CUTS = 2000  # our choice: one every twenty seconds for eleven hours
VIA = "day recording"

CHANGED_MEANWHILE = "This cut was changed on another device meanwhile; look at it again."


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of confirming one cut."""

    cut_id: str
    take_id: str | None
    sentence: str  # why not; empty when it is confirmed


def change(
    database: Database, cut_id: str, edition: int, changes: Mapping[str, Any], *, actor: Actor, audition_id: str | None
) -> str:
    """Move borders (``start_sec``, ``end_sec``), say whose it is (``candidate_id``, ``piece_id``), or set it aside and
    propose it again (``state``). Returns the recording's id.

    Where it is somebody else's than was proposed, what nobody has touched is proposed anew around it.
    """

    def write(session: Session) -> str:
        again = changes.get("state") == "proposed"
        cut, recording = _changeable(session, cut_id, edition, audition_id, confirmed=again)
        if cut.state == "confirmed":
            _take_back(session, cut)
        if "start_sec" in changes or "end_sec" in changes:
            start = float(changes.get("start_sec", cut.start_sec))
            end = float(changes.get("end_sec", cut.end_sec))
            cut.start_sec, cut.end_sec = _borders(recording, start, end)
        if "candidate_id" in changes or "piece_id" in changes:
            _assign(session, cut, recording, changes)
        if "state" in changes:
            if changes["state"] not in ("proposed", "set aside"):
                raise BadInput("A cut is proposed or set aside here; to confirm it, confirm it.")
            cut.state = changes["state"]
        _keep(session, cut)
        facts = {name: value for name, value in changes.items() if value is not None}
        custody.record(session, recording.round_id, actor, "day-cut-changed", cut.id, facts)
        return recording.id

    recording_id = database.write(write)
    if {"candidate_id", "piece_id", "state"} & set(changes):
        day_sorting.propose(database, recording_id)
    return recording_id


def add(
    session: Session,
    recording_id: str,
    cut_id: str,
    start_sec: float,
    end_sec: float,
    *,
    actor: Actor,
    audition_id: str | None,
) -> str:
    """A further cut. ``cut_id`` is made by the client: adding it twice is harmless."""
    recording = _ready(get_recording(session, recording_id, audition_id))
    there = session.get(DayCut, cut_id) if is_id(cut_id) else None
    if there is not None:
        if there.recording_id != recording_id:
            raise Duplicate("Another cut was added under this id; add this one under an id of its own.")
        return recording_id
    if not is_id(cut_id):
        raise BadInput("The id of a cut must be 32 hexadecimal digits made at random by the sender.")
    start, end = _borders(recording, start_sec, end_sec)
    _check_count(session, recording_id)
    _add(session, DayCut(id=cut_id, recording_id=recording_id, start_sec=start, end_sec=end, by_hand=True))
    facts = {"start_sec": start, "end_sec": end}
    custody.record(session, recording.round_id, actor, "day-cut-added", cut_id, facts)
    return recording_id


def split(
    session: Session,
    cut_id: str,
    edition: int,
    at_sec: float,
    new_cut_id: str,
    *,
    actor: Actor,
    audition_id: str | None,
) -> str:
    """Make two of one: the first keeps what was said of it, the second is nobody's until somebody says so."""
    if not is_id(new_cut_id):
        raise BadInput("The id of a cut must be 32 hexadecimal digits made at random by the sender.")
    there = session.get(DayCut, new_cut_id)
    if there is not None:
        get_recording(session, there.recording_id, audition_id)
        return there.recording_id  # the same split again
    cut, recording = _changeable(session, cut_id, edition, audition_id)
    if not cut.start_sec + SHORTEST_SEC <= at_sec <= cut.end_sec - SHORTEST_SEC:
        raise BadInput("Split it inside the cut: both parts must last at least half a second.")
    _check_count(session, recording.id)
    second = DayCut(
        id=new_cut_id, recording_id=recording.id, start_sec=at_sec, end_sec=cut.end_sec, kind=cut.kind, by_hand=True
    )
    cut.end_sec, cut.by_hand, cut.word = at_sec, True, ""
    _keep(session, cut)
    _add(session, second)
    custody.record(session, recording.round_id, actor, "day-cut-split", cut.id, {"at_sec": at_sec, "new": new_cut_id})
    return recording.id


def join(session: Session, cut_id: str, edition: int, *, actor: Actor, audition_id: str | None) -> str:
    """Make one of this cut and the next that is of playing; what lies between becomes part of it."""
    cut, recording = _changeable(session, cut_id, edition, audition_id)
    following = session.exec(
        select(DayCut)
        .where(DayCut.recording_id == recording.id, DayCut.start_sec > cut.start_sec, DayCut.kind == "playing")
        .order_by(col(DayCut.start_sec), col(DayCut.id))
    ).first()
    if following is None:
        raise WrongState("No playing follows this cut, so there is nothing to join it with.")
    if following.state == "confirmed":
        raise WrongState("The playing that follows is a take already, so it stays as it is.")
    if cut.kind != "playing":
        cut.fits, cut.candidate_id, cut.piece_id = following.fits, following.candidate_id, following.piece_id
    _, end = _borders(recording, cut.start_sec, max(cut.end_sec, following.end_sec))
    between = session.exec(
        select(DayCut).where(
            DayCut.recording_id == recording.id,
            DayCut.start_sec > cut.start_sec,
            DayCut.end_sec <= end,
            DayCut.state != "confirmed",
            DayCut.id != cut.id,
        )
    ).all()
    gone = [one.id for one in between]
    for one in between:
        session.delete(one)
    cut.end_sec, cut.kind, cut.by_hand, cut.word = end, "playing", True, ""
    _keep(session, cut)
    custody.record(session, recording.round_id, actor, "day-cut-joined", cut.id, {"gone": gone})
    return recording.id


def set_rest_aside(session: Session, recording_id: str, *, actor: Actor, audition_id: str | None) -> int:
    """Set aside everything that is still open; returns how many."""
    recording = get_recording(session, recording_id, audition_id)
    rows = session.exec(
        select(DayCut).where(DayCut.recording_id == recording_id, DayCut.state == "proposed", DayCut.kind == "playing")
    ).all()
    for row in rows:
        row.state = "set aside"
        _keep(session, row)
    facts = {"cuts": len(rows)}
    custody.record(session, recording.round_id, actor, "day-cuts-set-aside", recording.id, facts)
    return len(rows)


def confirm(
    database: Database, store: BlobStore, cut_id: str, edition: int, *, actor: Actor, audition_id: str | None
) -> str:
    """Make the cut a take, through the intake that every take goes through; returns the take's id.

    Confirming twice makes one take: its id was fixed with the cut, and cut and take are written together.
    """
    with database.read() as session:
        cut, recording = _cut_of(session, cut_id, audition_id)
        if cut.state == "confirmed":
            return cut.take_id
        _check_confirmable(cut, recording, edition)
        candidate_id, piece_id = str(cut.candidate_id), str(cut.piece_id)
        intake.check_place(session, cut.take_id, candidate_id, piece_id, audition_id)
    played_at = None if recording.started_at is None else recording.started_at + timedelta(seconds=cut.start_sec)

    def also(session: Session) -> None:
        now, _ = _cut_of(session, cut_id, audition_id)
        _check_confirmable(now, recording, edition)
        now.state = "confirmed"
        _keep(session, now)
        facts = {
            "recording": recording.id,
            "start_sec": now.start_sec,
            "end_sec": now.end_sec,
            "take": now.take_id,
            "candidate": candidate_id,
            "piece": piece_id,
            "proposed": now.word if not now.by_hand else "by hand",
        }
        custody.record(session, recording.round_id, actor, "day-cut-confirmed", now.id, facts)

    with (
        cut_file(store, recording, cut.start_sec, cut.end_sec) as path,
        path.open("rb") as source,
    ):
        upload = intake.Upload(
            take_id=cut.take_id,
            candidate_id=candidate_id,
            piece_id=piece_id,
            source=source,
            via=VIA,
            played_at=played_at,
            also=also,
        )
        intake.receive(database, store, upload, actor=actor, audition_id=audition_id)
    return cut.take_id


def confirm_all(
    database: Database,
    store: BlobStore,
    recording_id: str,
    candidate_id: str,
    *,
    actor: Actor,
    audition_id: str | None,
) -> list[Outcome]:
    """Confirm everything proposed for one candidate but earlier tries; each by itself, with what hindered it."""
    with database.read() as session:
        get_recording(session, recording_id, audition_id)
        cuts = session.exec(
            select(DayCut)
            .where(
                DayCut.recording_id == recording_id,
                DayCut.candidate_id == candidate_id,
                DayCut.kind == "playing",
                DayCut.state == "proposed",
                col(DayCut.repeated).is_(False),
            )
            .order_by(col(DayCut.start_sec))
        ).all()
    if not cuts:
        raise WrongState("Nothing is proposed for this number that could be confirmed.")
    found = []
    for cut in cuts:
        try:
            take_id = confirm(database, store, cut.id, cut.edition, actor=actor, audition_id=audition_id)
        except FairhearingError as refusal:
            found.append(Outcome(cut.id, None, refusal.sentence))
        else:
            found.append(Outcome(cut.id, take_id, ""))
    return found


@contextmanager
def cut_file(store: BlobStore, recording: DayRecording, start_sec: float, end_sec: float) -> Iterator[Path]:
    """A stretch of the long recording as a WAV of its own, for the time of the block."""
    if not 0.0 <= start_sec < end_sec or end_sec - start_sec > LONGEST_HEARD_SEC:
        raise BadInput(f"A stretch lasts up to {LONGEST_HEARD_SEC / 60:g} minutes; choose a shorter one.")
    source = store.local_path(kept(recording).sha256)
    with tempfile.TemporaryDirectory(prefix="cut-") as folder:
        path = Path(folder) / "cut.wav"
        cut_apart(source, start_sec, end_sec, path)
        yield path


def _check_confirmable(cut: DayCut, recording: DayRecording, edition: int) -> None:
    if cut.edition != edition:
        raise WrongState(CHANGED_MEANWHILE)
    if cut.state == "set aside":
        raise WrongState("This cut is set aside; propose it again first.")
    if cut.candidate_id is None or cut.piece_id is None:
        raise WrongState("Say whose this cut is and of which piece, then confirm it.")
    kept(recording)


def recording_of(session: Session, cut_id: str, audition_id: str | None) -> str:
    """The id of the recording a cut is of; raises ``NotFound``."""
    return _cut_of(session, cut_id, audition_id)[1].id


def _cut_of(session: Session, cut_id: str, audition_id: str | None) -> tuple[DayCut, DayRecording]:
    cut = session.get(DayCut, cut_id)
    if cut is None:
        raise NotFound("This cut is not there any more; reload the page.")
    return cut, get_recording(session, cut.recording_id, audition_id)


def _changeable(
    session: Session, cut_id: str, edition: int, audition_id: str | None, *, confirmed: bool = False
) -> tuple[DayCut, DayRecording]:
    cut, recording = _cut_of(session, cut_id, audition_id)
    _ready(recording)
    if cut.edition != edition:
        raise WrongState(CHANGED_MEANWHILE)
    if cut.state == "confirmed" and not confirmed:
        raise WrongState("This cut is a take already; void the take in the recording room first, with its reason.")
    return cut, recording


def _ready(recording: DayRecording) -> DayRecording:
    if not recording.cut_by:
        raise WrongState("This recording is still being cut; wait until that is done.")
    return kept(recording)


def _take_back(session: Session, cut: DayCut) -> None:
    """A take that was voided leaves its cut free again; what comes of it next is another take."""
    take = session.get(Take, cut.take_id)
    if take is not None and take.state != "voided":
        raise WrongState("This cut is a take already; void the take in the recording room first, with its reason.")
    cut.take_id, cut.by_hand = new_id(), True


def _assign(session: Session, cut: DayCut, recording: DayRecording, changes: Mapping[str, Any]) -> None:
    candidate_id = changes.get("candidate_id", cut.candidate_id)
    piece_id = changes.get("piece_id", cut.piece_id)
    if candidate_id is not None:
        candidate = session.get(Candidate, candidate_id)
        if candidate is None or candidate.round_id != recording.round_id:
            raise NotFound("This number is not one of this round's; reload the page.")
    pieces: list[Piece] = list(round_pieces(session, session.get_one(Round, recording.round_id)))
    if piece_id is not None and piece_id not in {piece.id for piece in pieces}:
        raise NotFound("This piece is not played in this round; choose one of the round's pieces.")
    cut.candidate_id, cut.piece_id = candidate_id, piece_id
    cut.kind, cut.by_hand, cut.word, cut.repeated = "playing", True, "", False


def _borders(recording: DayRecording, start_sec: float, end_sec: float) -> tuple[float, float]:
    start, end = round(max(0.0, start_sec), 2), round(min(end_sec, recording.duration_sec), 2)
    if not end - start >= SHORTEST_SEC:  # also for what is no number
        raise BadInput("A cut must begin at least half a second before it ends, inside the recording.")
    if end - start > MAX_SEC:
        raise BadInput(f"A take lasts up to {MAX_SEC / 60:g} minutes; make the cut shorter, or split it.")
    return start, end


def _check_count(session: Session, recording_id: str) -> None:
    if len(session.exec(select(DayCut.id).where(DayCut.recording_id == recording_id)).all()) >= MOST_CUTS:
        raise WrongState("This recording has as many cuts as can be kept; join or set aside some of them.")


def _add(session: Session, cut: DayCut) -> None:
    session.add(cut)
    session.flush()


def _keep(session: Session, cut: DayCut) -> None:
    cut.edition, cut.changed_at = cut.edition + 1, now_utc()
    session.add(cut)
    session.flush()

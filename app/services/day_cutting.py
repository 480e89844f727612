"""Having a day's recording cut: asking for it, doing it in a worker, telling how far it is. No name is reached here.

The heavy rooms are imported only where the work is done, never in the server.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import Audition, Candidate, DayCut, DayRecording, Job, Piece, Round
from app.domain.actor import SYSTEM
from app.domain.errors import FairhearingError, NotFound, WrongState
from app.domain.ids import new_id
from app.files.store import BlobStore
from app.jobs.ledger import Progress, Save
from app.services import custody, day_sorting, queueing, sight_sheets

if TYPE_CHECKING:
    from app.domain.piece import Piece as ReadPiece
    from app.files.long_decoding import WorkingCopy
    from app.listening.segmenting import Span

KIND = "cut-day-recording"
PRIORITY = 5  # after takes whose candidates wait, before what is measured again
VERSION = "2"  # of looking over, segmenting, matching and sorting together
DECODED, LOOKED = 0.35, 0.55  # shares of the whole work
INTERRUPTED = "Cutting was interrupted too often; the recording itself is safe. Try again."


@dataclass(frozen=True, slots=True)
class Cutting:
    """How far the cutting of one recording is."""

    state: str  # queued | running | done | failed
    progress: float  # 0 to 1
    text: str


def ask(session: Session, recording: DayRecording) -> Job:
    """Queue the cutting of a recording; asking twice is harmless."""
    key = f"{KIND}:{recording.id}:{VERSION}"
    return queueing.enqueue(session, KIND, key, {"recording_id": recording.id}, PRIORITY, subject=recording.id)


def ask_again(session: Session, recording: DayRecording) -> None:
    """Cut once more after it failed."""
    if recording.cut_by:
        raise WrongState("This recording is cut; change its cuts where they are wrong.")
    queueing.requeue(session, ask(session, recording))


def state_of(session: Session, recording_id: str) -> Cutting:
    """How far the newest job of a recording is."""
    job = session.exec(
        select(Job).where(Job.kind == KIND, Job.subject == recording_id).order_by(col(Job.created_at).desc()).limit(1)
    ).first()
    if job is None:
        return Cutting("failed", 0.0, INTERRUPTED)
    text = {"queued": "waiting for a worker", "failed": _why(job.error)}.get(job.state, job.progress_text)
    return Cutting(job.state, round(job.progress, 3), text)


def _why(error: str) -> str:
    """What the ledger says of a take, said of a day."""
    about_takes = "take" in error or "Measuring" in error
    return INTERRUPTED if about_takes or not error else error


# In a worker ------------------------------------------------------------------------------------------------------


class CutDayRecording:
    """The task of kind ``cut-day-recording``."""

    def __init__(self, database: Database, store: BlobStore) -> None:
        self._database = database
        self._store = store

    def __call__(self, payload: Mapping[str, Any], progress: Progress) -> Save:
        """Cut and match one recording; the save writes its cuts. Memory does not grow with its length."""
        from app.files.long_decoding import working_copy
        from app.listening.coarse import look_over
        from app.listening.segmenting import segment

        recording_id = str(payload["recording_id"])
        with self._database.read() as session:
            recording = session.get(DayRecording, recording_id)
            if recording is None or recording.removed_at is not None:
                raise NotFound("The recording was removed before it was cut.")
            audition_id = session.get_one(Round, recording.round_id).audition_id
            a4_hz = session.get_one(Audition, audition_id).a4_hz
            pieces = _pieces(session, recording)
            sheet = day_sorting.run_sheet(session, recording)
        progress(0.0, "decoding")
        source = self._store.local_path(recording.sha256)
        with working_copy(source, lambda share: progress(DECODED * share, "decoding")) as copy:

            def looked(share: float) -> None:
                progress(DECODED + (LOOKED - DECODED) * share, "finding where there is playing")

            drums = {
                key for key, piece in pieces.items() if piece is not None and all(n.unpitched for n in piece.notes)
            }
            spans = segment(look_over(copy.read, copy.length, looked), drums=bool(drums))
            # Strokes have no pitches to be told apart by: whose they are, their place in the order says.
            followed = pieces | dict.fromkeys(drums)
            found = [
                (span, _fits(copy, span, followed, a4_hz, at / len(spans), progress)) for at, span in enumerate(spans)
            ]
            survey = copy.survey
        facts = {
            "container": survey.container,
            "duration_sec": round(survey.duration_sec, 3),
            "sample_rate_hz": survey.sample_rate,
            "channels": survey.channels,
            "peaks": survey.peaks,
            "notes": survey.notes,
            "cut_by": VERSION,
        }
        cuts: list[dict[str, Any]] = [
            {
                "id": new_id(),
                "recording_id": recording_id,
                "start_sec": max(0.0, span.start_sec),
                "end_sec": min(span.end_sec, survey.duration_sec),
                "kind": span.kind,
                "fits": fits,
            }
            for span, fits in found
        ]
        playing = [
            day_sorting.CutFacts(cut["id"], cut["start_sec"], cut["end_sec"], cut["fits"])
            for cut in cuts
            if cut["kind"] == "playing"
        ]
        placed = day_sorting.sort_out(sheet, playing)
        for cut in cuts:
            if cut["id"] in placed:
                cut |= asdict(placed[cut["id"]])
        return lambda session: _save(session, recording_id, facts, cuts)


def _pieces(session: Session, recording: DayRecording) -> "dict[str, ReadPiece | None]":
    """What could have been played, by key; None where there are no notes to follow."""
    from app.services.piece_reading import has_notation, load_piece

    found: dict[str, ReadPiece | None] = {}
    for slot in day_sorting.run_sheet(session, recording):
        for key, piece_id in slot.targets:
            if key in found:
                continue
            candidate = session.get_one(Candidate, slot.candidate_id)
            row = sight_sheets.as_read(session, session.get_one(Piece, piece_id), candidate.id)
            sealed = row.kind == sight_sheets.KIND and sight_sheets.sheet(session, candidate.id, piece_id) is None
            try:
                found[key] = None if sealed or not has_notation(row) else load_piece(row, slot.instrument or None)
            except FairhearingError:  # what can't be read can't be compared; the proctor still can
                found[key] = None
    return found


def _fits(
    copy: "WorkingCopy",
    span: "Span",
    pieces: "Mapping[str, ReadPiece | None]",
    a4_hz: float,
    share: float,
    progress: Progress,
) -> dict[str, Any]:
    from app.files.long_recording import WORKING_RATE_HZ
    from app.listening.matching import LONGEST_SEC, fits

    progress(LOOKED + (1.0 - LOOKED) * share, "comparing with the material")
    if span.kind != "playing":
        return {}
    start = round(span.start_sec * WORKING_RATE_HZ)
    stop = round(min(span.end_sec, span.start_sec + LONGEST_SEC) * WORKING_RATE_HZ)
    return day_sorting.as_plain(fits(copy.read(max(0, start), stop), WORKING_RATE_HZ, pieces, a4_hz=a4_hz))


def _save(session: Session, recording_id: str, facts: Mapping[str, Any], cuts: list[dict[str, Any]]) -> None:
    """Write what was found, once: a recording that is cut already stays as people left it."""
    recording = session.get(DayRecording, recording_id)
    if recording is None or recording.removed_at is not None or recording.cut_by:
        return
    for name, value in facts.items():
        setattr(recording, name, value)
    session.add(recording)
    for cut in cuts:
        session.add(DayCut(**cut))
    session.flush()
    told = {"cuts": len(cuts), "playing": sum(cut["kind"] == "playing" for cut in cuts), "version": VERSION}
    custody.record(session, recording.round_id, SYSTEM, "day-recording-cut", recording_id, told)

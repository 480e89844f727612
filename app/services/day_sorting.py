"""What the run sheet says to a day's recording, and the cuts put to it: load, sort, save. No name is reached here.

Cuts that a person moved or confirmed stay; the others are proposed anew around them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import Candidate, DayCut, DayRecording, Piece, Round, Turn
from app.db.types import now_utc
from app.services import sight_sheets, turns
from app.services.attendance import NOT_HEARD
from app.services.sheet_cells import round_pieces

if TYPE_CHECKING:
    from app.listening.sorting import Fitting

# Our choice, standard deviations: what the door notes follows what happens; what was announced slips.
DOOR_CLOCK_SEC = 90.0
ANNOUNCED_CLOCK_SEC = 1500.0


@dataclass(frozen=True, slots=True)
class SheetSlot:
    """A candidate on the run sheet: what is to be played as ``(key, piece id)``, and when."""

    candidate_id: str
    instrument: str
    targets: tuple[tuple[str, str], ...]
    at_sec: float | None
    within_sec: float
    expected: bool


def run_sheet(session: Session, recording: DayRecording) -> tuple[SheetSlot, ...]:
    """The candidates that this recorder may have heard, in the order in which they came."""
    row = session.get_one(Round, recording.round_id)
    pieces = round_pieces(session, row)
    own = turns.turns_of(session, row.id)
    candidates = session.exec(select(Candidate).where(Candidate.round_id == row.id)).all()
    here = [c for c in candidates if recording.room_id is None or own[c.id].room_id in (None, recording.room_id)]
    here.sort(key=lambda c: (own[c.id].place, c.playing_order))
    # Where the door noted who came in when, that is the order; a later moment is when a take was confirmed, not played.
    came = [c for c in here if _came(own[c.id], recording) is not None]
    by_clock = iter(sorted(came, key=lambda c: (_came(own[c.id], recording) or recording.received_at, c.playing_order)))
    ordered = [next(by_clock) if c in came else c for c in here]
    return tuple(_slot(session, recording, own[c.id], c, pieces) for c in ordered)


def _slot(
    session: Session, recording: DayRecording, turn: Turn, candidate: Candidate, pieces: Sequence[Piece]
) -> SheetSlot:
    at, within = None, DOOR_CLOCK_SEC
    if recording.started_at is not None:
        moment = _came(turn, recording)
        if moment is None:
            moment, within = turn.planned_at, ANNOUNCED_CLOCK_SEC
        if moment is not None:
            at = (moment - recording.started_at).total_seconds()
    return SheetSlot(
        candidate_id=candidate.id,
        instrument=candidate.instrument,
        targets=tuple((_key(piece, candidate), piece.id) for piece in pieces),
        at_sec=at,
        within_sec=within,
        expected=candidate.state not in NOT_HEARD,
    )


def _came(turn: Turn, recording: DayRecording) -> datetime | None:
    entered = turn.entered_at
    return entered if entered is not None and entered < recording.received_at else None


def _key(piece: Piece, candidate: Candidate) -> str:
    """What sounds the same has the same key: everybody's but for the instrument; at sight each one's own."""
    return f"{piece.id}:{candidate.id if piece.kind == sight_sheets.KIND else candidate.instrument}"


def as_plain(fits: "Mapping[str, Fitting]") -> dict[str, dict[str, float | None]]:
    """Fits as they stand in a cut's row."""
    return {key: asdict(fit) for key, fit in fits.items()}


@dataclass(frozen=True, slots=True)
class CutFacts:
    """What sorting needs of one stretch of playing. ``candidate_id`` and ``piece_id`` only where a person said so."""

    cut_id: str
    start_sec: float
    end_sec: float
    fits: Mapping[str, Mapping[str, Any]]
    candidate_id: str | None = None
    piece_id: str | None = None


@dataclass(frozen=True, slots=True)
class Placed:
    """What is proposed for a cut."""

    candidate_id: str | None
    piece_id: str | None
    word: str  # sure | likely | can't tell
    repeated: bool


def sort_out(sheet: Sequence[SheetSlot], cuts: Sequence[CutFacts]) -> dict[str, Placed]:
    """What is proposed for each cut, by its id. Takes up to seconds for a long day, so never call it while writing."""
    from app.listening.sorting import SAID, Fitting, PlayedCut, Slot, sort_cuts

    place = {slot.candidate_id: at for at, slot in enumerate(sheet)}
    played = []
    for cut in cuts:
        fits = {key: Fitting(**values) for key, values in cut.fits.items()}
        only = place.get(cut.candidate_id) if cut.candidate_id is not None else None
        if only is not None:
            said = [key for key, piece_id in sheet[only].targets if piece_id == cut.piece_id]
            fits = dict.fromkeys(said, SAID) or fits
        played.append(PlayedCut(cut.start_sec, cut.end_sec, fits, only))
    slots = [Slot(tuple(key for key, _ in slot.targets), slot.at_sec, slot.within_sec, slot.expected) for slot in sheet]
    found = {}
    for cut, guess in zip(cuts, sort_cuts(played, slots), strict=True):
        candidate_id = piece_id = None
        if guess.slot is not None and guess.target is not None:
            candidate_id = sheet[guess.slot].candidate_id
            piece_id = sheet[guess.slot].targets[guess.target][1]
        found[cut.cut_id] = Placed(candidate_id, piece_id, guess.word, guess.repeated)
    return found


def propose(database: Database, recording_id: str) -> None:
    """Propose anew whose each cut is that nobody has moved, confirmed or set aside; what changed meanwhile stays."""
    with database.read() as session:
        recording = session.get_one(DayRecording, recording_id)
        rows = session.exec(
            select(DayCut)
            .where(DayCut.recording_id == recording_id, DayCut.kind == "playing", DayCut.state != "set aside")
            .order_by(col(DayCut.start_sec), col(DayCut.id))
        ).all()
        sheet = run_sheet(session, recording)
    cuts = [
        CutFacts(row.id, row.start_sec, row.end_sec, row.fits, row.candidate_id, row.piece_id)
        if is_fixed(row)
        else CutFacts(row.id, row.start_sec, row.end_sec, row.fits)
        for row in rows
        if not (is_fixed(row) and row.candidate_id is None)
    ]
    placed = sort_out(sheet, cuts)
    editions = {row.id: row.edition for row in rows if not is_fixed(row) and row.id in placed}
    database.write(lambda session: _note(session, placed, editions))


def is_fixed(row: DayCut) -> bool:
    """Whether a person has said what it is."""
    return row.by_hand or row.state == "confirmed"


def _note(session: Session, placed: Mapping[str, Placed], editions: Mapping[str, int]) -> None:
    for cut_id, edition in editions.items():
        row, now = session.get(DayCut, cut_id), placed[cut_id]
        if row is None or row.edition != edition:
            continue
        if (row.candidate_id, row.piece_id) != (now.candidate_id, now.piece_id):  # being surer changes no decision
            row.edition, row.changed_at = row.edition + 1, now_utc()
        row.candidate_id, row.piece_id, row.word, row.repeated = now.candidate_id, now.piece_id, now.word, now.repeated
        session.add(row)
    session.flush()

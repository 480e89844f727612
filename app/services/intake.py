"""Taking in recordings: checked while the candidate is in the room, kept as received, never changed.

A take is voided with a reason and replaced by a re-take; both are kept. The first take freezes rubric and rule.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from typing import Any, BinaryIO

from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.identities import TakeOrigin
from app.db.models import VOID_CAUSES, Candidate, Piece, Round, Take
from app.db.types import now_after, now_utc
from app.domain.actor import Actor
from app.domain.errors import BadInput, Duplicate, NotAllowed, NotFound, WrongState
from app.domain.ids import is_id
from app.domain.texts import one_line
from app.files.checks import Quality, against_length
from app.files.store import BlobStore
from app.services import consent, custody, declaring, measuring, sight_sheets, turns
from app.services.attendance import NOT_HEARD
from app.services.piece_reading import length_of
from app.services.receiving import keep_looked_at
from app.services.sheet_cells import round_pieces

MAX_TAKE_BYTES = 400 * 2**20  # our choice: 20 minutes of stereo WAV at 48 kHz and 24 bit are 346 MB
LONGEST_REASON = 300
LONGEST_FILE_NAME = 255
REPLACED = "Replaced by the student before the deadline."


@dataclass(frozen=True, slots=True)
class Upload:
    """One recording as handed in. ``take_id`` is made by the client, so that sending it twice is harmless."""

    take_id: str
    candidate_id: str
    piece_id: str
    source: BinaryIO
    file_name: str = ""  # kept apart: it may carry a name
    via: str = "screen"  # screen | command | seed | link | day recording
    replaces: str | None = None
    over_kept: bool = False  # a kept take of the same piece is set aside for this one, once this one is found good
    played_at: datetime | None = None  # when it was played, where that is not now
    also: Callable[[Session], None] | None = None  # written with the take's rows: both or neither


@dataclass(frozen=True, slots=True)
class TakeView:
    """A take as leader and proctor see it."""

    take_id: str
    candidate_id: str
    piece_id: str
    state: str
    void_cause: str
    void_reason: str
    replaces: str | None
    duration_sec: float
    sample_rate_hz: int
    channels: int
    container: str
    size_bytes: int
    sha256: str
    quality: dict[str, Any]
    received_at: datetime


def receive(
    database: Database, store: BlobStore, upload: Upload, *, actor: Actor, audition_id: str | None = None
) -> TakeView:
    """Check and keep one recording; returns once recording and row are durable. The same upload again is harmless.

    ``audition_id`` limits a recording room's tablet to its own audition. Raises ``BadAudio``/``TooLarge`` for what
    can't be judged, ``WrongState`` when the round, the rule or an earlier take forbids it, ``Duplicate`` when the id
    was used for another recording.
    """
    if not is_id(upload.take_id):
        raise BadInput("The id of a take must be 32 hexadecimal digits made at random by the sender.")
    with database.read() as session:
        _check_place(session, upload, audition_id)
        earlier = session.get(Take, upload.take_id)
        if earlier is None and not upload.over_kept:
            _check_free(session, upload)
        read = sight_sheets.as_read(session, session.get_one(Piece, upload.piece_id), upload.candidate_id)
        length = length_of(read)
    with store.incoming(upload.source, MAX_TAKE_BYTES) as incoming:
        if earlier is not None:
            return _same_again(earlier, upload, incoming.sha256)
        try:
            kept = keep_looked_at(store, incoming)
        except BadInput as refusal:
            sentence = refusal.sentence
            database.write(lambda session: _note_refusal(session, upload, sentence, actor))
            raise
    looked = kept.looked
    quality = looked.quality if length is None else against_length(looked.quality, length)
    take = Take(
        id=upload.take_id,
        candidate_id=upload.candidate_id,
        piece_id=upload.piece_id,
        sha256=kept.stored.sha256,
        size_bytes=kept.stored.size_bytes,
        container=looked.container,
        playback_sha256=kept.playback.sha256,
        duration_sec=round(looked.duration_sec, 3),
        sample_rate_hz=looked.sample_rate,
        channels=looked.channels,
        quality=quality.to_dict(),
        peaks=looked.peaks,
        replaces=upload.replaces,
    )
    return database.write(lambda session: _enter(session, upload, take, quality, actor, audition_id))


def check_place(session: Session, take_id: str, candidate_id: str, piece_id: str, audition_id: str | None) -> str:
    """Whether this take may come in, asked before it is recorded; returns the audition's id.

    Raises what :func:`receive` raises for place and state. A take that is in already is fine where it is the same.
    """
    upload = Upload(take_id=take_id, candidate_id=candidate_id, piece_id=piece_id, source=BytesIO())
    earlier = session.get(Take, take_id)
    if earlier is None:
        _, round_row = _check_place(session, upload, audition_id)
        _check_free(session, upload)
        return round_row.audition_id
    own = _audition_of(session, earlier.candidate_id)
    if audition_id not in (None, own):
        raise NotAllowed("This tablet belongs to another audition's recording room.")
    if (earlier.candidate_id, earlier.piece_id) != (candidate_id, piece_id):
        raise Duplicate("Another recording was sent under this take's id before; send this one under an id of its own.")
    return own


def check_piece(session: Session, candidate_id: str, piece_id: str, audition_id: str) -> None:
    """Whether a take of this piece by this candidate may come in, whatever is kept; raises as :func:`receive` does."""
    upload = Upload(take_id="", candidate_id=candidate_id, piece_id=piece_id, source=BytesIO())
    _check_place(session, upload, audition_id)


def void(
    session: Session, take_id: str, reason: str, *, actor: Actor, audition_id: str | None = None, cause: str = "other"
) -> TakeView:
    """Void a take with cause and reason; recording and findings stay. The panel never learns why."""
    if cause not in VOID_CAUSES:
        raise BadInput(f"What a take is voided for is one of {', '.join(VOID_CAUSES)}.")
    take = get_take(session, take_id, audition_id)
    tidy = one_line(reason, what="reason", longest=LONGEST_REASON)
    candidate = session.get_one(Candidate, take.candidate_id)
    _check_round(session.get_one(Round, candidate.round_id))
    if take.state == "voided":
        raise WrongState("This take is voided already; record the re-take.")
    take.state, take.void_cause, take.void_reason, take.voided_at = "voided", cause, tidy, now_utc()
    if candidate.state == "heard":
        candidate.state = "present"
        session.add(candidate)
    session.add(take)
    session.flush()
    # The reason itself stays in the take's row: a chain that nothing is ever taken out of must not hold free text.
    facts = {
        "candidate": candidate.id,
        "piece": take.piece_id,
        "cause": cause,
        "reason_hash": custody.content_hash(tidy),
    }
    custody.record(session, candidate.round_id, actor, "take-voided", take.id, facts)
    return view(take)


def get_take(session: Session, take_id: str, audition_id: str | None = None) -> Take:
    """A take by id, of the given audition when one is given; raises ``NotFound``."""
    take = session.get(Take, take_id)
    if take is None or (audition_id is not None and _audition_of(session, take.candidate_id) != audition_id):
        raise NotFound("This take is not there; reload the page.")
    return take


def view(take: Take) -> TakeView:
    """A take as plain values."""
    return TakeView(
        take_id=take.id,
        candidate_id=take.candidate_id,
        piece_id=take.piece_id,
        state=take.state,
        void_cause=take.void_cause,
        void_reason=take.void_reason,
        replaces=take.replaces,
        duration_sec=take.duration_sec,
        sample_rate_hz=take.sample_rate_hz,
        channels=take.channels,
        container=take.container,
        size_bytes=take.size_bytes,
        sha256=take.sha256,
        quality=take.quality,
        received_at=take.received_at,
    )


def _audition_of(session: Session, candidate_id: str) -> str:
    candidate = session.get_one(Candidate, candidate_id)
    return session.get_one(Round, candidate.round_id).audition_id


def _check_round(round_row: Round) -> None:
    if round_row.state == "opened":
        raise WrongState("This round is opened, so its takes stay as they are.")
    if round_row.state != "drawn":
        raise WrongState("This round is not drawn yet; draw it first, so that candidates have their numbers.")


def _check_place(session: Session, upload: Upload, audition_id: str | None) -> tuple[Candidate, Round]:
    """The candidate, the round and the piece fit together and may have takes now."""
    candidate = session.get(Candidate, upload.candidate_id)
    if candidate is None:
        raise NotFound("This candidate is not there any more; reload the page.")
    round_row = session.get_one(Round, candidate.round_id)
    if audition_id is not None and round_row.audition_id != audition_id:
        raise NotAllowed("This tablet belongs to another audition's recording room.")
    piece = session.get(Piece, upload.piece_id)
    if piece is None or piece.id not in {p.id for p in round_pieces(session, round_row)}:
        raise NotFound("This piece is not played in this round; choose one of the round's pieces.")
    declaring.require_declared(session, round_row.audition_id)
    _check_round(round_row)
    consent.require(session, declaring.get_audition(session, round_row.audition_id), candidate)
    if candidate.state in NOT_HEARD:  # no take comes from someone who is not there
        raise WrongState(
            f"Number {candidate.blind_number} is marked as {candidate.state}; mark the candidate as present first."
        )
    sight_sheets.require_begun(session, piece, candidate.id, candidate.blind_number)
    return candidate, round_row


def _check_free(session: Session, upload: Upload) -> str | None:
    """No kept take stands in the way. Returns which voided take the new one replaces."""
    takes = session.exec(
        select(Take)
        .where(Take.candidate_id == upload.candidate_id, Take.piece_id == upload.piece_id)
        .order_by(col(Take.received_at))
    ).all()
    if any(take.state == "kept" for take in takes):
        raise WrongState(
            "There is a take of this piece by this number already; void it with a reason first, then send the re-take."
        )
    if upload.replaces is not None and upload.replaces not in {take.id for take in takes}:
        raise BadInput("The take to be replaced is not one of this number and piece; reload the page.")
    return upload.replaces or (takes[-1].id if takes else None)


def _same_again(earlier: Take, upload: Upload, sha256: str) -> TakeView:
    same = (earlier.candidate_id, earlier.piece_id, earlier.sha256)
    if same != (upload.candidate_id, upload.piece_id, sha256):
        raise Duplicate("Another recording was sent under this take's id before; send this one under an id of its own.")
    return view(earlier)


def _note_refusal(session: Session, upload: Upload, sentence: str, actor: Actor) -> None:
    candidate = session.get_one(Candidate, upload.candidate_id)
    facts = {"candidate": candidate.id, "piece": upload.piece_id, "why": sentence}
    custody.record(session, candidate.round_id, actor, "take-refused", upload.take_id, facts)


def _enter(
    session: Session, upload: Upload, take: Take, quality: Quality, actor: Actor, audition_id: str | None
) -> TakeView:
    """Write the take's rows. Everything is checked again: other writers came in between."""
    candidate, round_row = _check_place(session, upload, audition_id)
    there = session.get(Take, take.id)
    if there is not None:  # the same upload twice at the same time
        return _same_again(there, upload, take.sha256)
    if upload.over_kept:
        _set_kept_aside(session, upload, actor)
    take.replaces = _check_free(session, upload)
    voided = session.get(Take, take.replaces) if take.replaces is not None else None
    take.received_at = now_after(voided.received_at if voided is not None else None)
    session.add(take)
    session.flush()
    session.add(TakeOrigin(take_id=take.id, file_name=upload.file_name[-LONGEST_FILE_NAME:], via=upload.via))
    _mark_heard(session, candidate, round_row)
    turns.took(session, candidate, at=upload.played_at or take.received_at)
    facts = {
        "candidate": candidate.id,
        "piece": take.piece_id,
        "sha256": take.sha256,
        "word": quality.word,
        "replaces": take.replaces,
    }
    custody.record(session, round_row.id, actor, "take-received", take.id, facts)
    measuring.ask(session, take)
    if upload.also is not None:
        upload.also(session)
    return view(take)


def _set_kept_aside(session: Session, upload: Upload, actor: Actor) -> None:
    """Void the kept take of the same number and piece, because the candidate handed in another one."""
    kept = session.exec(
        select(Take).where(
            Take.candidate_id == upload.candidate_id, Take.piece_id == upload.piece_id, Take.state == "kept"
        )
    ).all()
    for take in kept:
        void(session, take.id, REPLACED, actor=actor)


def _mark_heard(session: Session, candidate: Candidate, round_row: Round) -> None:
    kept = set(session.exec(select(Take.piece_id).where(Take.candidate_id == candidate.id, Take.state == "kept")).all())
    candidate.state = "heard" if {p.id for p in round_pieces(session, round_row)} <= kept else "present"
    session.add(candidate)
    session.flush()

"""A student's page to hand in by: what to play, until when, consent, what has come in and how it was found.

Everything is reached from the roster line and the round that the link belongs to. No result is shown here.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session

from app.db.models import Piece, Take
from app.domain.actor import Actor
from app.domain.errors import FairhearingError, NotFound, WrongState
from app.domain.handing_in import moment_in_zone
from app.domain.piece import Piece as ReadPiece
from app.files.checks import Length
from app.material.instruments import INSTRUMENTS, can_be_tuned, is_unpitched
from app.services import consent, declaring, handing_in, measuring, room_sounds
from app.services.access import HandInPrincipal
from app.services.piece_reading import has_notation, load_piece
from app.services.sheet_cells import round_pieces
from app.sheets import cautions

ONE_GO = "Record each piece in one go, without an accompaniment, and cut nothing."  # common practice
LONG_SHARE = 2.5  # our choice: this much longer, and more than the piece is on it


@dataclass(frozen=True, slots=True)
class Receipt:
    """A take that came in, as its sender may keep it in writing."""

    take_id: str
    counts: bool  # the last one of a piece
    received_at: datetime  # by the server's clock
    received_text: str  # on the audition's clocks
    sha256: str  # of the file as it arrived
    size_bytes: int
    duration_sec: float
    sentences: tuple[str, ...]  # what the checks found; empty: nothing


@dataclass(frozen=True, slots=True)
class OwnPiece:
    """A piece to hand in."""

    piece_id: str
    title: str
    about: tuple[str, ...]  # what the audition declares: bars, tempo, length
    marked_sec: float | None  # at its mark; None without notation
    shortest_sec: float | None  # less playing than this can't be all of it
    takes: tuple[Receipt, ...]  # newest first


@dataclass(frozen=True, slots=True)
class HandInPage:
    """The whole page."""

    student: str
    audition: str
    organisation: str
    round_name: str
    blind_number: str
    instrument: str
    about: tuple[str, ...]  # what holds for every piece
    due_at: datetime
    closes_at: datetime
    due_text: str
    zone: str
    grace_min: int
    more_time: bool
    now: datetime  # server time
    is_open: bool
    why_closed: str | None
    consent_required: bool
    consent_on: date | None
    consent_by: str
    pieces: tuple[OwnPiece, ...]
    complete: bool
    cautions: tuple[str, ...]


def page(session: Session, principal: HandInPrincipal, *, now: datetime) -> HandInPage:
    """What the link shows at ``now``, the server's time."""
    candidate, row = handing_in.candidate_of(session, principal.entry_id, principal.round_id)
    audition = declaring.get_audition(session, row.audition_id)
    until = handing_in.deadline(session, candidate, row)
    noted = consent.noted(session, principal.entry_id)
    takes = handing_in.takes_of(session, candidate.id)
    played = INSTRUMENTS.get(candidate.instrument)
    pieces = tuple(
        _piece(session, piece, candidate.instrument, [t for t in takes if t.piece_id == piece.id], row.due_zone)
        for piece in round_pieces(session, row)
    )
    why = _why_closed(session, principal, now)
    tuning = f"Tune to A = {audition.a4_hz:g} Hz"
    if played is not None:
        tuning += f", your written {room_sounds.written_a(candidate.instrument)}"
    about = (f"{tuning}.", ONE_GO) if can_be_tuned(candidate.instrument) else (ONE_GO,)
    return HandInPage(
        student=noted.name,
        audition=audition.name,
        organisation=audition.organisation,
        round_name=row.name,
        blind_number=candidate.blind_number,
        instrument=played.name if played is not None else candidate.instrument,
        about=about,
        due_at=until.due_at,
        closes_at=until.closes_at,
        due_text=until.text,
        zone=until.zone,
        grace_min=until.grace_min,
        more_time=until.due_at != row.due_at,
        now=now,
        is_open=why is None,
        why_closed=why,
        consent_required=audition.consent_required,
        consent_on=noted.given_on,
        consent_by=noted.given_by,
        pieces=pieces,
        complete=all(any(t.counts for t in piece.takes) for piece in pieces),
        cautions=cautions.HAND_IN_PAGE,
    )


def note_consent(
    session: Session, principal: HandInPrincipal, *, given_on: date, given_by: str, actor: Actor, now: datetime
) -> None:
    """Note the consent that a family gives on the page. What is noted already, only the leader changes."""
    candidate, row = handing_in.candidate_of(session, principal.entry_id, principal.round_id)
    handing_in.require_open(session, candidate, row, now)
    if consent.noted(session, principal.entry_id).given_on is not None:
        raise WrongState("Consent is noted already; ask your section leader to change it.")
    consent.note(session, candidate.id, given_on=given_on, given_by=given_by, actor=actor)


def own_take(session: Session, principal: HandInPrincipal, take_id: str) -> Take:
    """A take this link handed in, kept or replaced; raises ``NotFound``."""
    candidate, _ = handing_in.candidate_of(session, principal.entry_id, principal.round_id)
    take = session.get(Take, take_id)
    if take is None or take.candidate_id != candidate.id:
        raise NotFound("This recording is not on your page; reload it.")
    return take


def _why_closed(session: Session, principal: HandInPrincipal, now: datetime) -> str | None:
    candidate, row = handing_in.candidate_of(session, principal.entry_id, principal.round_id)
    try:
        handing_in.require_open(session, candidate, row, now)
    except FairhearingError as refusal:
        return refusal.sentence
    return None


def _piece(session: Session, row: Piece, instrument: str, takes: Sequence[Take], zone: str) -> OwnPiece:
    read = _read(row, instrument)
    length = None if read is None else Length(read.length_sec, assumed=read.tempo_assumed)
    return OwnPiece(
        piece_id=row.id,
        title=row.title,
        about=() if read is None else _about(read),
        marked_sec=None if length is None else length.marked_sec,
        shortest_sec=None if length is None else length.shortest_sec,
        takes=tuple(_receipt(session, take, read, instrument, zone) for take in reversed(takes)),
    )


def _read(row: Piece, instrument: str) -> ReadPiece | None:
    if not has_notation(row):
        return None
    try:
        return load_piece(row, instrument or None)
    except FairhearingError:
        return None  # a page that can't be read is known by its title


def _about(piece: ReadPiece) -> tuple[str, ...]:
    first, last = piece.bars[0].number, piece.bars[-1].number
    bars = f"Bar {first}" if first == last else f"Bars {first} to {last}"
    said = [f"{bars}, about {_length_text(piece.length_sec)} at the tempo marked."]
    if piece.tempo_assumed:
        said = [f"{bars}. No tempo is marked."]
    return tuple(said)


def _length_text(sec: float) -> str:
    whole = max(1, round(sec))
    return f"{whole} seconds" if whole < 100 else f"{whole // 60} min {whole % 60:02d} s"


def _receipt(session: Session, take: Take, piece: ReadPiece | None, instrument: str, zone: str) -> Receipt:
    said = [] if take.quality.get("word") == "fine" else list(take.quality.get("sentences", ()))
    if piece is not None and not piece.tempo_assumed:
        expected = piece.length_sec
        if take.duration_sec > LONG_SHARE * expected:
            said.append(f"It is {take.duration_sec:.0f} s long, the piece about {expected:.0f} s: is there more on it?")
    found = measuring.newest(session, take.id)
    never = piece is None and is_unpitched(instrument)  # it can't be measured, which is no fault of the recording
    if found is not None and found.payload.get("usable") is False and not never:
        said += [f"Listening found: {sentence}" for sentence in found.payload.get("warnings", ())[:1]]
    return Receipt(
        take_id=take.id,
        counts=take.state == "kept",
        received_at=take.received_at,
        received_text=moment_in_zone(take.received_at, zone),
        sha256=take.sha256,
        size_bytes=take.size_bytes,
        duration_sec=take.duration_sec,
        sentences=tuple(said),
    )

"""The practice take of a round: a recording with agreed marks that every adjudicator hears first.

The leader sets it before the draw, from a file or from a take of an earlier round. Adjudicators mark it like any
number and see the agreed marks once their own sheet is sent; it stands in no result. No name can be reached from here.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import BinaryIO

from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import Audition, Candidate, ExtraHearing, Piece, Round, Take
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import BadInput, NotFound, WrongState
from app.domain.panel import Rubric
from app.domain.texts import one_line
from app.files.store import BlobStore
from app.services import custody, declaring, hearing
from app.services.hearing import PRACTICE
from app.services.intake import MAX_TAKE_BYTES
from app.services.receiving import keep_looked_at
from app.services.rounds import get_round
from app.services.sheet_cells import round_pieces

LONGEST_NOTE = 1000  # our choice

AFTER_DRAW = "This round is drawn, so its practice take stays as it is."


@dataclass(frozen=True, slots=True)
class EarlierTake:
    """A take of an earlier round that could serve as practice take."""

    take_id: str
    label: str


@dataclass(frozen=True, slots=True)
class PracticeView:
    """The practice take as the leader sees it."""

    is_set: bool
    piece_id: str | None
    piece_title: str
    duration_sec: float
    has_recording: bool
    marks: dict[str, int]  # agreed, by caption
    note: str
    is_fixed: bool  # the round is drawn
    sentence: str
    earlier_takes: tuple[EarlierTake, ...]


def shown(session: Session, round_id: str) -> PracticeView:
    """The practice take of a round, and the takes of earlier rounds that could be one."""
    row = get_round(session, round_id)
    return _view(session, row, _find(session, round_id))


def keep_recording(
    database: Database, store: BlobStore, round_id: str, piece_id: str, source: BinaryIO, *, actor: Actor
) -> PracticeView:
    """Keep a recording as practice take; agreed marks stay. Raises ``BadAudio`` for what can't be judged."""
    with database.read() as session:
        _changeable(session, round_id, piece_id)
    with store.incoming(source, MAX_TAKE_BYTES) as incoming:
        kept = keep_looked_at(store, incoming)

    def enter(session: Session) -> PracticeView:
        row = _changeable(session, round_id, piece_id)
        extra = _find(session, round_id) or ExtraHearing(round_id=round_id, kind=PRACTICE)
        extra.piece_id, extra.take_id = piece_id, None
        extra.sha256, extra.playback_sha256 = kept.stored.sha256, kept.playback.sha256
        extra.duration_sec, extra.peaks = round(kept.looked.duration_sec, 3), kept.looked.peaks
        extra.created_at = now_utc()  # a certificate of destruction says when it was handed in
        return _saved(session, row, extra, actor)

    return database.write(enter)


def choose_take(session: Session, round_id: str, take_id: str, *, actor: Actor) -> PracticeView:
    """Let a take of an earlier round be the practice take; agreed marks stay."""
    take = session.get(Take, take_id)
    row = get_round(session, round_id)
    if take is None or take.id not in {one.take_id for one in _earlier(session, row)}:
        raise NotFound("This take is none of an earlier round's; reload the page and choose again.")
    row = _changeable(session, round_id, take.piece_id)
    extra = _find(session, round_id) or ExtraHearing(round_id=round_id, kind=PRACTICE)
    extra.piece_id, extra.take_id = take.piece_id, take.id
    extra.sha256, extra.playback_sha256 = take.sha256, take.playback_sha256
    extra.duration_sec, extra.peaks = take.duration_sec, list(take.peaks)
    return _saved(session, row, extra, actor)


def agree(session: Session, round_id: str, marks: Mapping[str, object], note: str, *, actor: Actor) -> PracticeView:
    """Set the agreed marks, one for every caption, and a word on them."""
    row = _changeable(session, round_id, None)
    extra = _find(session, round_id)
    if extra is None:
        raise WrongState("There is no practice take yet; choose its recording first.")
    rubric = declaring.rubric_of(session.get_one(Audition, row.audition_id))
    tidy = one_line(note, what="note", longest=LONGEST_NOTE, required=False)
    extra.agreed = {"marks": _agreed(rubric, marks), "note": tidy}
    return _saved(session, row, extra, actor)


def remove(session: Session, round_id: str, *, actor: Actor) -> PracticeView:
    """Do without a practice take. Harmless when there is none."""
    row = _changeable(session, round_id, None)
    extra = _find(session, round_id)
    if extra is not None:
        session.delete(extra)
        session.flush()
        custody.record(session, row.id, actor, "practice-take-removed", extra.id, {})
    return _view(session, row, None)


def playback_of(session: Session, round_id: str) -> str:
    """The sha256 of what a player plays; raises ``NotFound``."""
    extra = _find(session, round_id)
    if extra is None or not extra.playback_sha256:
        raise NotFound("This round has no practice take.")
    return hearing.practice_playback(session, extra)


def why_not_drawn(session: Session, row: Round) -> str | None:
    """What is unfinished about the practice take, in a sentence that forbids the draw; None when nothing is."""
    extra = _find(session, row.id)
    if extra is None:
        return None
    if extra.piece_id not in {p.id for p in round_pieces(session, row)}:
        return "The practice take is of a piece this round doesn't hear; choose another recording, or remove it."
    rubric = declaring.rubric_of(session.get_one(Audition, row.audition_id))
    try:
        _agreed(rubric, extra.agreed.get("marks", {}))
    except BadInput as refusal:
        return f"{refusal.sentence} Or remove the practice take."
    return None


def _agreed(rubric: Rubric, marks: Mapping[str, object]) -> dict[str, int]:
    out: dict[str, int] = {}
    for key in marks:
        if key not in rubric.keys:
            raise BadInput(f"The rubric has no caption '{key}'; it scores {', '.join(rubric.keys)}.")
    for caption in rubric.captions:
        mark = marks.get(caption.key)
        if isinstance(mark, bool) or not isinstance(mark, int):
            raise BadInput(
                f"The practice take has no agreed mark for {caption.name.lower()} yet; agree on every caption."
            )
        if not rubric.low <= mark <= rubric.high:
            raise BadInput(
                f"The agreed mark {mark} for {caption.name.lower()} is off the scale; it runs from {rubric.low} to "
                f"{rubric.high}."
            )
        out[caption.key] = mark
    return out


def _changeable(session: Session, round_id: str, piece_id: str | None) -> Round:
    row = get_round(session, round_id)
    if row.state not in ("setup", "committed"):
        raise WrongState(AFTER_DRAW)
    if piece_id is not None and piece_id not in {p.id for p in round_pieces(session, row)}:
        raise BadInput("The practice take must be of a piece that this round hears; choose one of them.")
    return row


def _find(session: Session, round_id: str) -> ExtraHearing | None:
    return session.exec(
        select(ExtraHearing).where(ExtraHearing.round_id == round_id, ExtraHearing.kind == PRACTICE)
    ).first()


def _saved(session: Session, row: Round, extra: ExtraHearing, actor: Actor) -> PracticeView:
    session.add(extra)
    session.flush()
    facts = {"sha256": extra.sha256, "piece": extra.piece_id, "agreed": custody.content_hash(extra.agreed)}
    custody.record(session, row.id, actor, "practice-take-set", extra.id, facts)
    return _view(session, row, extra)


def _earlier(session: Session, row: Round) -> list[EarlierTake]:
    """Kept takes of the audition's other drawn rounds, of pieces that this round hears."""
    pieces = [p.id for p in round_pieces(session, row)]
    found = session.exec(
        select(Take.id, Candidate.blind_number, Piece.title, Round.name)
        .where(
            Take.state == "kept",
            col(Take.destroyed_at).is_(None),
            Take.candidate_id == Candidate.id,
            Take.piece_id == Piece.id,
            col(Take.piece_id).in_(pieces),
            Candidate.round_id == Round.id,
            Round.audition_id == row.audition_id,
            Round.id != row.id,
        )
        .order_by(col(Round.position), col(Candidate.blind_number), col(Piece.position))
    ).all()
    return [EarlierTake(take_id, f"{name}: number {number}, {title}") for take_id, number, title, name in found]


def _view(session: Session, row: Round, extra: ExtraHearing | None) -> PracticeView:
    is_fixed = row.state not in ("setup", "committed")
    piece = session.get(Piece, extra.piece_id) if extra is not None and extra.piece_id is not None else None
    if extra is None:
        sentence = "No practice take is set; the panel begins with its first number."
    elif extra.destroyed_at is not None:
        sentence = f"Its recording was destroyed on {extra.destroyed_at:%Y-%m-%d}; the agreed marks are kept."
    elif not hearing.is_set(extra):
        sentence = "The recording is in. Give it the agreed marks; until then the round can't be drawn."
    else:
        sentence = "Every adjudicator hears this take first, marks it, and then sees what was agreed."
    return PracticeView(
        is_set=extra is not None and hearing.is_set(extra),
        piece_id=piece.id if piece is not None else None,
        piece_title=piece.title if piece is not None else "",
        duration_sec=extra.duration_sec if extra is not None else 0.0,
        has_recording=extra is not None,
        marks=dict(extra.agreed.get("marks", {})) if extra is not None else {},
        note=str(extra.agreed.get("note", "")) if extra is not None else "",
        is_fixed=is_fixed,
        sentence=sentence,
        earlier_takes=() if is_fixed else tuple(_earlier(session, row)),
    )

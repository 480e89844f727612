"""The material of an audition: taking pieces in, choosing the excerpt, marking phrases, taking pieces out.

Reading comes first (:func:`from_notation`, :func:`from_abc`, :func:`from_recipe`, no database), saving second
(:func:`add`): a slow or hostile file never holds up a write.
"""

import json
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import ExtraHearing, Piece, Round, Take
from app.domain.actor import Actor
from app.domain.errors import BadInput, NotFound, WrongState
from app.domain.piece import Piece as PlayedPiece
from app.domain.piece import PieceNote
from app.domain.texts import one_line
from app.files.abc_text import DEFAULT_INSTRUMENT, read_abc
from app.files.notation import list_parts, read_notation
from app.files.notation_parts import PartInfo
from app.files.notation_safety import kind_of
from app.material.generating import generate, title_of
from app.material.instruments import instrument as instrument_of
from app.material.instruments import is_unpitched
from app.material.marking import check_marks
from app.material.recipe import recipe_from
from app.material.sight_reading import sight_reading
from app.material.sight_reading import title_of as sight_title_of
from app.material.sight_recipe import sight_recipe_from
from app.services import custody, declaring
from app.services.piece_reading import UNTYPED, excerpt_bars, tempo_text, whole_piece
from app.services.piece_reading import load_piece as load_piece
from app.services.piece_reading import musicxml_of as musicxml_of

LONGEST_TITLE = 160
SIGHT_READING = "sight-reading"  # kind of a piece whose notes are sealed: app.services.sight_reading
MOST_PIECES = 40  # our choice, per audition
_READING = frozenset({"instrument", "first_bar", "last_bar", "repeats"})  # fixed by the first take of the piece
_MARKS = frozenset({"phrases", "tonic", "mode"})
CHANGEABLE = _READING | _MARKS | {"title", "position"}


@dataclass(frozen=True, slots=True)
class NewPiece:
    """A piece that was read and may be saved."""

    title: str
    kind: str
    instrument: str
    source: bytes
    source_format: str
    options: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class NoteView:
    """One note of the excerpt, for choosing phrases on the engraving."""

    note_id: str
    bar: str
    beat: float
    written_pitch: str
    length_quarters: float
    grace: bool
    engraved_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PhraseView:
    """A phrase, the leader's or a guess."""

    start_note_id: str
    peak_note_id: str | None
    end_note_id: str
    guessed: bool


@dataclass(frozen=True, slots=True)
class PieceView:
    """A piece as the leader sees it. ``bars`` are all printed bars, ``heard_bars`` those of the excerpt."""

    id: str
    audition_id: str
    title: str
    kind: str
    instrument: str
    unpitched: bool  # all of it is unpitched percussion
    position: int
    bars: tuple[str, ...]
    heard_bars: tuple[str, ...]
    notes: tuple[NoteView, ...]
    tempo_text: str
    phrases: tuple[PhraseView, ...]
    tonic: str | None
    mode: str | None
    first_bar: str | None
    last_bar: str | None
    repeats: bool
    sealed: bool  # sight-reading: no notes here, they are shown when a candidate's study time begins
    warnings: tuple[str, ...]
    has_takes: bool


def from_notation(
    data: bytes, *, file_name: str = "", title: str = "", instrument: str = "", part: str = ""
) -> NewPiece:
    """A piece from a MusicXML or MIDI file.

    An empty ``instrument`` takes what the file says, an empty ``part`` the only one there is.
    """
    chosen = instrument_of(instrument).key if instrument else None
    piece = read_notation(data, file_name=file_name, part=part or None, instrument=chosen)
    options = {"part": part} if part else {}
    # A part that is named after a transposing instrument but sounds as written belongs to no page of that instrument.
    fits = instrument_of(piece.instrument).transposition_semitones == piece.transposition_semitones
    page = piece.instrument if fits else "other"
    return NewPiece(_title(title or piece.title), "notation", page, data, kind_of(data), options)


def parts(data: bytes) -> list[PartInfo]:
    """The parts of a notation file, to choose from."""
    return list_parts(data)


def from_abc(text: str, *, title: str = "", instrument: str = "") -> NewPiece:
    """A piece typed as ABC text; every bar's length must be right."""
    piece = read_abc(text, instrument=instrument or DEFAULT_INSTRUMENT, title=title)
    return NewPiece(_title(title or piece.title), "abc", piece.instrument, text.encode(), "abc")


def from_recipe(values: Mapping[str, Any], *, title: str = "") -> NewPiece:
    """A generated scale, arpeggio or chromatic run."""
    recipe = recipe_from(values)
    generate(recipe)
    source = json.dumps(dict(values), sort_keys=True).encode()
    return NewPiece(_title(title or title_of(recipe)), "generated", recipe.instrument, source, "recipe")


def from_sight_recipe(values: Mapping[str, Any], *, title: str = "") -> NewPiece:
    """Sight-reading from a recipe. Without a seed one is drawn that nobody knows."""
    known = {**values, "kind": SIGHT_READING, "seed": values.get("seed") or secrets.token_hex(16)}
    recipe = sight_recipe_from(known)
    sight_reading(recipe)
    source = json.dumps(known, sort_keys=True).encode()
    return NewPiece(_title(title or sight_title_of(recipe)), SIGHT_READING, recipe.instrument, source, "recipe")


def untyped(title: str, *, instrument: str = "") -> NewPiece:
    """A piece known by its title alone: it is heard and marked, and measured by its sound without a measured mark."""
    return NewPiece(_title(title), UNTYPED, instrument_of(instrument or DEFAULT_INSTRUMENT).key, b"", "")


def add(session: Session, audition_id: str, new: NewPiece, *, actor: Actor) -> Piece:
    """Save a piece behind the others."""
    declaring.get_audition(session, audition_id)
    if declaring.is_frozen(session, audition_id):
        raise WrongState("The first take is in, so the pieces stay as they are; make a new audition for other pieces.")
    there = rows(session, audition_id)
    if len(there) >= MOST_PIECES:
        raise BadInput(f"An audition has at most {MOST_PIECES} pieces; take one out first.")
    row: Piece = Piece.model_validate(
        {
            "audition_id": audition_id,
            "position": max((one.position for one in there), default=-1) + 1,
            "title": new.title,
            "kind": new.kind,
            "instrument": new.instrument,
            "source": new.source,
            "source_format": new.source_format,
            "options": new.options,
        }
    )
    session.add(row)
    session.flush()
    custody.record(session, audition_id, actor, "piece-added", row.id, {"kind": row.kind, "instrument": row.instrument})
    return row


def rows(session: Session, audition_id: str) -> list[Piece]:
    """The audition's pieces in order."""
    return list(session.exec(select(Piece).where(Piece.audition_id == audition_id).order_by(col(Piece.position))).all())


def get_piece(session: Session, piece_id: str) -> Piece:
    """The piece's row; raises ``NotFound``."""
    row: Piece | None = session.get(Piece, piece_id)
    if row is None:
        raise NotFound("This piece is not there any more; go back to the list.")
    return row


def views(session: Session, audition_id: str) -> list[PieceView]:
    """The audition's pieces in order, as the leader sees them."""
    declaring.get_audition(session, audition_id)
    return [view(session, row) for row in rows(session, audition_id)]


def view(session: Session, row: Piece) -> PieceView:
    """The piece read and cut, with everything its screen shows. One that can't be read says so in ``warnings``."""
    piece: PlayedPiece | None = None
    bars: tuple[str, ...] = ()
    try:
        piece = load_piece(row)
        bars = tuple(dict.fromkeys(bar.number for bar in whole_piece(row).bars))
        warnings = piece.warnings
    except BadInput as refusal:
        warnings = (refusal.sentence,)
    first_bar, last_bar = excerpt_bars(row)
    sealed = row.kind == SIGHT_READING
    shown = None if sealed else piece
    return PieceView(
        id=row.id,
        audition_id=row.audition_id,
        title=row.title,
        kind=row.kind,
        instrument=row.instrument,
        unpitched=is_unpitched(row.instrument) if piece is None else all(n.unpitched for n in piece.notes),
        position=row.position,
        bars=bars,
        heard_bars=() if piece is None else tuple(dict.fromkeys(bar.number for bar in piece.bars)),
        notes=() if shown is None else tuple(_note(note) for note in shown.notes),
        tempo_text="" if piece is None else tempo_text(piece.tempo_marks[0], assumed=piece.tempo_assumed),
        phrases=()
        if shown is None
        else tuple(PhraseView(p.start_note_id, p.peak_note_id, p.end_note_id, p.guessed) for p in shown.phrases),
        tonic=None if piece is None else piece.tonic_written,
        mode=None if piece is None else piece.mode,
        first_bar=first_bar,
        last_bar=last_bar,
        repeats=row.options.get("repeats", True) is not False,
        sealed=sealed,
        warnings=warnings,
        has_takes=has_takes(session, row.id),
    )


def _note(note: PieceNote) -> NoteView:
    return NoteView(
        note_id=note.note_id,
        bar=note.bar,
        beat=round(note.beat, 4),
        written_pitch=note.written_pitch,
        length_quarters=round(note.length_quarters, 4),
        grace=note.grace,
        engraved_ids=note.engraved_ids,
    )


def change(session: Session, piece_id: str, changes: Mapping[str, Any], *, actor: Actor) -> Piece:
    """Change title, place, instrument, excerpt or marks. Excerpt and instrument stay once the piece has a take.

    ``phrases`` None or empty takes the leader's phrases off; ``first_bar`` None starts at the beginning.
    """
    row = get_piece(session, piece_id)
    unknown = set(changes) - CHANGEABLE
    if unknown:
        raise BadInput(f"A piece has no “{sorted(unknown)[0]}” to change.")
    if row.kind == SIGHT_READING and changes.get("phrases"):
        raise BadInput("Sight-reading is sealed; its phrases and its peak are marked by the way it is made.")
    altered = {key: value for key, value in changes.items() if key in _READING and value != _current(row, key)}
    if altered and has_takes(session, piece_id):
        raise WrongState("This piece has a take, so its instrument and its bars stay; its phrases can still be marked.")
    if "title" in changes:
        row.title = _title(str(changes["title"]))
    if "instrument" in altered:
        row.instrument = instrument_of(str(altered["instrument"])).key
    options = {**row.options, **{key: value for key, value in altered.items() if key != "instrument"}}
    row.options = {key: value for key, value in options.items() if value not in (None, "")}
    if altered:
        load_piece(row)  # refused here if these bars or this instrument can't be
    marks = {**row.leader_marks, **{key: value for key, value in changes.items() if key in _MARKS}}
    if marks != row.leader_marks:
        row.leader_marks = check_marks(load_piece(row), {key: value for key, value in marks.items() if value})
    if "position" in changes:
        _place(session, row, int(changes["position"]))
    session.add(row)
    session.flush()
    custody.record(session, row.audition_id, actor, "piece-changed", row.id, {"fields": sorted(changes)})
    return row


def remove(session: Session, piece_id: str, *, actor: Actor) -> None:
    """Take a piece out. Refused once it has a take, or once a round that names it is drawn."""
    row = get_piece(session, piece_id)
    if has_takes(session, piece_id):
        raise WrongState("This piece has a take, so it stays; void takes instead.")
    for one in session.exec(select(Round).where(Round.audition_id == row.audition_id)).all():
        # A round that names no piece is played with all of them.
        if one.state != "setup" and (piece_id in one.piece_ids or not one.piece_ids):
            raise WrongState(f"{one.name} is played with this piece and is past its set-up, so the piece stays.")
        if piece_id in one.piece_ids:
            one.piece_ids = [name for name in one.piece_ids if name != piece_id]
            session.add(one)
    audition = declaring.get_audition(session, row.audition_id)
    weights = dict(audition.rule.get("piece_weights") or {})
    if weights.pop(piece_id, None) is not None:
        audition.rule = {**audition.rule, "piece_weights": weights}
        session.add(audition)
        declaring.undeclare(session, audition, actor=actor)
    session.exec(sa.delete(ExtraHearing).where(col(ExtraHearing.piece_id) == piece_id))
    session.delete(row)
    session.flush()
    custody.record(session, row.audition_id, actor, "piece-removed", piece_id, {})


def has_takes(session: Session, piece_id: str) -> bool:
    """Whether a take of the piece is in, voided ones included."""
    return session.exec(select(Take.id).where(Take.piece_id == piece_id).limit(1)).first() is not None


def _current(row: Piece, key: str) -> Any:
    if key == "instrument":
        return row.instrument
    return row.options.get(key, True if key == "repeats" else None)


def _title(text: str) -> str:
    return one_line(text, what="title", longest=LONGEST_TITLE)


def _place(session: Session, row: Piece, position: int) -> None:
    others = [one for one in rows(session, row.audition_id) if one.id != row.id]
    others.insert(max(0, min(position, len(others))), row)
    for place, one in enumerate(others):
        one.position = place
        session.add(one)

"""Pieces: taking them in from files, typed bars and recipes; excerpt, marks, engraving."""

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, File, Form, UploadFile
from sqlmodel import Session
from starlette.responses import Response

from app.api.access import LeaderHere
from app.api.resources import Held, ReadSession
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.pieces import (
    AbcCheckIn,
    AbcCheckOut,
    AbcIn,
    GeneratedIn,
    PartOut,
    PieceChangeIn,
    PieceOut,
    UntypedIn,
    plain,
)
from app.db.models import Piece
from app.domain.errors import WrongState
from app.files.abc_text import DEFAULT_INSTRUMENT, AbcCheck, check_abc
from app.files.engraving import engrave
from app.files.notation_parts import PartInfo
from app.services import pieces
from app.services.piece_reading import excerpt_bars, has_notation, load_piece, musicxml_of
from app.services.pieces import NewPiece, PieceView

router = APIRouter(prefix="/api", tags=["pieces"], responses=SIGNED_IN_PROBLEMS)

_SVG: dict[int | str, dict[str, Any]] = {
    200: {"content": {"image/svg+xml": {}}, "description": "The engraved excerpt."}
}


def _saved(held: Held, work: Callable[[Session], Piece]) -> PieceView:
    row = held.database.write(work)
    with held.database.read() as session:
        return pieces.view(session, row)


def _add(held: Held, audition_id: str, new: NewPiece, principal: LeaderHere) -> PieceView:
    return _saved(held, lambda session: pieces.add(session, audition_id, new, actor=principal.actor))


@router.get("/auditions/{audition_id}/pieces", response_model=list[PieceOut])
def audition_pieces(audition_id: PathId, _principal: LeaderHere, session: ReadSession) -> list[PieceView]:
    """The pieces of an audition in order."""
    return pieces.views(session, audition_id)


@router.post("/auditions/{audition_id}/pieces/notation", response_model=PieceOut, status_code=201)
def add_notation(
    audition_id: PathId,
    principal: LeaderHere,
    held: Held,
    file: Annotated[UploadFile, File()],
    title: Annotated[str, Form(max_length=400)] = "",
    instrument: Annotated[str, Form(max_length=40)] = "",
    part: Annotated[str, Form(max_length=200)] = "",
) -> PieceView:
    """A piece from a MusicXML file (plain or compressed) or a Standard MIDI file."""
    new = pieces.from_notation(
        file.file.read(), file_name=file.filename or "", title=title, instrument=instrument, part=part
    )
    return _add(held, audition_id, new, principal)


@router.post("/auditions/{audition_id}/pieces/abc", response_model=PieceOut, status_code=201)
def add_abc(audition_id: PathId, wanted: AbcIn, principal: LeaderHere, held: Held) -> PieceView:
    """A piece typed as ABC text; refused until every bar is right."""
    new = pieces.from_abc(wanted.text, title=wanted.title, instrument=wanted.instrument)
    return _add(held, audition_id, new, principal)


@router.post("/auditions/{audition_id}/pieces/generated", response_model=PieceOut, status_code=201)
def add_generated(audition_id: PathId, wanted: GeneratedIn, principal: LeaderHere, held: Held) -> PieceView:
    """A generated scale, arpeggio or chromatic run."""
    new = pieces.from_recipe(wanted.recipe.model_dump(exclude_none=True), title=wanted.title)
    return _add(held, audition_id, new, principal)


@router.post("/auditions/{audition_id}/pieces/untyped", response_model=PieceOut, status_code=201)
def add_untyped(audition_id: PathId, wanted: UntypedIn, principal: LeaderHere, held: Held) -> PieceView:
    """A piece by its title alone; its takes are measured without notes, rhythm and a measured mark."""
    return _add(held, audition_id, pieces.untyped(wanted.title, instrument=wanted.instrument), principal)


@router.post("/abc/check", response_model=AbcCheckOut)
def abc_check(wanted: AbcCheckIn, _principal: LeaderHere) -> AbcCheck:
    """Check typed bars and engrave what is there so far."""
    return check_abc(wanted.text, instrument=wanted.instrument or DEFAULT_INSTRUMENT)


@router.post("/notation/parts", response_model=list[PartOut])
def notation_parts(_principal: LeaderHere, file: Annotated[UploadFile, File()]) -> list[PartInfo]:
    """The parts of a notation file, to choose from."""
    return pieces.parts(file.file.read())


@router.get("/pieces/{piece_id}", response_model=PieceOut)
def one(piece_id: PathId, _principal: LeaderHere, session: ReadSession) -> PieceView:
    """One piece with the notes of its excerpt."""
    return pieces.view(session, pieces.get_piece(session, piece_id))


@router.patch("/pieces/{piece_id}", response_model=PieceOut)
def change(piece_id: PathId, wanted: PieceChangeIn, principal: LeaderHere, held: Held) -> PieceView:
    """Change title, place, excerpt or marks."""
    with held.database.read() as session:
        row = pieces.get_piece(session, piece_id)
        if has_notation(row):  # read here, in this request's own thread, so that the writer finds the reading ready
            load_piece(row)
    return _saved(held, lambda session: pieces.change(session, piece_id, plain(wanted), actor=principal.actor))


@router.delete("/pieces/{piece_id}", status_code=204)
def remove(piece_id: PathId, principal: LeaderHere, held: Held) -> None:
    """Take a piece out, until it has a take."""
    held.database.write(lambda session: pieces.remove(session, piece_id, actor=principal.actor))


@router.get("/pieces/{piece_id}/engraving.svg", response_class=Response, responses=_SVG)
def engraving(piece_id: PathId, _principal: LeaderHere, session: ReadSession) -> Response:
    """The engraved excerpt; note heads carry the ids of the piece's notes."""
    row = pieces.get_piece(session, piece_id)
    if row.kind == pieces.SIGHT_READING:
        raise WrongState("Sight-reading is sealed until a candidate's study time begins; look at a sample in Set-up.")
    first_bar, last_bar = excerpt_bars(row)
    svg = engrave(musicxml_of(row), first_bar=first_bar, last_bar=last_bar).svg
    return Response(svg, media_type="image/svg+xml")

"""Sight-reading: a sealed piece, samples of its recipe, and the moment a candidate's study time begins."""

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import Response

from app.api.access import LeaderHere, ProctorHere
from app.api.resources import Held, ReadSession
from app.api.routes.day_printing import PDF, pdf_answer
from app.api.routes.takes import own_audition
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.pieces import PieceOut, SampleOut, SightReadingIn, SightRecipeIn, SightViewOut
from app.services import pieces, sight_reading
from app.services.pieces import PieceView
from app.services.sight_reading import SightView

router = APIRouter(prefix="/api", tags=["sight-reading"], responses=SIGNED_IN_PROBLEMS)


@router.post("/auditions/{audition_id}/pieces/sight-reading", response_model=PieceOut, status_code=201)
def add(audition_id: PathId, wanted: SightReadingIn, principal: LeaderHere, held: Held) -> PieceView:
    """Sight-reading from a recipe. Its notes stay sealed, for the section leader too."""
    new = pieces.from_sight_recipe(wanted.recipe.model_dump(), title=wanted.title)
    row = held.database.write(lambda session: pieces.add(session, audition_id, new, actor=principal.actor))
    with held.database.read() as session:
        return pieces.view(session, row)


@router.post("/sight-reading/sample", response_model=SampleOut)
def sample(wanted: SightRecipeIn, _principal: LeaderHere) -> SampleOut:
    """Other notes from the same recipe, to judge how hard it is without breaking a seal."""
    return SampleOut(svg=sight_reading.sample(wanted.model_dump()))


@router.get("/candidates/{candidate_id}/sight-reading/{piece_id}", response_model=SightViewOut)
def look(candidate_id: PathId, piece_id: PathId, principal: ProctorHere, session: ReadSession) -> SightView:
    """Whether a candidate's sheet is sealed, and the notes once it is not."""
    return sight_reading.look(session, candidate_id, piece_id, audition_id=own_audition(principal))


@router.post("/candidates/{candidate_id}/sight-reading/{piece_id}/sheet.pdf", response_class=Response, responses=PDF)
def stand_sheet(
    candidate_id: PathId,
    piece_id: PathId,
    principal: ProctorHere,
    held: Held,
    large: Annotated[bool | None, Query(description="Large print; left out, as the roster says.")] = None,
) -> Response:
    """The notes on paper for the stand, with the blind number. Breaks the seal; the study time begins apart."""
    pdf = sight_reading.stand_sheet(
        held.database,
        candidate_id,
        piece_id,
        large=large,
        actor=principal.actor,
        audition_id=own_audition(principal),
    )
    return pdf_answer(pdf, "sight-reading")


@router.post("/candidates/{candidate_id}/sight-reading/{piece_id}/begin", response_model=SightViewOut)
def begin(candidate_id: PathId, piece_id: PathId, principal: ProctorHere, held: Held) -> SightView:
    """The study time begins: break the seal and show the notes. Again gives the same notes and the same moment."""
    return sight_reading.begin(
        held.database, candidate_id, piece_id, actor=principal.actor, audition_id=own_audition(principal)
    )

"""The panel's tablets. Everything here goes through types without a place for a name."""

from typing import Annotated, Any

from fastapi import APIRouter, Header, Query
from starlette.responses import Response

from app.api.access import AdjudicatorHere
from app.api.resources import Held, ReadSession, written
from app.api.schemas.envelope import ID_PATTERN, SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.panel import (
    CorrectIn,
    DraftIn,
    LetterOut,
    MusicOut,
    PanelAuditionOut,
    PanelOut,
    SheetOut,
    SubmitIn,
    WaveformOut,
)
from app.api.serving_files import RECORDING_ANSWERS, recording
from app.db.types import now_utc
from app.services import measuring, panel, panel_music, sheets_in
from app.services.sheets_in import SheetView

router = APIRouter(prefix="/api/panel", tags=["panel"], responses=SIGNED_IN_PROBLEMS)


@router.get("", response_model=PanelOut)
def overview(
    principal: AdjudicatorHere,
    session: ReadSession,
    round_id: Annotated[str | None, Query(pattern=ID_PATTERN)] = None,
) -> dict[str, Any]:
    """The numbers of the round that is heard, and what to mark them by."""
    view = panel.overview(session, principal, round_id)
    return {
        "audition": PanelAuditionOut(name=view.audition_name, a4_hz=view.a4_hz),
        "round": view.round,
        "rounds": view.rounds,
        "adjudicator": LetterOut(letter=view.letter),
        "rubric": view.rubric,
        "scored_per": view.scored_per,
        "pieces": view.pieces,
        "candidates": view.candidates,
        "waiting": view.waiting,
    }


@router.get("/candidates/{candidate_id}/sheet", response_model=SheetOut)
def sheet(candidate_id: PathId, principal: AdjudicatorHere, session: ReadSession) -> SheetView:
    """The adjudicator's own sheet for one number."""
    return sheets_in.sheet(session, principal.adjudicator_id, candidate_id)


@router.put("/candidates/{candidate_id}/sheet/draft", response_model=SheetOut)
async def save_draft(candidate_id: PathId, wanted: DraftIn, principal: AdjudicatorHere, held: Held) -> SheetView:
    """Keep what was entered so far. By far the most frequent request, so it takes no thread of its own."""
    body = wanted.model_dump()
    return await written(
        held,
        lambda s: sheets_in.save_draft(
            s, principal.adjudicator_id, candidate_id, body["marks"], body["remarks"], now=now_utc()
        ),
    )


@router.post("/candidates/{candidate_id}/sheet/submit", response_model=SheetOut)
def submit(candidate_id: PathId, wanted: SubmitIn, principal: AdjudicatorHere, held: Held) -> SheetView:
    """Send the sheet and lock it. The same version sent again is harmless."""
    return held.database.write(
        lambda s: sheets_in.submit(
            s, principal.adjudicator_id, candidate_id, **wanted.model_dump(), actor=principal.actor
        )
    )


@router.post("/candidates/{candidate_id}/sheet/correct", response_model=SheetOut)
def correct(candidate_id: PathId, wanted: CorrectIn, principal: AdjudicatorHere, held: Held) -> SheetView:
    """Correct a sent sheet with a reason; earlier versions are kept."""
    return held.database.write(
        lambda s: sheets_in.correct(
            s, principal.adjudicator_id, candidate_id, **wanted.model_dump(), actor=principal.actor
        )
    )


@router.post("/candidates/{candidate_id}/sheet/recuse", response_model=SheetOut)
def recuse(candidate_id: PathId, principal: AdjudicatorHere, held: Held) -> SheetView:
    """Not to score this number: an own pupil, a relative, a player one recognises."""
    return held.database.write(
        lambda s: sheets_in.recuse(s, principal.adjudicator_id, candidate_id, actor=principal.actor)
    )


@router.get(
    "/takes/{take_id}/playback",
    response_class=Response,
    responses=RECORDING_ANSWERS,
)
def playback(
    take_id: PathId,
    principal: AdjudicatorHere,
    session: ReadSession,
    held: Held,
    range: Annotated[str | None, Header(max_length=200)] = None,
) -> Response:
    """The take as a plain WAV that says nothing about where it came from, or the part a Range header names."""
    heard = panel.recording(session, principal, take_id)
    return recording(held.store.local_path(heard.playback_sha256), range)


@router.get("/takes/{take_id}/peaks", response_model=WaveformOut)
def peaks(take_id: PathId, principal: AdjudicatorHere, session: ReadSession) -> measuring.Waveform:
    """The take's outline, and its bars once it is measured."""
    return panel.waveform(session, principal, take_id)


@router.get("/takes/{take_id}/findings", response_model=dict[str, Any])
def findings(take_id: PathId, principal: AdjudicatorHere, session: ReadSession) -> dict[str, Any]:
    """What was measured, once the adjudicator's own sheet is sent."""
    return panel.findings(session, principal, take_id)


@router.get("/pieces/{piece_id}/music", response_model=MusicOut)
def music(piece_id: PathId, principal: AdjudicatorHere, session: ReadSession) -> panel_music.PanelMusic:
    """The engraved music of a piece that is heard, and where its bars stand in the picture."""
    return panel_music.music(session, principal, piece_id)

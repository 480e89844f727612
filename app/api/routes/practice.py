"""The practice take of a round: set by the leader before the draw."""

from typing import Annotated

from fastapi import APIRouter, File, Form, Header, UploadFile
from starlette.responses import Response

from app.api.access import LeaderHere
from app.api.resources import Held, ReadSession
from app.api.schemas.envelope import ID_PATTERN, SIGNED_IN_PROBLEMS, PathId, problems
from app.api.schemas.practice import AgreedIn, ChosenTakeIn, PracticeOut
from app.api.serving_files import RECORDING_ANSWERS, recording
from app.services import practice_take
from app.services.practice_take import PracticeView

router = APIRouter(prefix="/api", tags=["rounds"], responses=SIGNED_IN_PROBLEMS)

FormId = Annotated[str, Form(pattern=ID_PATTERN)]


@router.get("/rounds/{round_id}/practice", response_model=PracticeOut)
def shown(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> PracticeView:
    """The practice take of a round, and the earlier takes that could be one."""
    return practice_take.shown(session, round_id)


@router.post("/practice-takes", response_model=PracticeOut, responses=problems(408, 429))
def send(
    principal: LeaderHere, held: Held, round_id: FormId, piece_id: FormId, file: Annotated[UploadFile, File()]
) -> PracticeView:
    """Send a recording as practice take."""
    return practice_take.keep_recording(held.database, held.store, round_id, piece_id, file.file, actor=principal.actor)


@router.put("/rounds/{round_id}/practice", response_model=PracticeOut)
def choose(round_id: PathId, wanted: ChosenTakeIn, principal: LeaderHere, held: Held) -> PracticeView:
    """Let a take of an earlier round be the practice take."""
    return held.database.write(lambda s: practice_take.choose_take(s, round_id, wanted.take_id, actor=principal.actor))


@router.put("/rounds/{round_id}/practice/agreed", response_model=PracticeOut)
def agree(round_id: PathId, wanted: AgreedIn, principal: LeaderHere, held: Held) -> PracticeView:
    """Set the agreed marks."""
    return held.database.write(
        lambda s: practice_take.agree(s, round_id, wanted.marks, wanted.note, actor=principal.actor)
    )


@router.delete("/rounds/{round_id}/practice", response_model=PracticeOut)
def remove(round_id: PathId, principal: LeaderHere, held: Held) -> PracticeView:
    """Do without a practice take."""
    return held.database.write(lambda s: practice_take.remove(s, round_id, actor=principal.actor))


@router.get(
    "/rounds/{round_id}/practice/playback",
    response_class=Response,
    responses=RECORDING_ANSWERS,
)
def playback(
    _principal: LeaderHere,
    held: Held,
    session: ReadSession,
    round_id: PathId,
    range: Annotated[str | None, Header(max_length=200)] = None,
) -> Response:
    """The practice take as a plain WAV, or the part that a Range header names."""
    return recording(held.store.local_path(practice_take.playback_of(session, round_id)), range)

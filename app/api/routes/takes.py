"""Takes: sending one, voiding, hearing, what was measured."""

from typing import Annotated

from fastapi import APIRouter, File, Form, Header, UploadFile
from starlette.responses import Response

from app.api.access import LeaderHere, ProctorHere
from app.api.resources import Held, ReadSession
from app.api.schemas.envelope import ID_PATTERN, SIGNED_IN_PROBLEMS, PathId, problems
from app.api.schemas.takes import FindingsOut, MeasuringOut, PeaksOut, TakeOut, TakeReplyOut, VoidIn
from app.api.serving_files import RECORDING_ANSWERS, recording
from app.services import heard_picture, intake, measuring, retention
from app.services.access import LeaderPrincipal, ProctorPrincipal

router = APIRouter(prefix="/api/takes", tags=["takes"])

FormId = Annotated[str, Form(pattern=ID_PATTERN)]


def own_audition(principal: LeaderPrincipal | ProctorPrincipal) -> str | None:
    """The one audition a recording room's tablet may touch; None: a leader may touch all."""
    return principal.audition_id if isinstance(principal, ProctorPrincipal) else None


@router.post("", status_code=201, response_model=TakeReplyOut, responses=SIGNED_IN_PROBLEMS | problems(408, 429))
def send(
    principal: ProctorHere,
    held: Held,
    id: FormId,
    candidate_id: FormId,
    piece_id: FormId,
    file: Annotated[UploadFile, File()],
    replaces: Annotated[str | None, Form(pattern=f"{ID_PATTERN}|^$")] = None,
) -> TakeReplyOut:
    """Send one recording. ``id`` is the sender's own random id: sending again with the same id is harmless."""
    upload = intake.Upload(
        take_id=id,
        candidate_id=candidate_id,
        piece_id=piece_id,
        source=file.file,
        file_name=file.filename or "",
        replaces=replaces or None,
    )
    take = intake.receive(held.database, held.store, upload, actor=principal.actor, audition_id=own_audition(principal))
    return TakeReplyOut(take=TakeOut.model_validate(take))


@router.post("/{take_id}/void", response_model=TakeReplyOut, responses=SIGNED_IN_PROBLEMS)
def void(principal: ProctorHere, held: Held, take_id: PathId, wanted: VoidIn) -> TakeReplyOut:
    """Void a take with a reason. It is kept, and a re-take can be sent."""
    take = held.database.write(
        lambda session: intake.void(
            session,
            take_id,
            wanted.reason,
            cause=wanted.cause,
            actor=principal.actor,
            audition_id=own_audition(principal),
        )
    )
    return TakeReplyOut(take=TakeOut.model_validate(take))


@router.get(
    "/{take_id}/playback",
    response_class=Response,
    responses=SIGNED_IN_PROBLEMS | RECORDING_ANSWERS,
)
def playback(
    principal: ProctorHere,
    held: Held,
    session: ReadSession,
    take_id: PathId,
    range: Annotated[str | None, Header(max_length=200)] = None,
) -> Response:
    """The take as a plain WAV, or the part that a Range header names."""
    take = intake.get_take(session, take_id, own_audition(principal))
    return recording(held.store.local_path(retention.playable(take)), range)


@router.get("/{take_id}/peaks", response_model=PeaksOut, responses=SIGNED_IN_PROBLEMS)
def peaks(principal: ProctorHere, session: ReadSession, take_id: PathId) -> PeaksOut:
    """The waveform, and where bars begin once the take is measured."""
    take = intake.get_take(session, take_id, own_audition(principal))
    return PeaksOut.model_validate(measuring.waveform(session, take))


@router.get("/{take_id}/findings", response_model=FindingsOut, responses=SIGNED_IN_PROBLEMS)
def findings(_principal: LeaderHere, session: ReadSession, take_id: PathId) -> FindingsOut:
    """The newest findings, and how far measuring is."""
    take = intake.get_take(session, take_id)
    found = measuring.newest(session, take.id)
    return FindingsOut(
        take_id=take.id,
        measuring=MeasuringOut.model_validate(measuring.states(session, [take.id])[take.id]),
        findings=heard_picture.without_trace(found.payload) if found is not None else None,
        picture=heard_picture.picture(found.payload) if found is not None else None,
        stale=found is not None and measuring.is_stale(session, found),
    )


@router.post("/{take_id}/measure", response_model=MeasuringOut, responses=SIGNED_IN_PROBLEMS)
def measure(_principal: LeaderHere, held: Held, take_id: PathId) -> MeasuringOut:
    """Measure the take again."""
    return MeasuringOut.model_validate(held.database.write(lambda session: measuring.ask_again(session, take_id)))

"""After the day: consent, destruction of recordings, everything of one student, and next year's audition."""

from typing import Any
from urllib.parse import quote

from fastapi import APIRouter
from starlette.background import BackgroundTask
from starlette.responses import Response, StreamingResponse

from app.api.access import LeaderHere
from app.api.resources import Held, ReadSession
from app.api.routes.day_recordings import day_uploads_of
from app.api.routes.hand_in import files_of
from app.api.routes.uploads import uploads_of
from app.api.schemas.afterwards import CertificateOut, ConsentIn, CopyIn, DestroyIn, RecordingsOut
from app.api.schemas.auditions import AuditionOut
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.session import DoneOut
from app.services import consent, destroying, family, templates
from app.services.audition import AuditionView
from app.services.destroying import CertificateView, RecordingsView

router = APIRouter(prefix="/api", tags=["after the day"], responses=SIGNED_IN_PROBLEMS)

_PDF: dict[int | str, dict[str, Any]] = {200: {"content": {"application/pdf": {}}, "description": "The certificate."}}
_ZIP: dict[int | str, dict[str, Any]] = {200: {"content": {"application/zip": {}}, "description": "All of it."}}
CHUNK_BYTES = 2**18


@router.post("/candidates/{candidate_id}/consent", response_model=DoneOut)
def note_consent(candidate_id: PathId, wanted: ConsentIn, principal: LeaderHere, held: Held) -> DoneOut:
    """Note who gave consent to record this student, and when; from then on recording can begin."""
    held.database.write(
        lambda session: consent.note(
            session, candidate_id, given_on=wanted.given_on, given_by=wanted.given_by, actor=principal.actor
        )
    )
    return DoneOut()


@router.get("/auditions/{audition_id}/recordings", response_model=RecordingsOut)
def recordings(audition_id: PathId, _principal: LeaderHere, held: Held, session: ReadSession) -> RecordingsView:
    """What is kept of the recordings, until when, and the certificates of what was destroyed."""
    return destroying.recordings(session, audition_id, uploads_of(held), day_uploads_of(held))


@router.post("/auditions/{audition_id}/recordings/destroy", response_model=CertificateOut)
def destroy(audition_id: PathId, wanted: DestroyIn, principal: LeaderHere, held: Held) -> CertificateView:
    """Destroy all recordings of an audition, or one student's in it. Results stay."""
    return destroying.destroy(
        held.database,
        held.store,
        uploads_of(held),
        files_of(held),
        day_uploads_of(held),
        audition_id,
        entry_id=wanted.entry_id,
        reason=wanted.reason,
        actor=principal.actor,
    )


@router.get("/certificates/{certificate_id}.pdf", response_class=Response, responses=_PDF)
def certificate(certificate_id: PathId, _principal: LeaderHere, session: ReadSession) -> Response:
    """The certificate of destruction."""
    headers = {
        "Content-Disposition": 'inline; filename="certificate of destruction.pdf"',
        "Cache-Control": "no-store",
    }
    return Response(destroying.certificate(session, certificate_id), media_type="application/pdf", headers=headers)


@router.get("/entries/{entry_id}/everything.zip", response_class=StreamingResponse, responses=_ZIP)
def everything(entry_id: PathId, principal: LeaderHere, held: Held) -> StreamingResponse:
    """Everything that is kept of one student, for a family that asks."""
    made = family.export(held.database, held.store, entry_id, actor=principal.actor)
    plain = made.file_name.encode("ascii", "replace").decode().replace("?", "_").replace('"', "_")
    headers = {
        "Content-Disposition": f"attachment; filename=\"{plain}\"; filename*=UTF-8''{quote(made.file_name)}",
        "Cache-Control": "no-store",
    }
    chunks = iter(lambda: made.file.read(CHUNK_BYTES), b"")
    return StreamingResponse(
        chunks, media_type="application/zip", headers=headers, background=BackgroundTask(made.file.close)
    )


@router.post("/auditions/{audition_id}/copy", response_model=AuditionOut, status_code=201)
def copy(audition_id: PathId, wanted: CopyIn, principal: LeaderHere, held: Held) -> AuditionView:
    """An audition like this one without its people, for another day."""
    return held.database.write(
        lambda session: templates.copy(
            session, audition_id, name=wanted.name, held_on=wanted.held_on, actor=principal.actor
        )
    )

"""A student's page to hand takes in by, behind a link of its own. It shows no result."""

from typing import Annotated

from fastapi import APIRouter, Body, Header, Path
from starlette.responses import Response

from app.api.access import HandInHere
from app.api.resources import Held, ReadSession, Resources
from app.api.routes.uploads import SHA256_PATTERN
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.handing_in import FileHereOut, FileIn, FileWholeIn, HandInPageOut, OwnConsentIn
from app.api.schemas.uploads import ChunkOut
from app.api.serving_files import RECORDING_ANSWERS, recording
from app.files.chunk_spool import MAX_CHUNKS
from app.services import hand_in_page, retention
from app.services.access import HandInPrincipal
from app.services.hand_in_page import HandInPage
from app.services.handed_files import FilePlan, HandedFiles

router = APIRouter(prefix="/api/hand-in", tags=["hand in"], responses=SIGNED_IN_PROBLEMS)


def files_of(held: Resources) -> HandedFiles:
    """Files on their way into this server."""
    return HandedFiles(held.settings.data_dir, held.database, held.store, held.clock)


@router.get("", response_model=HandInPageOut)
def page(principal: HandInHere, session: ReadSession, held: Held) -> HandInPage:
    """What to play, until when, and what has come in."""
    return hand_in_page.page(session, principal, now=held.clock())


@router.post("/consent", response_model=HandInPageOut)
def consent(wanted: OwnConsentIn, principal: HandInHere, held: Held) -> HandInPage:
    """Note the consent to record: by whom, and when."""
    now = held.clock()
    held.database.write(
        lambda s: hand_in_page.note_consent(s, principal, **wanted.model_dump(), actor=principal.actor, now=now)
    )
    return _page(principal, held)


@router.put("/files/{upload_id}", response_model=FileHereOut)
def begin(upload_id: PathId, wanted: FileIn, principal: HandInHere, held: Held) -> FileHereOut:
    """Begin to send a file, or go on with it; says which chunks are here."""
    here = files_of(held).begin(principal, FilePlan(upload_id, **wanted.model_dump()))
    return FileHereOut(chunks=list(here.chunks), taken=here.take is not None)


@router.put("/files/{upload_id}/chunks/{seq}", response_model=ChunkOut)
def chunk(
    upload_id: PathId,
    seq: Annotated[int, Path(ge=0, lt=MAX_CHUNKS)],
    principal: HandInHere,
    held: Held,
    data: Annotated[bytes, Body(media_type="application/octet-stream")],
    x_chunk_sha256: Annotated[str, Header(pattern=SHA256_PATTERN)],
) -> ChunkOut:
    """Send one chunk of a file. Answered once it is durable; again is harmless."""
    files_of(held).put(principal, upload_id, seq, x_chunk_sha256, data)
    return ChunkOut(seq=seq, sha256=x_chunk_sha256)


@router.post("/files/{upload_id}/finish", response_model=HandInPageOut)
def finish(upload_id: PathId, wanted: FileWholeIn, principal: HandInHere, held: Held) -> HandInPage:
    """Hand the whole file in. While chunks are missing the answer is 409 with their numbers in ``facts.missing``."""
    files_of(held).finish(principal, upload_id, wanted.chunks)
    return _page(principal, held)


@router.get("/takes/{take_id}/playback", response_class=Response, responses=RECORDING_ANSWERS)
def playback(
    take_id: PathId,
    principal: HandInHere,
    session: ReadSession,
    held: Held,
    range: Annotated[str | None, Header(max_length=200)] = None,
) -> Response:
    """What was handed in, as the panel will hear it, or the part a Range header names."""
    take = hand_in_page.own_take(session, principal, take_id)
    return recording(held.store.local_path(retention.playable(take)), range)


def _page(principal: HandInPrincipal, held: Resources) -> HandInPage:
    with held.database.read() as session:
        return hand_in_page.page(session, principal, now=held.clock())

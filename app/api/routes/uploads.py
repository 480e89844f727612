"""Recordings sent while they are made: begin, chunks, finish; and rescuing what was never finished."""

from typing import Annotated

from fastapi import APIRouter, Body, Header, Path, Query

from app.api.access import ProctorHere
from app.api.resources import Held, Resources
from app.api.routes.takes import own_audition
from app.api.schemas.envelope import ID_PATTERN, SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.session import DoneOut
from app.api.schemas.takes import TakeOut, TakeReplyOut
from app.api.schemas.uploads import BeginIn, ChunkOut, FinishIn, ProgressOut, UnfinishedOut
from app.domain.errors import BadInput
from app.files.chunk_spool import MAX_CHUNKS
from app.services.uploads import Plan, Progress, Unfinished, Uploads

router = APIRouter(prefix="/api/uploads", tags=["uploads"], responses=SIGNED_IN_PROBLEMS)

SHA256_PATTERN = "^[0-9a-f]{64}$"


def uploads_of(held: Resources) -> Uploads:
    """Recordings on their way into this server."""
    return Uploads(held.settings.data_dir, held.database, held.store)


@router.get("", response_model=list[UnfinishedOut])
def unfinished(
    principal: ProctorHere, held: Held, audition_id: Annotated[str | None, Query(pattern=ID_PATTERN)] = None
) -> list[Unfinished]:
    """Recordings that were begun and not finished. A leader says of which audition; a tablet has its own."""
    wanted = own_audition(principal) or audition_id
    if wanted is None:
        raise BadInput("Say which audition's recording room is meant (audition_id).")
    return uploads_of(held).unfinished(wanted)


@router.put("/{upload_id}", response_model=ProgressOut)
def begin(upload_id: PathId, wanted: BeginIn, principal: ProctorHere, held: Held) -> Progress:
    """Begin a recording, or go on with it. ``upload_id`` becomes the take's id; says which chunks are here."""
    plan = Plan(upload_id, wanted.candidate_id, wanted.piece_id, wanted.sample_rate_hz)
    return uploads_of(held).begin(plan, audition_id=own_audition(principal))


@router.put("/{upload_id}/chunks/{seq}", response_model=ChunkOut)
def chunk(
    upload_id: PathId,
    seq: Annotated[int, Path(ge=0, lt=MAX_CHUNKS)],
    principal: ProctorHere,
    held: Held,
    data: Annotated[bytes, Body(media_type="application/octet-stream")],
    x_chunk_sha256: Annotated[str, Header(pattern=SHA256_PATTERN)],
) -> ChunkOut:
    """Send one chunk: mono float32, little-endian. Answered once it is durable; again is harmless."""
    uploads_of(held).put(upload_id, seq, x_chunk_sha256, data, audition_id=own_audition(principal))
    return ChunkOut(seq=seq, sha256=x_chunk_sha256)


@router.post("/{upload_id}/finish", response_model=TakeReplyOut)
def finish(upload_id: PathId, wanted: FinishIn, principal: ProctorHere, held: Held) -> TakeReplyOut:
    """Make the take. While chunks are missing the answer is 409 with their numbers in ``facts.missing``."""
    take = uploads_of(held).finish(
        Plan(upload_id, wanted.candidate_id, wanted.piece_id, wanted.sample_rate_hz),
        wanted.chunks,
        wanted.sha256,
        replaces=wanted.replaces,
        actor=principal.actor,
        audition_id=own_audition(principal),
    )
    return TakeReplyOut(take=TakeOut.model_validate(take))


@router.post("/{upload_id}/rescue", response_model=TakeReplyOut)
def rescue(upload_id: PathId, principal: ProctorHere, held: Held) -> TakeReplyOut:
    """Make the take from what has arrived, when the device that recorded it does not come back."""
    take = uploads_of(held).rescue(upload_id, actor=principal.actor, audition_id=own_audition(principal))
    return TakeReplyOut(take=TakeOut.model_validate(take))


@router.delete("/{upload_id}", response_model=DoneOut)
def throw_away(upload_id: PathId, principal: ProctorHere, held: Held) -> DoneOut:
    """Forget a recording that was never finished."""
    uploads_of(held).throw_away(upload_id, audition_id=own_audition(principal))
    return DoneOut()

"""The recording room."""

from typing import Annotated

from fastapi import APIRouter, Query

from app.api.access import ProctorHere
from app.api.paging import Find, Limit, Offset
from app.api.resources import Held, ReadSession
from app.api.routes.takes import own_audition
from app.api.schemas.envelope import ID_PATTERN, SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.takes import CandidateIn, PulseOut, RoomCandidateOut, RoomOut
from app.domain.errors import BadInput, NotAllowed
from app.services import room, room_sounds
from app.services.access import ProctorPrincipal
from app.services.room_sounds import Pulse

router = APIRouter(prefix="/api", tags=["room"])

QueryId = Annotated[str | None, Query(pattern=ID_PATTERN)]


@router.get("/room", response_model=RoomOut, responses=SIGNED_IN_PROBLEMS)
def look(
    principal: ProctorHere,
    session: ReadSession,
    audition_id: QueryId = None,
    round_id: QueryId = None,
    room_id: QueryId = None,
    candidate_id: QueryId = None,
    find: Find = "",
    offset: Offset = 0,
    limit: Limit = None,
) -> RoomOut:
    """Who plays what under which number. A leader says which audition; a tablet has its own, and its room.

    With ``limit`` a page of those whose name holds ``find`` or whose number begins so; ``candidate_id`` stands beside.
    """
    own = own_audition(principal)
    if own is not None and audition_id not in (None, own):
        raise NotAllowed("This tablet belongs to another audition's recording room.")
    wanted = own or audition_id
    if wanted is None:
        raise BadInput("Say which audition's recording room is meant (audition_id).")
    own_room = principal.room_id if isinstance(principal, ProctorPrincipal) else None
    seen = room.look(
        session,
        wanted,
        round_id,
        room_id or own_room,
        find=find,
        offset=offset,
        limit=limit,
        candidate_id=candidate_id,
    )
    return RoomOut.model_validate(seen)


@router.get("/room/pieces/{piece_id}/pulse", response_model=PulseOut, responses=SIGNED_IN_PROBLEMS)
def pulse(principal: ProctorHere, session: ReadSession, piece_id: PathId) -> Pulse:
    """How a piece is counted in."""
    return room_sounds.pulse(session, piece_id, audition_id=own_audition(principal))


@router.patch("/candidates/{candidate_id}", response_model=RoomCandidateOut, responses=SIGNED_IN_PROBLEMS)
def mark(principal: ProctorHere, held: Held, candidate_id: PathId, wanted: CandidateIn) -> RoomCandidateOut:
    """Note that a candidate is present, late, absent, withdrawn or did not show."""
    candidate = held.database.write(
        lambda session: room.mark(
            session,
            candidate_id,
            wanted.state,
            wanted.reason,
            actor=principal.actor,
            now=held.clock(),
            audition_id=own_audition(principal),
        )
    )
    return RoomCandidateOut.model_validate(candidate)

"""The audition day: rooms and plan for the leader; door, turns and restarts for the proctor."""

from typing import Annotated

from fastapi import APIRouter, Query
from sqlmodel import Session

from app.api.access import LeaderHere, ProctorHere
from app.api.paging import Find, Limit
from app.api.resources import Held, ReadSession
from app.api.routes.takes import own_audition
from app.api.schemas.day import (
    ClosedOut,
    DayIn,
    DoorViewOut,
    PauseNowIn,
    ReasonIn,
    RestartIn,
    RestartOut,
    RoomNameIn,
    TurnDeedIn,
)
from app.api.schemas.envelope import ID_PATTERN, SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.session import DoneOut
from app.api.schemas.takes import RecordingRoomOut
from app.domain.day import validate_day
from app.domain.errors import BadInput, NotAllowed
from app.services import door, schedule, turns
from app.services.access import ProctorPrincipal
from app.services.door import DoorView

router = APIRouter(prefix="/api", tags=["audition day"], responses=SIGNED_IN_PROBLEMS)

QueryId = Annotated[str | None, Query(pattern=ID_PATTERN)]
FromNow = Annotated[
    int | None, Query(ge=0, le=10_000_000, description="How many to leave out; left out: those who have played.")
]


@router.get("/auditions/{audition_id}/rooms", response_model=list[RecordingRoomOut])
def rooms(audition_id: PathId, _principal: LeaderHere, session: ReadSession) -> list[RecordingRoomOut]:
    """The recording rooms of an audition."""
    return [RecordingRoomOut.model_validate(row) for row in turns.rooms(session, audition_id)]


@router.post("/auditions/{audition_id}/rooms", response_model=RecordingRoomOut, status_code=201)
def add_room(audition_id: PathId, wanted: RoomNameIn, principal: LeaderHere, held: Held) -> RecordingRoomOut:
    """A further recording room."""
    return held.database.write(
        lambda s: RecordingRoomOut.model_validate(turns.add_room(s, audition_id, wanted.name, actor=principal.actor))
    )


@router.patch("/rooms/{room_id}", response_model=RecordingRoomOut)
def rename_room(room_id: PathId, wanted: RoomNameIn, principal: LeaderHere, held: Held) -> RecordingRoomOut:
    """Give a room another name."""
    return held.database.write(
        lambda s: RecordingRoomOut.model_validate(turns.rename_room(s, room_id, wanted.name, actor=principal.actor))
    )


@router.delete("/rooms/{room_id}", response_model=DoneOut)
def remove_room(room_id: PathId, principal: LeaderHere, held: Held) -> DoneOut:
    """Give a room up; who waits for it goes to the others."""
    held.database.write(lambda s: turns.remove_room(s, room_id, actor=principal.actor))
    return DoneOut()


@router.put("/rounds/{round_id}/day", response_model=DoneOut)
def plan(round_id: PathId, wanted: DayIn, principal: LeaderHere, held: Held) -> DoneOut:
    """Plan a round's day."""
    planned = validate_day(wanted.model_dump())
    held.database.write(lambda s: turns.set_plan(s, round_id, planned, actor=principal.actor))
    return DoneOut()


@router.post("/rounds/{round_id}/day/announce", response_model=DoneOut)
def announce(round_id: PathId, principal: LeaderHere, held: Held) -> DoneOut:
    """Give candidates to the rooms and fix the times that slips and lists carry."""
    held.database.write(lambda s: schedule.announce(s, round_id, actor=principal.actor))
    return DoneOut()


@router.get("/door", response_model=DoorViewOut)
def look(
    principal: ProctorHere,
    session: ReadSession,
    held: Held,
    audition_id: QueryId = None,
    round_id: QueryId = None,
    find: Find = "",
    offset: FromNow = None,
    limit: Limit = None,
) -> DoorView:
    """Who has come, who is next, how late each room is. A leader says which audition; a tablet has its own.

    With ``limit`` a page of those whose name holds ``find`` or whose number begins so.
    """
    own = own_audition(principal)
    if own is not None and audition_id not in (None, own):
        raise NotAllowed("This tablet belongs to another audition's recording room.")
    wanted = own or audition_id
    if wanted is None:
        raise BadInput("Say which audition's door is meant (audition_id).")
    return door.look(session, wanted, round_id, now=held.clock(), find=find, offset=offset, limit=limit)


@router.post("/candidates/{candidate_id}/check-in", response_model=DoneOut)
def check_in(candidate_id: PathId, wanted: ReasonIn, principal: ProctorHere, held: Held) -> DoneOut:
    """A candidate is at the door; after the deadline a reason is needed."""
    held.database.write(
        lambda s: door.check_in(
            s,
            candidate_id,
            wanted.reason,
            now=held.clock(),
            actor=principal.actor,
            audition_id=own_audition(principal),
        )
    )
    return DoneOut()


@router.post("/rounds/{round_id}/close-check-in", response_model=ClosedOut)
def close_check_in(round_id: PathId, principal: ProctorHere, held: Held) -> ClosedOut:
    """Mark everybody whose check-in has closed without them as a no-show."""
    count = held.database.write(
        lambda s: door.close_check_in(
            s, round_id, now=held.clock(), actor=principal.actor, audition_id=own_audition(principal)
        )
    )
    return ClosedOut(no_shows=count)


@router.post("/rounds/{round_id}/pauses", response_model=DoneOut)
def pause(round_id: PathId, wanted: PauseNowIn, principal: ProctorHere, held: Held) -> DoneOut:
    """A break that begins now, after whoever is playing."""
    held.database.write(
        lambda s: schedule.pause(
            s,
            round_id,
            wanted.minutes,
            wanted.what,
            now=held.clock(),
            actor=principal.actor,
            audition_id=own_audition(principal),
        )
    )
    return DoneOut()


@router.post("/candidates/{candidate_id}/turn", response_model=DoneOut)
def turn(candidate_id: PathId, wanted: TurnDeedIn, principal: ProctorHere, held: Held) -> DoneOut:
    """Call a candidate, note coming in and going out, put back, or send to another room."""
    actor, own = principal.actor, own_audition(principal)
    in_room = principal.room_id if isinstance(principal, ProctorPrincipal) else None

    def work(session: Session) -> None:
        match wanted.deed:
            case "call":
                turns.call(session, candidate_id, now=held.clock(), actor=actor, audition_id=own)
            case "enter":
                turns.enter(session, candidate_id, now=held.clock(), actor=actor, audition_id=own, room_id=in_room)
            case "leave":
                turns.leave(session, candidate_id, now=held.clock(), actor=actor, audition_id=own)
            case "put-back":
                turns.put_back(session, candidate_id, wanted.reason, actor=actor, audition_id=own)
            case "move":
                if wanted.room_id is None:
                    raise BadInput("Say which room the candidate goes to.")
                turns.move(session, candidate_id, wanted.room_id, actor=actor, audition_id=own)

    held.database.write(work)
    return DoneOut()


@router.post("/candidates/{candidate_id}/restarts", response_model=RestartOut)
def count_restart(candidate_id: PathId, wanted: RestartIn, principal: ProctorHere, held: Held) -> RestartOut:
    """Count that a piece was begun again."""
    count, sentence = held.database.write(
        lambda s: turns.count_restart(
            s,
            wanted.id,
            candidate_id,
            wanted.piece_id,
            actor=principal.actor,
            audition_id=own_audition(principal),
        )
    )
    return RestartOut(count=count, sentence=sentence)


@router.delete("/restarts/{restart_id}", response_model=DoneOut)
def take_back_restart(restart_id: PathId, principal: ProctorHere, held: Held) -> DoneOut:
    """Take back a restart that was counted by mistake."""
    held.database.write(
        lambda s: turns.take_back_restart(s, restart_id, actor=principal.actor, audition_id=own_audition(principal))
    )
    return DoneOut()

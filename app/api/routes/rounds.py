"""Rounds: plan, commitment, draw, progress."""

from typing import Annotated

from fastapi import APIRouter, Query, Response

from app.api.access import LeaderHere
from app.api.paging import LARGEST_PAGE, Find, Limit, Offset, say_total
from app.api.resources import Held, ReadSession
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.rounds import (
    AbsenceIn,
    AbsenceOut,
    DrawnCandidateOut,
    ProgressOut,
    RoundChangeIn,
    RoundIn,
    RoundOut,
)
from app.api.schemas.session import DoneOut
from app.services import absences, draw, progress
from app.services.absences import AbsenceView
from app.services.draw import DrawnCandidate, RoundView
from app.services.progress import ProgressView

router = APIRouter(prefix="/api", tags=["rounds"], responses=SIGNED_IN_PROBLEMS)


@router.get("/auditions/{audition_id}/rounds", response_model=list[RoundOut])
def rounds(audition_id: PathId, _principal: LeaderHere, session: ReadSession) -> list[RoundView]:
    """Every round of an audition."""
    return draw.rounds(session, audition_id)


@router.post("/auditions/{audition_id}/rounds", response_model=RoundOut, status_code=201)
def create(audition_id: PathId, wanted: RoundIn, principal: LeaderHere, held: Held) -> RoundView:
    """A new round."""
    return held.database.write(
        lambda s: draw.create_round(s, audition_id, **wanted.model_dump(), actor=principal.actor)
    )


@router.get("/rounds/{round_id}", response_model=RoundOut)
def one(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> RoundView:
    """One round. The seed shows once the round is drawn."""
    return draw.one_round(session, round_id)


@router.get("/rounds/{round_id}/candidates", response_model=list[DrawnCandidateOut])
def candidates(
    round_id: PathId,
    _principal: LeaderHere,
    session: ReadSession,
    response: Response,
    find: Find = "",
    offset: Offset = 0,
    limit: Annotated[int, Query(ge=1, le=LARGEST_PAGE)] = 100,
) -> list[DrawnCandidate]:
    """A page of a round's numbers in playing order, of those that begin with ``find``."""
    total, page = draw.candidates(session, round_id, find=find, offset=offset, limit=limit)
    say_total(response, total)
    return page


@router.patch("/rounds/{round_id}", response_model=RoundOut)
def change(round_id: PathId, wanted: RoundChangeIn, principal: LeaderHere, held: Held) -> RoundView:
    """Change the plan of a round."""
    changes = wanted.model_dump(exclude_unset=True)
    return held.database.write(lambda s: draw.change_round(s, round_id, changes, actor=principal.actor))


@router.delete("/rounds/{round_id}", response_model=DoneOut)
def remove(round_id: PathId, principal: LeaderHere, held: Held) -> DoneOut:
    """Remove a round whose seed was not committed yet."""
    held.database.write(lambda s: draw.remove_round(s, round_id, actor=principal.actor))
    return DoneOut()


@router.post("/rounds/{round_id}/commit", response_model=RoundOut)
def commit(round_id: PathId, principal: LeaderHere, held: Held) -> RoundView:
    """Make the seed and show its hash."""
    return held.database.write(lambda s: draw.commit_seed(s, round_id, actor=principal.actor))


@router.post("/rounds/{round_id}/draw", response_model=RoundOut)
def draw_now(round_id: PathId, principal: LeaderHere, held: Held) -> RoundView:
    """Draw numbers and order from the committed seed, and seal the names."""
    return held.database.write(lambda s: draw.draw_round(s, round_id, actor=principal.actor))


@router.get("/rounds/{round_id}/progress", response_model=ProgressOut)
def how_far(
    round_id: PathId,
    _principal: LeaderHere,
    session: ReadSession,
    find: Find = "",
    offset: Offset = 0,
    limit: Limit = None,
) -> ProgressView:
    """Takes, measuring and sheets by numbers and letters; with ``limit`` a page of those that begin with ``find``."""
    return progress.progress(session, round_id, find=find, offset=offset, limit=limit)


@router.get("/rounds/{round_id}/absences", response_model=list[AbsenceOut])
def away(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> list[AbsenceView]:
    """Cells that stay empty because an adjudicator was away."""
    return absences.absences(session, round_id)


@router.post("/rounds/{round_id}/absences", response_model=list[AbsenceOut], status_code=201)
def note_absence(round_id: PathId, wanted: AbsenceIn, principal: LeaderHere, held: Held) -> list[AbsenceView]:
    """Note that an adjudicator is away while some numbers are heard."""
    return held.database.write(lambda s: absences.note(s, round_id, **wanted.model_dump(), actor=principal.actor))


@router.delete("/absences/{absence_id}", response_model=DoneOut)
def take_back_absence(absence_id: PathId, principal: LeaderHere, held: Held) -> DoneOut:
    """The adjudicator was there after all."""
    held.database.write(lambda s: absences.take_back(s, absence_id, actor=principal.actor))
    return DoneOut()

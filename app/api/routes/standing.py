"""The standing, opening a round, comparing, hearing again, and its marks as tables."""

from typing import Any

from fastapi import APIRouter
from starlette.responses import Response

from app.api.access import LeaderHere
from app.api.paging import Find, Limit, Offset
from app.api.resources import Held, ReadSession
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.rounds import ComparedOut, OpenIn, RehearingIn, RoundOut, StandingOut, WorkingOut
from app.services import comparing_long, marks_export, opening, opening_long, rehearing, standing_pages
from app.services.draw import RoundView
from app.services.long_work import Working
from app.services.opening import Compared
from app.services.rounds import get_round

router = APIRouter(prefix="/api", tags=["standing"], responses=SIGNED_IN_PROBLEMS)

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@router.get("/rounds/{round_id}/standing", response_model=StandingOut)
def shown(
    round_id: PathId,
    _principal: LeaderHere,
    session: ReadSession,
    find: Find = "",
    offset: Offset = 0,
    limit: Limit = None,
) -> dict[str, Any]:
    """The ranked result with its doubt; by numbers until the round is opened, frozen and with names after.

    With ``limit`` a page of its lines; a long round's are those that were worked out last.
    """
    if limit is None:
        return opening.shown(session, round_id)
    return opening.shown_page(session, round_id, find=find, offset=offset, limit=limit)


@router.post("/rounds/{round_id}/standing/work-out", response_model=WorkingOut)
def work_out(round_id: PathId, _principal: LeaderHere, held: Held) -> Working:
    """Have a worker work the standing of a long round out as things are now."""
    return held.database.write(lambda session: standing_pages.ask(session, round_id))


@router.get("/rounds/{round_id}/standing/compare", response_model=ComparedOut)
def compare(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> Compared:
    """Whether an opened round's marks give the frozen standing today; of a long round as a worker found it last."""
    return comparing_long.view(session, round_id)


@router.post("/rounds/{round_id}/standing/compare", response_model=WorkingOut)
def have_compared(round_id: PathId, _principal: LeaderHere, held: Held) -> Working:
    """Have a worker compare a long opened round with what its marks give today."""
    return held.database.write(lambda session: comparing_long.ask(session, round_id))


@router.post("/rounds/{round_id}/open", response_model=StandingOut)
def open_now(round_id: PathId, principal: LeaderHere, held: Held, wanted: OpenIn | None = None) -> dict[str, Any]:
    """Open the round: freeze the standing, show the names. A worker opens a long one; ``being_opened`` says how far."""
    reason, actor = wanted.reason if wanted is not None else "", principal.actor
    if held.database.write(lambda session: opening_long.ask(session, round_id, reason=reason, actor=actor)):
        with held.database.read() as session:
            return opening.shown_page(session, round_id, find="", offset=0, limit=1)
    opening.open_round(held.database, round_id, reason=reason, actor=actor)
    with held.database.read() as session:
        return opening.shown(session, round_id)


@router.post("/rounds/{round_id}/rehearing", response_model=RoundOut, status_code=201)
def hear_again(round_id: PathId, wanted: RehearingIn, principal: LeaderHere, held: Held) -> RoundView:
    """A new round for numbers of this standing, with the seats that are in question among them."""
    with held.database.read() as session:
        seen = opening.at_hand(session, round_id)
    return held.database.write(lambda s: rehearing.create(s, round_id, wanted.numbers, seen, actor=principal.actor))


@router.get(
    "/rounds/{round_id}/marks.csv",
    response_class=Response,
    responses={200: {"content": {"text/csv": {}}, "description": "Every mark of the round."}},
)
def marks(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> Response:
    """Every mark, with names once the round is opened. Readable by ``fairhearing panel``."""
    names = opening.names(session, round_id) if get_round(session, round_id).state == "opened" else None
    return _saved(marks_export.marks_csv(session, round_id, names), "text/csv", "marks.csv")


@router.get(
    "/rounds/{round_id}/marks.xlsx",
    response_class=Response,
    responses={200: {"content": {XLSX: {}}, "description": "Marks, standing and adjudicators' reports."}},
)
def workbook(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> Response:
    """Marks, standing and adjudicators' reports as a workbook, with names once the round is opened."""
    seen = opening.at_hand(session, round_id)
    names = opening.names(session, round_id) if seen["opened"] else None
    return _saved(marks_export.workbook(session, round_id, seen, names), XLSX, "marks.xlsx")


def _saved(data: bytes, kind: str, name: str) -> Response:
    return Response(data, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})

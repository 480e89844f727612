"""The section report: what all takes of a round have in common."""

from typing import Any

from fastapi import APIRouter
from starlette.responses import Response

from app.api.access import LeaderHere
from app.api.resources import Held, ReadSession
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.rounds import WorkingOut
from app.api.schemas.section import SectionOut
from app.services import section
from app.services.long_work import Working
from app.services.section import SectionView

router = APIRouter(prefix="/api/rounds", tags=["section report"], responses=SIGNED_IN_PROBLEMS)

_PDF: dict[int | str, dict[str, Any]] = {200: {"content": {"application/pdf": {}}, "description": "The report."}}


@router.get("/{round_id}/section", response_model=SectionOut)
def report(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> SectionView:
    """Pitches that lie off across the section, bars where most fell, captions the panel doubts."""
    return section.view(session, round_id)


@router.post("/{round_id}/section/work-out", response_model=WorkingOut)
def work_out(round_id: PathId, _principal: LeaderHere, held: Held) -> Working:
    """Have a worker work the report of a long round out as things are now."""
    return held.database.write(lambda session: section.ask(session, round_id))


@router.get("/{round_id}/section-report.pdf", response_class=Response, responses=_PDF)
def paper(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> Response:
    """The same on paper."""
    headers = {"Content-Disposition": 'inline; filename="section report.pdf"', "Cache-Control": "no-store"}
    return Response(section.pdf(session, round_id), media_type="application/pdf", headers=headers)

"""The section report: what all takes of a round have in common."""

from typing import Any

from fastapi import APIRouter
from starlette.responses import Response

from app.api.access import LeaderHere
from app.api.resources import ReadSession
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.section import SectionOut
from app.services import section
from app.services.section import SectionView

router = APIRouter(prefix="/api/rounds", tags=["section report"], responses=SIGNED_IN_PROBLEMS)

_PDF: dict[int | str, dict[str, Any]] = {200: {"content": {"application/pdf": {}}, "description": "The report."}}


@router.get("/{round_id}/section", response_model=SectionOut)
def report(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> SectionView:
    """Pitches that lie off across the section, bars where most fell, captions the panel doubts."""
    return section.view(session, round_id)


@router.get("/{round_id}/section-report.pdf", response_class=Response, responses=_PDF)
def paper(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> Response:
    """The same on paper."""
    headers = {"Content-Disposition": 'inline; filename="section report.pdf"', "Cache-Control": "no-store"}
    return Response(section.pdf(session, round_id), media_type="application/pdf", headers=headers)

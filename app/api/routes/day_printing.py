"""The printed pieces of the audition day, for leader and proctor."""

from typing import Annotated, Any

from fastapi import APIRouter, Query
from starlette.responses import Response

from app.api.access import ProctorHere
from app.api.resources import Held, ReadSession
from app.api.routes.takes import own_audition
from app.api.schemas.envelope import ID_PATTERN, SIGNED_IN_PROBLEMS, PathId
from app.services import day_printing

router = APIRouter(prefix="/api", tags=["printing"], responses=SIGNED_IN_PROBLEMS)

PDF: dict[int | str, dict[str, Any]] = {200: {"content": {"application/pdf": {}}, "description": "The sheet."}}


@router.get("/rounds/{round_id}/slips.pdf", response_class=Response, responses=PDF)
def slips(round_id: PathId, principal: ProctorHere, session: ReadSession) -> Response:
    """Number slips to cut apart."""
    return pdf_answer(day_printing.slips(session, round_id, audition_id=own_audition(principal)), "slips")


@router.get("/rounds/{round_id}/door-list.pdf", response_class=Response, responses=PDF)
def door_list(round_id: PathId, principal: ProctorHere, session: ReadSession) -> Response:
    """The door list, with names."""
    return pdf_answer(day_printing.door_sheet(session, round_id, audition_id=own_audition(principal)), "door-list")


@router.get("/rounds/{round_id}/schedule.pdf", response_class=Response, responses=PDF)
def schedule(round_id: PathId, principal: ProctorHere, session: ReadSession, held: Held) -> Response:
    """The schedule for the wall, numbers only, as the day stands now."""
    own = own_audition(principal)
    return pdf_answer(day_printing.schedule_sheet(session, round_id, now=held.clock(), audition_id=own), "schedule")


@router.get("/rounds/{round_id}/script.pdf", response_class=Response, responses=PDF)
def script(round_id: PathId, principal: ProctorHere, session: ReadSession) -> Response:
    """The proctor's script and the material in order."""
    return pdf_answer(day_printing.script(session, round_id, audition_id=own_audition(principal)), "script")


@router.get("/rounds/{round_id}/adjudication-sheets.pdf", response_class=Response, responses=PDF)
def blank_sheets(
    round_id: PathId,
    principal: ProctorHere,
    session: ReadSession,
    adjudicator_id: Annotated[str, Query(pattern=ID_PATTERN)],
) -> Response:
    """Blank adjudication sheets of one adjudicator."""
    own = own_audition(principal)
    return pdf_answer(
        day_printing.blank_sheets(session, round_id, adjudicator_id, audition_id=own), "adjudication-sheets"
    )


def pdf_answer(pdf: bytes, name: str) -> Response:
    """A printed piece that no cache keeps."""
    headers = {"Content-Disposition": f'inline; filename="{name}.pdf"', "Cache-Control": "no-store"}
    return Response(pdf, media_type="application/pdf", headers=headers)

"""Students' private links, for the leader."""

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Query, Request
from pydantic import StringConstraints
from starlette.responses import Response

from app.api.access import LeaderHere
from app.api.paging import LARGEST_PAGE, Limit, Offset, say_total
from app.api.pictures import qr_svg
from app.api.resources import Held, ReadSession, Resources
from app.api.schemas.envelope import ID_PATTERN, SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.session import DoneOut
from app.api.schemas.student import LinkStateOut, StudentLinkOut
from app.db.types import now_utc
from app.services import student_links, student_slips
from app.services.addresses import host_for_tablets

router = APIRouter(prefix="/api", tags=["private links"], responses=SIGNED_IN_PROBLEMS)

Id = Annotated[str, StringConstraints(pattern=ID_PATTERN)]


@router.get("/rounds/{round_id}/student-links", response_model=list[LinkStateOut])
def states(
    round_id: PathId,
    _principal: LeaderHere,
    session: ReadSession,
    response: Response,
    candidate_id: Annotated[list[Id] | None, Query(max_length=LARGEST_PAGE)] = None,
    only_in_use: bool = False,
    offset: Offset = 0,
    limit: Limit = None,
) -> list[student_links.LinkState]:
    """Which private links of a round's candidates work: of all, of some, or those that do; all or a page of them."""
    total, page = student_links.states(
        session,
        round_id,
        now=now_utc(),
        candidate_ids=candidate_id,
        only_in_use=only_in_use,
        offset=offset,
        limit=limit,
    )
    say_total(response, total)
    return page


@router.post(
    "/rounds/{round_id}/student-links.pdf",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}, "description": "A slip for each heard candidate."}},
)
def slips(round_id: PathId, request: Request, principal: LeaderHere, held: Held) -> Response:
    """Fresh links for every heard candidate as slips to hand out; earlier links stop working."""
    url_of = _url_of(request, held)
    pdf = student_slips.print_slips(held.database, round_id, url_of, actor=principal.actor, now=now_utc())
    headers = {"Content-Disposition": 'attachment; filename="private links.pdf"'}
    return Response(pdf, media_type="application/pdf", headers=headers)


@router.post("/candidates/{candidate_id}/student-link", response_model=StudentLinkOut, status_code=201)
def make(candidate_id: PathId, request: Request, principal: LeaderHere, held: Held) -> StudentLinkOut:
    """A fresh private link for one candidate; the one before stops working."""
    link = held.database.write(lambda s: student_links.make(s, candidate_id, actor=principal.actor, now=now_utc()))
    url = _url_of(request, held)(link.secret)
    return StudentLinkOut(candidate_id=candidate_id, url=url, qr_svg=qr_svg(url), expires_at=link.expires_at)


@router.delete("/candidates/{candidate_id}/student-link", response_model=DoneOut)
def withdraw(candidate_id: PathId, principal: LeaderHere, held: Held) -> DoneOut:
    """Make a candidate's private link useless."""
    held.database.write(lambda s: student_links.withdraw(s, candidate_id, actor=principal.actor, now=now_utc()))
    return DoneOut()


@router.delete("/rounds/{round_id}/student-links", response_model=DoneOut)
def withdraw_all(round_id: PathId, principal: LeaderHere, held: Held) -> DoneOut:
    """Make all private links of a round's candidates useless."""
    held.database.write(lambda s: student_links.withdraw_all(s, round_id, actor=principal.actor, now=now_utc()))
    return DoneOut()


def _url_of(request: Request, held: Resources) -> Callable[[str], str]:
    return page_address(request, held, "student.html")


def page_address(request: Request, held: Resources, page: str) -> Callable[[str], str]:
    """A page's address from a secret. It stands behind #, so no server log ever holds it."""
    host = host_for_tablets(request.base_url.hostname or "", held.settings.host)
    base = (held.settings.public_url or str(request.base_url.replace(hostname=host))).rstrip("/")
    return lambda secret: f"{base}/{page}#{secret}"

"""Rounds that students hand in by a link, for the leader: the plan, links, who is late, closing, who hears whom."""

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from app.api.access import LeaderHere
from app.api.pictures import qr_svg
from app.api.resources import Held, ReadSession, Resources
from app.api.routes.student_links import page_address
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.handing_in import (
    HandingInIn,
    HandingInOut,
    HandInLinesOut,
    HandInLinkOut,
    HandOverIn,
    MoreTimeIn,
    MoreTimeOut,
    SharesOut,
)
from app.domain.handing_in import Deadline
from app.services import assigning, hand_in_links, handing_in
from app.services.assigning import SharesView
from app.services.hand_in_links import LARGEST_PAGE, Lines
from app.services.shares import HandingIn

router = APIRouter(prefix="/api", tags=["handing in"], responses=SIGNED_IN_PROBLEMS)
CSV_ANSWER: dict[int | str, dict[str, object]] = {200: {"content": {"text/csv": {}}, "description": "A table."}}


@router.put("/rounds/{round_id}/handing-in", response_model=HandingInOut | None)
def plan(round_id: PathId, wanted: HandingInIn, principal: LeaderHere, held: Held) -> HandingIn | None:
    """Let a round be handed in by a link, or no longer."""
    now = held.clock()
    return held.database.write(
        lambda s: handing_in.set_plan(s, round_id, **wanted.model_dump(), now=now, actor=principal.actor)
    )


@router.get("/rounds/{round_id}/handing-in", response_model=HandInLinesOut)
def who(
    round_id: PathId,
    _principal: LeaderHere,
    session: ReadSession,
    held: Held,
    find: Annotated[str, Query(max_length=100)] = "",
    missing: Annotated[bool, Query(description="Only who has not handed in everything.")] = False,
    offset: Annotated[int, Query(ge=0, le=10_000_000)] = 0,
    limit: Annotated[int, Query(ge=1, le=LARGEST_PAGE)] = 50,
) -> Lines:
    """Who has handed in, a page at a time."""
    return hand_in_links.lines(
        session, round_id, find=find, only_missing=missing, offset=offset, limit=limit, now=held.clock()
    )


@router.post("/rounds/{round_id}/hand-in-links.csv", response_class=Response, responses=CSV_ANSWER)
def links(
    round_id: PathId,
    request: Request,
    principal: LeaderHere,
    held: Held,
    missing: Annotated[bool, Query(description="Only for who has not handed in everything.")] = False,
) -> Response:
    """Fresh links as a table for a mail merge; earlier links of the same people stop working."""
    url_of = _url_of(request, held)
    table = held.database.write(
        lambda s: hand_in_links.table(
            s, round_id, url_of, only_missing=missing, actor=principal.actor, now=held.clock()
        )
    )
    return _csv(table, "links to hand in.csv")


@router.get("/rounds/{round_id}/reminders.csv", response_class=Response, responses=CSV_ANSWER)
def reminders(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> Response:
    """Who has not handed in everything, as a table."""
    return _csv(hand_in_links.reminders(session, round_id), "reminders.csv")


@router.post("/candidates/{candidate_id}/hand-in-link", response_model=HandInLinkOut, status_code=201)
def link(candidate_id: PathId, request: Request, principal: LeaderHere, held: Held) -> HandInLinkOut:
    """A fresh link for one candidate; the one before stops working."""
    now = held.clock()
    made = held.database.write(lambda s: hand_in_links.make(s, candidate_id, actor=principal.actor, now=now))
    url = _url_of(request, held)(made.secret)
    return HandInLinkOut(candidate_id=candidate_id, url=url, qr_svg=qr_svg(url), expires_at=made.expires_at)


@router.post("/candidates/{candidate_id}/more-time", response_model=MoreTimeOut)
def more_time(candidate_id: PathId, wanted: MoreTimeIn, principal: LeaderHere, held: Held) -> Deadline:
    """Give one candidate a later deadline, with the reason."""
    now = held.clock()
    return held.database.write(
        lambda s: handing_in.grant(s, candidate_id, **wanted.model_dump(), now=now, actor=principal.actor)
    )


@router.get("/rounds/{round_id}/shares", response_model=SharesOut)
def who_hears_whom(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> SharesView:
    """How the handing in and the hearing stand, by letters."""
    return assigning.view(session, round_id)


@router.post("/rounds/{round_id}/handing-in/close", response_model=SharesOut)
def close(round_id: PathId, principal: LeaderHere, held: Held) -> SharesView:
    """Close the handing in and assign; again, to take in who came in since with more time."""
    assigning.close(held.database, round_id, now=held.clock(), actor=principal.actor)
    with held.database.read() as session:
        return assigning.view(session, round_id)


@router.post("/rounds/{round_id}/shares/hand-over", response_model=SharesOut)
def hand_over(round_id: PathId, wanted: HandOverIn, principal: LeaderHere, held: Held) -> SharesView:
    """Give what an adjudicator has not sent to the others."""
    assigning.give_share(held.database, round_id, wanted.adjudicator_id, wanted.reason, actor=principal.actor)
    with held.database.read() as session:
        return assigning.view(session, round_id)


def _url_of(request: Request, held: Resources) -> Callable[[str], str]:
    return page_address(request, held, "hand-in.html")


def _csv(table: bytes, name: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(table, media_type="text/csv; charset=utf-8", headers=headers)

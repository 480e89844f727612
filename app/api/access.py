"""Who sends a request: dependencies that give a frozen principal or refuse.

Leaders have a session cookie (HttpOnly, SameSite=Strict) and every change they ask for must come from our own pages.
Tablets send a bearer token; when one is sent it alone counts, so a leader's browser may also hold a panel's page.
"""

from typing import Annotated, assert_never
from urllib.parse import urlsplit

from fastapi import Depends, Request, Response, Security
from fastapi.security import APIKeyCookie, HTTPAuthorizationCredentials, HTTPBearer
from starlette.concurrency import run_in_threadpool

from app.api.resources import Held, Resources
from app.db.types import now_utc
from app.domain.errors import NotAllowed, NotSignedIn
from app.services import access
from app.services.access import (
    AdjudicatorPrincipal,
    Admission,
    CheckerPrincipal,
    HandInPrincipal,
    LeaderPrincipal,
    Principal,
    ProctorPrincipal,
    StudentPrincipal,
)
from app.services.sign_in import LEADER_SESSION

LEADER_COOKIE = "fh_leader"
DEVICE_COOKIE = "fh_device"
DEVICE_LIFE_SEC = 400 * 24 * 3600  # our choice: the longest that browsers keep a cookie
LONGEST_TOKEN = 200  # our choice: tokens have 43 characters
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})

_FOUND = "fairhearing.principal"

_cookie = APIKeyCookie(name=LEADER_COOKIE, auto_error=False, description="A section leader's session.")
_bearer = HTTPBearer(auto_error=False, description="A tablet's token, from POST /api/join.")


def check_origin(request: Request) -> None:
    """Refuse a change that another site's page asks this browser for.

    Browsers name the page's origin with every POST, PUT, PATCH and DELETE; a program that is no browser names none
    and holds no cookie that somebody else could ride on.
    """
    if request.method in SAFE_METHODS:
        return
    origin = request.headers.get("origin")
    site = request.headers.get("sec-fetch-site")
    foreign = site is not None and site not in ("same-origin", "none")
    if origin is not None:
        foreign = foreign or urlsplit(origin).netloc.lower() not in _own_hosts(request)
    if foreign:
        raise NotAllowed("This was asked for by another site's page, so it was not done; open Fairhearing itself.")


def _own_hosts(request: Request) -> set[str]:
    public_url = request.app.state.resources.settings.public_url
    hosts = {request.headers.get("host", "").lower()}
    return hosts | {urlsplit(public_url).netloc.lower()} if public_url else hosts


async def anyone(
    request: Request,
    held: Held,
    bearer: Annotated[HTTPAuthorizationCredentials | None, Security(_bearer)],
    cookie: Annotated[str | None, Security(_cookie)],
) -> Principal | None:
    """Whoever is signed in, or nobody. A bearer token that lets nobody in is refused, never passed over."""
    if _FOUND in request.scope:
        remembered: Principal | None = request.scope[_FOUND]
        return remembered
    return await principal_from(request, held, bearer, cookie)


async def principal_from(
    request: Request, held: Resources, bearer: HTTPAuthorizationCredentials | None, cookie: str | None
) -> Principal | None:
    """Like :func:`anyone`, for what stands around the routes."""
    if request.headers.get("authorization") is not None:
        found = await _principal(held, bearer.credentials) if bearer is not None else None
        if found is None or isinstance(found, LeaderPrincipal):
            raise NotSignedIn("This link or tablet is not let in any more; ask the section leader for a new link.")
        return found
    if cookie is None:
        return None
    found = await _principal(held, cookie)
    if not isinstance(found, LeaderPrincipal):
        return None
    check_origin(request)
    return found


def remember_principal(request: Request, principal: Principal | None) -> None:
    """Spare this request's route from looking the same principal up again."""
    request.scope[_FOUND] = principal


async def bearer_of(request: Request) -> HTTPAuthorizationCredentials | None:
    """The bearer token of a request."""
    return await _bearer(request)


async def cookie_of(request: Request) -> str | None:
    """The leader's session cookie of a request."""
    return await _cookie(request)


async def _principal(held: Resources, secret: str) -> Principal | None:
    if not secret or len(secret) > LONGEST_TOKEN or not secret.isascii():
        return None

    def look() -> Principal | None:
        with held.database.read() as session:
            return access.principal_of(session, secret, now=now_utc())

    return await run_in_threadpool(look)


MaybePrincipal = Annotated[Principal | None, Depends(anyone)]

# The checks of roles wait for nothing, and yet are asynchronous: others would each be given a thread to run in.


async def leader(principal: MaybePrincipal) -> LeaderPrincipal:
    """A signed-in section leader, or a refusal."""
    if isinstance(principal, LeaderPrincipal):
        return principal
    raise _refusal(principal, "Only the section leader may do this")


async def proctor(principal: MaybePrincipal) -> LeaderPrincipal | ProctorPrincipal:
    """A recording room's tablet or a section leader, or a refusal."""
    if isinstance(principal, LeaderPrincipal | ProctorPrincipal):
        return principal
    raise _refusal(principal, "Only the recording room may do this")


async def adjudicator(principal: MaybePrincipal) -> AdjudicatorPrincipal:
    """An adjudicator's tablet, or a refusal. A leader is none: whoever sees names never scores."""
    if isinstance(principal, AdjudicatorPrincipal):
        return principal
    raise _refusal(principal, "Only an adjudicator's tablet may do this")


async def student(principal: MaybePrincipal) -> StudentPrincipal:
    """Whoever holds a student's private link, or a refusal. A leader is none: each page is one student's own."""
    if isinstance(principal, StudentPrincipal):
        return principal
    raise _refusal(principal, "Only a student's private link shows this")


async def hand_in(principal: MaybePrincipal) -> HandInPrincipal:
    """Whoever holds a student's link to hand takes in, or a refusal."""
    if isinstance(principal, HandInPrincipal):
        return principal
    raise _refusal(principal, "Only a student's link to hand in does this")


async def checker(principal: MaybePrincipal) -> CheckerPrincipal:
    """A second person's own device, or a refusal. A leader is none: one person alone confirms nothing."""
    if isinstance(principal, CheckerPrincipal):
        return principal
    raise _refusal(principal, "Only the second person's own device may do this")


def _refusal(principal: Principal | None, sentence: str) -> NotAllowed | NotSignedIn:
    match principal:
        case None:
            return NotSignedIn("Nobody is signed in here; sign in, or open your join link.")
        case LeaderPrincipal():
            return NotAllowed(f"{sentence}; this browser is signed in as section leader.")
        case ProctorPrincipal():
            return NotAllowed(f"{sentence}; this tablet belongs to the recording room.")
        case CheckerPrincipal():
            return NotAllowed(f"{sentence}; this device belongs to the second person.")
        case AdjudicatorPrincipal():
            return NotAllowed(f"{sentence}; this tablet belongs to adjudicator {principal.letter}.")
        case StudentPrincipal():
            return NotAllowed(f"{sentence}; this link shows one student's own results.")
        case HandInPrincipal():
            return NotAllowed(f"{sentence}; this link is there to hand one student's takes in.")
        case _:
            assert_never(principal)


LeaderHere = Annotated[LeaderPrincipal, Depends(leader)]
ProctorHere = Annotated[LeaderPrincipal | ProctorPrincipal, Depends(proctor)]
CheckerHere = Annotated[CheckerPrincipal, Depends(checker)]
AdjudicatorHere = Annotated[AdjudicatorPrincipal, Depends(adjudicator)]
HandInHere = Annotated[HandInPrincipal, Depends(hand_in)]
StudentHere = Annotated[StudentPrincipal, Depends(student)]


def set_session(request: Request, response: Response, admission: Admission, *, marker: str | None) -> None:
    """Put a leader's fresh session, and the marker of a known device, into the reply's cookies."""
    secure = request.url.scheme == "https"
    response.set_cookie(
        LEADER_COOKIE,
        admission.token,
        max_age=int(LEADER_SESSION.total_seconds()),
        httponly=True,
        samesite="strict",
        secure=secure,
    )
    if marker is not None:
        response.set_cookie(
            DEVICE_COOKIE,
            marker,
            max_age=DEVICE_LIFE_SEC,
            httponly=True,
            samesite="strict",
            secure=secure,
            path="/api/sign-in",
        )


def clear_session(request: Request, response: Response) -> None:
    """Take the leader's session out of the browser."""
    response.delete_cookie(LEADER_COOKIE, httponly=True, samesite="strict", secure=request.url.scheme == "https")


def client_address(request: Request) -> str:
    """The address failures are counted against."""
    return request.client.host if request.client is not None else "unknown"

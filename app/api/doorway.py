"""Who may come in is decided before a byte of the body is read.

The framework reads a whole body before it asks who sends it: a stranger could fill the disk with recordings nobody
will take. So every request that may carry a body meets its route's own role first, here, with the headers only.
Recordings also meet a limit of how many come in at once, the space that is left, and a sender that falls silent.
"""

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Iterable, Iterator
from contextlib import contextmanager

from fastapi import Request
from fastapi.routing import APIRoute
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.api.access import (
    SAFE_METHODS,
    adjudicator,
    bearer_of,
    checker,
    cookie_of,
    hand_in,
    leader,
    principal_from,
    proctor,
    remember_principal,
    student,
)
from app.api.errors import envelope, from_domain
from app.api.resources import Resources
from app.domain.errors import FairhearingError, TooMany, Unavailable
from app.services.access import Principal

RoleCheck = Callable[[Principal | None], Awaitable[object]]
ROLES: tuple[RoleCheck, ...] = (leader, proctor, adjudicator, checker, student, hand_in)
UPLOADS = "/api/takes"
MOST_UPLOADS = 24  # our choice: more recording rooms than any school has
MOST_UPLOADS_EACH = 4  # our choice: a tablet sends its takes one after another; some may hang
SILENT_SEC = 60.0  # our choice: a sender that says nothing for this long is gone
KEPT_FREE_BYTES = 200 * 2**20  # our choice: the database must be able to go on when takes no longer fit
COPIES_OF_AN_UPLOAD = 3  # spooled, received, and its playback
AT_ONCE_BYTES = 64 * 1024  # our choice: a body this small is here with its headers, so nothing changes meanwhile


class UploadGate:
    """Counts recordings that are coming in. Used from the event loop only."""

    def __init__(self, most: int = MOST_UPLOADS, most_each: int = MOST_UPLOADS_EACH) -> None:
        self._most = most
        self._most_each = most_each
        self._inside: Counter[str] = Counter()

    @property
    def inside(self) -> int:
        """How many are coming in now."""
        return self._inside.total()

    @contextmanager
    def entered(self, who: str) -> Iterator[None]:
        """One recording of ``who`` for the time of the block; ``TooMany`` when there are too many already."""
        if self._inside[who] >= self._most_each or self._inside.total() >= self._most:
            raise TooMany("Too many recordings are being sent at once; this one is sent again in a moment.", wait_sec=5)
        self._inside[who] += 1
        try:
            yield
        finally:
            self._inside[who] -= 1
            if not self._inside[who]:
                del self._inside[who]


class Doorway:
    """Refuses, by headers alone, whoever the route would refuse anyway."""

    def __init__(self, app: ASGIApp, routes: Iterable[APIRoute], gate: UploadGate) -> None:
        self._app = app
        self._gate = gate
        self._routes = [(route, role) for route in routes if (role := role_of(route)) is not None]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one ASGI call."""
        role = self._role(scope) if scope["type"] == "http" and scope["method"] not in SAFE_METHODS else None
        if role is None:
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        held: Resources = scope["app"].state.resources
        try:
            principal = await principal_from(request, held, await bearer_of(request), await cookie_of(request))
            await role(principal)
            if scope["path"] == UPLOADS and scope["method"] == "POST":
                await self._upload(principal, held, scope, receive, send)
                return
        except FairhearingError as refusal:
            await from_domain(refusal)(scope, receive, send)
            return
        if announced_bytes(scope) <= AT_ONCE_BYTES:
            remember_principal(request, principal)
        await self._app(scope, receive, send)

    def _role(self, scope: Scope) -> RoleCheck | None:
        for route, role in self._routes:
            if scope["method"] in (route.methods or ()) and route.path_regex.match(scope["path"]):
                return role
        return None

    async def _upload(
        self, principal: Principal | None, held: Resources, scope: Scope, receive: Receive, send: Send
    ) -> None:
        who = principal.token_id if principal is not None else ""
        with self._gate.entered(who):
            wanted = announced_bytes(scope) * COPIES_OF_AN_UPLOAD + KEPT_FREE_BYTES
            if held.store.free_bytes() < wanted:
                raise Unavailable(
                    "There is too little space left on the server for this recording, so it was not taken; free space, "
                    "then send it again."
                )
            await _patiently(self._app, scope, receive, send)


def role_of(route: APIRoute) -> RoleCheck | None:
    """The role dependency of a route, or None for an open one."""
    calls = {dependency.call for dependency in route.dependant.dependencies}
    return next((role for role in ROLES if role in calls), None)


def announced_bytes(scope: Scope) -> int:
    """The length the request's headers announce; what is not announced counts as large."""
    headers = dict(scope["headers"])
    announced: bytes = headers.get(b"content-length", b"")
    if announced.isdigit():
        return int(announced)
    return 2**20 if b"transfer-encoding" in headers else 0


async def _patiently(app: ASGIApp, scope: Scope, receive: Receive, send: Send) -> None:
    """Run ``app``; when the sender falls silent in the middle of the body, end it with a sentence."""
    whole = silent = replied = False

    async def heard() -> Message:
        nonlocal whole, silent
        if whole:  # from here on the framework only waits for the connection to end
            return await receive()
        try:
            message = await asyncio.wait_for(receive(), SILENT_SEC)
        except TimeoutError:
            silent = True
            return {"type": "http.disconnect"}
        whole = message["type"] != "http.request" or not message.get("more_body", False)
        return message

    async def said(message: Message) -> None:
        nonlocal replied
        if silent and not replied:
            return
        replied = True
        await send(message)

    try:
        await app(scope, heard, said)
    except Exception:
        if not silent:
            raise
    if silent and not replied:
        refusal = envelope(
            408, "too_slow", "The recording stopped coming in; check the network, and it is sent again.", None
        )
        await refusal(scope, receive, send)


class NoSuchAddress:
    """What answers under /api when no route does: which methods the address knows, or that there is nothing."""

    def __init__(self, routes: Iterable[APIRoute]) -> None:
        self._routes = tuple(routes)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one ASGI call."""
        await self._reply(scope["path"])(scope, receive, send)

    def _reply(self, path: str) -> Response:
        known = sorted({method for r in self._routes if r.path_regex.match(path) for method in r.methods or ()})
        if not known:
            return envelope(404, "not_found", "There is nothing at this address.")
        return envelope(
            405,
            "wrong_method",
            f"This address answers {' and '.join(known)} only.",
            headers={"Allow": ", ".join(known)},
        )

"""Plain ASGI layers around the application: headers, body caps, and nothing internal ever in a reply."""

import time
from collections.abc import Iterable

import structlog
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.api.errors import envelope, from_unexpected
from app.api.metrics import Metrics

CONTENT_SECURITY_POLICY = "; ".join(
    [
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "media-src 'self' blob:",
        "connect-src 'self'",
        "font-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    ]
)
SECURITY_HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (b"content-security-policy", CONTENT_SECURITY_POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),  # a join link must not travel to another site
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"microphone=(self), camera=(), geolocation=()"),
)

KNOWN_METHODS = frozenset({"GET", "HEAD", "OPTIONS", "POST", "PUT", "PATCH", "DELETE"})  # others are anybody's text
MAX_BODY_BYTES = 10 * 2**20  # our choice: notation, rosters and sheets are far smaller

log = structlog.get_logger("fairhearing.requests")


class SecurityHeaders:
    """Adds the security headers, keeps API replies out of caches, and turns a bug into an envelope of its own.

    Outermost, so that even the reply to a bug carries the headers.
    """

    def __init__(self, app: ASGIApp, metrics: Metrics) -> None:
        self._app = app
        self._metrics = metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one ASGI call."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        path: str = scope["path"]
        started_at = time.monotonic()
        status = 0

        async def guarded(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = list(message.get("headers", []))
                present = {name.lower() for name, _ in headers}
                headers += [header for header in SECURITY_HEADERS if header[0] not in present]
                if b"cache-control" not in present:
                    # Static files are asked for again each time, so that an update shows at once.
                    private = path.startswith(("/api/", "/healthz"))
                    headers.append((b"cache-control", b"no-store" if private else b"no-cache"))
                message = {**message, "headers": headers}
            await send(message)

        try:
            await self._app(scope, receive, guarded)
        except Exception as error:  # noqa: BLE001 - a bug must not show its insides
            reply = from_unexpected(error, path)
            if status == 0:
                await reply(scope, receive, guarded)
        finally:
            found = getattr(scope.get("route"), "path", None)
            route = found or ("static" if not path.startswith("/api/") else "unknown")
            took_sec = time.monotonic() - started_at
            method = scope["method"] if scope["method"] in KNOWN_METHODS else "other"
            self._metrics.answered(method, route, status, took_sec)
            log.info("request", method=method, route=route, status=status, ms=round(took_sec * 1000, 1))


class BodyCap:
    """Refuses bodies over a cap: at once when announced, otherwise as soon as they grow over it."""

    def __init__(self, app: ASGIApp, default: int = MAX_BODY_BYTES, larger: Iterable[tuple[str, int]] = ()) -> None:
        self._app = app
        self._default = default
        self._larger = tuple(larger)

    def _cap(self, path: str) -> int:
        return next((cap for start, cap in self._larger if path == start), self._default)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one ASGI call."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        cap = self._cap(scope["path"])
        refusal = envelope(
            413,
            "too_large",
            f"What was sent is larger than the {cap // 2**20} MB allowed here; send a shorter or smaller file.",
            {"max_bytes": cap},
        )
        announced = dict(scope["headers"]).get(b"content-length", b"")
        if announced.isdigit() and int(announced) > cap:
            await refusal(scope, receive, send)
            return
        received = 0
        too_large = replied = False

        async def counted() -> Message:
            nonlocal received, too_large
            message = await receive()
            received += len(message.get("body", b""))
            if received > cap:
                too_large = True
                return {"type": "http.disconnect"}
            return message

        async def watched(message: Message) -> None:
            nonlocal replied
            if too_large and not replied:
                return  # the application only saw a connection that broke off; the true reason follows
            replied = True
            await send(message)

        try:
            await self._app(scope, counted, watched)
        except Exception:
            if not too_large:
                raise
        if too_large and not replied:
            await refusal(scope, receive, send)

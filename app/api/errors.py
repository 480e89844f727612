"""The one place that knows which error means which HTTP status, and the one envelope every error comes in.

``{"error": {"code": ..., "sentence": ..., "facts": {...}}}``
"""

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from sqlalchemy.exc import IntegrityError, SQLAlchemyError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse

from app.domain.errors import FairhearingError, Unavailable
from app.services.logs import place_of

STATUS_BY_CODE = {
    "error": 400,
    "bad_input": 422,
    "bad_audio": 422,
    "bad_notation": 422,
    "too_large": 413,
    "not_found": 404,
    "not_signed_in": 401,
    "not_allowed": 403,
    "wrong_state": 409,
    "duplicate": 409,
    "too_many": 429,
    "unavailable": 503,
}
RETRY_AFTER_SEC = {"too_many": "60", "unavailable": "5"}

_HTTP_CODES = {
    400: ("bad_input", "The request can't be read; reload the page and try again."),
    401: ("not_signed_in", "Sign in, or open the join link again."),
    403: ("not_allowed", "This sign-in may not do that."),
    404: ("not_found", "There is nothing at this address."),
    405: ("wrong_method", "This address does not accept that kind of request."),
    408: ("too_slow", "What was sent stopped coming in; check the network and try again."),
    413: ("too_large", "What was sent is larger than allowed here."),
    416: ("bad_input", "The part of the recording that was asked for does not exist."),
}
INTERNAL = (
    "internal",
    "Something went wrong inside Fairhearing; try again, and look at the server's log if it happens again.",
)
DISK_REFUSES = (
    "The server's disk can't take what was sent, so nothing was kept; free space or make the data folder writable, "
    "then send it again."
)

log = structlog.get_logger("fairhearing.api")


def envelope(
    status: int,
    code: str,
    sentence: str,
    facts: Mapping[str, Any] | None = None,
    headers: Mapping[str, str] | None = None,
) -> JSONResponse:
    """An error reply."""
    body = {"error": {"code": code, "sentence": sentence, "facts": dict(facts or {})}}
    return JSONResponse(body, status_code=status, headers={"Cache-Control": "no-store", **(headers or {})})


def from_domain(error: FairhearingError) -> JSONResponse:
    """The reply to an error raised on purpose."""
    headers = {}
    if error.code in RETRY_AFTER_SEC:
        headers["Retry-After"] = str(error.facts.get("wait_sec", RETRY_AFTER_SEC[error.code]))
    if error.code == "not_signed_in":
        headers["WWW-Authenticate"] = "Bearer"
    facts = {name: value if isinstance(value, _PLAIN) else str(value) for name, value in error.facts.items()}
    return envelope(STATUS_BY_CODE.get(error.code, 400), error.code, error.sentence, facts, headers)


_PLAIN = (str, int, float, bool, type(None), list, dict)


def from_unexpected(error: BaseException, path: str) -> JSONResponse:
    """The reply to a bug. The log gets the kind and the place, but no values: they may be names."""
    log.error("unexpected_error", path=path, **place_of(error))
    return envelope(500, *INTERNAL)


def sentence_for_validation(error: RequestValidationError) -> tuple[str, dict[str, Any]]:
    """One sentence for the first field that is wrong, and where all of them are; never the values sent."""
    problems = [
        {"where": ".".join(str(part) for part in problem["loc"] if part != "body"), "what": str(problem["msg"])}
        for problem in error.errors()
    ]
    first = problems[0]
    where = f"“{first['where']}”" if first["where"] else "the request"
    more = f" ({len(problems) - 1} more like it)" if len(problems) > 1 else ""
    return f"Check {where}: {first['what'][:200].rstrip('.').lower()}{more}.", {"problems": problems[:20]}


def install(app: FastAPI) -> None:
    """Teach ``app`` the envelope for every error that reaches it."""

    @app.exception_handler(FairhearingError)
    def _domain(_request: Request, error: FairhearingError) -> JSONResponse:
        return from_domain(error)

    @app.exception_handler(RequestValidationError)
    def _validation(_request: Request, error: RequestValidationError) -> JSONResponse:
        sentence, facts = sentence_for_validation(error)
        return envelope(422, "bad_input", sentence, facts)

    @app.exception_handler(HTTPException)
    def _http(request: Request, error: HTTPException) -> JSONResponse:
        if isinstance(error.__cause__, OSError):  # the form was readable, but the disk did not take it
            log.error("disk_error", path=request.url.path, errno=error.__cause__.errno)
            return from_domain(Unavailable(DISK_REFUSES))
        code, sentence = _HTTP_CODES.get(error.status_code, ("error", f"{HTTPStatus(error.status_code).phrase}."))
        return envelope(error.status_code, code, sentence, headers=error.headers)

    @app.exception_handler(IntegrityError)
    def _integrity(request: Request, error: IntegrityError) -> JSONResponse:
        log.warning("integrity_error", path=request.url.path)
        return envelope(
            409,
            "duplicate",
            "This was saved by someone else at the same moment or refers to something gone; reload the page.",
        )

    @app.exception_handler(SQLAlchemyError)
    def _database(request: Request, error: SQLAlchemyError) -> JSONResponse:
        log.error("database_error", path=request.url.path, kind=type(getattr(error, "orig", None) or error).__name__)
        return from_domain(Unavailable("The database does not answer; try again in a moment."))

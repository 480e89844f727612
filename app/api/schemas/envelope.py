"""What every input and output type shares, and the one envelope of errors as OpenAPI documents it."""

from typing import Annotated, Any

from fastapi import Path
from pydantic import BaseModel, ConfigDict

ID_PATTERN = "^[0-9a-f]{32}$"

#: An id in an address. Anything else can't be an id and is refused before the database sees it.
PathId = Annotated[str, Path(pattern=ID_PATTERN)]


class In(BaseModel):
    """Base of what comes in: unknown fields are refused, so that a typing mistake shows."""

    model_config = ConfigDict(extra="forbid", str_max_length=20_000)


class Out(BaseModel):
    """Base of what goes out: read from the frozen results of services, and only the fields it names."""

    model_config = ConfigDict(from_attributes=True, extra="ignore")


class ProblemOut(BaseModel):
    """What went wrong."""

    code: str
    sentence: str
    facts: dict[str, Any]


class ErrorOut(BaseModel):
    """The envelope of every error."""

    error: ProblemOut


_MEANINGS = {
    400: "The request can't be read.",
    401: "Not signed in.",
    403: "This sign-in may not do that.",
    404: "Not there.",
    405: "This address does not accept that method.",
    408: "What was sent stopped coming in.",
    409: "The state forbids it.",
    413: "Too large.",
    416: "That part does not exist.",
    422: "Something handed in can't be used.",
    429: "Too many attempts.",
    503: "Nothing was kept; try again.",
}


def problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """OpenAPI's ``responses`` for these statuses, each with the envelope."""
    return {status: {"model": ErrorOut, "description": _MEANINGS[status]} for status in statuses}


#: What any route behind a sign-in may answer.
SIGNED_IN_PROBLEMS = problems(400, 401, 403, 404, 409, 413, 422, 503)
#: What any open route may answer.
OPEN_PROBLEMS = problems(400, 403, 404, 409, 413, 422, 429, 503)

"""Long lists a page at a time: where to begin, how many, and how many there are in all.

A list without a limit comes whole, as ever; how many there are stands in a header of the reply beside a page.
"""

from collections.abc import Sequence
from typing import Annotated, TypeVar

from fastapi import Query, Response

Line = TypeVar("Line")

LARGEST_PAGE = 500  # our choice
TOTAL = "X-Total-Count"

Offset = Annotated[int, Query(ge=0, le=10_000_000, description="How many to leave out.")]
Limit = Annotated[int | None, Query(ge=1, le=LARGEST_PAGE, description="How many at most; left out: all.")]
Find = Annotated[str, Query(max_length=100, description="Part of what is looked for.")]


def page_of(response: Response, lines: Sequence[Line], offset: int, limit: int | None) -> Sequence[Line]:
    """A page of lines that are at hand, and the number of all of them into the reply."""
    say_total(response, len(lines))
    return lines[offset:] if limit is None else lines[offset : offset + limit]


def say_total(response: Response, total: int) -> None:
    """Put the number of all lines into the reply."""
    response.headers[TOTAL] = str(total)

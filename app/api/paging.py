"""Long lists a page at a time: where to begin, how many, and how many there are in all.

A list without a limit comes whole, as ever; how many there are stands in a header of the reply beside a page.
"""

from typing import Annotated

from fastapi import Query, Response

LARGEST_PAGE = 500  # our choice
TOTAL = "X-Total-Count"

Offset = Annotated[int, Query(ge=0, le=10_000_000, description="How many to leave out.")]
Limit = Annotated[int | None, Query(ge=1, le=LARGEST_PAGE, description="How many at most; left out: all.")]
Find = Annotated[str, Query(max_length=100, description="Part of what is looked for.")]


def say_total(response: Response, total: int) -> None:
    """Put the number of all lines into the reply."""
    response.headers[TOTAL] = str(total)

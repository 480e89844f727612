"""What routes work with: the settings, the database and the take store of this server."""

import asyncio
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, TypeVar

from fastapi import Depends, Request
from sqlmodel import Session
from starlette.concurrency import run_in_threadpool

from app.db.database import Database
from app.db.types import now_utc
from app.files.store import BlobStore
from app.settings import Settings

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Resources:
    """Opened at start, closed at the end, shared by all requests."""

    settings: Settings
    database: Database
    store: BlobStore
    clock: Callable[[], datetime] = now_utc  # what the day's schedule goes by


def resources(request: Request) -> Resources:
    """The resources of the server that answers ``request``."""
    found: Resources = request.app.state.resources
    return found


def read_session(held: Annotated[Resources, Depends(resources)]) -> Iterator[Session]:
    """A session that can't write, closed before the reply leaves."""
    with held.database.read() as session:
        yield session


async def written(held: Resources, work: Callable[[Session], T]) -> T:
    """``held.database.write(work)`` for a route on the event loop: no thread waits for SQLite's writer meanwhile."""
    if held.database.is_sqlite:
        return await asyncio.wrap_future(held.database.submit(work))
    return await run_in_threadpool(held.database.write, work)


Held = Annotated[Resources, Depends(resources)]
# Scope "function": a reply still being sent (a long playback) must not hold a connection.
ReadSession = Annotated[Session, Depends(read_session, scope="function")]

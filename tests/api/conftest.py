"""A whole server inside the test: lifespan, guards and routes, spoken to over ASGI without a socket."""

from collections.abc import Callable, Iterator
from pathlib import Path

import anyio.from_thread
import pytest
from api_client import Browser
from fastapi import FastAPI

from app.api.application import create_app
from app.api.resources import Resources
from app.settings import Settings


@pytest.fixture
def settings(tmp_path: Path, engine: str, request: pytest.FixtureRequest) -> Settings:
    """A folder whose database has the present schema already: migrations have tests of their own."""
    url = request.getfixturevalue("url")
    return Settings(data_dir=tmp_path / "data", workers=0, database_url=url if engine == "postgresql" else None)


@pytest.fixture
def portal() -> Iterator[anyio.from_thread.BlockingPortal]:
    with anyio.from_thread.start_blocking_portal() as portal:
        yield portal


@pytest.fixture
def app(settings: Settings, portal: anyio.from_thread.BlockingPortal) -> Iterator[FastAPI]:
    app = create_app(settings)
    with portal.wrap_async_context_manager(app.router.lifespan_context(app)):
        yield app


@pytest.fixture
def held(app: FastAPI) -> Resources:
    found: Resources = app.state.resources
    return found


@pytest.fixture
def browser(app: FastAPI, portal: anyio.from_thread.BlockingPortal) -> Callable[..., Browser]:
    """Makes a new client per call; keyword arguments become headers (``Authorization="Bearer ..."``)."""

    def make(**headers: str) -> Browser:
        return Browser(app, portal, **headers)

    return make

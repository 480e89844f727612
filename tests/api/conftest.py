"""A whole server inside the test: lifespan, guards and routes, spoken to over ASGI without a socket."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import anyio.from_thread
import httpx
import pytest
from fastapi import FastAPI

from app.api.application import create_app
from app.api.resources import Resources
from app.settings import Settings


class Browser:
    """A blocking client with cookies of its own."""

    def __init__(self, app: FastAPI, portal: anyio.from_thread.BlockingPortal, **headers: str) -> None:
        self._portal = portal
        self._client = httpx.AsyncClient(
            transport=httpx.ASGITransport(app, raise_app_exceptions=False),
            base_url="http://testserver",
            headers=headers,
        )

    @property
    def cookies(self) -> httpx.Cookies:
        return self._client.cookies

    def request(self, method: str, url: str, **options: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            return await self._client.request(method, url, **options)

        return self._portal.call(ask)

    def get(self, url: str, **options: Any) -> httpx.Response:
        return self.request("GET", url, **options)

    def post(self, url: str, **options: Any) -> httpx.Response:
        return self.request("POST", url, **options)

    def put(self, url: str, **options: Any) -> httpx.Response:
        return self.request("PUT", url, **options)

    def patch(self, url: str, **options: Any) -> httpx.Response:
        return self.request("PATCH", url, **options)

    def delete(self, url: str, **options: Any) -> httpx.Response:
        return self.request("DELETE", url, **options)


@pytest.fixture
def settings(tmp_path: Path, engine: str, request: pytest.FixtureRequest) -> Settings:
    address = request.getfixturevalue("url") if engine == "postgresql" else None
    return Settings(data_dir=tmp_path / "data", workers=0, database_url=address)


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

"""A client of the whole server inside a test, spoken to over ASGI without a socket."""

from typing import Any

import anyio.from_thread
import httpx
from fastapi import FastAPI


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

    @property
    def headers(self) -> httpx.Headers:
        return self._client.headers

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

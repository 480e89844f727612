"""Headers on every reply, one envelope for every error, body caps, and nothing internal shown."""

from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI

from app.api import guards
from app.api.resources import Resources
from app.domain.errors import FairhearingError, Unavailable


def every_error() -> list[type[FairhearingError]]:
    def below(kind: type[FairhearingError]) -> list[type[FairhearingError]]:
        return [kind, *(deeper for child in kind.__subclasses__() for deeper in below(child))]

    return below(FairhearingError)


@pytest.fixture
def broken(app: FastAPI) -> FastAPI:
    """The server with addresses that fail in every way there is."""

    @app.get("/api/broken/bug")
    def bug() -> None:
        raise RuntimeError("Ada Sample's secret is in this text")

    @app.get("/api/broken/{code}")
    def on_purpose(code: str) -> None:
        kind = next(kind for kind in every_error() if kind.code == code)
        raise kind("A sentence.", fact=Path("/x"))

    # Routes are looked up in order, and the screens are mounted on everything.
    app.router.routes.insert(0, app.router.routes.pop())
    app.router.routes.insert(0, app.router.routes.pop())
    return app


def test_every_error_has_its_status_and_the_envelope(broken: FastAPI, browser: Callable[..., Any]) -> None:
    client = browser()
    for kind in every_error():
        reply = client.get(f"/api/broken/{kind.code}")
        assert 400 <= reply.status_code < 504
        assert reply.json() == {"error": {"code": kind.code, "sentence": "A sentence.", "facts": {"fact": "/x"}}}
    assert client.get("/api/broken/unavailable").headers["retry-after"] == "5"
    assert client.get("/api/broken/not_signed_in").headers["www-authenticate"] == "Bearer"


def test_a_bug_shows_and_logs_nothing_of_its_text(
    broken: FastAPI, browser: Callable[..., Any], capsys: pytest.CaptureFixture[str]
) -> None:
    reply = browser().get("/api/broken/bug")
    assert (reply.status_code, reply.json()["error"]["code"]) == (500, "internal")
    assert "secret" not in reply.text
    assert "content-security-policy" in reply.headers
    logged = "".join(capsys.readouterr())
    assert "unexpected_error" in logged
    assert "RuntimeError" in logged
    assert "test_api_guards.py" in logged
    assert "Ada" not in logged


@pytest.mark.parametrize("address", ["/api/nothing", "/nothing.html", "/api/session", "/healthz", "/"])
def test_headers_stand_on_every_reply(browser: Callable[..., Any], address: str) -> None:
    reply = browser().get(address)
    policy = reply.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    assert reply.headers["x-content-type-options"] == "nosniff"
    assert reply.headers["referrer-policy"] == "no-referrer"
    assert "server" not in reply.headers
    if address.startswith(("/api", "/healthz")):
        assert reply.headers["cache-control"] == "no-store"


def test_unknown_addresses_and_methods_come_in_the_envelope(browser: Callable[..., Any]) -> None:
    missing, wrong = browser().get("/api/nothing"), browser().post("/healthz")
    assert (missing.status_code, missing.json()["error"]["code"]) == (404, "not_found")
    assert (wrong.status_code, wrong.json()["error"]["code"]) == (405, "wrong_method")


def test_a_bad_field_is_named_without_its_value(browser: Callable[..., Any]) -> None:
    reply = browser().post("/api/join", json={"link": 5, "extra": "Ada Sample"})
    assert reply.status_code == 422
    assert "link" in reply.json()["error"]["sentence"]
    assert "Ada" not in reply.text


def test_broken_json_is_a_sentence(browser: Callable[..., Any]) -> None:
    reply = browser().post("/api/join", content=b"{", headers={"content-type": "application/json"})
    assert reply.status_code == 422
    assert reply.json()["error"]["sentence"].endswith(".")


def test_screens_are_served_and_nothing_beside_them(browser: Callable[..., Any]) -> None:
    client = browser()
    assert "<html" in client.get("/").text
    for outside in ("/../pyproject.toml", "/%2e%2e/pyproject.toml", "/..%2fpyproject.toml", "/core/../../README.md"):
        assert client.get(outside).status_code == 404


def test_a_body_announced_too_large_is_refused_unread(browser: Callable[..., Any]) -> None:
    reply = browser().post("/api/join", content=b"x" * (guards.MAX_BODY_BYTES + 1))
    assert (reply.status_code, reply.json()["error"]["code"]) == (413, "too_large")


def test_a_body_that_grows_too_large_is_refused_on_the_way(browser: Callable[..., Any]) -> None:
    async def endless() -> AsyncIterator[bytes]:
        for _ in range(guards.MAX_BODY_BYTES // 2**20 + 2):
            yield b"x" * 2**20

    reply = browser().post("/api/join", content=endless(), headers={"content-type": "application/json"})
    assert (reply.status_code, reply.json()["error"]["code"]) == (413, "too_large")


def test_health_probes_for_real(browser: Callable[..., Any], held: Resources, monkeypatch: pytest.MonkeyPatch) -> None:
    client = browser()
    fine = client.get("/healthz")
    assert (fine.status_code, fine.json()["ok"]) == (200, True)
    assert fine.json()["database_write_ms"] >= 0
    with monkeypatch.context() as patched:
        patched.setattr(type(held.store), "probe", _refuse)
        ill = client.get("/healthz")
        assert (ill.status_code, ill.json()["ok"], ill.json()["store"]) == (503, False, "No space.")
    with monkeypatch.context() as patched:
        patched.setattr(type(held.database), "write", _refuse)
        ill = client.get("/healthz")
        assert (ill.status_code, ill.json()["database"]) == (503, "No space.")
    assert client.get("/healthz").status_code == 200


def _refuse(*_arguments: object) -> None:
    raise Unavailable("No space.")

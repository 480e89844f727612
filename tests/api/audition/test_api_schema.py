"""The OpenAPI description is true, whatever comes in and whoever sends it: no 500, no undocumented answer.

Requests are made from the description by schemathesis; some of their ids are real ones, so that they get past the
door. ``FAIRHEARING_FUZZ_EXAMPLES=50`` asks for more than the few requests per address and role that a quick test makes.
"""

import os
from typing import Any

import httpx
import pytest
import schemathesis
from api_hall import Hall
from fastapi import FastAPI
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from starlette.responses import JSONResponse

EXAMPLES = int(os.environ.get("FAIRHEARING_FUZZ_EXAMPLES", "2"))
CHECKS = (
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
    response_headers_conformance,
)
ENDS_SESSIONS = ("/api/sign-out", "/api/tablets/{token_id}")


def described(app: FastAPI) -> list[Any]:
    """Every operation, those that end somebody's session last. Who asks is decided here, not by the description."""
    raw = app.openapi()
    for path in raw["paths"].values():
        for operation in path.values():
            operation.pop("security", None)
    raw["components"].pop("securitySchemes", None)
    operations = [found.ok() for found in schemathesis.openapi.from_dict(raw).get_all_operations()]
    return sorted(operations, key=lambda o: (o.path in ENDS_SESSIONS, o.method == "delete", o.path, o.method))


def ask(visitor: Any, case: Any) -> httpx.Response:
    """Send one case through our own client."""
    wanted = case.as_transport_kwargs(base_url="http://testserver")
    headers = {k: v.encode("latin-1") for k, v in wanted["headers"].items() if k.lower() not in ("cookie", "host")}
    options: dict[str, Any] = {"headers": headers, "params": wanted.get("params") or None}
    if wanted.get("files"):
        options["files"] = [
            (str(name), (part[0], part[1] if isinstance(part[1], str | bytes) else str(part[1])))
            for name, part in wanted["files"]
        ]
    elif wanted.get("json") is not None:
        options["json"] = wanted["json"]
    elif wanted.get("data"):
        options["content" if isinstance(wanted["data"], str | bytes) else "data"] = wanted["data"]
    reply: httpx.Response = visitor.request(wanted["method"], wanted["url"], **options)
    reply.request.read()  # what was sent as a stream is looked at by the checks
    return reply


def undocumented(operations: list[Any], visitor: Any, real_ids: list[str]) -> tuple[list[str], dict[int, int]]:
    """(what was answered against the description, how often each status came)."""
    wrong: list[str] = []
    asked: dict[int, int] = {}
    for operation in operations:

        @given(case=operation.as_strategy(), real=st.sampled_from([*real_ids, None]))
        @settings(max_examples=EXAMPLES, database=None, derandomize=True, suppress_health_check=list(HealthCheck))
        def send(case: Any, real: str | None) -> None:
            for name in case.path_parameters or {}:
                if real is not None:
                    case.path_parameters[name] = real
            reply = ask(visitor, case)
            asked[reply.status_code] = asked.get(reply.status_code, 0) + 1
            try:
                case.validate_response(reply, checks=list(CHECKS))
            except FailureGroup as group:
                told = " / ".join(f"{type(f).__name__} {str(f)[:300]}" for f in group.exceptions)
                wrong.append(f"{case.method} {case.path}: {reply.status_code} {told}")

        send()
    return wrong, asked


@pytest.mark.slow
@pytest.mark.parametrize("role", ["nobody", "panel", "room", "leader"])
def test_every_answer_is_documented(app: FastAPI, hall: Hall, browser: Any, role: str) -> None:
    visitor = {"nobody": browser(), "panel": hall.panel["A"], "room": hall.proctor, "leader": hall.leader}[role]
    operations = described(app)
    wrong, asked = undocumented(operations, visitor, hall.one_of_each)
    assert wrong == []
    assert sum(asked.values()) >= len(operations)
    assert asked.get(200, 0) > 0
    assert {"nobody": 401, "panel": 403, "room": 403, "leader": 422}[role] in asked


def test_an_answer_against_the_description_is_seen(app: FastAPI, browser: Any) -> None:
    @app.get("/api/odd/{kind}", response_model=list[str])
    def odd(kind: str) -> JSONResponse:
        if kind == "a" * 32:
            raise RuntimeError("a bug")
        return JSONResponse({"not": "a list"}, status_code=200 if kind == "b" * 32 else 418)

    app.router.routes.insert(0, app.router.routes.pop())
    operations = [o for o in described(app) if o.path == "/api/odd/{kind}"]
    for kind, said in (("a", "ServerError"), ("b", "JsonSchemaError"), ("c", "UndefinedStatusCode")):
        wrong, _ = undocumented(operations, browser(), [kind * 32])
        assert any(said in line for line in wrong), wrong

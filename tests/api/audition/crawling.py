"""Visiting every route with every id in every place, and looking for words that must stay with the leader."""

import json
from collections.abc import Iterable
from typing import Any, Protocol

import httpx

Leak = tuple[str, str, list[str]]  # method, address, what could be read


class Crawled(Protocol):
    """What is known of the audition that is crawled."""

    secrets: list[str]
    ids: list[str]
    one_of_each: list[str]


def leaks_of(reply: httpx.Response, secrets: list[str]) -> list[str]:
    """Which secrets can be read anywhere in a reply: body (also behind JSON's escapes), headers, cookies, address."""
    seen = [reply.content.decode("utf-8", "replace"), reply.content.decode("utf-16-le", "replace")]
    seen += [reply.content.decode("latin-1").encode("latin-1", "replace").decode("utf-8", "replace")]
    if reply.headers.get("content-type", "").startswith("application/json"):
        seen.append(json.dumps(reply.json(), ensure_ascii=False))
    seen += [f"{name}: {value}" for name, value in reply.headers.multi_items()]
    seen += [f"{name}={value}" for name, value in reply.cookies.items()]
    everything = "\n".join(seen).casefold()
    return [secret for secret in secrets if secret.casefold() in everything]


def _addresses(path: str, ids: list[str]) -> list[str]:
    """A route's address with every id there is in every place."""
    if "{" not in path:
        asks = path in ("/api/panel", "/api/room", "/api/session")
        return [path, *(f"{path}?{key}={one}" for key in ("round_id", "audition_id") for one in ids if asks)]
    start, _, rest = path.partition("{")
    return [f"{start}{one}{rest.partition('}')[2]}" for one in ids]


def crawl(visitor: Any, hall: Crawled, route_table: Iterable[tuple[str, str, Any]]) -> tuple[int, list[Leak]]:
    """Visit everything; how many addresses answered 200, and where a secret could be read."""
    answered, leaks = 0, []
    for method, path, _ in route_table:
        if path in ("/api/sign-in", "/api/setup", "/api/join", "/api/sign-out"):
            continue
        # Where an adjudicator is turned away at the door, one id of each kind is enough.
        for address in _addresses(path, hall.ids if path.startswith("/api/panel") else hall.one_of_each):
            own = "/sheet/" in address
            if method != "GET" and own:
                continue  # the panel's own deeds are done on purpose below
            reply = visitor.request(method, address)
            answered += reply.status_code == 200
            found = leaks_of(reply, hall.secrets)
            if found:
                leaks.append((method, address, found))
    return answered, leaks

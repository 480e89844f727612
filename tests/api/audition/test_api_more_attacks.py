"""Attacks by the side doors: conditional and partial requests, a restart, another round's second person."""

from collections.abc import Callable
from typing import Any

import pytest
from api_hall import STUDENTS, Hall, full_marks, join, ok
from fastapi import FastAPI

from app.api.application import create_app
from app.domain.ids import new_id
from app.settings import Settings

CONDITIONS: tuple[dict[str, str], ...] = (
    {"Range": "bytes=0-9"},
    {"Range": "bytes=-1"},
    {"Range": "bytes=999999999-"},
    {"Range": "bytes=0-0", "If-Range": '"x"'},
    {"If-None-Match": "*"},
    {"If-Match": "*"},
    {"If-Modified-Since": "Fri, 01 Jan 2100 00:00:00 GMT"},
    {"If-Unmodified-Since": "Thu, 01 Jan 1970 00:00:00 GMT"},
)
TELLING = ("etag", "last-modified", "content-range", "accept-ranges", "age")


def second_hall(leader: Any, browser: Callable[..., Any]) -> dict[str, Any]:
    """Another audition with one student, drawn: its tablets and second person."""
    audition = ok(leader.post("/api/auditions", json={"name": "Autumn mock", "held_on": "2026-10-03"}))["id"]
    base = f"/api/auditions/{audition}"
    recipe = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "flute"}
    ok(leader.post(f"{base}/pieces/generated", json={"recipe": recipe, "title": "Scale"}))
    ok(
        leader.post(
            f"{base}/roster", json={"name": "Merla Ashgrove", "instrument": "flute", "consent_on": "2026-03-01"}
        )
    )
    judge = ok(leader.post(f"{base}/adjudicators", json={"name": "Third Ear"}))
    ok(leader.post(f"{base}/rule/declare"))
    round_id = ok(leader.post(f"{base}/rounds", json={"name": "First", "seats": 1, "second_check": True}))["id"]
    ok(leader.post(f"/api/rounds/{round_id}/commit"))
    ok(leader.post(f"/api/rounds/{round_id}/draw"))
    return {
        "panel": join(browser, ok(leader.post(f"/api/adjudicators/{judge['id']}/link"))),
        "room": join(browser, ok(leader.post(f"{base}/proctor-link"))),
        "check": join(browser, ok(leader.post(f"{base}/checker-link"))),
        "round_id": round_id,
    }


def test_no_condition_and_no_range_tells_of_a_recording_that_is_another_ones(
    hall: Hall, browser: Callable[..., Any]
) -> None:
    """A refusal must come before anything is said about the recording: its size, its date, whether it is there."""
    strangers = second_hall(hall.leader, browser)
    recused = next(
        c["candidate_id"] for c in ok(hall.panel["B"].get("/api/panel"))["candidates"] if c["state"] == "recused"
    )
    asked = [(strangers["panel"], "panel/takes", take) for take in hall.takes.values()]
    asked += [(strangers["room"], "takes", take) for take in hall.takes.values()]
    asked += [(hall.panel["B"], "panel/takes", hall.takes[recused]), (browser(), "panel/takes", hall.takes[recused])]
    asked += [(strangers["check"], "takes", hall.takes[recused])]
    for visitor, kind, take in asked:
        plain = visitor.get(f"/api/{kind}/{take}/playback")
        assert plain.status_code in (401, 403, 404)
        for headers in CONDITIONS:
            for method in ("GET", "HEAD"):
                reply = visitor.request(method, f"/api/{kind}/{take}/playback", headers=headers)
                expected = plain.status_code if method == "GET" else 405
                assert reply.status_code == expected, (kind, headers, method)
                assert [name for name in TELLING if name in reply.headers] == []
                if method == "GET":
                    assert reply.content == plain.content


def test_a_condition_on_the_own_recording_tells_no_date_and_no_history(hall: Hall) -> None:
    candidate = next(
        c for c in ok(hall.panel["A"].get("/api/panel"))["candidates"] if c["state"] != "recused" and c["takes"]
    )
    address = f"/api/panel/takes/{candidate['takes'][0]['take_id']}/playback"
    whole = hall.panel["A"].get(address).content
    for headers in CONDITIONS:
        reply = hall.panel["A"].get(address, headers=headers)
        assert reply.status_code in (200, 206, 416)
        assert not {"etag", "last-modified", "age"} & set(reply.headers)
        assert reply.headers["cache-control"] in ("private, no-store", "no-store")
        if reply.status_code != 416:
            assert reply.content in whole


def test_replies_of_the_api_are_kept_by_nobody(hall: Hall, route_table: Any) -> None:
    """A shared tablet's browser must not show the next person what the last one saw."""
    seen = 0
    for method, path, _ in route_table:
        if method != "GET":
            continue
        for one in hall.ids if "{" in path else [""]:
            address = path
            while "{" in address:
                start, end = address.index("{"), address.index("}")
                address = address[:start] + one + address[end + 1 :]
            for visitor in (hall.leader, hall.panel["A"], hall.proctor):
                reply = visitor.get(address)
                seen += reply.status_code == 200
                assert "no-store" in reply.headers["cache-control"], address
            if path.count("{") and seen > 200:
                break
    assert seen > 20


@pytest.fixture
def restarted(hall: Hall, app: FastAPI, settings: Settings, portal: Any) -> Any:
    """A second server on the same data, as after a restart: it knows only what is in the database."""
    again = create_app(settings)
    with portal.wrap_async_context_manager(again.router.lifespan_context(again)):
        yield again


def test_used_links_and_withdrawn_tablets_stay_dead_after_a_restart(
    hall: Hall, browser: Callable[..., Any], restarted: FastAPI, portal: Any
) -> None:
    after = type(browser())
    used = ok(hall.leader.post(f"/api/adjudicators/{hall.adjudicator_ids['A']}/link"))["url"]
    tablet = join(browser, {"url": used})
    fresh = ok(hall.leader.post(f"/api/auditions/{hall.audition_id}/proctor-link"))["url"]
    assert after(restarted, portal).post("/api/join", json={"link": used}).status_code == 403
    token = tablet._client.headers["authorization"]
    assert after(restarted, portal, Authorization=token).get("/api/panel").status_code == 200  # a tablet goes on
    tablets = ok(hall.leader.get(f"/api/auditions/{hall.audition_id}/tablets"))
    for one in (one for one in tablets if one["state"] == "in use"):  # links that wait are listed, too
        ok(hall.leader.delete(f"/api/tablets/{one['token_id']}"))
    assert after(restarted, portal, Authorization=token).get("/api/panel").status_code == 401
    assert after(restarted, portal).post("/api/join", json={"link": fresh}).status_code == 200  # once, here ...
    assert browser().post("/api/join", json={"link": fresh}).status_code == 403  # ... and so not there


def test_the_second_person_of_another_audition_confirms_checks_and_sees_nothing_here(
    leader: Any, browser: Callable[..., Any], hall: Hall
) -> None:
    there = second_hall(leader, browser)
    here = join(browser, ok(leader.post(f"/api/auditions/{hall.audition_id}/checker-link")))
    for visitor, round_id in ((here, there["round_id"]), (there["check"], hall.round_id)):
        deed = f"/api/check/rounds/{round_id}/confirm"
        reply = visitor.post(deed, json={"hash": "0" * 64, "person": "Philippa Oakes"})
        assert reply.status_code == 404, reply.text
        words = {word for student in STUDENTS for word in student["name"].split()} | {"Merla", "Ashgrove"}
        assert not [word for word in words if word in str(ok(visitor.get("/api/check")))]
        assert round_id not in str(ok(visitor.get("/api/check")))


def test_a_second_persons_link_that_was_taken_back_confirms_nothing(
    leader: Any, browser: Callable[..., Any], hall: Hall
) -> None:
    person = join(browser, ok(leader.post(f"/api/auditions/{hall.audition_id}/checker-link")))
    [token] = [one for one in ok(leader.get(f"/api/auditions/{hall.audition_id}/tablets")) if one["role"] == "checker"]
    ok(leader.delete(f"/api/tablets/{token['token_id']}"))
    body = {"hash": "0" * 64, "person": "Philippa Oakes"}
    assert person.post(f"/api/check/rounds/{hall.round_id}/confirm", json=body).status_code == 401


def test_an_adjudicators_tablet_marks_no_number_of_another_audition(
    leader: Any, browser: Callable[..., Any], hall: Hall
) -> None:
    """Knowing the random id is not enough; and a draft, the quickest of the routes, is no weaker than the others."""
    stranger = second_hall(leader, browser)["panel"]
    candidate = hall.candidates[0]["candidate_id"]
    marks = {"marks": full_marks(hall.piece_ids), "remarks": []}
    version = {**marks, "version_id": new_id()}
    for method, deed, body in (
        ("PUT", "sheet/draft", marks),
        ("POST", "sheet/submit", version),
        ("POST", "sheet/correct", {**version, "reason": "x"}),
        ("POST", "sheet/recuse", None),
    ):
        reply = stranger.request(method, f"/api/panel/candidates/{candidate}/{deed}", json=body)
        assert reply.status_code == 404, deed
    assert stranger.get(f"/api/panel/candidates/{candidate}/sheet").status_code == 404

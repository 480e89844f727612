"""A round handed in by links whose piece nobody typed in: the students' pages, the panel's, what is set aside."""

import dataclasses
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from api_hall import CAPTIONS, hand_in, join, ok, sentence, tagged_wav
from heard_take import heard_sound
from working_off import work_off

from app.db.models import Take
from app.domain.ids import new_id
from app.files.playback import rendition
from app.material.sounding import SAMPLE_RATE_HZ

PLAYERS = {"Orla Vandermeer": "clarinet-bb", "Piet Anstruther": "snare-drum"}


@pytest.fixture
def as_prepared() -> None:
    """This hall is one of its own."""


def test_students_hand_in_and_the_panel_hears_what_nobody_typed_in(
    app: Any, leader: Any, held: Any, browser: Callable[..., Any]
) -> None:
    def at(moment: datetime) -> None:
        app.state.resources = dataclasses.replace(app.state.resources, clock=lambda: moment)

    audition = ok(leader.post("/api/auditions", json={"name": "State", "held_on": "2099-03-14"}))["id"]
    base = f"/api/auditions/{audition}"
    by_title = {"title": "Étude 12, the blue book", "instrument": "clarinet-bb"}
    piece = ok(leader.post(f"{base}/pieces/untyped", json=by_title))["id"]
    for name, instrument in PLAYERS.items():
        line = {"name": name, "instrument": instrument, "consent_on": "2026-03-01"}
        ok(leader.post(f"{base}/roster", json=line))
    judge = ok(leader.post(f"{base}/adjudicators", json={"name": "Judge K"}))["id"]
    ok(leader.post(f"{base}/rule/declare"))
    round_id = ok(leader.post(f"{base}/rounds", json={"name": "Screening", "seats": 1}))["id"]
    at(datetime(2099, 3, 15, 12, 0, tzinfo=UTC))
    plan = {"due": "2099-03-29T18:00", "zone": "Europe/Berlin", "grace_min": 0, "per_candidate": None}
    ok(leader.put(f"/api/rounds/{round_id}/handing-in", json=plan))
    ok(leader.post(f"/api/rounds/{round_id}/commit"))
    ok(leader.post(f"/api/rounds/{round_id}/draw"))
    lines = {one["name"]: one for one in ok(leader.get(f"/api/rounds/{round_id}/handing-in"))["lines"]}
    pages, takes = {}, {}
    for name, sound in {
        "Orla Vandermeer": rendition(heard_sound(), SAMPLE_RATE_HZ),
        "Piet Anstruther": tagged_wav(""),
    }.items():
        link = ok(leader.post(f"/api/candidates/{lines[name]['candidate_id']}/hand-in-link"))["url"]
        pages[name] = browser(Authorization=f"Bearer {link.partition('/hand-in.html#')[2]}")
        shown = ok(pages[name].get("/api/hand-in"))
        (asked,) = shown["pieces"]
        assert (asked["title"], asked["about"], asked["marked_sec"]) == (by_title["title"], [], None)
        assert shown["about"][0].startswith("Tune to A = 440 Hz, your written B.") == (name == "Orla Vandermeer")
        (take,) = ok(hand_in(pages[name], piece, sound))["pieces"][0]["takes"]
        assert take["counts"]
        takes[name] = take["take_id"]
    assert len(shown["about"]) == 1  # a drummer tunes to nothing
    work_off(held)
    for page in pages.values():  # measured or not, nothing about it is the student's fault
        (take,) = ok(page.get("/api/hand-in"))["pieces"][0]["takes"]
        assert take["sentences"] == []

    panel = join(browser, ok(leader.post(f"/api/adjudicators/{judge}/link")))
    at(datetime(2099, 3, 29, 16, 0, tzinfo=UTC))
    ok(leader.post(f"/api/rounds/{round_id}/handing-in/close"))
    seen = ok(panel.get("/api/panel"))
    assert [(one["title"], one["bars"]) for one in seen["pieces"]] == [(by_title["title"], [])]
    assert "no notation here" in sentence(panel.get(f"/api/panel/pieces/{piece}/music"), 404)
    for candidate in seen["candidates"]:
        (take,) = candidate["takes"]
        assert ok(panel.get(f"/api/panel/takes/{take['take_id']}/peaks"))["bars"] == []
        about = f"/api/panel/takes/{take['take_id']}/findings"
        assert "once your own sheet" in sentence(panel.get(about), 409)
        remark = {"piece_id": piece, "bar": "12", "text": "Lovely here."}
        body = {"version_id": new_id(), "marks": {piece: dict.fromkeys(CAPTIONS, 6)}, "remarks": [remark]}
        ok(panel.post(f"/api/panel/candidates/{candidate['candidate_id']}/sheet/submit", json=body))
        found = ok(panel.get(about))
        assert (found["notated"], found["usable"]) == (False, take["take_id"] == takes["Orla Vandermeer"])
        assert bool(found["picture"]) == found["usable"]
        assert not any(name in str(found) for name in PLAYERS)

    # A recording that can't be read any more is set aside; what was measured before stays.
    with held.database.read() as session:
        place = held.store.local_path(session.get_one(Take, takes["Orla Vandermeer"]).sha256)
    place.chmod(0o600)
    place.write_bytes(place.read_bytes()[:5000])
    ok(leader.post(f"/api/takes/{takes['Orla Vandermeer']}/measure"))
    work_off(held)
    told = ok(leader.get(f"/api/rounds/{round_id}/progress"))
    assert "1 take could not be measured" in told["sentence"]
    assert ok(panel.get(f"/api/panel/takes/{takes['Orla Vandermeer']}/findings"))["usable"]

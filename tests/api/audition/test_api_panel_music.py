"""The engraved music on the panel's tablets, and the places of its bars."""

from xml.etree import ElementTree

import pytest
from api_hall import ok


def test_every_bar_of_what_is_heard_has_its_place_in_the_picture(hall):
    visitor = hall.panel["A"]
    [piece] = ok(visitor.get("/api/panel"))["pieces"]
    music = ok(visitor.get(f"/api/panel/pieces/{piece['piece_id']}/music"))
    assert [bar["bar"] for bar in music["bars"]] == piece["bars"]
    root = ElementTree.fromstring(music["svg"])
    _, _, width, height = (float(part) for part in root.attrib["viewBox"].split())
    for bar in music["bars"]:
        assert 0 <= bar["left"] < bar["right"] <= width
        assert -3 <= bar["top"] < bar["bottom"] <= height + 3
        assert bar["bottom"] - bar["top"] >= 9  # four spaces of staff and what a finger needs around them
    # Bars that stand beside each other share a line and do not overlap.
    for one, other in zip(music["bars"], music["bars"][1:], strict=False):
        assert other["top"] > one["top"] or other["left"] == pytest.approx(one["right"], abs=0.5)
    assert [part for part in ("<style", " style=") if part in music["svg"]] == []


def test_a_piece_is_shown_only_once_its_round_is_drawn(hall, browser):
    audition = ok(hall.leader.post("/api/auditions", json={"name": "Later", "held_on": "2026-05-01"}))["id"]
    base = f"/api/auditions/{audition}"
    recipe = {"kind": "scale", "tonic": "D", "mode": "major", "octaves": 1, "instrument": "flute"}
    form = {"recipe": recipe, "title": "Unseen"}
    piece = ok(hall.leader.post(f"{base}/pieces/generated", json=form))["id"]
    entry = {"name": "Ottoline Vane", "instrument": "flute", "consent_on": "2026-03-01"}
    ok(hall.leader.post(f"{base}/roster", json=entry))
    judge = ok(hall.leader.post(f"{base}/adjudicators", json={"name": "Cy Lund"}))
    ok(hall.leader.post(f"{base}/rule/declare"))
    made = ok(hall.leader.post(f"{base}/rounds", json={"name": "First round", "seats": 1}))["id"]
    ok(hall.leader.post(f"/api/rounds/{made}/commit"))
    link = ok(hall.leader.post(f"/api/adjudicators/{judge['id']}/link"))["url"]
    token = ok(browser().post("/api/join", json={"link": link}))["token"]
    visitor = browser(Authorization=f"Bearer {token}")
    early = visitor.get(f"/api/panel/pieces/{piece}/music")
    assert (early.status_code, early.json()["error"]["code"]) == (404, "not_found")
    ok(hall.leader.post(f"/api/rounds/{made}/draw"))
    assert ok(visitor.get(f"/api/panel/pieces/{piece}/music"))["bars"][0]["bar"] == "1"

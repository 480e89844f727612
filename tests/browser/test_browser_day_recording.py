"""A day on one recorder at its screen: handed in, cut, listened to, moved, confirmed; every control usable."""

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from looking import looked_over
from playwright.sync_api import expect
from rendered_day import Day
from small_audition import set_up
from sqlmodel import select
from working_off import work_off

from app.db.models import Take
from app.material.generating import generate
from app.material.recipe import recipe_from

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SCALE = {"kind": "scale", "tonic": "F", "mode": "major", "octaves": 1, "rhythm": "quarters", "tempo_bpm": 90}


@pytest.fixture(scope="module")
def day_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three of the scale, the second broken off first; talk before each."""
    day = Day(np.random.default_rng(8))
    piece = generate(recipe_from({**SCALE, "instrument": "clarinet-bb"}))
    for number in ("1", "2", "3"):
        day.quiet(2.0)
        day.talk(2.5)
        day.quiet(2.0)
        if number == "2":
            day.take(number, "scale", piece, until=0.6)
            day.quiet(3.0)
        day.take(number, "scale", piece)
        day.quiet(3.0)
    path = tmp_path_factory.mktemp("day") / "CARD0001.wav"
    path.write_bytes(day.wav())
    return path


def takes(server: Any, round_candidates: set[str]) -> list[Take]:
    with server.resources.database.read() as session:
        return [take for take in session.exec(select(Take)).all() if take.candidate_id in round_candidates]


def test_a_day_is_handed_in_and_sorted_out(server, open_context, open_page, day_file):
    drawn = set_up(server.url, server.setup_secret, students=("Wren Castellanos", "Dashiell Moy", "Юлия Орлова"))
    context = open_context()
    context.add_cookies(drawn.cookies)
    watched = open_page(context)
    page = watched.page
    page.goto(f"/room.html?audition_id={drawn.audition_id}")
    page.get_by_role("link", name="Day’s recording").click()
    page.get_by_label("Recording", exact=True).set_input_files(day_file)
    page.get_by_label("Started at, if known").fill("2026-04-18T09:30:00")
    page.get_by_role("button", name="Send it").click()
    expect(page.get_by_text("It is being cut")).to_be_visible()

    work_off(server.resources)
    expect(page.get_by_text("4 stretches of playing are open")).to_be_visible()
    rows = page.locator(".cut-row")
    expect(rows).to_have_count(4)
    page.get_by_label("Show").select_option("all")
    expect(rows).to_have_count(7)
    expect(rows.nth(0)).to_contain_text("Talk")
    expect(rows.nth(1)).to_contain_text("F major scale")
    expect(rows.nth(3)).to_contain_text("Broken off or played again")
    reply = page.request.get(f"/api/room?audition_id={drawn.audition_id}")
    candidates = {one["candidate_id"]: one for one in reply.json()["candidates"]}
    own = set(candidates)
    assert takes(server, own) == []

    # A press chooses the row; the button stays under the finger until it is let go, however long that is.
    rows.nth(1).get_by_role("button", name=re.compile("^Listen")).hover()
    page.mouse.down()
    expect(rows.nth(1)).to_have_class("cut-row chosen")
    page.evaluate(
        "() => new Promise((drawn) => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(drawn))))"
    )
    page.mouse.up()
    expect(rows.nth(1).locator("audio")).to_be_visible()
    # The first is moved to the last number; what nobody touched follows.
    last = max(candidates.values(), key=lambda one: one["playing_order"])
    rows.nth(1).get_by_role("button", name=re.compile("^Change")).click()
    rows.nth(1).get_by_role("combobox", name="Number").select_option(last["candidate_id"])
    rows.nth(1).get_by_role("button", name="Move there").click()
    expect(rows.nth(1)).to_contain_text(last["name"])
    expect(rows.nth(1)).to_contain_text("Set by hand")
    rows.nth(1).get_by_label("Split at").fill("not a time")
    expect(rows.nth(1).get_by_text("Write a time inside this cut.")).to_be_visible()

    assert looked_over(page) + watched.complaints == []
    page.set_viewport_size({"width": 1366, "height": 860})

    rows.nth(1).get_by_role("button", name=re.compile("^Confirm")).click()
    expect(rows.nth(1)).to_contain_text("confirmed")
    [take] = takes(server, own)
    assert take.candidate_id == last["candidate_id"]
    page.get_by_role("button", name="Set aside everything that is open").click()
    page.get_by_role("dialog").get_by_role("button", name="Set aside").click()
    expect(page.get_by_text("Everything is confirmed or set aside")).to_be_visible()
    page.get_by_role("button", name="Remove the long recording").click()
    page.get_by_role("dialog").get_by_role("button", name="Remove it").click()
    expect(page.get_by_text("The long recording is removed")).to_be_visible()
    assert len(takes(server, own)) == 1
    assert watched.complaints == []

"""Handing takes in by a link: the student's page on a telephone, through a broken line; the leader's side."""

import hashlib
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from looking import FAULTS, broken_rules, settled
from playwright.sync_api import expect
from small_audition import STUDENTS

pytestmark = pytest.mark.browser


@pytest.fixture
def long_take(tmp_path: Path) -> Path:
    """Three chunks of sound."""
    rate = 44_100
    t = np.arange(26 * rate) / rate
    sound = 0.3 * np.sin(2 * np.pi * 440 * t) * np.minimum(1, np.minimum(t, t[-1] - t) / 0.05)
    path = tmp_path / "étude, take 3.wav"
    soundfile.write(path, sound + np.random.default_rng(5).normal(0, 2e-4, t.size), rate, subtype="PCM_16")
    assert 2 * 2**20 < path.stat().st_size < 3 * 2**20
    return path


def test_a_student_hands_in_on_a_telephone_and_replaces_it(open_context, open_page, link, take_file, long_take):
    context = open_context(
        viewport={"width": 360, "height": 740}, has_touch=True, timezone_id="America/Chicago", locale="en-US"
    )
    watched = open_page(context)
    page = watched.page
    page.goto(link(STUDENTS[0]))
    expect(page.get_by_text("30 March 2098, 18:00 (Asia/Kathmandu, UTC+5:45)")).to_be_visible()
    expect(page.get_by_text(re.compile(r"Sun, March 30(,| at) 07:15 AM \(America/Chicago\)"))).to_be_visible()
    expect(page.get_by_text(re.compile(r"^\d+ days( \d+ hours?)?$"))).to_be_visible()
    settled(page)
    assert page.evaluate(FAULTS) + watched.complaints + broken_rules(page) == []

    box = page.get_by_label("Recording of F major scale")
    button = page.get_by_role("button", name="Hand in this file")
    expect(button).to_have_attribute("aria-disabled", "true")
    box.set_input_files(take_file)
    button.focus()
    page.keyboard.press("Enter")
    receipt = page.get_by_role("group", name="Receipt")
    expect(receipt).to_contain_text(hashlib.sha256(take_file.read_bytes()).hexdigest())
    expect(page.get_by_text("Every piece is in.")).to_be_visible()
    settled(page)
    assert page.evaluate(FAULTS) + watched.complaints + broken_rules(page) == []

    # The line breaks off twice; it goes on by itself, and the last one counts.
    broken = {"chunks": 0, "finish": 0}

    def break_once(route):
        part = "finish" if route.request.url.endswith("/finish") else "chunks"
        broken[part] += 1
        if broken[part] == 1:
            route.abort()
        else:
            route.continue_()

    page.route(re.compile(r"/api/hand-in/files/.*/(chunks/1|finish)$"), break_once)
    page.get_by_label("Another recording of F major scale").set_input_files(long_take)
    page.get_by_role("button", name="Hand in another one instead").click()
    expect(receipt).to_contain_text(hashlib.sha256(long_take.read_bytes()).hexdigest(), timeout=90_000)
    expect(page.get_by_text(re.compile(r"^Replaced, kept: 0:04, received"))).to_be_visible()
    assert min(broken.values()) >= 2
    page.get_by_role("button", name="Listen to what arrived").click()
    expect(page.locator("audio")).to_be_visible()

    # What is no sound is refused in a sentence, and what was handed in stays.
    page.get_by_label("Another recording of F major scale").set_input_files(
        {"name": "notes.wav", "mimeType": "audio/wav", "buffer": b"this is no sound" * 400}
    )
    page.get_by_role("button", name="Hand in another one instead").click()
    expect(page.get_by_role("alert")).to_be_visible()
    page.reload()
    expect(receipt).to_contain_text(hashlib.sha256(long_take.read_bytes()).hexdigest())


def test_what_was_begun_goes_on_after_a_reload(open_page, link, long_take):
    page = open_page().page
    page.goto(link(STUDENTS[1]))
    sent: list[str] = []
    page.on("request", lambda request: "/chunks/" in request.url and sent.append(request.url.rsplit("/", 1)[1]))
    page.route(re.compile(r"/api/hand-in/files/.*/finish$"), lambda route: route.abort())
    page.get_by_label("Recording of F major scale").set_input_files(long_take)
    with page.expect_request(re.compile(r"/finish$")):
        page.get_by_role("button", name="Hand in this file").click()
    assert sorted(set(sent)) == ["0", "1", "2"]
    sent.clear()
    page.unroute(re.compile(r"/api/hand-in/files/.*/finish$"))
    page.goto("/hand-in.html")  # the link is known here now
    page.get_by_label("Recording of F major scale").set_input_files(long_take)
    page.get_by_role("button", name="Hand in this file").click()
    expect(page.get_by_role("group", name="Receipt")).to_be_visible(timeout=90_000)
    assert sent == []


def test_the_leader_plans_follows_and_gives_more_time(open_context, open_page, drawn, home, link):
    context = open_context()
    context.add_cookies(drawn.cookies)
    watched = open_page(context)
    page = watched.page
    page.goto(f"/leader.html#/{drawn.audition_id}/room/{home.round_id}")
    expect(page.get_by_text(re.compile("of 6 candidates have handed in everything"))).to_be_visible()
    page.get_by_label("Find by name, school or number").fill("moy")
    page.get_by_label("Only who has not handed in everything").uncheck()
    expect(page.get_by_role("rowheader", name=STUDENTS[1])).to_be_visible()
    expect(page.get_by_role("rowheader", name=STUDENTS[2])).to_have_count(0)
    page.get_by_label("Find by name, school or number").fill("Юлия")
    page.get_by_role("button", name=f"More time for {STUDENTS[3]}").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("Hand in until").fill("2098-04-02T08:00")
    dialog.get_by_label("Why").fill("no network at school")
    dialog.get_by_role("button", name="Give more time").click()
    expect(page.get_by_text("2 April 2098, 08:00 (Asia/Kathmandu, UTC+5:45) (more time)")).to_be_visible()
    expect(page.get_by_role("button", name="Close the handing in")).to_have_attribute("aria-disabled", "true")
    with page.expect_download() as download:
        page.get_by_role("button", name="Save who to remind, CSV").click()
    assert STUDENTS[3] in download.value.path().read_text("utf-8-sig")
    settled(page)
    assert page.evaluate(FAULTS) + watched.complaints + broken_rules(page) == []

    made = home.leader("POST", f"/auditions/{drawn.audition_id}/rounds", json={"name": "Another"}).json()
    page.goto(f"/leader.html#/{drawn.audition_id}/draw/{made['id']}")
    page.get_by_text("Recorded in the room").click()
    page.get_by_label("Hand in until").fill("2098-05-01T18:00")
    page.get_by_label("on the clocks of").fill("Europe/Berlin")
    settled(page)
    assert page.evaluate(FAULTS) + watched.complaints + broken_rules(page) == []
    page.get_by_role("button", name="Keep this").first.click()
    expect(page.get_by_text("until 1 May 2098, 18:00 (Europe/Berlin, UTC+2)").first).to_be_visible()

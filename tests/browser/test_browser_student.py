"""A student's own page: opened by the private link, followed, practised with, and there without a network."""

import math
import re
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from looking import SIZES, faults_at
from microphone import chromium_args_for
from opened_audition import FIRST_SEC, NOTE_SEC, open_round
from playwright.sync_api import Page, Playwright, expect
from small_audition import set_up
from thread_server import start_server

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def links(server, drawn, take_file: Path) -> dict[str, str]:
    return open_round(server.url, drawn, server.resources, take_file)


@pytest.fixture(scope="module")
def link(links) -> str:
    return "/student.html#" + next(iter(links.values())).partition("#")[2]


def go(page: Page, part: str) -> None:
    page.get_by_role("navigation", name="Your page").get_by_role("button", name=part).click()


@pytest.mark.parametrize(("size", "scheme"), [("phone", "light"), ("tablet", "light"), ("desk", "dark")])
def test_every_part_at_every_size(size, scheme, open_context, open_page, drawn, link):
    width, height = SIZES[size]
    context = open_context(viewport={"width": width, "height": height}, color_scheme=scheme, has_touch=size != "desk")
    watched = open_page(context)
    page = watched.page
    faults: dict[str, list[str]] = {}

    def look(name: str) -> None:
        if found := faults_at(page, watched.complaints, size, scheme):
            faults[name] = found

    page.goto("/student.html")
    look("no link")
    page.goto(link)
    page.reload()
    expect(page.get_by_text("Keep the air moving to the top.")).to_be_visible()
    look("sheet")
    go(page, "Take")
    expect(page.locator(".engraving.marked svg")).to_be_visible()
    page.get_by_role("button", name="First note").click()
    look("take")
    go(page, "Practice")
    expect(page.get_by_role("button", name="Start the drone")).to_be_visible()
    look("practice")
    context.add_cookies(drawn.cookies)
    page.goto(f"/leader.html#/{drawn.audition_id}/sheets")
    expect(page.get_by_role("button", name="Save slips for everybody, PDF")).to_be_visible()
    look("the leader's sheets")
    assert faults == {}


def test_a_note_is_heard_and_says_its_figures_and_playback_is_followed(open_page, link):
    page = open_page().page
    page.goto(link)
    go(page, "Take")
    expect(page.get_by_role("button", name="Play", exact=True)).not_to_have_attribute("aria-disabled", "true")
    says = page.get_by_role("region", name="Figures of one note")
    page.get_by_role("button", name="First note").click()
    page.get_by_role("button", name="Note after").click()
    page.get_by_role("button", name="Note after").click()
    expect(says).to_contain_text("22 cents sharp, give or take 4 cents.")
    # It plays from just before the note, and stops behind it by itself.
    expect(page.get_by_role("button", name="Play", exact=True)).to_be_visible()
    sec = page.evaluate("document.querySelector('audio').currentTime")
    onset = FIRST_SEC + 2 * NOTE_SEC
    assert onset <= sec <= onset + 1.5
    # A tap in the lanes below the fifth head means the fifth note.
    where = page.evaluate(
        """() => {
          const heads = [...document.querySelectorAll(".marked .note")];
          const box = heads[4].querySelector(".notehead").getBoundingClientRect();
          return [box.x + box.width / 2, box.y + 70];
        }"""
    )
    page.mouse.click(*where)
    expect(says).to_contain_text("70 ms late.")
    # While it plays, a band stands behind the note that sounds, and moves on.
    page.get_by_role("slider", name="Place in the take").press("Home")
    page.get_by_role("button", name="Play", exact=True).click()
    band = page.locator(".marked .sounding")
    expect(band).to_have_attribute("visibility", "visible")
    before = float(band.get_attribute("x") or 0)
    expect(band).not_to_have_attribute("x", str(band.get_attribute("x")), timeout=10_000)
    assert float(band.get_attribute("x") or 0) != before


def test_metronome_and_ladder_move_when_the_student_says_so(open_page, link):
    page = open_page().page
    page.goto(link)
    go(page, "Practice")
    steps = page.get_by_role("list", name="Tempo ladder").get_by_role("button")
    expect(steps.first).to_have_attribute("aria-pressed", "true")
    lowest = steps.first.inner_text()
    page.get_by_role("button", name="It was clean: up a step").click()
    expect(steps.nth(1)).to_have_attribute("aria-pressed", "true")
    second = steps.nth(1).inner_text()
    expect(page.get_by_role("textbox", name="quarter =")).to_have_value(second)
    page.get_by_role("button", name="Start the metronome").click()
    expect(page.locator(".beats .now")).to_have_count(1)
    page.get_by_role("button", name="Back a step").click()
    expect(page.get_by_role("textbox", name="quarter =")).to_have_value(lowest)
    page.get_by_label("Silent bars").select_option("2")
    page.get_by_role("button", name="Stop the metronome").click()
    page.get_by_role("button", name="Start the drone").click()
    expect(page.get_by_role("button", name="Stop the drone")).to_be_visible()
    page.get_by_role("button", name="Stop the drone").click()
    assert [int(s) for s in steps.all_inner_texts()] == sorted(int(s) for s in steps.all_inner_texts())


def test_the_leader_saves_all_sheets_and_slips(open_context, open_page, drawn, links):
    context = open_context()
    context.add_cookies(drawn.cookies)
    page = open_page(context).page
    page.goto(f"/leader.html#/{drawn.audition_id}/sheets")
    with page.expect_download() as download:
        page.get_by_role("button", name="Save all comment sheets, ZIP").click()
        expect(page.get_by_text(re.compile(r"Reading the round|Drawing the sheets: \d of 6"))).to_be_visible()
    with zipfile.ZipFile(download.value.path()) as archive:
        assert len(archive.namelist()) == len(links)
        assert all(archive.read(name).startswith(b"%PDF") for name in archive.namelist())
    expect(page.get_by_text("6 sheets saved.")).to_be_visible()
    # The third student's: no other test needs that link.
    page.get_by_role("button", name=re.compile("^New link of number")).nth(2).click()
    page.get_by_role("button", name="Make a new link").click()
    expect(page.get_by_role("dialog").get_by_text("student.html#")).to_be_visible()
    page.get_by_role("button", name="Done").click()


@pytest.fixture
def own_link(tmp_path: Path, take_file: Path) -> Iterator[tuple[str, Callable[[], None]]]:
    """A private link on a server of its own, and what stops that server."""
    server, stop = start_server(tmp_path / "data")
    links = open_round(server.url, set_up(server.url, server.setup_secret), server.resources, take_file)
    yield next(iter(links.values())), stop
    stop()


def test_it_opens_with_the_server_gone_after_the_first_visit(own_link, open_context, open_page):
    url, stop_server = own_link
    page = open_page(open_context()).page
    page.goto(url)
    page.evaluate("navigator.serviceWorker.ready")
    page.reload()
    expect(page.get_by_text("All of it is kept on this device")).to_be_visible()
    stop_server()
    assert page.evaluate("fetch('/healthz', { cache: 'no-store' }).then(() => 'there', () => 'gone')") == "gone"
    page.reload()
    expect(page.get_by_text("This is what this device has kept.")).to_be_visible()
    go(page, "Take")
    expect(page.locator(".engraving.marked svg")).to_be_visible()
    expect(page.get_by_role("button", name="Play", exact=True)).not_to_have_attribute("aria-disabled", "true")
    page.get_by_role("button", name="Play", exact=True).click()
    expect(page.locator(".marked .sounding")).to_have_attribute("visibility", "visible")  # it plays and is followed
    page.get_by_role("button", name="First note").click()
    expect(page.get_by_role("region", name="Figures of one note")).to_contain_text("cents")
    go(page, "Practice")
    page.get_by_role("button", name="Start the metronome").click()
    expect(page.locator(".beats .now")).to_have_count(1)
    page.get_by_role("button", name="Start the drone").click()
    expect(page.get_by_role("button", name="Stop the drone")).to_be_visible()


def test_a_withdrawn_link_takes_everything_off_the_device(open_context, open_page, server, drawn, links):
    import httpx

    number, url = list(links.items())[-1]
    page = open_page(open_context()).page
    page.goto("/student.html#" + url.partition("#")[2])
    expect(page.get_by_role("heading", name="First round")).to_be_visible()
    cookies = {c["name"]: c["value"] for c in drawn.cookies}
    with httpx.Client(base_url=server.url, cookies=cookies, headers={"Origin": server.url}) as leader:
        rows = leader.get(f"/api/rounds/{drawn.round_id}/standing").json()["rows"]
        candidate = next(row["candidate_id"] for row in rows if row["blind_number"] == number)
        assert leader.delete(f"/api/candidates/{candidate}/student-link").status_code == 200
    page.reload()
    expect(page.get_by_text("not let in any more")).to_be_visible()
    left = page.evaluate(
        """() => new Promise((done) => {
          const asked = indexedDB.open("fairhearing-student");
          asked.onsuccess = () => {
            const keys = asked.result.transaction("kept").objectStore("kept").getAllKeys();
            keys.onsuccess = () => done([keys.result.length, localStorage.getItem("fairhearing.student")]);
          };
        })"""
    )
    assert left == [0, None]


@pytest.fixture
def ear(playwright: Playwright, chromium_path, chromium_args, tmp_path: Path) -> Iterator[Page]:
    """A device whose microphone hears F, something else, and the F again 15 cents higher, over and over."""
    rate = 44_100
    tones = []
    for midi, cents in ((63, 10.0), (67, 0.0), (63, 25.0)):
        t = np.arange(int(1.2 * rate)) / rate
        hz = 440 * 2 ** ((midi + cents / 100 - 69) / 12)
        edge = np.minimum(1, np.minimum(t, 1.2 - t) / 0.03)
        tones += [0.3 * edge * (np.sin(2 * math.pi * hz * t) + 0.4 * np.sin(6 * math.pi * hz * t)), np.zeros(rate // 2)]
    source = tmp_path / "tones.wav"
    soundfile.write(source, np.concatenate([np.zeros(2 * rate), *tones, np.zeros(rate)]), rate, subtype="PCM_16")
    args = [a.replace("%noloop", "") for a in chromium_args_for(source)]
    browser = playwright.chromium.launch(executable_path=chromium_path, args=[*chromium_args, *args])
    context = browser.new_context(permissions=["microphone"])
    context.set_default_timeout(30_000)
    yield context.new_page()
    browser.close()


def test_the_microphone_answers_in_cents(ear, server, link):
    page = ear
    page.goto(server.url + link)
    go(page, "Practice")
    page.get_by_role("combobox", name="What", exact=True).select_option("return")
    page.get_by_role("combobox", name="Note", exact=True).select_option("63")
    page.get_by_role("button", name="Listen", exact=True).click()
    log = page.get_by_role("log", name="What was heard")
    expect(log).to_contain_text("F4 came back", timeout=60_000)
    said = log.inner_text()
    found = re.search(r"F4 came back (\d+) cents higher after one other note", said)
    assert found is not None, said
    assert abs(int(found[1]) - 15) <= 2
    page.get_by_role("button", name="Stop listening").click()
    page.get_by_role("combobox", name="What", exact=True).select_option("long")
    page.get_by_role("button", name="Listen", exact=True).click()
    expect(log).to_contain_text(re.compile(r"F4, held 1\.\d s: (10|9|11|24|25|26) cents sharp\."), timeout=60_000)


def test_a_shared_device_forgets_the_page_when_told(open_page, link):
    page = open_page().page
    page.goto(link)
    kept = """async () => {
      const open = indexedDB.open("fairhearing-student");
      const db = await new Promise((done) => { open.onsuccess = () => done(open.result); });
      const keys = db.transaction("kept").objectStore("kept").getAllKeys();
      return new Promise((done) => { keys.onsuccess = () => done(keys.result.length); });
    }"""
    expect(page.get_by_text("Keep the air moving to the top.")).to_be_visible()
    page.wait_for_function(f"async () => (await ({kept})()) > 0")
    page.get_by_role("button", name="Forget it here").click()
    expect(page.get_by_text("This page opens from your private link.")).to_be_visible()
    page.reload()
    expect(page.get_by_text("This page opens from your private link.")).to_be_visible()
    assert page.evaluate(kept) == 0
    assert page.evaluate("[location.hash, localStorage.length]") == ["", 0]

"""The day on screen: accommodations in the roster's form, sight-reading from seal to paper, restarts anywhere."""

import io
from dataclasses import dataclass
from typing import Any

import httpx
import pypdf
import pytest
from playwright.sync_api import Page, expect
from small_audition import LEADER, PASSWORD

pytestmark = pytest.mark.browser

RECIPE = {"tonic": "G", "bars": 4, "metre": "3/4", "tempo_bpm": 88, "instrument": "clarinet-bb"}
STUDENT = {
    "name": "Theo Marchbanks",
    "instrument": "clarinet-bb",
    "consent_on": "2026-03-01",
    "accommodation": "reads large print",
    "extra_time_percent": 50,
    "enlarged_music": True,
}


@dataclass(frozen=True)
class Today:
    audition_id: str
    candidate_id: str
    number: str
    cookies: list[Any]


@pytest.fixture(scope="module")
def today(server) -> Today:
    """One student with accommodations, one piece of sight-reading, a planned day; drawn."""
    with httpx.Client(base_url=server.url, timeout=60) as client:

        def ask(method: str, path: str, **options: Any) -> Any:
            reply = client.request(method, f"/api{path}", **options)
            assert reply.is_success, f"{method} {path}: {reply.text}"
            return reply.json()

        person = {"name": LEADER, "password": PASSWORD}
        if ask("GET", "/session")["needs_setup"]:
            ask("POST", "/setup", json={"setup_token": server.setup_secret, **person})
        else:
            ask("POST", "/sign-in", json=person)
        audition = ask("POST", "/auditions", json={"name": "Sight-reading day", "held_on": "2026-04-18"})["id"]
        own = f"/auditions/{audition}"
        ask("POST", f"{own}/pieces/sight-reading", json={"recipe": RECIPE, "title": "Sight-reading"})
        ask("POST", f"{own}/roster", json=STUDENT)
        ask("POST", f"{own}/rule/declare")
        made = ask("POST", f"{own}/rounds", json={"name": "First round", "kind": "first", "seats": 1})["id"]
        ask("POST", f"/rounds/{made}/commit")
        ask("POST", f"/rounds/{made}/draw")
        day = {"starts_at": "2026-04-18T09:00-06:00", "minutes": 6, "restarts": "one", "study_sec": 400}
        ask("PUT", f"/rounds/{made}/day", json=day)
        [candidate] = ask("GET", f"/room?audition_id={audition}")["candidates"]
        cookies = [{"name": c.name, "value": c.value or "", "url": server.url} for c in client.cookies.jar]
    return Today(audition, candidate["candidate_id"], candidate["blind_number"], cookies)


def room(context: Any, today: Today) -> Page:
    page = context.new_page()
    page.goto(f"/room.html?audition_id={today.audition_id}#{today.candidate_id}")
    expect(page.get_by_role("heading", name=f"Number {today.number}")).to_be_visible()
    return page


def test_the_rosters_form_keeps_accommodations_and_explains_the_table(open_context, today):
    context = open_context()
    context.add_cookies(today.cookies)
    page = context.new_page()
    page.goto(f"/leader.html#/{today.audition_id}/roster")
    needs = page.get_by_text("reads large print · 50 % more time · enlarged music")
    expect(needs).to_be_visible()
    nav, main = page.get_by_role("navigation", name="Set-up").bounding_box(), page.locator("main").bounding_box()
    assert main["x"] >= nav["x"] + nav["width"] - 1  # side by side on a desk
    page.get_by_role("button", name="Change Theo Marchbanks").click()
    form = page.get_by_role("row").filter(has=page.get_by_role("button", name="Save", exact=True))
    expect(form.get_by_label("Enlarged music")).to_be_checked()
    form.get_by_label("More time, in percent").fill("25")
    form.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_text("reads large print · 25 % more time · enlarged music")).to_be_visible()
    page.get_by_text("The columns", exact=True).click()
    for column in ("extra_time_percent", "enlarged_music"):
        expect(page.get_by_role("rowheader", name=column)).to_be_visible()


def test_sight_reading_goes_from_the_seal_over_paper_to_the_study_time(open_context, today):
    context = open_context(viewport={"width": 820, "height": 1100}, accept_downloads=True)
    context.add_cookies(today.cookies)
    page = room(context, today)
    expect(page.locator(".spoken")).to_have_count(0)
    page.get_by_role("button", name=f"Number {today.number} comes in").click()
    spoken = page.locator(".spoken")  # the script, word by word, once the candidate is in the room
    expect(spoken).to_contain_text("Welcome. Please do not say your name")
    for at in range(2, 7):
        page.get_by_role("button", name="Next sentence").click()
        expect(page.get_by_text(f"Read aloud, word by word: {at} of 6")).to_be_visible()
    expect(spoken).to_contain_text("Please leave the room quietly")
    record = page.get_by_role("button", name="Record Sight-reading")
    expect(page.get_by_text("The notes are sealed")).to_be_visible()
    expect(record).to_have_count(0)
    expect(page.get_by_label("Large print")).to_be_checked()
    with page.expect_download() as saved:
        page.get_by_role("button", name="Print the sheet for the stand").click()
    pdf = pypdf.PdfReader(io.BytesIO(saved.value.path().read_bytes()))
    text = " ".join(sheet.extract_text() for sheet in pdf.pages)
    assert today.number in text
    assert "Theo" not in text + str(pdf.metadata) + saved.value.suggested_filename
    expect(page.get_by_text("Lay it face down")).to_be_visible()
    expect(page.get_by_role("timer")).to_have_count(0)
    expect(record).to_have_count(0)
    page.get_by_role("button", name="Begin the study time").click()
    expect(page.get_by_role("timer")).to_be_visible()
    expect(page.get_by_role("img", name="Sight-reading, to be read at sight")).to_be_visible()
    expect(record).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_a_restart_can_be_taken_back_on_another_device(open_context, today):
    devices = []
    for _ in range(2):
        context = open_context()
        context.add_cookies(today.cookies)
        devices.append(context)
    page = room(devices[0], today)
    begin = page.get_by_role("button", name="Begin the study time")
    again = page.get_by_role("button", name="The piece was begun again")
    expect(begin.or_(again)).to_be_visible()
    if begin.is_visible():
        begin.click()
    again.click()
    expect(again).to_have_text("The piece was begun again: 1 so far")
    again.click()
    expect(page.get_by_text("may be begun again once")).to_be_visible()
    other = room(devices[1], today)
    expect(other.get_by_role("button", name="The piece was begun again")).to_have_text(
        "The piece was begun again: 2 so far"
    )
    other.get_by_role("button", name="Take the last one back (Sight-reading)").click()
    expect(other.get_by_role("button", name="The piece was begun again")).to_have_text(
        "The piece was begun again: 1 so far"
    )

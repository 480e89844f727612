"""Lists that are longer than a page: standing, sheets and links, the recording room, choosing a student."""

import re
from typing import Any

import httpx
import pytest
from looking import looked_over
from playwright.sync_api import Page, expect
from small_audition import set_up
from sqlmodel import Session, select
from working_off import work_off

from app.db.models import AdjudicationSheet, Adjudicator, Candidate, SheetVersion
from app.domain.ids import new_id
from app.services import rounds

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PEOPLE = 104
CAPTIONS = ("tone", "pitch", "rhythm", "musicianship")


@pytest.fixture
def long(server: Any, monkeypatch: pytest.MonkeyPatch) -> tuple[str, str, list[dict[str, str]]]:
    """A drawn round of more than a page, every sheet sent; (audition, round, the leader's cookies)."""
    monkeypatch.setattr(rounds, "LONG_ROUND", 100)
    first = set_up(server.url, server.setup_secret, untyped=True)
    with httpx.Client(base_url=server.url, timeout=60) as client:
        headers = {"Cookie": "; ".join(f"{c['name']}={c['value']}" for c in first.cookies)}
        table = "name,instrument,school,consent_on\n" + "".join(
            f"Player {n:03d},flute,School {n % 9},2026-03-01\n" for n in range(6, PEOPLE)
        )
        base = f"/api/auditions/{first.audition_id}"
        file = {"file": ("roster.csv", table.encode(), "text/csv")}
        client.post(f"{base}/roster/csv", files=file, headers=headers).raise_for_status()
        made = client.post(
            f"{base}/rounds", json={"name": "Long round", "seats": 3}, headers=headers
        ).raise_for_status()
        round_id = made.json()["id"]
        for step in ("commit", "draw"):
            client.post(f"/api/rounds/{round_id}/{step}", headers=headers).raise_for_status()
        day = {"starts_at": "2026-03-14T09:00Z", "minutes": 5}
        client.put(f"/api/rounds/{round_id}/day", json=day, headers=headers).raise_for_status()

    def sheets(session: Session) -> None:
        panel = session.exec(select(Adjudicator).where(Adjudicator.audition_id == first.audition_id)).all()
        for place, one in enumerate(session.exec(select(Candidate).where(Candidate.round_id == round_id)).all()):
            for judge in panel:
                sheet = AdjudicationSheet(adjudicator_id=judge.id, candidate_id=one.id, state="submitted")
                session.add(sheet)
                session.flush()
                given = {first.piece_id: {caption: 1 + (place * (7 + n)) % 10 for n, caption in enumerate(CAPTIONS)}}
                session.add(SheetVersion(id=new_id(), sheet_id=sheet.id, version=1, marks=given, signature="0" * 64))

    server.resources.database.write(sheets)
    return first.audition_id, round_id, first.cookies


def test_long_lists_are_paged_and_searched(open_context: Any, open_page: Any, server: Any, long: Any) -> None:
    audition, round_id, cookies = long
    context = open_context(has_touch=True)
    context.add_cookies(cookies)
    watched = open_page(context)
    page: Page = watched.page
    faults: dict[str, list[str]] = {}

    def look(name: str) -> None:
        if found := looked_over(page) + watched.complaints:
            faults[name] = found
        watched.complaints.clear()

    page.goto(f"/leader.html#/{audition}/standing/{round_id}")
    page.get_by_role("button", name="Work out the standing").click()
    expect(page.get_by_text("waiting for a worker")).to_be_visible()
    look("a standing to be worked out")
    work_off(server.resources)
    expect(page.get_by_text(f"1 to 100 of {PEOPLE} candidates")).to_be_visible()
    expect(page.get_by_text("Nothing has changed since.")).to_be_visible()
    look("a long standing")
    # Brackets side by side, none over another; where they are too many, those across the cut line (after row 3) alone.
    spans = [{"from": 0, "to": 2}, {"from": 1, "to": 4}, {"from": 3, "to": 5}]
    chain = [{"from": row, "to": row + 6} for row in range(20)]
    found = page.evaluate(
        """async ([few, many]) => {
          const { lanesOf } = await import("/views/leader/standing-picture.js");
          return [lanesOf(few, 3), lanesOf(many, 0), lanesOf(many.slice(0, 4).concat(many.slice(9)), 9)];
        }""",
        [spans, chain],
    )
    assert [one["lane"] for one in found[0]["drawn"]] == [0, 1, 0]
    assert (found[0]["left"], found[1]) == (0, {"drawn": [], "left": 20})
    assert [one["from"] for one in found[2]["drawn"]] == [3]
    page.get_by_role("button", name="Later").click()
    expect(page.get_by_text(f"101 to {PEOPLE} of {PEOPLE} candidates")).to_be_visible()
    look("its last page")
    page.get_by_role("searchbox", name="Find a number").fill("nobody")
    expect(page.get_by_text("Nobody is found by that.")).to_be_visible()

    page.goto(f"/leader.html#/{audition}/section/{round_id}")
    page.get_by_role("button", name="Work out the section report").click()
    expect(page.get_by_text("waiting for a worker")).to_be_visible()
    look("a section report to be worked out")
    work_off(server.resources)
    expect(page.get_by_role("link", name="Save the section report, PDF")).to_be_visible()
    look("a long section report")

    page.goto(f"/door.html?audition_id={audition}")
    page.get_by_role("combobox", name="Round").select_option(label="Long round")
    expect(page.get_by_text(f"1 to 100 of {PEOPLE} numbers")).to_be_visible()
    look("a long door")
    page.get_by_role("button", name="Later").click()
    expect(page.get_by_text(f"101 to {PEOPLE} of {PEOPLE} numbers")).to_be_visible()
    page.get_by_role("searchbox", name="Find a name or number").fill("player 077")
    expect(page.get_by_role("button", name=re.compile("^Check in"))).to_have_count(1)
    expect(page.get_by_text("Player 077")).to_be_visible()
    look("the door, one found")

    page.goto(f"/leader.html#/{audition}/standing/{round_id}")
    page.get_by_role("button", name="Open the round").click()
    page.get_by_role("button", name="Open it now").click()
    expect(page.get_by_text("The round is being opened")).to_be_visible()
    look("a long round that is being opened")
    work_off(server.resources)
    expect(page.get_by_text("This round is opened: names stand beside numbers")).to_be_visible()
    page.get_by_role("button", name="Recompute and compare").click()
    expect(page.get_by_text("waiting for a worker")).to_be_visible()
    work_off(server.resources)
    expect(page.get_by_text("Computed anew from the sheets: every place")).to_be_visible()
    look("a long round, opened and compared")
    page.goto(f"/leader.html#/{audition}/sheets/{round_id}")
    expect(page.get_by_text(f"1 to 100 of {PEOPLE} students")).to_be_visible()
    page.get_by_role("button", name="Draw the comment sheets").click()
    page.get_by_role("button", name="Stop drawing").click()
    for what in ("the score sheet", "the comment sheets"):
        page.get_by_role("button", name=f"Draw {what}").click()
        expect(page.get_by_role("region", name=f"Drawing {what}").get_by_role("progressbar")).to_be_visible()
    look("sheets of a long round, to be drawn")
    work_off(server.resources)
    expect(page.get_by_role("link", name=f"Save 1 to {PEOPLE}, ZIP")).to_be_visible()
    expect(page.get_by_role("link", name="Save the score sheet, PDF")).to_be_visible()
    look("sheets of a long round, drawn")
    page.get_by_role("searchbox", name="Find a number or name").fill("Player 103")
    make = page.get_by_role("button", name=re.compile("^Make the link of number"))
    expect(make).to_have_count(1)
    expect(page.get_by_text("Player 103")).to_have_count(2)  # the sheet and the link
    make.click()
    expect(page.get_by_role("dialog")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.get_by_role("button", name="Withdraw all")).to_be_visible()
    look("sheets and links, one found")

    page.goto(f"/leader.html#/{audition}/afterwards")
    page.get_by_role("searchbox", name="Find a student").fill("Player 09")
    expect(page.get_by_text("10 found.")).to_be_visible()
    page.get_by_role("combobox", name="Student").select_option(label="Player 093, School 3")
    page.get_by_role("searchbox", name="Find a student").fill("")
    expect(page.get_by_role("link", name="Save everything of Player 093, ZIP")).to_be_visible()
    look("choosing a student")

    page.goto(f"/room.html?audition_id={audition}")
    page.get_by_role("combobox", name="Round").select_option(label="Long round")
    order = page.get_by_role("navigation", name="Playing order")
    expect(order.get_by_text(f"1 to 100 of {PEOPLE} candidates")).to_be_visible()
    page.get_by_role("searchbox", name="Find a number or name").fill("player 050")
    expect(order.get_by_role("button", name=re.compile("Player 050"))).to_have_count(1)
    order.get_by_role("button", name=re.compile("Player 050")).click()
    expect(page.get_by_text("Player 050 · flute")).to_be_visible()
    page.get_by_role("searchbox", name="Find a number or name").fill("")
    expect(order.get_by_text(f"1 to 100 of {PEOPLE} candidates")).to_be_visible()
    expect(page.get_by_text("Player 050 · flute")).to_be_visible()  # stays, on whichever page the number is
    look("a long recording room")
    assert faults == {}

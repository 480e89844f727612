"""A whole round at once: three tablets and a proctor who records, in four browsers of their own.

One adjudicator marks while hearing, before any recording is up; one is shut out and joins again; one has no network
for a while. In the end every sheet is there once.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from microphone import chromium_args_for, recorded, sliding, write_source
from playwright.sync_api import Browser, BrowserContext, Locator, Page, Playwright, Route, expect
from small_audition import Drawn, set_up
from sqlmodel import col, select

from app.db.models import AdjudicationSheet, Adjudicator, Candidate, SheetVersion, Take

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PIECE = "F major scale"
TABLET = {"viewport": {"width": 1180, "height": 820}, "has_touch": True}


@pytest.fixture(scope="module")
def drawn(server) -> Drawn:
    return set_up(
        server.url,
        server.setup_secret,
        students=("Wren Castellanos", "Dashiell Moy", "Sena Yıldız"),
        adjudicators=("Lech Nowak", "Priya Raman", "Odile Brandt"),
    )


@pytest.fixture
def proctors_browser(
    playwright: Playwright, chromium_path: str, chromium_args: list[str], tmp_path: Path
) -> Iterator[Browser]:
    source = tmp_path / "source.wav"
    write_source(source, sliding(40))
    browser = playwright.chromium.launch(
        executable_path=chromium_path, args=[*chromium_args, *chromium_args_for(source)]
    )
    yield browser
    browser.close()


def numbers(page: Page) -> Locator:
    return page.get_by_role("navigation", name="Numbers").get_by_role("button")


@dataclass
class Tablet:
    """One adjudicator's tablet."""

    context: BrowserContext
    page: Page

    def join(self, link: str) -> None:
        self.page.goto(f"/join.html#{link.split('#')[1]}")
        self.page.get_by_role("button", name="Join on this device").tap()
        self.page.wait_for_url("**/panel.html*")
        expect(numbers(self.page)).to_have_count(3)

    def choose(self, place: int) -> None:
        numbers(self.page).nth(place).tap()
        expect(self.page.get_by_role("radiogroup")).to_have_count(4)

    def mark(self, caption: str, mark: int) -> None:
        row = self.page.get_by_role("radiogroup", name=caption)
        row.locator("label.square", has_text=re.compile(f"^{mark}$")).tap()

    def mark_all(self, mark: int) -> None:
        for caption in ("Tone", "Pitch", "Rhythm", "Musicianship"):
            self.mark(caption, mark)

    def send(self) -> None:
        self.page.get_by_role("button", name="Send this sheet").tap()

    def look_again(self) -> None:
        """What the page does by itself every ten seconds."""
        self.page.evaluate("dispatchEvent(new Event('online'))")

    def tap_bar(self, bar: int) -> None:
        """Tap the middle of a bar of the engraved music; the first three share its first line or begin the second."""
        picture = self.page.get_by_role("img", name=f"Music of {PIECE}")
        picture.scroll_into_view_if_needed()
        place = self.page.evaluate(
            """async ([bar, token, piece]) => {
              const { loadMusic } = await import("/core/music.js");
              const { bars } = await loadMusic(piece, token);
              const { left, right, top, bottom } = bars.find((one) => one.bar === bar);
              const at = new DOMPoint((left + right) / 2, (top + bottom) / 2);
              const { x, y } = at.matrixTransform(document.querySelector(".music svg").getScreenCTM());
              return { x, y };
            }""",
            [str(bar), self.token(), self.piece_id()],
        )
        self.page.touchscreen.tap(place["x"], place["y"])

    def token(self) -> str:
        return self.page.evaluate("JSON.parse(localStorage['fairhearing.panel.' + location.hash.slice(1)]).token")

    def piece_id(self) -> str:
        return self.page.evaluate(
            "JSON.parse(localStorage['fairhearing.panel-list.' + location.hash.slice(1)]).pieces[0].piece_id"
        )


@pytest.fixture
def tablet(open_context: Callable[..., BrowserContext], drawn: Drawn) -> Callable[[str], Tablet]:
    def make(letter: str) -> Tablet:
        context = open_context(**TABLET)
        made = Tablet(context, context.new_page())
        made.join(drawn.links[letter])
        return made

    return make


def record(page: Page, place: int) -> None:
    page.get_by_role("navigation", name="Playing order").get_by_role("button").nth(place).click()
    page.get_by_role("button", name=f"Record {PIECE}").click()
    page.get_by_role("button", name="Start recording").click()
    recorded(page, 3)  # two seconds of silence come first


def stop(page: Page) -> None:
    page.get_by_role("button", name="Stop and keep").click()
    expect(page.locator(".take .verdict")).to_be_visible()


def mark_while_hearing(one: Tablet) -> None:
    """Nothing is recorded yet: marks, a bar tapped in the music, a remark half written when the page is loaded anew."""
    page = one.page
    one.choose(0)
    expect(page.get_by_text("No recording of this piece is up yet. You may mark while you listen")).to_be_visible()
    one.mark("Tone", 3)
    one.tap_bar(2)
    expect(page.get_by_text("About bar 2.")).to_be_visible()
    expect(page.locator(".music [data-bar=chosen]")).to_have_count(1)
    page.get_by_label("Remark", exact=True).fill("Lift the end of the sl")
    page.reload()
    expect(page.get_by_role("radiogroup", name="Tone").get_by_role("radio", name="3")).to_be_checked()
    expect(page.get_by_text("About bar 2.")).to_be_visible()
    remark = page.get_by_label("Remark", exact=True)
    expect(remark).to_have_value("Lift the end of the sl")
    remark.fill("Lift the end of the slur")
    page.get_by_role("button", name="Add the remark").tap()
    page.get_by_role("button", name="Keep for other numbers: Lift the end of the slur").tap()
    expect(page.get_by_text("Kept remarks (1)")).to_be_visible()


def use_a_kept_remark(one: Tablet) -> None:
    page = one.page
    one.choose(1)
    one.tap_bar(1)
    page.get_by_text("Kept remarks (1)").tap()
    page.get_by_role("button", name="Lift the end of the slur", exact=True).tap()
    expect(page.locator(".remark").filter(has_text="bar 1")).to_contain_text("Lift the end of the slur")


def lose_the_first_answer(one: Tablet) -> list[int]:
    """The server keeps the next sheet, but its answer never comes: a 503 stands in for it."""
    lost: list[int] = []

    def answer(route: Route) -> None:
        reply = route.fetch()
        if lost:
            route.fulfill(response=reply)
        else:
            lost.append(reply.status)
            route.fulfill(status=503, body="")

    one.page.route("**/sheet/submit", answer)
    return lost


def shut_out(leader: Page, drawn: Drawn, letter: str) -> str:
    """The leader withdraws an adjudicator's tablet and makes a new link."""
    leader.goto(f"/leader.html#/{drawn.audition_id}/panel")
    leader.get_by_role("button", name=f"Shut out Adjudicator {letter}").click()
    leader.get_by_role("dialog").get_by_role("button", name="Shut it out").click()
    leader.get_by_role("button", name=f"Join link for adjudicator {letter}").click()
    return leader.get_by_role("dialog").locator(".hash").inner_text()


def test_three_tablets_and_a_proctor_at_once(tablet, proctors_browser, open_page, open_context, server, drawn):
    first, second, third = tablet("A"), tablet("B"), tablet("C")
    room_device = proctors_browser.new_context(base_url=server.url, viewport={"width": 820, "height": 1180})
    room_device.set_default_timeout(30_000)
    room = room_device.new_page()
    room.goto(f"/join.html#{drawn.links['proctor'].split('#')[1]}")
    room.get_by_role("button", name="Join on this device").click()
    room.wait_for_url("**/room.html")

    # A link works once.
    late = open_page(**TABLET)
    late.page.goto(f"/join.html#{drawn.links['A'].split('#')[1]}")
    late.page.get_by_role("button", name="Join on this device").tap()
    expect(late.page.get_by_role("alert")).to_contain_text("used")

    # Number 1 plays. One adjudicator marks while hearing and sends before the recording is up.
    record(room, 0)
    mark_while_hearing(first)
    first.mark_all(7)
    second.choose(0)
    second.mark("Pitch", 3)
    first.send()
    expect(numbers(first.page).filter(has_text="sent")).to_have_count(1)
    stop(room)
    second.look_again()
    expect(second.page.get_by_role("button", name="Play", exact=True)).not_to_have_attribute("aria-disabled", "true")
    expect(second.page.get_by_role("radiogroup", name="Pitch").get_by_role("radio", name="3")).to_be_checked()

    # Number 2 plays. B is shut out in the middle of it; C has lost the network.
    record(room, 1)
    second.mark_all(5)
    leader = open_page()
    leader.page.context.add_cookies(drawn.cookies)
    new_link = shut_out(leader.page, drawn, "B")
    second.send()
    expect(second.page.get_by_text("is not let in any more")).to_be_visible()
    expect(second.page.get_by_text("1 sheet waits here, safe")).to_be_visible()
    third.choose(0)
    third.context.set_offline(True)
    third.mark_all(8)
    third.tap_bar(3)
    third.page.get_by_label("Remark", exact=True).fill("Steady to the end")
    third.send()
    third.choose(1)
    third.mark_all(9)
    third.send()
    expect(third.page.get_by_text("2 sheets wait here, safe")).to_be_visible()
    use_a_kept_remark(first)
    first.mark_all(6)
    first.send()
    stop(room)
    second.join(new_link)
    expect(second.page.get_by_text("waits here, safe")).to_have_count(0)
    expect(numbers(second.page).nth(0)).to_contain_text("sent")

    # Number 3 plays while everybody catches up.
    record(room, 2)
    third.context.set_offline(False)
    expect(numbers(third.page).filter(has_text="sent")).to_have_count(2)
    lost = lose_the_first_answer(first)
    for one, places, mark in ((first, (2,), 5), (second, (1, 2), 4), (third, (2,), 7)):
        for place in places:
            one.choose(place)
            one.mark_all(mark)
            one.send()
            expect(numbers(one.page).nth(place)).to_contain_text("sent")
    assert lost == [200]
    stop(room)
    leader.page.goto(f"/leader.html#/{drawn.audition_id}/room")
    expect(leader.page.get_by_text("3 of 3 candidates are recorded, 9 of 9 sheets are in.")).to_be_visible()
    room_device.close()
    assert_every_sheet_once(server, drawn)


def assert_every_sheet_once(server, drawn: Drawn) -> None:
    with server.resources.database.read() as session:
        order = {
            c.id: c.playing_order for c in session.exec(select(Candidate).where(Candidate.round_id == drawn.round_id))
        }
        letters = {one.id: one.letter for one in session.exec(select(Adjudicator))}
        takes = session.exec(select(Take).where(col(Take.candidate_id).in_(order))).all()
        rows = session.exec(
            select(SheetVersion, AdjudicationSheet).where(
                SheetVersion.sheet_id == AdjudicationSheet.id, col(AdjudicationSheet.candidate_id).in_(order)
            )
        ).all()
    assert len(takes) == 3
    assert all(take.state == "kept" and take.duration_sec >= 2 for take in takes)
    places = {place: rank for rank, place in enumerate(sorted(order.values()))}
    sent = {(letters[sheet.adjudicator_id], places[order[sheet.candidate_id]]): version for version, sheet in rows}
    assert len(rows) == len(sent) == 9
    marks = {key: set(version.marks[drawn.piece_id].values()) for key, version in sent.items()}
    expected = {"A": (7, 6, 5), "B": (5, 4, 4), "C": (8, 9, 7)}
    assert marks == {(letter, place): {row[place]} for letter, row in expected.items() for place in range(3)}
    remarks = {key: [(one["bar"], one["text"]) for one in version.remarks] for key, version in sent.items()}
    # The last one was typed and never added: it went with the sheet.
    assert {key: said for key, said in remarks.items() if said} == {
        ("A", 0): [("2", "Lift the end of the slur")],
        ("A", 1): [("1", "Lift the end of the slur")],
        ("C", 0): [("3", "Steady to the end")],
    }

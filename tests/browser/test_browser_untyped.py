"""A piece that nobody typed in, on every screen that shows its take: the student's, the leader's and a panel's."""

from pathlib import Path

import pytest
from looking import SIZES, faults_at
from opened_audition import open_round
from playwright.sync_api import expect
from small_audition import Drawn, set_up
from sqlmodel import Session, col, select

from app.db.models import Job, Take

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def heard(server) -> Drawn:
    return set_up(server.url, server.setup_secret, students=("Wren Castellanos", "Dashiell Moy"), untyped=True)


@pytest.fixture(scope="module")
def link(server, heard: Drawn, take_file: Path) -> str:
    links = open_round(server.url, heard, server.resources, take_file)

    def measured(session: Session) -> None:  # no worker runs here
        own = select(Take.id).where(Take.piece_id == heard.piece_id)
        for job in session.exec(select(Job).where(col(Job.subject).in_(own))).all():
            job.state = "done"

    server.resources.database.write(measured)
    return "/student.html#" + next(iter(links.values())).partition("#")[2]


@pytest.mark.parametrize(("size", "scheme"), [("phone", "light"), ("tablet", "light"), ("desk", "dark")])
def test_its_take_is_shown_by_its_sound(size, scheme, open_context, open_page, heard, link):
    width, height = SIZES[size]
    context = open_context(viewport={"width": width, "height": height}, color_scheme=scheme, has_touch=size != "desk")
    watched = open_page(context)
    page = watched.page
    faults: dict[str, list[str]] = {}

    def look(name: str) -> None:
        if found := faults_at(page, watched.complaints, size, scheme):
            faults[name] = found

    page.goto(link)
    expect(page.get_by_text("neither notes nor rhythm could be judged")).to_be_visible()
    expect(page.get_by_text("Bring A♭ down")).to_be_visible()
    look("sheet")
    page.get_by_role("navigation", name="Your page").get_by_role("button", name="Take").click()
    expect(page.locator(".engraving.marked svg")).to_be_visible()
    page.get_by_role("button", name="First note").click()
    page.get_by_role("button", name="Note after").click()
    page.get_by_role("button", name="Note after").click()
    says = page.get_by_role("region", name="Figures of one note")
    expect(says).to_contain_text("A♭ in the second space at 0:01")
    expect(says).to_contain_text("22 cents sharp, give or take")
    expect(page.locator(".marked .chosen")).to_have_attribute("visibility", "visible")
    look("take")
    context.add_cookies(heard.cookies)
    page.goto(f"/leader.html#/{heard.audition_id}/material/{heard.piece_id}")
    expect(page.get_by_text("Notes and rhythm can't be judged")).to_be_visible()
    page.get_by_label("Title").fill("Étude 12, the blue book")
    page.get_by_role("button", name="Save the piece").click()
    expect(page.get_by_text("The title is saved.")).to_be_visible()
    look("the piece")
    page.goto(f"/leader.html#/{heard.audition_id}/material/untyped")
    expect(page.get_by_role("heading", name="By its title, without notation")).to_be_visible()
    look("adding one")
    page.goto(f"/leader.html#/{heard.audition_id}/room")
    page.get_by_role("button", name="Findings of number").first.click()
    expect(page.get_by_role("dialog").get_by_text("A4 at 441.5 Hz")).to_be_visible()
    expect(page.get_by_role("dialog").locator(".engraving svg")).to_be_visible()
    expect(page.get_by_role("dialog").get_by_text("no measured mark")).to_be_visible()
    look("the leader's findings")
    assert faults == {}

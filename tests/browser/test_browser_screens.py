"""Every screen and its states, as looked over by ``looking``, with a quiet console."""

import re
from pathlib import Path

import pytest
from looking import broken_rules, looked_over, settled
from playwright.sync_api import expect

pytestmark = [pytest.mark.browser, pytest.mark.slow]

LEADER_PARTS = (
    "material/sight-reading", "material/untyped",
    "afterwards", "section",
    "details", "material", "material/notation", "material/abc", "material/generated", "roster", "panel", "rubric",
    "rule", "draw", "day", "room", "paper", "standing", "sheets", "audit",
)  # fmt: skip
KEEP_SEAT = """kept => {
  localStorage.setItem(`fairhearing.panel.${kept.adjudicator.id}`, JSON.stringify(kept));
  localStorage.setItem("fairhearing.panel-last", kept.adjudicator.id);
}"""


def test_the_rules_find_what_is_broken(open_page):
    page = open_page().page
    page.goto("/help.html")
    settled(page)
    assert broken_rules(page) == []
    page.evaluate("document.querySelector('main').append(document.createElement('button'))")
    assert [rule for rule in broken_rules(page) if rule.startswith("button-name")] != []


@pytest.fixture(scope="module")
def with_takes(server, drawn, take_file: Path) -> dict[str, str]:
    """Two of the candidates have a take; tokens of the joined tablets come back."""
    import httpx

    tokens = {}
    with httpx.Client(base_url=server.url, timeout=30) as client:
        for who, link in drawn.links.items():
            tokens[who] = client.post("/api/join", json={"link": link}).raise_for_status().json()["token"]
        leader = {"Cookie": "; ".join(f"{c['name']}={c['value']}" for c in drawn.cookies)}
        day = {"starts_at": "2026-04-18T09:00-06:00", "minutes": 6, "restarts": "one", "study_sec": 30}
        for name in ("Choir room", "Stage"):
            made = client.post(f"/api/auditions/{drawn.audition_id}/rooms", json={"name": name}, headers=leader)
            made.raise_for_status()
        client.put(f"/api/rounds/{drawn.round_id}/day", json=day, headers=leader).raise_for_status()
        client.post(f"/api/rounds/{drawn.round_id}/day/announce", headers=leader).raise_for_status()
        link = client.post(f"/api/auditions/{drawn.audition_id}/checker-link", headers=leader).raise_for_status().json()
        joined = client.post("/api/join", json={"link": link["url"]}).raise_for_status().json()
        tokens["checker"] = joined["token"]
        headers = {"Authorization": f"Bearer {tokens['proctor']}"}
        room = client.get("/api/room", headers=headers).raise_for_status().json()
        for index, candidate in enumerate(room["candidates"][:2]):
            form = {"id": f"{index:032x}", "candidate_id": candidate["candidate_id"], "piece_id": drawn.piece_id}
            with take_file.open("rb") as sound:
                client.post("/api/takes", headers=headers, data=form, files={"file": sound}).raise_for_status()
    return tokens


def test_every_screen(open_context, open_page, server, drawn, with_takes):
    context = open_context(has_touch=True)
    watched = open_page(context)
    page = watched.page
    faults: dict[str, list[str]] = {}

    def look(name: str) -> None:
        found = looked_over(page) + watched.complaints
        watched.complaints.clear()
        if found:
            faults[name] = found

    page.goto("/")
    look("landing")
    page.goto("/join.html#link=not-a-real-secret")
    look("join")
    page.goto("/help.html")
    look("help")
    page.goto("/panel.html")
    look("panel, not joined")
    page.goto("/leader.html")
    expect(page.get_by_text("Sign in first")).to_be_visible()
    look("leader, not signed in")

    context.add_cookies(drawn.cookies)
    page.goto("/leader.html")
    page.reload()
    expect(page.get_by_role("link", name="Spring mock audition").first).to_be_visible()
    look("auditions")
    for part in (*LEADER_PARTS, f"material/{drawn.piece_id}"):
        page.goto(f"/leader.html#/{drawn.audition_id}/{part}")
        page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
        expect(page.locator("main#content")).to_be_visible()
        look(part)

    page.goto(f"/room.html?audition_id={drawn.audition_id}")
    order = page.get_by_role("navigation", name="Playing order").get_by_role("button")
    for place in (0, 2):
        order.nth(place).click()
        look(f"recording room, candidate {place + 1}")

    page.goto(f"/door.html?audition_id={drawn.audition_id}")
    expect(page.get_by_role("button", name=re.compile("^(Check in|Call)")).first).to_be_visible()
    look("door")

    kept = {"role": "checker", "token": with_takes["checker"], "adjudicator": None, "audition_id": drawn.audition_id}
    page.evaluate("kept => localStorage.setItem('fairhearing.checker', JSON.stringify(kept))", kept)
    page.goto("/check.html")
    expect(page.get_by_role("heading", name="Tabulation of First round")).to_be_visible()
    look("second person")

    seats = {"adjudicator": {"id": "b" * 32, "letter": "A"}, "role": "adjudicator", "token": with_takes["A"]}
    page.evaluate(KEEP_SEAT, seats)
    page.goto("/panel.html")
    look("panel")
    page.get_by_role("navigation", name="Numbers").get_by_role("button").first.click()
    expect(page.get_by_role("button", name="Play", exact=True)).not_to_have_attribute("aria-disabled", "true")
    look("panel, a number")
    assert faults == {}


def test_every_state(open_context, open_page, server, drawn, with_takes):
    """Dialogs, errors, an open sheet, without a network: looked over like the screens."""
    context = open_context(has_touch=True)
    watched = open_page(context)
    page = watched.page
    faults: dict[str, list[str]] = {}

    def look(name: str) -> None:
        if found := looked_over(page):
            faults[name] = found

    def dialog(name: str) -> None:
        expect(page.get_by_role("dialog")).to_be_visible()
        look(name)
        page.keyboard.press("Escape")
        expect(page.get_by_role("dialog")).to_have_count(0)

    context.add_cookies(drawn.cookies)
    page.goto(f"/leader.html#/{'0' * 32}/draw")
    expect(page.get_by_role("alert")).to_be_visible()
    look("an audition that is not there")
    page.goto(f"/leader.html#/{drawn.audition_id}/panel")
    page.get_by_role("button", name="Join link for the recording room").click()
    expect(page.get_by_role("dialog").locator(".qr svg")).to_be_visible()
    dialog("join link")

    page.goto(f"/room.html?audition_id={drawn.audition_id}")
    order = page.get_by_role("navigation", name="Playing order").get_by_role("button")
    order.nth(0).click()
    page.get_by_role("button", name="Void this take of F major scale").click()
    dialog("void a take")
    expect(page.get_by_role("button", name="Void this take of F major scale")).to_be_focused()
    order.nth(2).click()
    page.get_by_role("button", name="Record F major scale").click()
    expect(page.get_by_role("alert")).to_contain_text("microphone")  # this browser has none
    look("no microphone")
    page.get_by_role("button", name="Late", exact=True).click()
    dialog("a state with its reason")

    seats = {"adjudicator": {"id": "d" * 32, "letter": "A"}, "role": "adjudicator", "token": with_takes["A"]}
    page.evaluate(KEEP_SEAT, seats)
    page.goto("/panel.html")
    page.get_by_role("navigation", name="Numbers").get_by_role("button").nth(1).click()
    expect(page.get_by_role("button", name="Play", exact=True)).not_to_have_attribute("aria-disabled", "true")
    expect(page.get_by_role("img", name="Music of F major scale")).to_be_visible()
    page.get_by_role("combobox", name="Bar", exact=True).select_option("2")
    page.get_by_role("textbox", name="Remark").fill("The second beat comes late.")
    page.get_by_role("button", name="Add the remark").click()
    page.get_by_role("button", name="Keep for other numbers: The second beat comes late.").click()
    page.locator("summary", has_text="Kept remarks").click()
    for caption in ("Tone", "Pitch", "Rhythm", "Musicianship"):
        page.get_by_role("radiogroup", name=caption).locator("label.square").nth(6).click()
    look("a sheet ready to be sent")
    page.get_by_role("button", name="I know who this is").click()
    dialog("recusal")
    context.set_offline(True)
    page.get_by_role("button", name="Send this sheet").click()
    expect(page.get_by_text("No network: 1 sheet waits here, safe")).to_be_visible()
    # What was pressed is gone; the marks it belonged to have the focus.
    expect(page.get_by_role("region", name=re.compile(r"^Number \d+, marks$"))).to_be_focused()
    look("without a network")
    context.set_offline(False)
    page.evaluate("dispatchEvent(new Event('online'))")
    expect(page.get_by_text("It is locked.")).to_be_visible()
    look("a sheet that is sent")
    page.get_by_role("button", name="Correct this sheet").click()
    look("a correction")
    page.evaluate("localStorage.clear()")
    assert faults == {}


def test_marks_by_keyboard(open_page, drawn, with_takes):
    page = open_page().page
    page.goto("/join.html")
    kept = {"adjudicator": {"id": "c" * 32, "letter": "B"}, "role": "adjudicator", "token": with_takes["B"]}
    page.evaluate(KEEP_SEAT, kept)
    page.goto("/panel.html")
    page.get_by_role("navigation", name="Numbers").get_by_role("button").first.press("Enter")
    row = page.get_by_role("radiogroup", name="Tone")
    expect(row.get_by_role("radio", checked=True)).to_have_count(0)
    row.get_by_role("radio", name="1", exact=True).focus()
    page.keyboard.press("Space")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    expect(row.get_by_role("radio", name="3", exact=True)).to_be_checked()
    # The button that can't act yet says why, and leads to the first open caption.
    page.get_by_role("button", name="3 marks still open").press("Enter")
    expect(page.get_by_role("radiogroup", name="Pitch").get_by_role("radio", name="1", exact=True)).to_be_focused()
    # The same square again takes the mark back.
    row.locator("label.square").nth(2).click()
    expect(row.get_by_role("radio", checked=True)).to_have_count(0)
    page.get_by_role("slider", name="Place in the take").focus()
    page.keyboard.press("ArrowRight")
    expect(page.get_by_role("slider")).to_have_attribute("aria-valuenow", "4")


def test_paper_is_typed_at_speed_and_spot_checked(open_page, drawn, with_takes):
    """Digits alone fill a sheet, "10" included; the bundle survives a reload; the second person meets empty boxes."""
    watched = open_page()
    page = watched.page
    page.context.add_cookies(drawn.cookies)
    page.goto(f"/leader.html#/{drawn.audition_id}/paper")
    first = page.get_by_role("textbox").first
    expect(first).to_be_focused()
    page.keyboard.type("71086", delay=20)  # 7, 10, 8, 6: the eight belongs to the next box
    expect(page.get_by_role("button", name="Next sheet")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_text("7 10 8 6")).to_be_visible()
    page.reload()
    expect(page.get_by_text("7 10 8 6")).to_be_visible()
    page.get_by_label("Share that a second person checks").fill("100")
    page.get_by_role("button", name="Send 1 sheet").click()
    expect(page.get_by_role("cell", name="to be checked")).to_be_visible()
    kept = {"role": "checker", "token": with_takes["checker"], "adjudicator": None, "audition_id": drawn.audition_id}
    page.evaluate("kept => localStorage.setItem('fairhearing.checker', JSON.stringify(kept))", kept)
    page.goto("/check.html")
    blind = page.get_by_role("textbox", name="F major scale, Tone")
    expect(blind).to_have_value("")
    blind.click()
    expect(blind).to_be_focused()
    page.keyboard.type("71086", delay=20)
    expect(page.get_by_role("button", name="Compare")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_text("both of you read the same")).to_be_visible()
    page.get_by_label("Your name").fill("Philippa Oakes")
    page.get_by_role("button", name="This tabulation is right").click()
    expect(page.get_by_text("Confirmed by Philippa Oakes")).to_be_visible()
    assert watched.complaints == []

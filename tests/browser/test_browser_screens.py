"""Every screen at three sizes: a quiet console, nothing beside the page, every control named and large enough."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

SIZES = {"phone": (360, 760), "tablet": (820, 1180), "desk": (1366, 860)}
LEADER_PARTS = (
    "material/sight-reading",
    "afterwards", "section",
    "details", "material", "material/notation", "material/abc", "material/generated", "roster", "panel", "rubric",
    "rule", "draw", "day", "room", "paper", "standing", "sheets", "audit",
)  # fmt: skip
SMALLEST_TARGET_PX = 43.5  # 44, less what rounding takes

#: What is visible and can be operated, without a name or too small to touch.
FAULTS = """
() => {
  const faults = [];
  const wide = document.documentElement.scrollWidth - document.documentElement.clientWidth;
  if (wide > 0) faults.push(`the page is ${wide} px wider than the screen`);
  for (const control of document.querySelectorAll("button, input, select, textarea, summary")) {
    const box = control.getBoundingClientRect();
    if (box.width === 0 || box.height === 0 || control.closest("details:not([open]) > :not(summary)")) continue;
    const label = control.labels?.[0] ?? null;
    const name = control.getAttribute("aria-label") || label?.textContent || control.textContent;
    if (!name.trim()) faults.push(`no name: ${control.outerHTML.slice(0, 120)}`);
    const target = (label && /checkbox|radio/.test(control.type) ? label : control).getBoundingClientRect();
    const height = Math.round(target.height);
    if (target.height < SMALLEST) faults.push(`${height} px high: ${control.outerHTML.slice(0, 120)}`);
  }
  if (document.querySelectorAll("h1").length !== 1) faults.push("not exactly one main heading");
  return faults;
}
""".replace("SMALLEST", str(SMALLEST_TARGET_PX))


AXE = (Path(__file__).parent / "vendor" / "axe.min.js").read_text()
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
#: Rules take about a second a screen, so they run at the narrowest light and the widest dark screen.
WITH_RULES = {("phone", "light"), ("desk", "dark")}


def broken_rules(page: Page) -> list[str]:
    """Rules of WCAG 2.2 AA that axe-core finds broken, each with the first place."""
    if not page.evaluate("Boolean(window.axe)"):
        page.evaluate(AXE)
    found = page.evaluate("tags => axe.run(document, { runOnly: { type: 'tag', values: tags } })", WCAG)
    return [
        f"{rule['id']} ({len(rule['nodes'])}): {rule['nodes'][0]['html'][:160]} | {rule['nodes'][0]['failureSummary']}"
        for rule in found["violations"]
    ]


def test_the_rules_find_what_is_broken(open_page):
    page = open_page().page
    page.goto("/help.html")
    settled(page)
    assert broken_rules(page) == []
    page.evaluate("document.querySelector('main').append(document.createElement('button'))")
    assert [rule for rule in broken_rules(page) if rule.startswith("button-name")] != []


def settled(page: Page) -> None:
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    expect(page.get_by_text(re.compile(r"^(Loading|Engraving|Working out the standing|Reading) …$"))).to_have_count(0)


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


@pytest.mark.parametrize(
    ("size", "scheme"), [("phone", "light"), ("tablet", "light"), ("desk", "light"), ("desk", "dark")]
)
def test_every_screen(size, scheme, open_context, open_page, server, drawn, with_takes):
    width, height = SIZES[size]
    context = open_context(viewport={"width": width, "height": height}, color_scheme=scheme, has_touch=size != "desk")
    watched = open_page(context)
    page = watched.page
    faults: dict[str, list[str]] = {}

    def look(name: str) -> None:
        settled(page)
        found = page.evaluate(FAULTS) + watched.complaints
        if (size, scheme) in WITH_RULES:
            found += broken_rules(page)
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
    page.evaluate(
        "kept => { localStorage.setItem('fairhearing.panel.' + kept.adjudicator.id, JSON.stringify(kept));"
        "localStorage.setItem('fairhearing.panel-last', kept.adjudicator.id); }",
        seats,
    )
    page.goto("/panel.html")
    look("panel")
    page.get_by_role("navigation", name="Numbers").get_by_role("button").first.click()
    expect(page.get_by_role("button", name="Play", exact=True)).not_to_have_attribute("aria-disabled", "true")
    look("panel, a number")
    assert faults == {}


def test_marks_by_keyboard(open_page, drawn, with_takes):
    page = open_page().page
    page.goto("/join.html")
    kept = {"adjudicator": {"id": "c" * 32, "letter": "B"}, "role": "adjudicator", "token": with_takes["B"]}
    page.evaluate(
        "kept => { localStorage.setItem('fairhearing.panel.' + kept.adjudicator.id, JSON.stringify(kept));"
        "localStorage.setItem('fairhearing.panel-last', kept.adjudicator.id); }",
        kept,
    )
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

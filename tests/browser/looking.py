"""Looking a screen over: nothing beside the page, every control named and large enough, WCAG 2.2 AA by axe-core."""

import re
from pathlib import Path
from typing import Literal

from playwright.sync_api import Page, expect

#: A screen is looked at as a phone, a tablet in both directions and a computer show it, in light and in dark.
LOOKS: tuple[tuple[str, int, int, Literal["light", "dark"]], ...] = (
    ("phone", 360, 740, "light"),
    ("tablet upright", 820, 1180, "dark"),
    ("tablet across", 1180, 820, "light"),
    ("computer", 1366, 860, "dark"),
)
#: For tests that visit a screen anew for every size.
SIZES = {"phone": (360, 760), "tablet": (820, 1180), "desk": (1366, 860)}
#: There all rules run, at the narrowest light and the widest dark screen.
WITH_RULES = {("phone", "light"), ("desk", "dark")}
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
WCAG = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
#: What size and colours can break; all rules run at the first look, for the rest is the same in every other one.
OF_LOOKS = {
    "type": "rule",
    "values": ["color-contrast", "link-in-text-block", "scrollable-region-focusable", "target-size"],
}


def broken_rules(page: Page, rules: dict[str, object] | None = None) -> list[str]:
    """Rules that axe-core finds broken, each with the first place; all of WCAG 2.2 AA unless ``rules`` says which."""
    if not page.evaluate("Boolean(window.axe)"):
        page.evaluate(AXE)
    options = {"runOnly": rules or WCAG, "rules": {"target-size": {"enabled": True}}, "resultTypes": ["violations"]}
    found = page.evaluate("options => axe.run(document, options)", options)
    return [
        f"{rule['id']} ({len(rule['nodes'])}): {rule['nodes'][0]['html'][:160]} | {rule['nodes'][0]['failureSummary']}"
        for rule in found["violations"]
    ]


def settled(page: Page) -> None:
    """Wait until nothing is loading any more."""
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    expect(page.get_by_text(re.compile(r"^(Loading|Engraving|Working out the standing|Reading) …$"))).to_have_count(0)


def faults_at(page: Page, complaints: list[str], size: str, scheme: str) -> list[str]:
    """What is wrong on the screen as it stands in one look, with the console's ``complaints``, which are emptied."""
    settled(page)
    found = page.evaluate(FAULTS) + complaints
    if (size, scheme) in WITH_RULES:
        found += broken_rules(page)
    complaints.clear()
    return list(found)


def looked_over(page: Page) -> list[str]:
    """What is wrong with the screen as it is, at every size of :data:`LOOKS`."""
    settled(page)
    faults: list[str] = []
    for place, (name, width, height, scheme) in enumerate(LOOKS):
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
        found = page.evaluate(FAULTS) + broken_rules(page, None if place == 0 else OF_LOOKS)
        faults += [f"{name}, {scheme}: {fault}" for fault in found]
    return faults

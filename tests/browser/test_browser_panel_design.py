"""The leader's screens for a fair panel: the whole rule, the listening design, and all that a standing offers."""

import re
from pathlib import Path

import httpx
import pytest
from looking import broken_rules
from playwright.sync_api import expect

from app.db.models import Findings
from app.domain.findings import Findings as MeasuredFindings
from app.domain.findings import MeasuredNote, findings_to_dict
from app.domain.ids import new_id

pytestmark = pytest.mark.browser

CAPTIONS = ("tone", "pitch", "rhythm", "musicianship")


def far_off(take_id: str) -> Findings:
    """Findings of a take in which every note lies 60 cents sharp; the second bar begins at 2.0 s."""
    notes = tuple(
        MeasuredNote(
            f"n{i}", str(1 + i // 4), 1.0 + i % 4, "F4", 63, "played",
            onset_sec=0.4 + 0.4 * i, offset_sec=0.75 + 0.4 * i, heard_midi=63, deviation_cents=60.0, timing_ms=0.0,
            length_ratio=1.0,
        )
        for i in range(8)
    )  # fmt: skip
    found = MeasuredFindings(
        a4_hz_used=440.0, a4_hz_fitted=440.0, tempo_bpm_fitted=90.0, tempo_bpm_marked=90.0, notes=notes,
        extra_notes=(), breaks=(), pitch={"median_abs_cents": 60.0, "notes_judged": 8, "why_null": None},
        rhythm={"median_abs_ms": 0.0, "notes_judged": 8, "why_null": None}, musicianship={}, tone={}, warnings=(),
        algorithm_version="test",
    )  # fmt: skip
    return Findings(take_id=take_id, input_hash="0" * 64, algorithm_version="test", payload=findings_to_dict(found))


@pytest.fixture(scope="module")
def marked(server, drawn, take_file: Path) -> list[str]:
    """Every sheet is in, marks fall along the playing order; the first number's take was measured far off. Numbers."""
    with httpx.Client(base_url=server.url, timeout=60) as client:

        def join(link: str) -> dict[str, str]:
            token = client.post("/api/join", json={"link": link}).raise_for_status().json()["token"]
            return {"Authorization": f"Bearer {token}"}

        shown = client.get("/api/panel", headers=(a := join(drawn.links["A"]))).raise_for_status().json()
        form = {"id": new_id(), "candidate_id": shown["candidates"][0]["candidate_id"], "piece_id": drawn.piece_id}
        with take_file.open("rb") as sound:
            headers = join(drawn.links["proctor"])
            client.post("/api/takes", headers=headers, data=form, files={"file": sound}).raise_for_status()
        server.resources.database.write(lambda session: session.add(far_off(form["id"])))
        for column, headers in enumerate((a, join(drawn.links["B"]))):
            for place, candidate in enumerate(shown["candidates"]):
                value = (9, 7, 7, 6, 4, 3)[place] - (column if place in (1, 3) else 0)
                body = {
                    "version_id": new_id(),
                    "marks": {drawn.piece_id: dict.fromkeys(CAPTIONS, value)},
                    "remarks": [],
                }
                path = f"/api/panel/candidates/{candidate['candidate_id']}/sheet/submit"
                client.post(path, headers=headers, json=body).raise_for_status()
        return [candidate["blind_number"] for candidate in shown["candidates"]]


@pytest.fixture
def leader(open_context, open_page, drawn):
    context = open_context()
    context.add_cookies(drawn.cookies)
    return open_page(context)


def test_the_standing_answers_asks_and_compares(leader, drawn, marked):
    page = leader.page
    page.goto(f"/leader.html#/{drawn.audition_id}/standing")
    expect(page.get_by_role("heading", name="Who to hear again")).to_be_visible()
    expect(page.locator(".standing svg text").filter(has_text="1 seat above")).to_be_visible()

    # A question is a question, and its button plays from the bar on.
    question = (
        page.locator("li").filter(has_text=f"Number {marked[0]}").filter(has_text="Would you listen again?").first
    )
    expect(question).to_contain_text(re.compile("pitch 9, the measurement suggests about 1", re.I))
    button = question.get_by_role("button", name=f"Play bar 2 of number {marked[0]}")
    with page.expect_response(lambda reply: reply.url.endswith("/playback") and reply.ok):
        button.click()
    stop = question.get_by_role("button", name=f"Stop bar 2 of number {marked[0]}")
    expect(stop).to_be_visible()
    expect(button).to_be_visible()  # the bar is over and it stopped by itself

    page.get_by_text("Every figure, and what it tells").click()
    for name in (
        "ICC(1,1)",
        "ICC(A,1)",
        "ICC(C,1)",
        "ICC(1,k)",
        "ICC(A,k)",
        "ICC(C,k)",
        "Kendall's W",
        "Spearman-Brown",
    ):
        expect(page.locator("dl.figures-told dt").filter(has_text=name)).to_be_visible()
    page.get_by_text("Every figure by adjudicator").click()
    expect(page.get_by_text(re.compile("Own consistency: not valid here because no hidden repeats"))).to_be_visible()
    assert broken_rules(page) == []
    with page.expect_download() as saving:
        page.get_by_role("link", name="Save marks and standing, XLSX").click()
    assert saving.value.suggested_filename == "marks.xlsx"

    page.get_by_role("button", name="Open the round").click()
    page.get_by_role("dialog").get_by_label("Why it is not waited for").fill("Nothing is measured here.")
    page.get_by_role("dialog").get_by_role("button", name="Open it now").click()
    page.get_by_role("button", name="Recompute and compare").click()
    expect(page.get_by_text("every place, mark and interval is the same as when it was opened")).to_be_visible()

    page.get_by_role("button", name=re.compile("^Set up a re-hearing of")).first.click()
    expect(page.get_by_role("heading", name="Re-hearing", exact=True)).to_be_visible()

    # The listening design of that round, practice take included.
    page.get_by_text("How the panel listens: all in the playing order").click()
    page.get_by_label("The adjudicators hear").select_option("own")
    page.get_by_label("Hidden repeats").fill("1")
    page.get_by_role("button", name="Keep this").click()
    expect(page.get_by_text("each adjudicator in an order of their own; 1 hidden repeat")).to_be_visible()
    page.get_by_label("Or a take of another round").select_option(index=1)
    page.get_by_role("button", name="Use this take").click()
    expect(page.get_by_text("until then the round can't be drawn")).to_be_visible()
    for caption in ("Tone", "Pitch", "Rhythm", "Musicianship"):
        page.get_by_label(caption).select_option("6")
    page.get_by_label("Why these marks").fill("Even from end to end.")
    page.get_by_role("button", name="Keep the agreed marks").click()
    expect(page.get_by_text("Every adjudicator hears this take first")).to_be_visible()
    assert broken_rules(page) == []
    assert leader.complaints == []


def test_the_whole_rule_is_on_its_form(leader, server, drawn):
    page = leader.page
    body, headers = {"name": "Autumn mock audition", "held_on": "2026-10-03"}, {"Origin": server.url}
    audition = page.request.post("/api/auditions", data=body, headers=headers).json()["id"]
    page.goto(f"/leader.html#/{audition}/rule")
    page.get_by_label("Candidates are ranked by").select_option("trimmed-mean")
    expect(page.get_by_text("This needs 5 adjudicators or more; there are 0 so far.")).to_be_visible()
    weights = page.get_by_label("Pitch", exact=True)
    weights.first.fill("3")
    expect(page.get_by_text(re.compile("Pitch 50 %"))).to_be_visible()
    chain = page.locator("ol.chain > li")
    expect(chain).to_have_count(3)
    page.get_by_label("Next step").select_option("re-hearing")
    page.get_by_role("button", name="Add this step").click()
    expect(chain.last).to_contain_text("a re-hearing")
    page.get_by_role("button", name="Later: the merged mark for musicianship").press("Enter")
    expect(chain.first).to_contain_text("First by whom more adjudicators put ahead")
    page.get_by_role("button", name="Take out: the measured mark").click()
    expect(chain).to_have_count(3)
    page.get_by_label("The steps are asked").select_option("cut-line")
    page.get_by_label("A seat needs a merged mark of at least").fill("5,5")
    page.get_by_label("Alternates").fill("2")
    assert broken_rules(page) == []
    page.get_by_role("button", name="Save the rule").click()
    expect(page.get_by_text("The rule is saved.")).to_be_visible()
    kept = page.request.get(f"/api/auditions/{audition}").json()["rule"]
    assert kept["tie_chain"] == ["head-to-head", "caption:musicianship", "re-hearing"]
    assert (kept["combine"], kept["tie_scope"]) == ("trimmed-mean", "cut-line")
    assert (kept["minimum_total"], kept["alternates"], kept["caption_weights"]["pitch"]) == (5.5, 2, 3)
    page.get_by_label("Alternates").fill("-1")
    page.get_by_role("button", name="Save the rule").click()
    expect(page.get_by_role("alert")).to_contain_text("whole number from 0")
    assert [c for c in leader.complaints if "422" not in c] == []

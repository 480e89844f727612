"""A newer version of the screens arrives while somebody works: it waits to be taken, and nothing entered is lost."""

import re
import shutil
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import expect
from small_audition import set_up
from thread_server import start_server

from app.api import application

pytestmark = pytest.mark.browser

FRONTEND = Path(__file__).resolve().parents[2] / "frontend"


@pytest.fixture
def screens(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the front end that the test may change, served by servers that start now."""
    copy = tmp_path / "frontend"
    shutil.copytree(FRONTEND, copy)
    monkeypatch.setattr(application, "packaged_folder", lambda name: copy)
    return copy


def test_a_newer_version_waits_and_a_draft_outlives_it(chromium, screens, tmp_path, take_file):
    server, stop = start_server(tmp_path / "data")
    context = chromium.new_context(base_url=server.url)
    context.set_default_timeout(30_000)
    try:
        drawn = set_up(server.url, server.setup_secret, students=("Wren Castellanos",))
        cookies = {cookie["name"]: cookie["value"] for cookie in drawn.cookies}
        with httpx.Client(base_url=server.url, cookies=cookies, timeout=60) as client:
            room = client.get("/api/room", params={"audition_id": drawn.audition_id}).json()
            form = {"id": "5" * 32, "candidate_id": room["candidates"][0]["candidate_id"], "piece_id": drawn.piece_id}
            with take_file.open("rb") as sound:
                client.post("/api/takes", data=form, files={"file": sound}).raise_for_status()
        page = context.new_page()
        page.goto(f"/join.html#{drawn.links['A'].split('#')[1]}")
        page.get_by_role("button", name="Join on this device").click()
        page.wait_for_url("**/panel.html*")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.get_by_role("navigation", name="Numbers").get_by_role("button").first.click()
        row = page.get_by_role("radiogroup", name="Tone")
        row.locator("label.square", has_text=re.compile("^8$")).click()

        main = screens / "views" / "panel" / "main.js"
        main.write_text(main.read_text() + '\ndocument.documentElement.dataset.version = "newer";\n')
        page.reload()
        # Until somebody takes it, the version that is kept goes on whole.
        newer = page.get_by_text("A newer version of these screens is here.")
        expect(newer).to_be_visible()
        assert page.evaluate("document.documentElement.dataset.version") is None
        page.get_by_role("button", name="Take it now").click()
        expect(page.locator("html[data-version=newer]")).to_have_count(1)
        expect(newer).to_have_count(0)
        page.get_by_role("navigation", name="Numbers").get_by_role("button").first.click()
        expect(row.get_by_role("radio", name="8", exact=True)).to_be_checked()
        names = page.evaluate("caches.keys()")
        assert len([name for name in names if name.startswith("fairhearing-")]) == 1
    finally:
        context.close()
        stop()


def test_a_file_that_is_not_what_the_list_says_is_never_kept(chromium, screens, tmp_path):
    server, stop = start_server(tmp_path / "data")
    context = chromium.new_context(base_url=server.url)
    try:
        worker = httpx.get(f"{server.url}/sw.js").text
        assert '"/views/panel/main.js"' in worker
        altered = worker.replace('"/icon.svg": "', '"/icon.svg": "0')
        assert altered != worker
        context.route("**/sw.js", lambda route: route.fulfill(body=altered, content_type="text/javascript"))
        page = context.new_page()
        page.goto("/join.html")
        state = page.evaluate(
            """() => new Promise(async (done) => {
              const found = await navigator.serviceWorker.register("/sw.js");
              const worker = found.installing ?? found.waiting ?? found.active;
              if (!worker) return done("redundant");
              worker.addEventListener("statechange", () => worker.state !== "installing" && done(worker.state));
            })"""
        )
        assert state == "redundant"
    finally:
        context.close()
        stop()

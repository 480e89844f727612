"""The secure address with the server's own authority trusted, as a tablet trusts it: offline at any point, no loss."""

import os
import re
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest
from live_server import LiveServer
from playwright.sync_api import BrowserContext, Page, Playwright, expect
from small_audition import Drawn, set_up

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def certutil() -> str:
    found = shutil.which("certutil")
    if found is None:
        reason = "no certutil here, so Chromium can't be told to trust an authority: install Debian's libnss3-tools"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    return found


@pytest.fixture(scope="module")
def drawn(live: LiveServer) -> Drawn:
    return set_up(live.url, live.setup_secret)


@pytest.fixture
def open_tablet(
    playwright: Playwright,
    chromium_path: str,
    chromium_args: list[str],
    certutil: str,
    live: LiveServer,
    tmp_path: Path,
) -> Iterator[Callable[[], BrowserContext]]:
    """Starts a tablet's browser that trusts the authority; started again, it is the same tablet."""
    home = tmp_path / "home"
    store = home / ".pki" / "nssdb"
    store.mkdir(parents=True)
    for step in (["-N", "--empty-password"], ["-A", "-t", "C,,", "-n", "fairhearing", "-i", "authority.pem"]):
        subprocess.run([certutil, "-d", f"sql:{store}", *step], check=True, cwd=live.data_dir / "tls")
    opened: list[BrowserContext] = []

    def start(**options) -> BrowserContext:
        context = playwright.chromium.launch_persistent_context(
            tmp_path / "profile",
            executable_path=chromium_path,
            args=[*chromium_args, "--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream"],
            env={**os.environ, "HOME": str(home)},
            viewport={"width": 820, "height": 1180},
            has_touch=True,
            **options,
        )
        context.set_default_timeout(30_000)
        opened.append(context)
        return context

    yield start
    for context in opened:
        context.close()


def secure(live: LiveServer, host: str = "127.0.0.1") -> str:
    return f"https://{host}:{live.https_port}"


def kept(page: Page) -> bool:
    return page.evaluate("navigator.serviceWorker.ready.then((one) => one.active !== null)")


def test_whoever_does_not_trust_it_sees_a_warning_and_gets_no_worker(chromium, live):
    context = chromium.new_context()
    page = context.new_page()
    with pytest.raises(Exception, match="ERR_CERT_AUTHORITY_INVALID"):
        page.goto(f"{secure(live)}/")
    context.close()


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost"])
def test_trusted_by_name_and_by_address_the_worker_registers(open_tablet, live, host):
    page = open_tablet().new_page()
    page.goto(f"{secure(live, host)}/help.html")
    assert page.evaluate("isSecureContext")
    assert kept(page)
    assert page.evaluate("navigator.mediaDevices.getUserMedia({ audio: true }).then((stream) => stream.active)")
    # What is kept is every file the server lists, and nothing under /api.
    names = page.evaluate(
        """async () => {
          const [name] = (await caches.keys()).filter((one) => one.startsWith("fairhearing-"));
          return (await (await caches.open(name)).keys()).map((one) => new URL(one.url).pathname);
        }"""
    )
    assert {"/panel.html", "/room.html", "/core/outbox.js", "/manifest.webmanifest"} <= set(names)
    assert [name for name in names if name.startswith("/api") or name == "/sw.js"] == []
    # Chromium itself finds nothing that would keep it from being installed.
    devtools = page.context.new_cdp_session(page)
    assert devtools.send("Page.getInstallabilityErrors")["installabilityErrors"] == []
    manifest = devtools.send("Page.getAppManifest")
    assert (manifest["errors"], manifest["url"]) == ([], f"{secure(live, host)}/manifest.webmanifest")
    told = httpx.get(f"{live.url}/api/help").json()
    expect(page.locator(".hash").first).to_have_text(told["fingerprint"])


def mark_all(page: Page, mark: int) -> None:
    for row in page.get_by_role("radiogroup").all():
        row.locator("label.square", has_text=re.compile(f"^{mark}$")).tap()


def send(page: Page, mark: int) -> None:
    numbers = page.get_by_role("navigation", name="Numbers").get_by_role("button")
    numbers.filter(has_text=re.compile("to hear|no take|draft")).first.tap()
    expect(page.get_by_role("radiogroup").first).to_be_visible()
    mark_all(page, mark)
    page.get_by_role("button", name="Send this sheet").tap()


def test_sheets_through_lost_servers_reloads_restarts_and_two_tabs(open_tablet, live, drawn, take_file):
    send_takes(live, drawn, take_file)
    context = open_tablet()
    page = context.new_page()
    page.goto(f"{secure(live)}/join.html#{drawn.links['A'].split('#')[1]}")
    page.get_by_role("button", name="Join on this device").tap()
    page.wait_for_url("**/panel.html*")
    assert kept(page)
    send(page, 6)
    numbers = page.get_by_role("navigation", name="Numbers").get_by_role("button")
    expect(numbers.filter(has_text="sent")).to_have_count(1)

    live.kill()
    send(page, 7)
    expect(page.get_by_text("1 sheet waits here, safe")).to_be_visible()
    page.reload()
    send(page, 8)
    expect(page.get_by_text("2 sheets wait here, safe")).to_be_visible()
    context.close()

    # The browser starts again while there is still no server.
    context = open_tablet()
    page = context.new_page()
    page.goto(f"{secure(live)}/")
    page.get_by_role("link", name="go to the Panel").tap()
    expect(page.get_by_text("2 sheets wait here, safe")).to_be_visible()
    second = context.new_page()
    second.goto(f"{secure(live)}/panel.html")
    expect(second.get_by_text("2 sheets wait here, safe")).to_be_visible()
    live.start()
    for tab in (page, second):
        expect(tab.get_by_text(re.compile("waits? here, safe"))).to_have_count(0)
    page.reload()
    expect(page.get_by_role("navigation", name="Numbers").get_by_role("button").filter(has_text="sent")).to_have_count(
        3
    )
    assert sheet_count(live, drawn) == 3


def send_takes(live: LiveServer, drawn: Drawn, take_file: Path) -> None:
    cookies = {cookie["name"]: cookie["value"] for cookie in drawn.cookies}
    with httpx.Client(base_url=live.url, cookies=cookies, timeout=60) as client:
        room = client.get("/api/room", params={"audition_id": drawn.audition_id}).json()
        for index, candidate in enumerate(room["candidates"][:3]):
            form = {"id": f"{index:032x}", "candidate_id": candidate["candidate_id"], "piece_id": drawn.piece_id}
            with take_file.open("rb") as sound:
                client.post("/api/takes", data=form, files={"file": sound}).raise_for_status()


def sheet_count(live: LiveServer, drawn: Drawn) -> int:
    """Versions of submitted sheets in the database."""
    with sqlite3.connect(live.data_dir / "fairhearing.db") as database:
        [(count,)] = database.execute("SELECT count(*) FROM sheetversion").fetchall()
    database.close()
    return count


@pytest.fixture
def far_away(playwright: Playwright, chromium_path: str, chromium_args: list[str]) -> Iterator[Page]:
    """A browser to which this server has a name in the school's network, so that plain http is not secure."""
    rules = "--host-resolver-rules=MAP bandroom.local 127.0.0.1"
    browser = playwright.chromium.launch(executable_path=chromium_path, args=[*chromium_args, rules])
    page = browser.new_page()
    page.set_default_timeout(30_000)
    yield page
    browser.close()


def test_a_join_link_is_there_for_the_secure_address_too(live, drawn):
    cookies = {cookie["name"]: cookie["value"] for cookie in drawn.cookies}
    with httpx.Client(base_url=live.url, cookies=cookies, headers={"Origin": live.url}, timeout=60) as client:
        made = client.post(f"/api/auditions/{drawn.audition_id}/proctor-link", json={"label": "Room 2"})
    link = made.raise_for_status().json()
    secret = link["url"].split("#")[1]
    assert link["url"] == f"{live.url}/join.html#{secret}"
    assert link["secure"]["url"] == f"{secure(live)}/join.html#{secret}"
    assert link["secure"]["qr_svg"] != link["qr_svg"]


def test_plain_http_says_what_does_not_work_and_leads_to_what_does(far_away, live, drawn):
    page, plain = far_away, f"http://bandroom.local:{live.port}"
    secret = drawn.links["proctor"].split("#")[1]
    page.goto(f"{plain}/join.html#{secret}")
    assert not page.evaluate("isSecureContext")
    note = page.locator(".device-note")
    expect(note).to_contain_text("This address is not secure")
    secure_join = f"https://bandroom.local:{live.https_port}/join.html#{secret}"
    expect(note.get_by_role("link", name="the secure address")).to_have_attribute("href", secure_join)
    page.get_by_role("button", name="Join on this device").click()
    page.wait_for_url("**/room.html")
    expect(note).to_contain_text("no microphone here")
    page.get_by_role("navigation", name="Playing order").get_by_role("button").last.click()
    page.get_by_role("button", name="Record F major scale").click()
    expect(page.get_by_role("alert")).to_contain_text("not secure, so the browser gives no microphone")
    page.goto(f"{plain}/panel.html")
    expect(note).to_contain_text("can't be opened again while there is no network")
    page.goto(f"{plain}/leader.html")
    expect(note).to_contain_text("passwords and names travel readably")
    note.get_by_role("link", name="How to trust this server").click()
    expect(page.get_by_role("heading", name="Trust this server")).to_be_visible()
    with page.expect_download() as waiting:
        page.get_by_role("link", name="Download the certificate").click()
    assert Path(waiting.value.path()).read_bytes() == httpx.get(f"{live.url}/api/help/authority.cer").content

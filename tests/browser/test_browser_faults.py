"""Recording through a bad day: server killed, network gone, browser killed, refusals after the fact, full disks.

Each time the end is the same: one take, complete, and the device has let go of it only then.
"""

import os
import re
import signal
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import soundfile
from live_server import LiveServer
from microphone import Samples, device, lags_sec, recorded, sliding, write_source
from playwright.sync_api import BrowserContext, Locator, Page, Playwright, Route, expect
from small_audition import Drawn, set_up

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PLAYED_SEC = 20.0
STRAY_SEC = 0.1  # our choice: a busy machine may drop blocks of sound; a lost or doubled chunk is a whole second


@pytest.fixture(scope="module")
def drawn(live: LiveServer) -> Drawn:
    return set_up(live.url, live.setup_secret)


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("microphone") / "source.wav"


@pytest.fixture(scope="module")
def played(source: Path) -> Samples:
    return write_source(source, sliding(PLAYED_SEC))


@pytest.fixture
def open_device(
    playwright: Playwright, chromium_path: str, chromium_args: list[str], source: Path, played, live, drawn, tmp_path
) -> Iterator[Callable[[], BrowserContext]]:
    """Starts the recording room's browser; started again, it is the same device."""
    options = {"path": chromium_path, "args": chromium_args, "source": source, "cookies": drawn.cookies}
    with device(playwright.chromium, profile=tmp_path / "profile", base_url=live.url, **options) as start:
        yield start


def order_of(page: Page) -> Locator:
    return page.get_by_role("navigation", name="Playing order").get_by_role("button")


def begin(page: Page, drawn: Drawn) -> str:
    """Record the next candidate; returns the number."""
    page.goto(f"/room.html?audition_id={drawn.audition_id}")
    order_of(page).filter(has_text="expected").first.click()
    number = page.get_by_role("heading", level=2).first.inner_text().removeprefix("Number ")
    page.get_by_role("button", name="Record F major scale").click()
    page.get_by_role("button", name="Start recording").click()
    expect(page.get_by_role("timer")).to_be_visible()
    return number


def stop(page: Page) -> None:
    page.get_by_role("button", name="Stop and keep").click()


def takes_of(live: LiveServer, drawn: Drawn, number: str) -> list[Path]:
    """The recordings the server has of a number."""
    with sqlite3.connect(live.data_dir / "fairhearing.db") as database:
        rows = database.execute(
            "SELECT take.sha256 FROM take JOIN candidate ON candidate.id = take.candidate_id "
            "WHERE candidate.blind_number = ? AND candidate.round_id = ?",
            (number, drawn.round_id),
        ).fetchall()
    database.close()
    return [live.data_dir / "takes" / "sha256" / sha256[:2] / sha256[2:] for (sha256,) in rows]


def assert_one_take(page: Page, live: LiveServer, drawn: Drawn, number: str, played: Samples, at_least: float) -> None:
    expect(order_of(page).filter(has_text=number)).to_contain_text("all recorded")
    expect(page.get_by_text("waits here, safe")).to_have_count(0)
    assert page.evaluate("import('/core/spool.js').then((spool) => spool.list())") == []
    [path] = takes_of(live, drawn, number)
    taken, rate = soundfile.read(path)
    assert taken.size / rate >= at_least
    lags = lags_sec(taken, played)
    assert lags
    assert [lag for lag in lags if abs(lag) > STRAY_SEC] == []
    assert not list((live.data_dir / "uploads").glob("*")), "the server has let go of the chunks"


def test_the_server_is_killed_while_recording(open_device, live, drawn, played):
    page = open_device().new_page()
    number = begin(page, drawn)
    recorded(page, 3)
    live.kill()
    expect(page.get_by_text("The server does not answer. The recording goes on")).to_be_visible()
    recorded(page, 8)  # five seconds without a server
    live.start()
    recorded(page, 9)
    stop(page)
    expect(page.locator(".take .verdict")).to_be_visible()
    assert_one_take(page, live, drawn, number, played, at_least=8.5)


def lose_the_first_answer(page: Page) -> list[int]:
    """The server stores the take, but what it answers never comes: a 503 stands in for it."""
    lost: list[int] = []

    def answer(route: Route) -> None:
        reply = route.fetch()
        if lost:
            route.fulfill(response=reply)
        else:
            lost.append(reply.status)
            route.fulfill(status=503, body="")

    page.route("**/api/uploads/*/finish", answer)
    return lost


def test_the_network_goes_for_four_seconds_and_then_an_answer_is_lost(open_device, live, drawn, played):
    context = open_device()
    page = context.new_page()
    lost = lose_the_first_answer(page)
    number = begin(page, drawn)
    recorded(page, 3)
    context.set_offline(True)
    recorded(page, 5)
    stop(page)
    # Heard at once, and the proctor can go on, although nothing of the end is on the server.
    expect(page.get_by_label("The recording just made")).to_be_visible()
    expect(page.get_by_text("The recording is safe on this device")).to_be_visible()
    page.get_by_role("button", name="Leave").click()
    expect(page.get_by_text(f"A recording of number {number}")).to_be_visible()
    page.wait_for_timeout(2000)  # four seconds without a network, of which two were recorded
    context.set_offline(False)
    assert_one_take(page, live, drawn, number, played, at_least=4.0)
    assert lost == [200]
    page.unroute("**/api/uploads/*/finish")


def end_browser(profile: Path) -> None:
    """SIGKILL for the Chromium that this test started with ``profile``."""
    ended = 0
    for process in Path("/proc").glob("[0-9]*"):
        try:
            command = (process / "cmdline").read_bytes().split(b"\0")
        except OSError:
            continue  # it ended meanwhile
        if f"--user-data-dir={profile}".encode() in command and not any(c.startswith(b"--type=") for c in command):
            os.kill(int(process.name), signal.SIGKILL)
            ended += 1
    assert ended == 1


def test_the_browser_is_killed_while_recording(open_device, live, drawn, played, tmp_path):
    page = open_device().new_page()
    number = begin(page, drawn)
    recorded(page, 3)
    end_browser(tmp_path / "profile")
    for left in (tmp_path / "profile").glob("Singleton*"):
        left.unlink()
    page = open_device().new_page()
    page.goto(f"/room.html?audition_id={drawn.audition_id}")
    notice = page.get_by_text(f"The browser went away while number {number} was being recorded")
    expect(notice).to_contain_text(re.compile("0:0[2-9] are kept here"))
    page.get_by_role("button", name="Send what is kept").click()
    expect(notice).to_have_count(0)
    assert_one_take(page, live, drawn, number, played, at_least=2.0)


FULL_DISK = """
const put = IDBObjectStore.prototype.put;
IDBObjectStore.prototype.put = function (row, ...rest) {
  if (this.name === "chunk" && row.seq >= 1) throw new DOMException("full", "QuotaExceededError");
  return put.call(this, row, ...rest);
};
"""


def test_a_full_disk_on_the_device_is_said_and_the_take_arrives_all_the_same(open_device, live, drawn, played):
    context = open_device()
    context.add_init_script(FULL_DISK)
    page = context.new_page()
    number = begin(page, drawn)
    expect(page.get_by_text("This device can't store more")).to_be_visible()
    recorded(page, 3)
    stop(page)
    expect(page.locator(".take .verdict")).to_be_visible()
    assert_one_take(page, live, drawn, number, played, at_least=2.5)


def test_a_device_that_never_comes_back_is_rescued_on_another(open_device, live, drawn, chromium):
    device = open_device()
    page = device.new_page()
    with page.expect_response(lambda reply: reply.ok and reply.url.endswith("/chunks/2")):
        number = begin(page, drawn)
    device.close()
    [folder] = (live.data_dir / "uploads").glob("*")
    minute_ago = time.time() - 60
    os.utime(folder, (minute_ago, minute_ago))
    context = chromium.new_context(base_url=live.url)
    context.add_cookies(drawn.cookies)
    other = context.new_page()
    other.goto(f"/room.html?audition_id={drawn.audition_id}")
    expect(other.get_by_text(f"A recording of number {number}")).to_contain_text("never finished")
    other.get_by_role("button", name="Keep what arrived as the take").click()
    expect(order_of(other).filter(has_text=number)).to_contain_text("all recorded")
    assert len(takes_of(live, drawn, number)) == 1
    context.close()

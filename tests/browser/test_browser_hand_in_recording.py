"""Recording a take on the student's own page: nothing leaves the device before it was heard, nothing of it is lost."""

import hashlib
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from looking import looked_over
from microphone import RATE, device, recorded, write_source
from playwright.sync_api import BrowserContext, Page, Playwright, expect
from small_audition import STUDENTS

from app.files.audio import decode
from app.files.checks import Length, against_length, check_take

pytestmark = [pytest.mark.browser, pytest.mark.slow]

LEVEL = re.compile(r"^The level is good \(peak -\d+ dB\)\.$")
PLAYED_SEC = 120  # so long that a busy machine does not run out of it


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("microphone") / "source.wav"
    t = np.arange(PLAYED_SEC * RATE) / RATE
    noise = np.random.default_rng(5).normal(0, 2e-4, t.size)
    write_source(path, 0.3 * np.sin(2 * np.pi * (300 * t + 3 * t**2)) + noise)
    return path


@pytest.fixture
def open_device(
    playwright: Playwright, chromium_path: str, chromium_args: list[str], source: Path, server, tmp_path: Path
) -> Iterator[Callable[[], BrowserContext]]:
    """Starts a student's tablet whose microphone plays the source; started again, it is the same tablet."""
    options = {"path": chromium_path, "args": chromium_args, "source": source, "cookies": []}
    with device(playwright.chromium, profile=tmp_path / "profile", base_url=server.url, **options) as start:
        yield start


def begin(page: Page, seconds: int) -> None:
    page.get_by_role("button", name="Record F major scale here").click()
    expect(page.get_by_text(LEVEL)).to_be_visible()  # the source has a silence before it sounds
    page.get_by_role("button", name="Start recording").click()
    recorded(page, seconds)


def waits_here(page: Page):
    return page.get_by_role("group", name="Recording of F major scale, not handed in yet")


def test_a_student_records_listens_and_hands_in(open_device, link, server):
    page = open_device().new_page()
    sent: list[str] = []
    page.on("request", lambda request: "/api/hand-in/files/" in request.url and sent.append(request.url))
    page.on("request", lambda request: "/api/uploads/" in request.url and sent.append(request.url))
    page.goto(link(STUDENTS[0]))
    # By keyboard alone.
    page.get_by_role("button", name="Record F major scale here").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text(LEVEL)).to_be_visible()
    assert looked_over(page) == []
    page.get_by_role("button", name="Start recording").focus()
    page.keyboard.press("Enter")
    recorded(page, 8)
    assert looked_over(page) == []
    page.get_by_role("button", name="Stop and listen").focus()
    page.keyboard.press("Enter")
    group = waits_here(page)
    expect(group).to_contain_text("Length and level are as they should be")
    expect(group).to_be_focused()
    assert looked_over(page) == []
    sound = group.locator("audio")
    page.wait_for_function("(one) => one.readyState >= 1", arg=sound.element_handle())
    heard_sec = sound.evaluate("(one) => one.duration")
    assert heard_sec >= 8
    assert sent == [], "nothing leaves the device before the student says so"

    page.get_by_role("button", name="Hand in this recording").focus()
    page.keyboard.press("Enter")
    receipt = page.get_by_role("group", name="Receipt")
    expect(receipt).to_be_visible(timeout=90_000)
    expect(page.get_by_text("The recording made here is handed in")).to_be_visible()
    expect(group).to_have_count(0)
    assert not any("/api/uploads/" in url for url in sent)
    hash_shown = receipt.locator(".hash").inner_text()
    path = server.resources.store.local_path(hash_shown)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == hash_shown
    samples, rate = soundfile.read(path)
    assert (rate, samples.ndim) == (RATE, 1)
    assert samples.size / rate == pytest.approx(heard_sec, abs=0.01)
    # What was handed in is what the checks on the device looked at, and they agree with the server's.
    assert check_take(decode(path)).word in ("fine", "look")
    page.reload()
    expect(receipt).to_be_visible()
    expect(group).to_have_count(0)


def test_a_recording_outlives_a_reload_and_a_broken_line(open_device, link):
    page = open_device().new_page()
    page.goto(link(STUDENTS[1]))
    begin(page, 2)
    page.reload()
    group = waits_here(page)
    expect(group).to_contain_text("The browser went away in the middle of it")

    chunks: list[str] = []
    page.on("request", lambda request: "/chunks/" in request.url and chunks.append(request.url))
    page.route(re.compile(r"/api/hand-in/files/.*/finish$"), lambda route: route.abort())
    with page.expect_request(re.compile(r"/finish$")):
        page.get_by_role("button", name="Hand in this recording").click()
    assert chunks
    chunks.clear()
    page.unroute(re.compile(r"/api/hand-in/files/.*/finish$"))
    page.reload()
    # What arrived is not sent again.
    page.get_by_role("button", name="Hand in this recording").click()
    expect(page.get_by_role("group", name="Receipt")).to_be_visible(timeout=90_000)
    assert chunks == []
    expect(group).to_have_count(0)


def test_a_recording_is_thrown_away_and_nobody_elses_is_shown(open_device, link, server):
    page = open_device().new_page()
    page.goto(link(STUDENTS[2]))
    begin(page, 1)
    page.get_by_role("button", name="Stop and listen").click()
    group = waits_here(page)
    expect(group).to_be_visible()
    other = page.context.new_page()
    other.goto(link(STUDENTS[3]))
    expect(other.get_by_role("button", name="Record F major scale here")).to_be_visible()
    expect(waits_here(other)).to_have_count(0)
    group.get_by_role("button", name="Throw it away").click()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("Nobody can bring it back.")
    dialog.get_by_role("button", name="Throw it away").click()
    expect(group).to_have_count(0)
    page.reload()
    expect(page.get_by_role("button", name="Record F major scale here")).to_be_visible()
    expect(group).to_have_count(0)


def test_where_the_address_is_not_secure_a_sentence_says_so(
    playwright: Playwright, chromium_path: str, chromium_args: list[str], link, server
):
    args = [*chromium_args, "--host-resolver-rules=MAP school.example 127.0.0.1"]
    browser = playwright.chromium.launch(executable_path=chromium_path, args=args)
    try:
        page = browser.new_page()
        page.goto(
            server.url.replace("127.0.0.1", "school.example").replace("localhost", "school.example") + link(STUDENTS[4])
        )
        assert not page.evaluate("isSecureContext")
        button = page.get_by_role("button", name="Record F major scale here")
        expect(button).to_have_attribute("aria-disabled", "true")
        expect(page.get_by_text("This address is not secure, so the browser gives no microphone.")).to_be_visible()
    finally:
        browser.close()


LOOK = """async ({ samples, rate, marked, shortest }) => {
  const { lookAt, joined } = await import("/core/take-checks.js");
  const whole = Float32Array.from(samples);
  const half = Math.floor(whole.length / 2);
  const chunks = [whole.slice(0, half).buffer, whole.slice(half).buffer];
  return lookAt(joined(chunks), rate, { marked_sec: marked, shortest_sec: shortest });
}"""
SOUNDS = {
    "fine": (0.3, 6.0, 0.2),
    "overloaded": (1.6, 6.0, 0.2),
    "quiet": (0.004, 6.0, 0.2),
    "silent": (0.0002, 6.0, 0.2),
    "too short": (0.3, 0.6, 0.1),
    "a part only": (0.3, 2.0, 0.2),
    "starts late": (0.3, 4.0, 15.5),
}


@pytest.mark.parametrize("name", list(SOUNDS))
def test_the_device_and_the_server_find_the_same(open_page, tmp_path: Path, name):
    """The page's checks against the server's (``app.files.checks``), which are tested against planted faults."""
    rate = 16_000  # the lowest that is taken: fewer samples to hand over
    size, sec, lead_sec = SOUNDS[name]
    t = np.arange(int(sec * rate)) / rate
    tone = np.clip(size * np.sin(2 * np.pi * 220 * t) * np.minimum(1, np.minimum(t, sec - t) / 0.02), -1, 1)
    lead = np.random.default_rng(3).normal(0, 1e-4, int(lead_sec * rate))
    samples = np.concatenate([lead, tone]).astype(np.float32)
    path = tmp_path / "take.wav"
    soundfile.write(path, samples, rate, subtype="FLOAT")
    length = Length(5.0)
    quality = against_length(check_take(decode(path)), length)
    page = open_page().page
    page.goto("/join.html")
    looked = page.evaluate(
        LOOK, {"samples": samples.tolist(), "rate": rate, "marked": length.marked_sec, "shortest": length.shortest_sec}
    )
    assert looked["usable"] == (quality.word != "refuse")
    assert looked["sec"] == pytest.approx(quality.duration_sec, abs=0.001)
    assert looked["clippedPlaces"] == quality.clipped_places
    assert (looked["levelDb"] is None) == (quality.level_db is None)
    if quality.level_db is not None:
        assert looked["levelDb"] == pytest.approx(quality.level_db, abs=0.06)
        assert looked["soundingSec"] == pytest.approx(quality.sounding_sec, abs=0.011)
        assert looked["playedSec"] == pytest.approx(quality.played_sec, abs=0.011)
    if quality.word != "refuse":
        beyond = ("The room is only", "Fine:", "The sound drops out")  # the server's alone, or no fault
        assert len(looked["sentences"]) == len([one for one in quality.sentences if not one.startswith(beyond)])
    assert bool(looked["sentences"]) == (name != "fine")

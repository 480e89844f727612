"""A real server on a free port and a real Chromium in front of it.

Without a Chromium these tests are skipped with a plain reason on a user's machine; where ``CI=true`` they fail.
"""

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import soundfile
from home_round import Home, from_home
from live_server import LiveServer
from playwright.sync_api import Browser, BrowserContext, Page, Playwright, expect, sync_playwright
from small_audition import LEADER, PASSWORD, Drawn, set_up
from thread_server import Server, start_server

CHROMIUM_ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENCE_MS = 30_000  # the machine may be busy with other things; nothing here tests speed
expect.set_options(timeout=PATIENCE_MS)
#: Reports violations of the content security policy as console errors, where ``Watched`` finds them.
REPORT_VIOLATIONS = """
addEventListener("securitypolicyviolation", (event) => {
  console.error(`policy: ${event.violatedDirective} ${event.blockedURI} ${event.sourceFile}`);
});
"""


@dataclass
class Watched:
    """A page and everything its console complained about."""

    page: Page
    complaints: list[str] = field(default_factory=list)

    def watch(self) -> None:
        self.page.on("console", lambda message: self._note(message.type, message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(f"uncaught: {error}"))

    def _note(self, kind: str, text: str) -> None:
        if kind in ("error", "warning"):
            self.complaints.append(f"{kind}: {text}")


def _chromium_path() -> str | None:
    return os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="session")
def chromium_path() -> str:
    found = _chromium_path()
    if found is None:
        reason = "no Chromium here: install Debian's package chromium, or name one in CHROMIUM"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    return found


@pytest.fixture(scope="session")
def chromium_args() -> list[str]:
    return CHROMIUM_ARGS


@pytest.fixture(scope="session")
def playwright(chromium_path: str) -> Iterator[Playwright]:
    with sync_playwright() as started:
        yield started


@pytest.fixture(scope="session")
def chromium(playwright: Playwright, chromium_path: str) -> Iterator[Browser]:
    browser = playwright.chromium.launch(executable_path=chromium_path, args=CHROMIUM_ARGS)
    yield browser
    browser.close()


# Starting a server takes seconds, so all tests that don't look into its life share one; each module sets up an audition
# of its own there.
@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory, chromium_path: str) -> Iterator[Server]:
    started, stop = start_server(tmp_path_factory.mktemp("server") / "data")
    yield started
    stop()


@pytest.fixture(scope="session")
def live(tmp_path_factory: pytest.TempPathFactory, chromium_path: str) -> Iterator[LiveServer]:
    """A server in a process of its own, plain and secure, that a test may kill and must start again."""
    server = LiveServer(tmp_path_factory.mktemp("live"), "--https-port", "0")
    server.start()
    yield server
    server.stop()


@pytest.fixture
def open_context(chromium: Browser, server: Server) -> Iterator[Callable[..., BrowserContext]]:
    """Makes a fresh device: ``open_context(viewport=..., has_touch=...)``."""
    made: list[BrowserContext] = []

    def make(**options: Any) -> BrowserContext:
        context = chromium.new_context(base_url=server.url, **{"viewport": {"width": 1366, "height": 860}, **options})
        context.set_default_timeout(PATIENCE_MS)
        context.add_init_script(REPORT_VIOLATIONS)
        made.append(context)
        return context

    yield make
    for context in made:
        context.close()


@pytest.fixture
def open_page(open_context: Callable[..., BrowserContext]) -> Callable[..., Watched]:
    """A page on a fresh device, its console watched."""

    def make(context: BrowserContext | None = None, **options: Any) -> Watched:
        watched = Watched((context or open_context(**options)).new_page())
        watched.watch()
        return watched

    return make


def melody(sample_rate: int = 44_100, note_sec: float = 0.4) -> npt.NDArray[np.float64]:
    """Eight tones with soft starts, between silences of half a second; mono, full scale 1, about -9 dBFS."""
    tones = []
    t = np.arange(int(note_sec * sample_rate)) / sample_rate
    envelope = np.minimum(1, np.minimum(t, note_sec - t) / 0.02)
    for midi in (62, 64, 65, 67, 69, 67, 65, 62):
        hz = 440 * 2 ** ((midi - 69) / 12)
        tones.append(0.35 * envelope * (np.sin(2 * np.pi * hz * t) + 0.3 * np.sin(4 * np.pi * hz * t)))
    silence = np.zeros(sample_rate // 2)
    return np.concatenate([silence, *tones, silence])


@pytest.fixture(scope="session")
def take_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A WAV file that the checks at intake find fine."""
    path = tmp_path_factory.mktemp("takes") / "take.wav"
    noise = np.random.default_rng(5).normal(0, 2e-4, melody().size)  # a room is never digitally silent
    soundfile.write(path, melody() + noise, 44_100, subtype="PCM_16")
    return path


@pytest.fixture
def enter_as_leader(server: Server) -> Callable[[Watched], None]:
    """Goes in as the section leader: by the very first set-up, later by signing in, as a person does it."""

    def enter(watched: Watched) -> None:
        page = watched.page
        page.goto(f"/#setup={server.setup_secret}")
        first = page.get_by_role("button", name="Set up and sign in")
        later = page.get_by_role("button", name="Sign in", exact=True)
        expect(first.or_(later)).to_be_visible()
        page.get_by_label("Your name").fill(LEADER)
        page.get_by_label("Password").fill(PASSWORD)
        (first if first.is_visible() else later).click()
        page.wait_for_url("**/leader.html*")

    return enter


@pytest.fixture(scope="module")
def drawn(server: Server) -> Drawn:
    """One scale, six students, two adjudicators; declared and drawn, no take yet."""
    return set_up(server.url, server.setup_secret)


@pytest.fixture(scope="module")
def home(server: Server, drawn: Drawn) -> Home:
    """A second round of the audition, handed in from home."""
    return from_home(server, drawn)


@pytest.fixture
def link(home: Home) -> Callable[[str], str]:
    """Makes a student's link to hand in: ``link(name)``."""
    return home.link

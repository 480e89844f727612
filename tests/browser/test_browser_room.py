"""The recording room before and after a take: sounds as declared, the room's noise, levels, channels, playback."""

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from looking import looked_over
from microphone import RATE, device, recorded
from playwright.sync_api import BrowserContext, Page, Playwright, expect
from small_audition import Drawn, set_up

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SOUNDS = {"tuning_note": True, "count_in_bars": 1, "metronome": True}
PIECE = "F major scale"


@pytest.fixture(scope="module")
def drawn(server) -> Drawn:
    return set_up(server.url, server.setup_secret, room_sounds=SOUNDS, a4_hz=442.0)


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Stereo: nothing but the room on the left for four seconds, then tones that clip; the right stays 40 dB lower.

    Every second and a half 200 samples are exact zeros, as a device that was too busy leaves them.
    """
    path = tmp_path_factory.mktemp("microphone") / "stereo.wav"
    t = np.arange(90 * RATE) / RATE  # longer than any test waits: a device whose file has ended is silent
    noise = np.random.default_rng(2).normal(0, 1e-3, t.size)
    tone = np.clip(1.3 * np.sin(2 * np.pi * 330 * t), -1, 0.99997) * (t > 4.5)
    both = np.stack([noise + tone, noise / 2 + tone / 100], axis=1).clip(-1, 0.99997)
    both[np.arange(t.size) % (3 * RATE // 2) < 200] = 0
    soundfile.write(path, both, RATE, "PCM_16")
    return path


@pytest.fixture
def open_device(
    playwright: Playwright, chromium_path: str, chromium_args: list[str], source: Path, server, drawn, tmp_path
) -> Iterator[Callable[[], BrowserContext]]:
    options = {"path": chromium_path, "args": chromium_args, "source": source, "cookies": drawn.cookies}
    with device(playwright.chromium, profile=tmp_path / "profile", base_url=server.url, **options) as start:
        yield start


def ready(page: Page, drawn: Drawn) -> None:
    page.goto(f"/room.html?audition_id={drawn.audition_id}")
    order = page.get_by_role("navigation", name="Playing order").get_by_role("button")
    order.filter(has_text="expected").first.click()
    page.get_by_role("button", name=f"Record {PIECE}").click()
    expect(page.get_by_role("img", name="Level of the microphone")).to_be_visible()
    # The button that was pressed is gone; a keyboard goes on where it led to.
    expect(page.get_by_role("group", name="Recording")).to_be_focused()


def test_room_noise_level_and_channel_are_told_in_sentences(open_device, drawn):
    page = open_device().new_page()
    ready(page, drawn)
    page.get_by_role("button", name="Check the room").click()
    expect(page.get_by_text("Be quiet for a moment")).to_be_visible()
    expect(page.get_by_text("Now play")).to_be_visible()
    expect(page.get_by_text(re.compile(r"The room is \d+ dB below your playing: fine\."))).to_be_visible()
    expect(page.get_by_text("The sound has clipped")).to_be_visible()
    channel = page.get_by_label("Channel")
    expect(channel).to_have_value("first")
    channel.select_option("second")
    expect(page.get_by_text(re.compile(r"Very quiet|The level is good \(peak -\d+ dB\)"))).to_be_visible()
    # The choice is this device's: it is there again after a reload.
    page.reload()
    page.get_by_role("button", name=f"Record {PIECE}").click()
    expect(page.get_by_label("Channel")).to_have_value("second")


def test_sounds_follow_the_audition_and_end_before_the_recording(open_device, drawn, server):
    page = open_device().new_page()
    page.add_init_script(
        """
        window.stops = [];
        const stop = OscillatorNode.prototype.stop;
        OscillatorNode.prototype.stop = function (at) { window.stops.push(at); return stop.call(this, at); };
        """
    )
    ready(page, drawn)
    note = page.get_by_role("button", name="Tuning note (A = 442 Hz, written B)")
    note.click()
    expect(page.get_by_role("button", name="Stop the tuning note")).to_have_attribute("aria-pressed", "true")
    page.get_by_role("button", name="Metronome (90)").click()
    expect(note).to_have_attribute("aria-pressed", "false")
    expect(page.get_by_text("4 beats are counted in; 4 beats to the bar, 90 to the minute.")).to_be_visible()
    assert looked_over(page) == []
    # The tones have begun, and go on for longer than this takes.
    expect(page.get_by_text("The sound has clipped")).to_be_visible()
    page.evaluate("window.stops.length = 0")
    page.get_by_role("button", name="Count in and record").click()
    expect(page.get_by_text("Counting in")).to_be_visible()
    expect(page.get_by_role("timer")).to_be_visible()
    # Four clicks, two thirds of a second apart; the last ends well before the music is due.
    clicks = page.evaluate("window.stops.slice(-4)")
    assert np.diff(clicks) == pytest.approx([60 / 90] * 3, abs=1e-6)
    recorded(page, 3)
    page.route("**/api/uploads/*/finish", lambda route: route.abort())
    page.get_by_role("button", name="Stop and keep").click()
    # Said at once, whether the server answers or not, while the candidate is still there.
    expect(page.get_by_text(re.compile(r"^[3-5] s recorded; the excerpt takes about 11 s\.$"))).to_be_visible()
    expect(page.get_by_text("You can go on with the next number meanwhile.")).to_be_visible()
    assert looked_over(page) == []
    page.unroute("**/api/uploads/*/finish")
    expect(page.locator(".take .verdict")).to_contain_text(
        re.compile(r"^\d s of playing recorded; the excerpt takes about 11")
    )
    expect(page.get_by_role("group", name=PIECE)).to_be_focused()
    expect(page.locator(".take .verdict")).to_contain_text("The sound drops out")
    expect(page.locator(".take .verdict")).to_contain_text("The microphone is overloaded")
    page.get_by_role("button", name="Listen").click()
    expect(page.locator("audio")).to_have_js_property("paused", False)


def test_a_count_in_can_be_stopped_and_leaves_nothing(open_device, drawn):
    page = open_device().new_page()
    ready(page, drawn)
    page.get_by_role("button", name="Count in and record").click()
    page.get_by_role("button", name="Throw this attempt away").click()
    expect(page.get_by_role("dialog", name="Throw this attempt away?")).to_be_visible()
    page.get_by_role("dialog").get_by_role("button", name="Leave it as it is").click()
    expect(page.get_by_role("button", name="Throw this attempt away")).to_be_focused()
    page.keyboard.press("Enter")
    page.get_by_role("dialog").get_by_role("button", name="Throw it away").click()
    expect(page.get_by_role("button", name="Count in and record")).to_be_visible()
    assert page.evaluate("import('/core/spool.js').then((spool) => spool.list())") == []


def test_a_declared_click_goes_on_through_the_take_and_ends_with_it(open_device, server):
    clicked = set_up(server.url, server.setup_secret, room_sounds={"count_in_bars": 1, "click": True})
    page = open_device().new_page()
    page.add_init_script(
        """
        window.starts = [];
        const start = OscillatorNode.prototype.start;
        OscillatorNode.prototype.start = function (at) { window.starts.push(at); return start.call(this, at); };
        """
    )
    ready(page, clicked)
    # Else a quick machine is done before the tones begin, and the take holds too little sound to be taken.
    expect(page.get_by_text("The sound has clipped")).to_be_visible()
    page.get_by_role("button", name="Count in and record").click()
    expect(page.get_by_role("timer")).to_be_visible()
    for _ in range(300):  # four are counted in, the others sound in the take
        if page.evaluate("window.starts.length") >= 8:
            break
        page.wait_for_timeout(100)
    page.get_by_role("button", name="Stop and keep").click()
    expect(page.locator(".take .verdict")).to_be_visible()
    starts = page.evaluate("window.starts")
    assert np.diff(starts) == pytest.approx([60 / 90] * (len(starts) - 1), abs=1e-6)
    page.wait_for_timeout(1000)
    assert page.evaluate("window.starts.length") == len(starts)


def test_a_device_that_alters_the_sound_is_said(open_device, drawn):
    context = open_device()
    context.add_init_script(
        """
        const settings = MediaStreamTrack.prototype.getSettings;
        MediaStreamTrack.prototype.getSettings = function () {
          return { ...settings.call(this), autoGainControl: true, noiseSuppression: true };
        };
        """
    )
    page = context.new_page()
    ready(page, drawn)
    expect(page.get_by_text("This device does noise suppression and automatic gain although")).to_be_visible()


def test_clicks_are_scheduled_to_the_sample(open_page):
    page = open_page().page
    page.goto("/join.html")
    onsets = page.evaluate(
        """async () => {
          const { countIn } = await import("/core/sounds.js");
          const rate = 48000;
          const context = new OfflineAudioContext(1, rate * 4, rate);
          const begins = countIn(context, { bpm: 97, beats: 3 }, 5, 0.1);
          const sound = (await context.startRendering()).getChannelData(0);
          const found = [];
          let last = -rate;
          sound.forEach((sample, at) => {
            if (Math.abs(sample) > 1e-4) {
              if (at - last > 2000) found.push(at / rate);
              last = at;
            }
          });
          return { found, begins, ends: last / rate };
        }"""
    )
    beat = 60 / 97
    assert onsets["found"] == pytest.approx([0.1 + k * beat for k in range(5)], abs=0.001)
    assert onsets["begins"] == pytest.approx(0.1 + 5 * beat)
    assert onsets["ends"] < onsets["begins"] - 0.5


@pytest.mark.parametrize(
    ("quiet", "playing", "sentence"),
    [
        (-62.0, -24.0, "The room is 38 dB below your playing: fine."),
        (-50.0, -25.0, "The room is 25 dB below your playing: usable"),
        (-40.0, -25.0, "The room is 15 dB below your playing: too little"),
        (-40.0, -38.0, "No playing was heard"),
        (-99.0, -20.0, "digital silence"),
    ],
)
def test_what_a_room_is_called(open_page, quiet, playing, sentence):
    page = open_page().page
    page.goto("/join.html")
    said = page.evaluate(
        "([quiet, playing]) => import('/core/room-noise.js').then((m) => m.roomVerdict({ quiet: [quiet, quiet, -10], "
        "playing: [playing, playing, playing, -90] }).sentence)",
        [quiet, playing],
    )
    assert sentence in said

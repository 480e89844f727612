"""A WAV file as microphone, and what a recording of it is compared with."""

import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile
from playwright.sync_api import BrowserContext, BrowserType, Page, expect

RATE = 44_100
PRE_ROLL_SEC = 2.0  # the device plays from the moment it is opened; this leaves time to press record

Samples = npt.NDArray[np.float64]


def sliding(played_sec: float) -> Samples:
    """Sliding tones: no two places look alike."""
    t = np.arange(int(played_sec * RATE)) / RATE
    phase = 2 * np.pi * (220 * t + 30 * t**2)
    return np.asarray(0.4 * np.sin(phase) * (0.6 + 0.4 * np.sin(2 * np.pi * 0.9 * t)))


def write_source(path: Path, sound: npt.NDArray[np.floating[Any]]) -> Samples:
    """Write a source with ``sound`` after the pre-roll. Returns what is played, as the file's 16 bits have it."""
    soundfile.write(path, np.concatenate([np.zeros(int(PRE_ROLL_SEC * RATE)), sound]), RATE, subtype="PCM_16")
    played, _ = soundfile.read(path)
    return played[int(PRE_ROLL_SEC * RATE) :]


def chromium_args_for(source: Path) -> list[str]:
    return [
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-audio-capture={source}%noloop",
        "--autoplay-policy=no-user-gesture-required",
    ]


@contextmanager
def device(
    chromium: BrowserType,
    *,
    profile: Path,
    path: str,
    args: list[str],
    source: Path,
    base_url: str,
    cookies: list[Any],
    viewport: tuple[int, int] = (820, 1180),
) -> Iterator[Callable[[], BrowserContext]]:
    """What starts a browser whose microphone plays ``source``; started again, it is the same device."""
    with ExitStack() as opened:

        def start() -> BrowserContext:
            context = chromium.launch_persistent_context(
                profile,
                executable_path=path,
                args=[*args, *chromium_args_for(source)],
                base_url=base_url,
                viewport={"width": viewport[0], "height": viewport[1]},
            )
            opened.callback(context.close)
            context.set_default_timeout(30_000)
            context.add_cookies(cookies)
            return context

        yield start


def recorded(page: Page, sec: int) -> None:
    """Wait until ``sec`` seconds, less than a minute, of the running recording are kept on the device."""
    tens, ones = divmod(sec, 10)
    expect(page.get_by_role("timer")).to_have_text(re.compile(rf"^(0:{tens}[{ones}-9]|0:[{tens + 1}-6]\d|[1-9])"))


def place_of(part: Samples, whole: Samples) -> int:
    """The sample of ``whole`` at which ``part`` fits best; negative when it begins before."""
    size = 1 << int(np.ceil(np.log2(part.size + whole.size)))
    likeness = np.fft.irfft(np.fft.rfft(whole, size) * np.conj(np.fft.rfft(part, size)), size)
    lag = int(np.argmax(likeness))
    return lag if lag < whole.size else lag - size


def residual_db(recorded: Samples, played: Samples) -> float:
    """Energy of the difference at the best place, against the energy of what was played, in dB."""
    lag = max(0, place_of(played, recorded))
    # The very ends may fall outside the recording or into the device's own fading.
    inner = slice(RATE // 2, min(len(played), len(recorded) - lag) - RATE // 4)
    heard, meant = recorded[lag:][inner], played[inner]
    gain = float(np.dot(heard, meant) / np.dot(meant, meant))
    rest = heard / gain - meant
    return float(10 * np.log10(np.sum(rest**2) / np.sum(meant**2) + 1e-30))


def lags_sec(recorded: Samples, played: Samples) -> list[float]:
    """Where each half second of ``played`` that was recorded stands in the recording, against where it should: seconds.

    A chunk that is lost, doubled or misplaced moves everything behind it by its own length. Looked for within three
    seconds, more than two chunks.
    """
    part, around = RATE // 2, 3 * RATE
    whole_lag = place_of(played, recorded)
    found = []
    for start in range(0, played.size - part, part):
        due = start + whole_lag
        if due >= 0 and due + part <= recorded.size:
            first = max(0, due - around)
            near = recorded[first : due + part + around]
            found.append((place_of(played[start : start + part], near) + first - due) / RATE)
    return found

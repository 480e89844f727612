"""The decoder is a process of its own: whatever a recording does to it, the answer is a sentence."""

import io
import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile

from app.domain.errors import BadAudio, TooLarge, Unavailable
from app.files import decoding
from app.files.audio import decode
from app.files.checks import check_take
from app.files.decoding import look_apart
from app.files.peaks import peaks
from app.files.playback import rendition

RATE = 22_050
PATIENCE_SEC = 600  # a shared machine may be slow; only what never ends is wrong


def tone(seconds: float = 2.0) -> bytes:
    at = np.arange(round(RATE * seconds)) / RATE
    noise = np.random.default_rng(1).normal(0, 1e-4, at.size)
    return rendition((0.2 * np.sin(2 * np.pi * 440 * at) + noise).astype(np.float32), RATE)


@pytest.fixture
def source(tmp_path: Path) -> Path:
    place = tmp_path / "take"
    place.write_bytes(tone())
    return place


@pytest.fixture
def playback(tmp_path: Path) -> Path:
    return tmp_path / "playback.wav"


def test_apart_finds_what_decoding_here_finds(source: Path, playback: Path) -> None:
    looked = look_apart(source, playback)
    audio = decode(source)
    assert (looked.container, looked.sample_rate, looked.channels) == ("wav", RATE, 1)
    assert looked.duration_sec == audio.duration_sec
    assert looked.quality == check_take(audio)
    assert looked.peaks == peaks(audio.samples)
    assert playback.read_bytes() == rendition(audio.samples, audio.sample_rate)


def test_sentences_and_facts_come_through(source: Path, playback: Path) -> None:
    source.write_bytes(b"words " * 100)
    with pytest.raises(BadAudio, match="text, not sound"):
        look_apart(source, playback)
    source.write_bytes(tone()[:9000])
    with pytest.raises(BadAudio, match="breaks off"):
        look_apart(source, playback)
    assert not playback.exists()


def test_a_take_to_be_refused_leaves_no_playback(source: Path, playback: Path) -> None:
    source.write_bytes(tone(0.3))
    assert look_apart(source, playback).quality.word == "refuse"
    assert not playback.exists()


@pytest.mark.parametrize(
    ("program", "sentence"),
    [
        ("import os; os.abort()", decoding.CRASHED),
        ("import os; os.kill(os.getpid(), 9)", decoding.CRASHED),
        ("import os, signal; os.kill(os.getpid(), signal.SIGXCPU)", decoding.TOO_SLOW),
        ("raise SystemExit(1)", decoding.CRASHED),
    ],
)
def test_a_decoder_that_breaks_down_is_a_sentence(
    source: Path, playback: Path, monkeypatch: pytest.MonkeyPatch, program: str, sentence: str
) -> None:
    monkeypatch.setattr(decoding, "COMMAND", (sys.executable, "-S", "-c", program))
    with pytest.raises(BadAudio) as raised:
        look_apart(source, playback)
    assert raised.value.sentence == sentence


def test_a_decoder_that_never_ends_is_ended(source: Path, playback: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decoding, "COMMAND", (sys.executable, "-S", "-c", "import time; time.sleep(3600)"))
    with pytest.raises(BadAudio, match="too long to decode"):
        look_apart(source, playback, patience_sec=0.3)


def test_no_decoder_is_a_sentence(source: Path, playback: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decoding, "COMMAND", ("/nowhere/python",))
    with pytest.raises(Unavailable, match="can't be started"):
        look_apart(source, playback)


def test_a_place_that_can_not_be_written_is_the_disks_fault(source: Path, tmp_path: Path) -> None:
    with pytest.raises(Unavailable, match="No such file or directory"):
        look_apart(source, tmp_path / "nowhere" / "playback.wav")


def test_the_decoder_ends_with_the_server(source: Path, playback: Path) -> None:
    fifo = source.with_name("fifo")
    os.mkfifo(fifo)  # nobody writes, so opening it waits for ever, like a decoder deep in its work
    with subprocess.Popen(
        [*decoding.COMMAND, str(fifo), str(playback)],
        cwd=decoding.ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
    ) as process:
        assert process.stdin is not None
        process.stdin.close()
        assert process.wait(timeout=PATIENCE_SEC) == 3


def flac(seconds: float, rate: int, announced: bool = True) -> bytes:
    """Digital silence with a beep, packed to almost nothing."""
    out = io.BytesIO()
    with soundfile.SoundFile(out, "w", rate, 1, format="FLAC", subtype="PCM_16") as file:
        file.write(0.3 * np.sin(np.arange(rate) / 20))
        block = np.zeros(rate * 30)
        for _ in range(round(seconds / 30)):
            file.write(block)
    data = bytearray(out.getvalue())
    if not announced:  # how a bomb would hide its length: STREAMINFO's total of samples set to unknown
        data[21] &= 0xF0
        data[22:26] = bytes(4)
    return bytes(data)


def test_a_bomb_is_put_out_by_length_whatever_it_announces(source: Path, playback: Path) -> None:
    for announced in (True, False):
        data = flac(25 * 60, 16_000, announced)
        assert len(data) < 2**20
        source.write_bytes(data)
        with pytest.raises(TooLarge, match="at most 20 minutes"):
            look_apart(source, playback)


@pytest.mark.slow
def test_a_bomb_in_memory_is_put_out_and_the_server_stays_small(source: Path, playback: Path) -> None:
    """19 minutes at 192 kHz are 0.9 GB of samples in a file of less than 3 MB."""
    source.write_bytes(flac(19 * 60, 192_000))
    assert source.stat().st_size < 3 * 2**20
    most_kb = 0
    over = threading.Event()

    def watch() -> None:
        nonlocal most_kb
        while not over.wait(0.05):
            for child in Path(f"/proc/{os.getpid()}/task").glob("*/children"):
                try:  # threads and processes end while they are looked at
                    said = [Path(f"/proc/{pid}/status").read_text() for pid in child.read_text().split()]
                except (FileNotFoundError, ProcessLookupError):
                    continue
                for status in said:
                    fields = dict(line.split(":", 1) for line in status.splitlines())
                    most_kb = max(most_kb, int(fields.get("VmHWM", "0 kB").split()[0]))

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        with pytest.raises(TooLarge, match="too much memory"):
            look_apart(source, playback)
    finally:
        over.set()
        watcher.join()
    assert 10_000 < most_kb < 2**20


def test_ctrl_c_in_the_servers_terminal_does_not_reach_the_decoder(source: Path, tmp_path: Path) -> None:
    """A decoder that says when it has begun and goes on once the whole terminal was interrupted."""
    begun, interrupted = tmp_path / "begun", tmp_path / "interrupted"
    answer = {"refused": {"code": "bad_audio", "sentence": "It went on.", "facts": {}}}
    decoder = (
        "import pathlib, signal, time\n"
        "signal.signal(signal.SIGINT, signal.SIG_DFL)\n"
        f"pathlib.Path({str(begun)!r}).touch()\n"
        f"while not pathlib.Path({str(interrupted)!r}).exists(): time.sleep(0.02)\n"
        f"print({json.dumps(answer)!r})\n"
    )
    server = (
        "import os, pathlib, signal, sys, threading, time\n"
        "from app.domain.errors import BadAudio\n"
        "from app.files import decoding\n"
        "signal.signal(signal.SIGINT, lambda *_: None)\n"
        f"decoding.COMMAND = (sys.executable, '-c', {decoder!r})\n"
        "def interrupt():\n"
        f"    while not pathlib.Path({str(begun)!r}).exists(): time.sleep(0.02)\n"
        "    os.killpg(0, signal.SIGINT)\n"
        f"    pathlib.Path({str(interrupted)!r}).touch()\n"
        "threading.Thread(target=interrupt).start()\n"
        "try:\n"
        f"    decoding.look_apart(pathlib.Path({str(source)!r}), pathlib.Path('playback'))\n"
        "except BadAudio as error:\n"
        "    print(error.sentence)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", server], cwd=decoding.ROOT, capture_output=True, text=True, start_new_session=True
    )
    assert (done.returncode, done.stdout.strip()) == (0, "It went on."), done.stdout + done.stderr


def test_the_decoder_stands_back_from_its_start_and_among_the_servers_processes(
    source: Path, playback: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Linux weighs sessions against each other first (sched(7), autogroup), so it has none of its own."""
    own = os.getpriority(os.PRIO_PROCESS, 0)
    program = (
        "import json, os, time\n"
        f"while os.getpriority(os.PRIO_PROCESS, 0) == {own}: time.sleep(0.01)\n"  # the server says it when it is there
        f"told = f'{{os.getpriority(os.PRIO_PROCESS, 0) - {own}}} {{os.getsid(0) == {os.getsid(0)}}}'\n"
        "print(json.dumps({'refused': {'code': 'bad_audio', 'sentence': told, 'facts': {}}}))\n"
    )
    monkeypatch.setattr(decoding, "COMMAND", (sys.executable, "-S", "-c", program))
    with pytest.raises(BadAudio, match=f"^{decoding.POLITENESS} True$"):
        look_apart(source, playback)

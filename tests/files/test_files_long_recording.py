"""Recordings of hours: cut sample by sample, decoded apart in bounded memory, refused in sentences."""

import io
import json
import os
import subprocess
import sys
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from app.domain.errors import BadAudio, BadInput
from app.files.long_decoding import ROOT, cut_apart, working_copy
from app.files.long_recording import WORKING_RATE_HZ, cut_out

RATE = 44_100
SECONDS = 12
PAIRS = ((3.5, 6.25), (9.2, 11.0))


def sound() -> np.ndarray:
    rng = np.random.default_rng(0)
    t = np.arange(SECONDS * RATE) / RATE
    mono = 0.2 * np.sin(2 * np.pi * 440 * t) * (1 + np.sin(7 * t)) / 2 + rng.normal(0, 0.01, t.size)
    return np.stack([0.5 * mono, mono], axis=1).astype(np.float32)


def encoded(path: Path, codec: str, kind: str, rate: int = RATE) -> None:
    samples = sound()
    with av.open(str(path), "w", format=kind) as out:
        track = out.add_stream(codec, rate=rate, layout="stereo")
        for at in range(0, len(samples), 1024):
            part = np.ascontiguousarray(samples[at : at + 1024].T)
            frame = av.AudioFrame.from_ndarray(part, format="fltp", layout="stereo")
            frame.rate, frame.pts = rate, at
            out.mux(track.encode(frame))
        out.mux(track.encode(None))


FORMATS = {
    "wav16": lambda path: soundfile.write(path, sound(), RATE, subtype="PCM_16", format="WAV"),
    "wav24": lambda path: soundfile.write(path, sound(), RATE, subtype="PCM_24", format="WAV"),
    "aiff": lambda path: soundfile.write(path, sound(), RATE, subtype="PCM_16", format="AIFF"),
    "flac": lambda path: soundfile.write(path, sound(), RATE, subtype="PCM_16", format="FLAC"),
    "mp3": lambda path: encoded(path, "libmp3lame", "mp3"),
    "m4a": lambda path: encoded(path, "aac", "ipod"),
    "ogg": lambda path: encoded(path, "libopus", "ogg", 48_000),
}
EXACT = {"wav16": 2**15, "wav24": 2**23, "aiff": 2**15, "flac": 2**15}  # steps of the sample format


def read(path: Path, start_sec: float, end_sec: float) -> tuple[np.ndarray, int]:
    out = io.BytesIO()
    cut_out(path, start_sec, end_sec, out)
    samples, rate = soundfile.read(io.BytesIO(out.getvalue()), always_2d=True)
    return samples, rate


@pytest.mark.parametrize("name", sorted(FORMATS))
def test_a_cut_is_the_very_samples_of_the_whole(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    FORMATS[name](path)
    whole, rate = read(path, 0.0, SECONDS + 10.0)
    assert abs(len(whole) / rate - SECONDS * RATE / rate) < 0.2
    for start, end in PAIRS:
        part, _ = read(path, start, end)
        wanted = whole[round(start * rate) : round(end * rate)]
        if name == "m4a":  # AAC fills bands with random noise (ISO/IEC 14496-3, perceptual noise substitution)
            assert part.shape == wanted.shape
            assert float(np.sqrt(np.mean((part - wanted) ** 2))) < 0.01 * float(np.sqrt(np.mean(wanted**2)))
        else:
            np.testing.assert_array_equal(part, wanted)
    if name in EXACT:
        np.testing.assert_allclose(whole, sound(), atol=1.01 / EXACT[name])
    again = [io.BytesIO(), io.BytesIO()]
    for out in again:
        cut_out(path, *PAIRS[0], out)
    assert again[0].getvalue() == again[1].getvalue()


def test_the_working_copy_is_the_louder_channel_at_the_listening_rate(tmp_path: Path) -> None:
    path = tmp_path / "day.flac"
    FORMATS["flac"](path)
    shares: list[float] = []
    with working_copy(path, shares.append) as copy:
        assert copy.length == pytest.approx(SECONDS * WORKING_RATE_HZ, abs=50)
        samples = copy.read(WORKING_RATE_HZ, 3 * WORKING_RATE_HZ)
        assert samples.shape == (2 * WORKING_RATE_HZ,)
        loud = sound()[RATE : 3 * RATE, 1]
        assert float(np.std(samples)) == pytest.approx(float(np.std(loud)), rel=0.03)
        assert (copy.survey.container, copy.survey.channels, copy.survey.sample_rate) == ("flac", 2, RATE)
        assert len(copy.survey.peaks) == SECONDS * 10
    assert shares == sorted(shares)
    out = tmp_path / "cut.wav"
    cut_apart(path, 1.0, 2.0, out)
    assert soundfile.info(out).frames == RATE


def test_a_battery_that_died_loses_the_end_only(tmp_path: Path) -> None:
    path = tmp_path / "day.wav"
    FORMATS["wav16"](path)
    path.write_bytes(path.read_bytes()[: 7 * RATE * 4])
    with working_copy(path, lambda share: None) as copy:
        assert copy.survey.duration_sec == pytest.approx(7.0, abs=0.1)
        assert any("breaks off" in note for note in copy.survey.notes)


def test_what_can_not_be_used_is_said(tmp_path: Path) -> None:
    for name, data, sentence in (
        ("empty", b"", "empty"),
        ("text", b"nothing to hear " * 100, "text"),
        ("broken", b"fLaC" + bytes(400), "decode"),
    ):
        path = tmp_path / name
        path.write_bytes(data)
        with pytest.raises(BadAudio, match=sentence), working_copy(path, lambda share: None):
            pass
    path = tmp_path / "low.wav"
    soundfile.write(path, np.zeros(8000), 8000, subtype="PCM_16")
    with pytest.raises(BadAudio, match="too low"), working_copy(path, lambda share: None):
        pass
    with pytest.raises(BadInput, match="Nothing of the recording"):
        read(path, 500.0, 501.0)


def test_memory_does_not_grow_with_the_recording(tmp_path: Path) -> None:
    """Twelve times the length, the same memory: the largest resident size of the decoding process."""

    def most_kb(minutes: int) -> int:
        path = tmp_path / f"{minutes}.wav"
        noise = (np.random.default_rng(1).standard_normal(RATE * 60) * 2000).astype("<i2")
        with soundfile.SoundFile(path, "w", RATE, 1, subtype="PCM_16", format="WAV") as file:
            for _ in range(minutes):
                file.write(noise)
        child = (
            "import json, os, resource, runpy, sys\n"
            "fd = os.open(sys.argv[1] + '.copy', os.O_RDWR | os.O_CREAT)\n"
            "sys.argv = ['x', 'survey', sys.argv[1], str(fd)]\n"
            "try:\n    runpy.run_module('app.files.long_decoder', run_name='__main__')\n"
            "except SystemExit:\n    pass\n"
            "print(json.dumps({'most_kb': resource.getrusage(resource.RUSAGE_SELF).ru_maxrss}), flush=True)\n"
            "os._exit(0)\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", child, str(path)], cwd=ROOT, stdin=held_open, capture_output=True, check=True
        )
        return int(json.loads(done.stdout.splitlines()[-1])["most_kb"])

    held_open, other_end = os.pipe()  # the decoder ends when its parent is gone
    try:
        assert most_kb(24) < most_kb(2) + 30_000
    finally:
        os.close(held_open)
        os.close(other_end)

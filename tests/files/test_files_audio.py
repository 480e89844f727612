"""Every container is made here with PyAV's encoders, decoded, and compared with the tone that went in."""

import contextlib
import io
import struct
import wave
from pathlib import Path

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.domain.errors import BadAudio, FairhearingError, TooLarge
from app.files.audio import MAX_SEC, decode
from app.files.containers import recognise

RATE = 48_000
TONE_HZ = 440.0


def tone(seconds: float = 2.0, rate: int = RATE, hz: float = TONE_HZ, level: float = 0.3) -> np.ndarray:
    return (level * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)).astype(np.float32)


def encode(channels: np.ndarray, rate: int, muxer: str, codec: str, **metadata: str) -> bytes:
    """``channels`` [c, n] as a file of the given kind."""
    out = io.BytesIO()
    layout = "stereo" if channels.shape[0] == 2 else "mono"
    with av.open(out, "w", format=muxer) as container:
        container.metadata.update(metadata)
        stream = container.add_stream(codec, rate=rate, layout=layout)
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(channels), format="fltp", layout=layout)
        frame.sample_rate = rate
        context = stream.codec_context
        resampler = av.AudioResampler(
            format=context.format, layout=layout, rate=rate, frame_size=context.frame_size or 1024
        )
        for piece in resampler.resample(frame) + resampler.resample(None):
            container.mux(stream.encode(piece))
        container.mux(stream.encode(None))
    return out.getvalue()


def mono(samples: np.ndarray, muxer: str, codec: str, rate: int = RATE) -> bytes:
    return encode(samples[None], rate, muxer, codec)


def frequency(samples: np.ndarray, rate: int) -> float:
    middle = samples[samples.size // 4 : samples.size * 3 // 4] * np.hanning(samples.size * 3 // 4 - samples.size // 4)
    spectrum = np.abs(np.fft.rfft(middle, 1 << 20))
    return float(np.argmax(spectrum) * rate / (1 << 20))


KINDS = {
    "wav 16 bit": ("wav", "pcm_s16le", "wav", 2e-5),
    "wav 24 bit": ("wav", "pcm_s24le", "wav", 2e-7),
    "wav float": ("wav", "pcm_f32le", "wav", 0.0),
    "wav 8 bit": ("wav", "pcm_u8", "wav", 5e-3),
    "aiff": ("aiff", "pcm_s16be", "aiff", 2e-5),
    "flac": ("flac", "flac", "flac", 2e-5),
    "mp3": ("mp3", "libmp3lame", "mp3", None),
    "m4a": ("ipod", "aac", "m4a", None),
    "aac": ("adts", "aac", "aac", None),
    "ogg opus": ("ogg", "libopus", "ogg", None),
    "webm opus": ("webm", "libopus", "webm", None),
}


@pytest.mark.parametrize("kind", KINDS)
def test_each_container_gives_the_tone_back(kind: str) -> None:
    muxer, codec, name, tolerance = KINDS[kind]
    played = tone()
    audio = decode(mono(played, muxer, codec))
    assert (audio.container, audio.sample_rate, audio.channels) == (name, RATE, 1)
    assert audio.duration_sec == pytest.approx(2.0, abs=0.05)
    assert audio.samples.dtype == np.float32
    assert audio.damaged_packets == 0
    assert frequency(audio.samples, RATE) == pytest.approx(TONE_HZ, abs=0.1)
    if tolerance is not None:
        assert np.abs(audio.samples - played).max() <= tolerance
    else:
        assert np.sqrt(np.mean(audio.samples[4800:-4800] ** 2)) == pytest.approx(
            0.3 / np.sqrt(2),
            rel=0.06,  # LAME scales by 0.95
        )


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "wav float"])
@pytest.mark.parametrize("share", [0.5, 0.9])
def test_a_file_that_breaks_off_is_refused(kind: str, share: float) -> None:
    muxer, codec, _, _ = KINDS[kind]
    data = mono(tone(3.0), muxer, codec)
    with pytest.raises(BadAudio, match=r"breaks off|broken off"):
        decode(data[: int(len(data) * share)])


@pytest.mark.parametrize("rate", [16_000, 22_050, 44_100, 96_000])
def test_sample_rates_are_kept(rate: int) -> None:
    audio = decode(mono(tone(1.0, rate), "wav", "pcm_s16le", rate))
    assert audio.sample_rate == rate
    assert frequency(audio.samples, rate) == pytest.approx(TONE_HZ, abs=0.2)


def test_the_louder_channel_is_taken() -> None:
    left, right = tone(hz=300, level=0.02), tone(hz=440, level=0.3)
    audio = decode(encode(np.stack([left, right]), RATE, "flac", "flac"))
    assert (audio.channels, audio.channel_taken) == (2, 1)
    assert frequency(audio.samples, RATE) == pytest.approx(440, abs=0.1)


def test_a_file_on_disk_decodes_like_its_bytes(tmp_path: Path) -> None:
    data = mono(tone(), "flac", "flac")
    path = tmp_path / "a name that must not matter.txt"
    path.write_bytes(data)
    assert np.array_equal(decode(path).samples, decode(data).samples)


def test_a_recorder_that_never_wrote_its_length_is_accepted() -> None:
    data = bytearray(mono(tone(1.0), "wav", "pcm_s16le"))
    at = data.index(b"data") + 4
    data[at : at + 4] = data[4:8] = b"\xff\xff\xff\xff"
    assert decode(bytes(data)).duration_sec == pytest.approx(1.0, abs=0.01)


def plain_wav(frames: bytes, rate: int) -> bytes:
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes(frames)
    return out.getvalue()


BAD = {
    "empty": (b"", "empty"),
    "text": (b"Dear committee, here is my recording.\n" * 50, "text"),
    "text with a mark": ("\ufeffHallo, das ist Text".encode("utf-16"), "text"),
    "web page": (b"<!doctype html><title>Sign in</title>" * 20, "text"),
    "playlist": (b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n", "text"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4, "not a recording"),
    "one byte": (b"\x00", "not a recording"),
    "no sound inside": (plain_wav(b"", 44_100), "no sound"),
    "header only": (plain_wav(b"\0\0" * 100, 44_100)[:30], "decoded|no sound"),
    "8 kHz": (plain_wav(b"\1\0" * 8_000, 8_000), "8 kHz"),
    "10 kHz": (plain_wav(b"\1\0" * 10_000, 10_000), "10 kHz"),
    "words called wav": (b"RIFF\x10\0\0\0WAVE" + b"not really" * 30, "decoded"),
    "words called flac": (b"fLaC" + b"not really" * 300, "decoded|damaged|no sound"),
    "words called mp4": (b"\0\0\0\x18ftypM4A " + b"not really" * 300, "decoded|no sound"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_gets_one_sentence(name: str) -> None:
    data, expected = BAD[name]
    with pytest.raises(BadAudio, match=expected) as caught:
        decode(data)
    assert caught.value.sentence.endswith(".")
    assert "\n" not in caught.value.sentence


def test_a_sample_format_nobody_records_in_is_a_sentence() -> None:
    data = mono(tone(0.5), "wav", "pcm_s64le")
    with pytest.raises(BadAudio, match="sample format s64"):
        decode(data)


def test_not_a_number_is_no_sound() -> None:
    samples = tone(1.0)
    samples[5000] = np.nan
    with pytest.raises(BadAudio, match="no sound"):
        decode(mono(samples, "wav", "pcm_f32le"))


def test_two_hours_are_refused_from_the_header_alone() -> None:
    two_hours = 2 * 3600 * 16_000
    header = plain_wav(b"", 16_000)[:-4] + struct.pack("<I", two_hours * 2)
    with pytest.raises(BadAudio, match="breaks off"):
        decode(header)  # says two hours, holds nothing
    whole = io.BytesIO(header)
    whole.seek(0, io.SEEK_END)
    whole.write(bytes(two_hours * 2))
    with pytest.raises(TooLarge, match="120 minutes"):
        decode(whole.getvalue())


def test_a_small_file_that_unpacks_to_hours_is_stopped() -> None:
    silence = encode(np.zeros((1, RATE * 30), dtype=np.float32), RATE, "flac", "flac")
    assert len(silence) < 30_000
    with pytest.raises(TooLarge, match="at most"):
        decode(silence, max_sec=10.0)
    endless = bytearray(silence)
    endless[18:26] = (int.from_bytes(endless[18:26], "big") >> 36 << 36).to_bytes(8, "big")  # length unknown
    with pytest.raises(TooLarge, match="too long"):
        decode(bytes(endless), max_sec=10.0)
    assert MAX_SEC == 1200


@given(
    st.binary(max_size=600), st.sampled_from([b"RIFF\x24\0\0\0WAVEfmt ", b"fLaC", b"OggS", b"\x1aE\xdf\xa3", b"ID3\4"])
)
def test_garbage_never_crashes(rest: bytes, start: bytes) -> None:
    with pytest.raises(FairhearingError):
        decode(start + rest)


@pytest.mark.parametrize("kind", ["wav 16 bit", "flac", "mp3", "m4a", "ogg opus", "webm opus"])
def test_mutated_files_give_samples_or_a_sentence(kind: str) -> None:
    muxer, codec, _, _ = KINDS[kind]
    data = mono(tone(0.5), muxer, codec)
    random = np.random.default_rng(7)
    for _ in range(40):
        changed = bytearray(data)
        for at in random.integers(0, len(data), size=int(random.integers(1, 30))):
            changed[at] = random.integers(0, 256)
        with contextlib.suppress(FairhearingError):
            assert np.isfinite(decode(bytes(changed)).samples).all()


def test_content_decides_not_the_name() -> None:
    assert recognise(mono(tone(0.1), "aiff", "pcm_s16be")[:64]).name == "aiff"
    assert recognise(b"\xff\xfb\x90\x64" + bytes(60)).name == "mp3"
    assert recognise(b"\xff\xf1\x50\x80" + bytes(60)).name == "aac"

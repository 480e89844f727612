"""Takes with one planted technical fault each."""

import io
import json
import wave

import numpy as np
import pytest

from app.files.audio import Audio, decode
from app.files.checks import Length, against_length, check_take
from app.files.peaks import peaks
from app.files.playback import rendition

RATE = 44_100


def playing(seconds: float = 4.0, level: float = 0.25, room: float = 1e-4) -> np.ndarray:
    """Notes of half a second that die away, in a quiet room."""
    time = np.arange(round(seconds * RATE)) / RATE
    envelope = np.minimum(1.0, np.minimum(time % 0.5, 0.5 - time % 0.5) / 0.03)
    noise = np.random.default_rng(1).normal(0, room, time.size)
    return (level * envelope * np.sin(2 * np.pi * 440 * time) + noise).astype(np.float32)


def check(samples: np.ndarray, damaged: int = 0):  # type: ignore[no-untyped-def]
    return check_take(Audio(samples.astype(np.float32), RATE, 1, "wav", 0, damaged))


def test_a_good_take_is_fine() -> None:
    quality = check(playing())
    assert (quality.word, quality.dropouts, quality.clipped_places) == ("fine", 0, 0)
    assert quality.level_db == pytest.approx(20 * np.log10(0.25 / np.sqrt(2)), abs=1.0)
    assert quality.peak_db == pytest.approx(20 * np.log10(0.25), abs=0.1)
    assert json.loads(json.dumps(quality.to_dict()))["word"] == "fine"


def test_silence_is_refused() -> None:
    for samples in (np.zeros(RATE * 5), np.random.default_rng(1).normal(0, 1e-4, RATE * 5)):
        quality = check(samples)
        assert (quality.word, quality.level_db) == ("refuse", None)
        assert "Nothing is to be heard" in quality.sentences[0]


def test_half_a_second_is_refused() -> None:
    assert check(playing(0.5)).word == "refuse"


@pytest.mark.parametrize(("length", "count"), [(63, 0), (64, 1), (2000, 1)])
def test_dropouts_are_runs_of_64_zeros_inside_the_sound(length: int, count: int) -> None:
    samples = playing()
    at = int(1.2 * RATE)
    samples[at : at + length] = 0.0
    quality = check(samples)
    assert quality.dropouts == count
    assert quality.word == ("look" if count else "fine")
    if count:
        assert quality.first_dropout_sec == pytest.approx(1.2, abs=0.001)
        assert quality.longest_dropout_ms == pytest.approx(length / RATE * 1000, abs=0.1)
        assert "once" in quality.sentences[0]


def test_digital_silence_between_notes_is_no_dropout() -> None:
    gated = np.concatenate([playing(1.0, room=0.0), np.zeros(RATE), playing(1.0, room=0.0)])
    assert check(gated).dropouts == 0


def test_overload_is_counted() -> None:
    quality = check(np.clip(playing(level=2.0), -1.0, 1.0))
    assert quality.clipped_places > 100
    assert quality.word == "look"
    assert check(playing(level=0.99)).clipped_places == 0


def test_quiet_late_noisy_and_damaged_are_worth_a_look() -> None:
    assert "quiet" in check(playing(level=0.005, room=1e-6)).sentences[0]
    late = np.concatenate([np.random.default_rng(2).normal(0, 1e-4, RATE * 20).astype(np.float32), playing()])
    assert "starts after 20 s" in check(late).sentences[0]
    noisy = np.concatenate([np.random.default_rng(2).normal(0, 0.02, RATE * 2).astype(np.float32), playing(room=0.02)])
    assert "room" in check(noisy).sentences[0]
    assert "decoded" in check(playing(), damaged=1).sentences[0]


def test_playback_is_a_plain_wav_with_nothing_but_sound() -> None:
    samples = playing(1.0)
    data = rendition(samples, RATE)
    with wave.open(io.BytesIO(data)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE)
        assert file.getnframes() == samples.size
    assert len(data) == 44 + 2 * samples.size
    assert data == rendition(samples, RATE)
    assert np.abs(decode(data).samples - samples).max() < 2e-5


def test_playback_limits_what_is_over_full_scale() -> None:
    values = np.frombuffer(rendition(np.array([1.5, -1.5, 0.0], dtype=np.float32), RATE)[44:], dtype="<i2")
    assert values.tolist() == [32767, -32768, 0]


def test_peaks_follow_the_waveform() -> None:
    samples = np.concatenate([np.full(5000, 0.1), np.full(5000, -0.8)]).astype(np.float32)
    columns = peaks(samples, columns=10)
    assert columns == [0.1] * 5 + [0.8] * 5
    assert len(peaks(playing())) == 1000
    assert peaks(samples[:3], columns=10) == [0.1] * 3
    assert peaks(samples[:0]) == []


@pytest.mark.parametrize(
    ("marked_sec", "assumed", "told"),
    [(60.0, False, True), (4.6, False, False), (60.0, True, True), (9.0, True, False)],
)
def test_playing_too_short_for_the_excerpt_is_told_first(marked_sec: float, assumed: bool, told: bool) -> None:
    """Three seconds of playing: shorter than two thirds of the marked length, or a third where no mark is printed."""
    seconds = 3.5
    samples = np.concatenate([np.random.default_rng(4).normal(0, 1e-4, 3 * RATE), playing(seconds), np.zeros(9 * RATE)])
    quality = check(samples)
    assert quality.played_sec == pytest.approx(seconds, abs=0.15)  # what comes before and after counts for nothing
    found = against_length(quality, Length(marked_sec, assumed=assumed))
    if not told:
        assert found == quality
        return
    assert found.word == "look"
    assert found.sentences[0].startswith(
        f"{quality.played_sec:.0f} s of playing recorded; the excerpt takes about 60 s"
    )
    assert ("no mark is printed" in found.sentences[0]) == assumed
    assert not any(sentence.startswith("Fine") for sentence in found.sentences)


def test_a_short_take_keeps_what_else_was_found() -> None:
    samples = playing(3.0)
    samples[int(1.2 * RATE) :][:200] = 0.0
    found = against_length(check(samples), Length(60.0))
    assert len(found.sentences) == 2
    assert "drops out" in found.sentences[1]
    refused = check(np.zeros(RATE * 5))
    assert against_length(refused, Length(60.0)) == refused

"""Tone measures against exact answers and independent libraries."""

import librosa
import numpy as np
import parselmouth
import pytest
from measured_takes import features_of, followed_of, harmonic_tone, piece_of
from parselmouth.praat import call

from app.listening.note_pitch import NotePitch
from app.listening.robust import median_error
from app.listening.tone import attack_noise_share, attack_sec, harmonic_centroid, hnr_db, tone_family

RATE = 44100


def noisy(hnr: float, hz: float = 220.0, seconds: float = 1.0, seed: int = 0) -> np.ndarray:
    tone = harmonic_tone(hz, seconds, RATE)
    noise = np.random.default_rng(seed).standard_normal(tone.size)
    return tone + noise * np.sqrt(np.mean(tone**2) / np.mean(noise**2) / 10 ** (hnr / 10))


def median_hnr(samples: np.ndarray, hz: float) -> float:
    return float(np.median([v for at in np.arange(0.1, 0.9, 0.02) if (v := hnr_db(samples, RATE, at, hz)) is not None]))


@pytest.mark.parametrize("hz", [98.0, 220.0, 880.0])
@pytest.mark.parametrize("planted", [10.0, 20.0, 30.0])
def test_hnr_is_signal_over_noise(planted: float, hz: float) -> None:
    """Boersma 1993: HNR = 10 log10(r / (1 - r)); 99 % periodic energy is 20 dB."""
    assert median_hnr(noisy(planted, hz), hz) == pytest.approx(planted, abs=1.0)


def test_hnr_of_a_pure_tone_is_high_and_of_noise_is_low() -> None:
    assert median_hnr(harmonic_tone(220.0, 1.0, RATE), 220.0) > 45.0
    noise = np.random.default_rng(1).standard_normal(RATE)
    found = [hnr_db(noise, RATE, at, 220.0) for at in (0.2, 0.4, 0.6, 0.8)]
    assert max(v for v in found if v is not None) < 6.0


@pytest.mark.parametrize("planted", [12.0, 22.0])
def test_hnr_agrees_with_praat(planted: float) -> None:
    samples = noisy(planted, seed=5)
    harmonicity = call(parselmouth.Sound(samples, RATE), "To Harmonicity (ac)", 0.01, 75.0, 0.1, 4.5)
    values = harmonicity.values[0]
    praat = float(np.median(values[values > -100]))
    assert median_hnr(samples, 220.0) == pytest.approx(praat, abs=1.5)


def test_hnr_says_nothing_at_the_edges_or_in_silence() -> None:
    samples = harmonic_tone(220.0, 0.5, RATE)
    assert hnr_db(samples, RATE, 0.001, 220.0) is None
    assert hnr_db(samples, RATE, 0.499, 220.0) is None
    assert hnr_db(np.zeros(RATE), RATE, 0.5, 220.0) is None


@pytest.mark.parametrize("hz", [110.0, 441.0])
def test_centroid_of_known_partials_is_exact(hz: float) -> None:
    """Ten partials of amplitude 1/k: the sum of k * 1/k over the sum of 1/k is 10 / H(10)."""
    samples = harmonic_tone(hz, 1.0, RATE, partials=[1 / k for k in range(1, 11)])
    expected = 10.0 / sum(1 / k for k in range(1, 11))
    assert harmonic_centroid(samples, RATE, 0.5, hz) == pytest.approx(expected, rel=0.02)
    theirs = librosa.feature.spectral_centroid(y=samples, sr=RATE, n_fft=8192, window="blackman")
    assert harmonic_centroid(samples, RATE, 0.5, hz) == pytest.approx(float(np.median(theirs)) / hz, rel=0.05)


@pytest.mark.parametrize("rise", [0.02, 0.06, 0.12])
def test_attack_time_of_a_linear_rise(rise: float) -> None:
    """A linear rise from nothing takes eight tenths of its length from 10 to 90 %."""
    tone = harmonic_tone(440.0, 1.0, RATE)
    silence = np.zeros(RATE // 2)
    shape = np.minimum(np.arange(tone.size) / (rise * RATE), 1.0)
    samples = np.concatenate([silence, tone * shape])
    found = attack_sec(samples, RATE, 0.5, 0.7, 1.3, 440.0)
    assert found == pytest.approx(0.8 * rise, abs=0.006)


def test_attack_out_of_sound_is_not_read() -> None:
    samples = harmonic_tone(440.0, 1.5, RATE)
    assert attack_sec(samples, RATE, 0.5, 0.7, 1.3, 440.0) is None


@pytest.mark.parametrize("share", [0.02, 0.2, 0.5])
def test_noise_share_in_a_growing_attack(share: float) -> None:
    found = []
    for seed in range(6):
        samples = noisy(10 * np.log10((1 - share) / share), seed=seed)
        shape = np.minimum(np.arange(samples.size) / (0.08 * RATE), 1.0)
        value = attack_noise_share(samples * shape, RATE, 0.01, 220.0)
        assert value is not None
        found.append(value)
    assert float(np.mean(found)) == pytest.approx(share, abs=0.25 * share + 0.01)


def test_tone_family_says_when_notes_are_too_short() -> None:
    piece = piece_of([0.25] * 6)
    followed = followed_of(piece, [0.15 * i for i in range(6)])
    features = features_of(np.full(400, np.nan))
    samples = np.zeros(RATE * 2, np.float32)
    found = tone_family(samples, RATE, piece, followed, features, [NotePitch(None, "x")] * 6, [None] * 6)
    assert found["hnr_db"] is None
    assert "long enough" in found["why_null"]
    assert found["register_evenness_db"] is None
    assert found["cracked"] == []
    assert set(found["uncertainty"].values()) == {None}


def test_the_doubt_of_a_median_is_what_other_draws_of_it_show() -> None:
    """Standard deviation of the medians of many samples, against the doubt told from one; too few tell none."""
    rng = np.random.default_rng(4)
    samples = rng.normal(18.0, 2.0, (400, 25))
    told = [median_error(list(one)) for one in samples]
    assert None not in told
    assert np.median([t for t in told if t is not None]) == pytest.approx(np.std(np.median(samples, axis=1)), rel=0.15)
    assert median_error([1.0, 2.0]) is None
    # Three frames of one note are one witness.
    thrice = median_error(list(np.repeat(samples[0], 3)), 25)
    assert thrice == pytest.approx(told[0], rel=0.05)


def test_a_start_an_octave_above_is_called_cracked() -> None:
    piece = piece_of([1.0] * 4, [62, 64, 65, 67])
    onsets = [0.2 + 0.6 * i for i in range(4)]
    followed = followed_of(piece, onsets, [t + 0.5 for t in onsets])
    hz = np.full(600, np.nan)
    for note, onset in zip(piece.notes, onsets, strict=True):
        a = round(onset / 0.005)
        hz[a : a + 100] = 440.0 * 2 ** ((note.sounding_midi - 69) / 12)
    a = round(onsets[2] / 0.005)
    hz[a : a + 16] *= 2.0
    none = [NotePitch(None, "x")] * 4
    found = tone_family(np.zeros(RATE * 3, np.float32), RATE, piece, followed, features_of(hz), none, [None] * 4)
    assert [c["note_id"] for c in found["cracked"]] == ["n3"]
    assert "12 half steps above" in found["cracked"][0]["why"]


def test_register_evenness() -> None:
    midis = [50, 51, 52, 53, 58, 59, 60, 66, 67, 68]
    piece = piece_of([1.0] * 10, midis)
    followed = followed_of(piece, [0.6 * i for i in range(10)])
    levels = [-24.0] * 4 + [-20.0] * 3 + [-21.0] * 3
    none = [NotePitch(None, "x")] * 10
    features = features_of(np.full(1400, np.nan))
    found = tone_family(np.zeros(RATE, np.float32), RATE, piece, followed, features, none, levels)
    assert found["register_evenness_db"] == pytest.approx(4.0)

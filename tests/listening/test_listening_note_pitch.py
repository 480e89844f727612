"""Pitch of single notes: planted cents, vibrato, slope and scoop; and where it can't be told."""

import math

import numpy as np
import parselmouth
import pytest
from measured_takes import HOP_SEC, contour, features_of, harmonic_tone

from app.listening.features import extract
from app.listening.note_pitch import (
    NOT_HEARD,
    NOT_STEADY,
    TOO_SHORT,
    find_vibrato,
    measure_note,
)


def note(cents: np.ndarray, *, midi: int = 69, lead: float = 0.1, **options: object):
    """A note of the given contour after a lead of silence, measured."""
    silence = np.full(round(lead / HOP_SEC), np.nan)
    hz = np.concatenate([silence, contour(cents, midi), silence])
    level = np.where(np.isfinite(hz), -20.0, -80.0)
    features = features_of(hz, level_db=level)
    return measure_note(features, lead, lead + cents.size * HOP_SEC, midi, 0.0, **options)


@pytest.mark.parametrize("planted", [-40.0, -7.5, 0.0, 12.3, 45.0])
@pytest.mark.parametrize("seconds", [0.12, 0.3, 2.0])
def test_finds_planted_cents(planted: float, seconds: float) -> None:
    found = note(np.full(round(seconds / HOP_SEC), planted))
    assert found.cents == pytest.approx(planted, abs=0.01)
    assert found.why is None
    assert found.uncertainty_cents is not None
    assert found.uncertainty_cents < (0.5 if seconds >= 0.3 else 2.0)


@pytest.mark.parametrize("rate", [4.5, 5.5, 7.0])
@pytest.mark.parametrize("extent", [16.0, 60.0])
@pytest.mark.parametrize("phase", [0.0, 1.3, 3.0])
def test_averages_vibrato_over_whole_cycles(rate: float, extent: float, phase: float) -> None:
    t = np.arange(round(0.83 / HOP_SEC)) * HOP_SEC
    found = note(6.0 + extent / 2 * np.sin(2 * np.pi * rate * t + phase))
    assert found.cents == pytest.approx(6.0, abs=0.015 * extent)
    assert found.vibrato_rate_hz == pytest.approx(rate, abs=0.1)
    assert found.vibrato_extent_cents == pytest.approx(extent, rel=0.05)
    assert found.steadiness_cents == pytest.approx(0.0, abs=0.05 * extent)


def test_a_room_that_is_louder_above_does_not_pull_the_mean() -> None:
    """Level that follows the vibrato (6 dB) is smoothed away; a slow swell still counts where it is loud."""
    t = np.arange(round(1.0 / HOP_SEC)) * HOP_SEC
    swing = np.sin(2 * np.pi * 5.0 * t)
    features = features_of(contour(20.0 * swing), level_db=-20.0 + 3.0 * swing)
    assert measure_note(features, 0.0, 1.0, 69, 0.0).cents == pytest.approx(0.0, abs=0.4)


@pytest.mark.parametrize("rate", [2.0, 12.0])
def test_no_vibrato_outside_its_range_or_without_two_cycles(rate: float) -> None:
    t = np.arange(300) * HOP_SEC
    assert find_vibrato(t, 20.0 * np.sin(2 * np.pi * rate * t)) is None
    short = np.arange(50) * HOP_SEC
    assert find_vibrato(short, 20.0 * np.sin(2 * np.pi * 5.0 * short)) is None


def test_noise_and_a_bend_are_no_vibrato() -> None:
    t = np.arange(300) * HOP_SEC
    rng = np.random.default_rng(2)
    assert find_vibrato(t, rng.normal(0.0, 8.0, t.size)) is None
    assert find_vibrato(t, 30.0 * t) is None


def test_finds_slope_and_scoop() -> None:
    t = np.arange(round(1.2 / HOP_SEC)) * HOP_SEC
    found = note(10.0 * (t - 0.6))
    assert found.slope_cents_per_sec == pytest.approx(10.0, abs=0.2)
    assert found.cents == pytest.approx(0.0, abs=0.6)
    scooped = note(-60.0 * np.exp(-t / 0.05))
    assert scooped.cents == pytest.approx(0.0, abs=0.5)
    assert scooped.scoop_cents == pytest.approx(-46.0, abs=6.0)  # mean of the first 30 ms of that curve
    assert note(np.zeros(200)).scoop_cents == pytest.approx(0.0, abs=0.1)
    assert note(np.zeros(200), slurred=True).scoop_cents is None


def test_says_when_it_cannot_tell() -> None:
    rng = np.random.default_rng(3)
    assert note(np.zeros(12)).why == TOO_SHORT
    assert note(np.zeros(16), midi=30).why == TOO_SHORT  # less than five periods of a low tuba note are left
    wild = note(np.cumsum(rng.normal(0.0, 14.0, 200)).clip(-85, 85))
    assert wild.cents is None
    assert wild.why in (NOT_STEADY, NOT_HEARD)
    gone = measure_note(features_of(np.full(200, np.nan)), 0.1, 0.8, 69, 0.0)
    assert (gone.cents, gone.why) == (None, NOT_HEARD)
    other = measure_note(features_of(contour(np.full(200, 400.0))), 0.1, 0.8, 69, 0.0)
    assert (other.cents, other.why) == (None, NOT_HEARD)


def test_uncertainty_covers_what_another_choice_of_stretch_would_give() -> None:
    """Replicas of notes whose pitch wanders: nine in ten whole-note means lie within two standard deviations."""
    rng = np.random.default_rng(7)
    inside = []
    for _ in range(200):
        n = round(float(rng.uniform(0.2, 1.0)) / HOP_SEC)
        knots = np.arange(0, n + 20, 20)
        wandering = float(rng.uniform(-30, 30)) + np.interp(np.arange(n), knots, rng.normal(0.0, 3.0, knots.size))
        found = note(wandering)
        assert found.cents is not None
        assert found.uncertainty_cents is not None
        inside.append(abs(found.cents - wandering.mean()) <= 2.0 * found.uncertainty_cents)
    assert np.mean(inside) >= 0.9


def test_short_notes_with_a_scooped_start_are_told_to_be_uncertain() -> None:
    """A tenth of a second that begins 40 cents low has no one pitch: its latter half and its last third differ."""
    for seconds in (0.1, 0.13, 0.16):
        t = np.arange(round(seconds / HOP_SEC)) * HOP_SEC
        curve = -40.0 * np.exp(-t / 0.04)
        found = note(curve)
        assert found.cents is not None
        assert found.uncertainty_cents is not None
        for share in (0.4, 0.67):
            other = float(curve[round(share * curve.size) :].mean())
            assert abs(found.cents - other) <= 2.0 * found.uncertainty_cents
        even = note(np.zeros(t.size)).uncertainty_cents
        assert even is not None
        assert found.uncertainty_cents > 1.2 * even


@pytest.mark.parametrize("midi", [43, 60, 76, 96])
def test_agrees_with_an_independent_estimator_on_steady_tones(midi: int) -> None:
    """Praat's autocorrelation pitch (through parselmouth) on the same samples."""
    rate, planted = 44100, 7.0
    hz = 440.0 * 2.0 ** ((midi - 69) / 12.0 + planted / 1200.0)
    partials = [1.0 / k for k in range(1, 12) if k * hz < 12000]
    tone = harmonic_tone(hz, 1.2, rate, partials=partials)
    found = measure_note(extract(tone.astype(np.float32), rate), 0.1, 1.1, midi, 0.0)
    praat = (
        parselmouth.Sound(tone, rate).to_pitch_ac(pitch_floor=60.0, pitch_ceiling=2500.0).selected_array["frequency"]
    )
    theirs = 1200.0 * math.log2(float(np.median(praat[praat > 0])) / (440.0 * 2.0 ** ((midi - 69) / 12.0)))
    assert found.cents == pytest.approx(planted, abs=0.2)
    assert found.cents == pytest.approx(theirs, abs=0.5)

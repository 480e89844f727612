"""Loudness against its published cases: ITU-R BS.1770-4 and EBU Tech 3341 (2016), table 1."""

import numpy as np
import pyloudnorm
import pytest

from app.listening.loudness import SILENCE_DB, integrated_loudness, k_energy, k_weighting

RATE = 48000


def tone(level_dbfs: float, seconds: float, hz: float = 1000.0, rate: int = RATE) -> np.ndarray:
    t = np.arange(int(seconds * rate)) / rate
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * t)


def stereo(*parts: tuple[float, float]) -> np.ndarray:
    one = np.concatenate([tone(level, seconds) for level, seconds in parts])
    return np.stack([one, one], axis=1)


def test_coefficients_are_those_printed_for_48_khz() -> None:
    """BS.1770-4, tables 1 and 2."""
    shelf, high_pass = k_weighting(48000)
    assert shelf == pytest.approx(
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585], abs=1e-8
    )
    assert high_pass == pytest.approx([1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621], abs=1e-8)


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_a_full_scale_997_hz_tone_in_one_channel_reads_minus_3_01(rate: int) -> None:
    """BS.1770-4, annex 1: "a 0 dB FS, 1 kHz (997 Hz) sine wave applied to the left input reads -3.01 LKFS"."""
    assert integrated_loudness(tone(0.0, 20.0, 997.0, rate), rate) == pytest.approx(-3.01, abs=0.005)


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ([(-23.0, 20.0)], -23.0),
        ([(-33.0, 20.0)], -33.0),
        ([(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0),
        ([(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)], -23.0),
        ([(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0),
    ],
    ids=["case 1", "case 2", "case 3", "case 4", "case 5"],
)
def test_ebu_tech_3341_cases(parts: list[tuple[float, float]], expected: float) -> None:
    assert integrated_loudness(stereo(*parts), RATE) == pytest.approx(expected, abs=0.1)


def test_agrees_with_an_independent_meter_on_noise() -> None:
    """pyloudnorm scales its high pass differently (0.04 LU low); on changing noise we stay within that."""
    rng = np.random.default_rng(4)
    noise = rng.standard_normal(8 * RATE) * 0.05 * (1.0 + np.sin(np.arange(8 * RATE) / RATE))
    ours = integrated_loudness(noise, RATE)
    assert ours == pytest.approx(pyloudnorm.Meter(RATE).integrated_loudness(noise), abs=0.06)


def test_says_nothing_about_too_little_or_silence() -> None:
    assert integrated_loudness(tone(-20.0, 0.3), RATE) is None
    assert integrated_loudness(np.zeros(2 * RATE), RATE) is None


def test_level_between_two_moments_follows_a_planted_step() -> None:
    samples = np.concatenate([tone(-30.0, 1.0), tone(-18.0, 1.0)])
    energy = k_energy(samples, RATE)
    quiet, loud = energy.level_db(0.2, 0.95), energy.level_db(1.05, 1.9)
    assert loud - quiet == pytest.approx(12.0, abs=0.02)
    assert energy.level_db(5.0, 6.0) == SILENCE_DB
    assert energy.level_db(1.0, 1.0) == SILENCE_DB


def test_energy_is_the_same_in_chunks_and_at_once() -> None:
    rng = np.random.default_rng(1)
    samples = rng.standard_normal((1 << 20) + 12345).astype(np.float32) * 0.1
    energy = k_energy(samples, RATE)
    from scipy.signal import sosfilt

    whole = sosfilt(k_weighting(RATE), samples.astype(np.float64))
    assert energy.cumulative[-1] * RATE == pytest.approx(float(np.sum(whole**2)), rel=1e-9)

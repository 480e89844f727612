"""Takes played to an audible click: lateness against it, its phase heard or fitted, and when it isn't followed."""

from functools import cache

import numpy as np
import pytest
from measured_takes import features_of, piece_of

from app.domain.findings import Findings
from app.domain.piece import Piece
from app.listening.click import heard_click, on_click
from app.listening.measuring import measure
from app.listening.pulse import fit_pulse
from app.listening.settings import ListeningSettings
from app.material.performing import PerformedNote, Plan, perform
from app.material.sounding import SAMPLE_RATE_HZ, sound, voice_for

BEAT = 0.6
LENGTHS = np.array([1.0, 0.5, 0.5, 1.0, 2.0, 0.5, 0.5, 1.0] * 6)
BEATS = np.concatenate([[0.0], np.cumsum(LENGTHS)])
UNBROKEN = np.zeros(LENGTHS.size, dtype=bool)
COUNTED = 4
LATE = 0.04


def given(times: np.ndarray, clicks: float | None, free: np.ndarray = UNBROKEN):
    pulse = fit_pulse(BEATS, times, free)
    assert pulse is not None
    return on_click(pulse, free, BEAT, clicks)


def test_late_throughout_is_told_against_clicks_that_were_heard() -> None:
    times = 3.0 + LATE + BEAT * BEATS
    found = given(times, 0.6)
    assert found is not None
    grid, phase = found
    assert phase == "heard"
    assert times - grid.expected_sec == pytest.approx(np.full(times.size, LATE))
    fitted = given(times, None)
    assert fitted is not None
    assert fitted[1] == "fitted"
    assert times - fitted[0].expected_sec == pytest.approx(np.zeros(times.size), abs=1e-9)


def test_creeping_away_from_the_click_is_no_new_pulse() -> None:
    """One per cent slow: a fitted pulse would call it in time, the click doesn't."""
    times = 3.0 + 1.01 * BEAT * BEATS
    found = given(times, 3.0)
    assert found is not None
    assert times[-1] - found[0].expected_sec[-1] == pytest.approx(0.01 * BEAT * BEATS[-1], abs=1e-6)


def test_after_a_break_the_player_is_back_on_some_beat_of_it() -> None:
    free = UNBROKEN.copy()
    free[19] = True
    times = 3.0 + BEAT * BEATS
    times[20:] += 7 * BEAT + 0.03
    found = given(times, 3.0, free)
    assert found is not None
    off = times - found[0].expected_sec
    assert off[:20] == pytest.approx(np.zeros(20), abs=1e-9)
    assert off[20:] == pytest.approx(np.full(off.size - 20, 0.03), abs=1e-9)


def test_a_take_at_another_tempo_did_not_follow_the_click() -> None:
    assert given(3.0 + 1.1 * BEAT * BEATS, 3.0) is None


@pytest.mark.parametrize("spread", [0.0, 0.004])
def test_clicks_before_the_first_note_are_heard(spread: float) -> None:
    features = features_of(np.full(1200, np.nan))
    rng = np.random.default_rng(2)
    for k in range(COUNTED):
        features.onset_strength[round((0.5 + k * BEAT + rng.normal(0, spread)) / features.hop_sec)] = 2.0
    at = heard_click(features, 0.5 + COUNTED * BEAT, BEAT)
    assert at is not None
    assert (at - 0.5) / BEAT == pytest.approx(round((at - 0.5) / BEAT), abs=0.015)


def test_talking_and_a_single_knock_are_no_clicks() -> None:
    features = features_of(np.full(1200, np.nan))
    features.onset_strength[100] = 2.0
    assert heard_click(features, 4.0, BEAT) is None
    for at in (0.62, 0.97, 1.31, 1.9, 2.44, 2.71):
        features.onset_strength[round(at / features.hop_sec)] = 2.0
    assert heard_click(features, 4.0, BEAT) is None


@cache
def take(clicks: bool) -> tuple[Piece, list[PerformedNote], np.ndarray]:
    """A take that is late throughout against a click at the mark; with ``clicks`` these sound in the recording."""
    lengths = [1.0, 0.5, 0.5, 2.0, 0.5, 0.5, 1.0, 1.0, 1.0] * 4
    piece = piece_of(lengths, ([62, 64, 66, 69, 67, 66, 64, 62, 66] * 4), bpm=60.0 / BEAT)
    rng = np.random.default_rng(11)
    lead = 0.5 + COUNTED * BEAT + LATE
    notes = list(perform(piece, Plan(timing_spread_ms=0.0, lead_sec=lead), rng))
    samples = sound(notes, voice_for("clarinet-bb"), rng)
    if clicks:
        t = np.arange(round(0.04 * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
        one = 0.05 * np.sin(2 * np.pi * 1320.0 * t) * np.exp(-t / 0.006)
        for at in np.arange(0.5, notes[-1].end_sec, BEAT):
            a = round(float(at) * SAMPLE_RATE_HZ)
            samples[a : a + one.size] += one[: samples.size - a].astype(np.float32)
    return piece, notes, samples


def measured(clicks: bool, **settings: object) -> Findings:
    piece, _, samples = take(clicks)
    return measure(samples, SAMPLE_RATE_HZ, piece, ListeningSettings(**settings))  # type: ignore[arg-type]


def test_a_recorded_click_is_heard_and_the_take_is_late_against_it() -> None:
    found = measured(True, click=True)
    assert (found.rhythm["against"], found.rhythm["click_phase"]) == ("click", "heard")
    assert any("the click at 100 that is heard" in w for w in found.warnings)
    timing = [n.timing_ms for n in found.notes if n.timing_ms is not None]
    assert np.median(timing) == pytest.approx(1000 * LATE, abs=8.0)
    held = [h["ratio"] for h in found.rhythm["held_notes"] if h["until"] == "next"]
    assert held == pytest.approx([1.0] * len(held), abs=0.03)


def test_without_an_audible_click_that_lateness_cannot_be_told() -> None:
    found = measured(False, click=True)
    assert (found.rhythm["against"], found.rhythm["click_phase"]) == ("click", "fitted")
    assert any("can't be told" in w for w in found.warnings)
    timing = [n.timing_ms for n in found.notes if n.timing_ms is not None]
    assert np.median(timing) == pytest.approx(0.0, abs=3.0)


def test_a_take_that_ignores_the_click_is_read_on_its_own_pulse_and_told_so() -> None:
    found = measured(False, click=True, tempo_bpm=84.0)
    assert (found.rhythm["against"], found.rhythm["click_phase"]) == ("pulse", None)
    assert any("does not keep to the click at 84" in w for w in found.warnings)

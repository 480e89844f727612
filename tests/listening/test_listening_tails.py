"""A left-out note that the room seems to sing, and a release that looks like a repeated note."""

from dataclasses import replace

import numpy as np
import pytest
from measured_takes import contour, features_of

from app.listening.evidence import repeat_evidence
from app.listening.followed import Features
from app.listening.tails import only_lingers


def take(level_db: np.ndarray) -> Features:
    return replace(features_of(contour(np.zeros(level_db.size))), level_db=level_db)


def lingers(
    features: Features,
    before: tuple[float, float],
    here: tuple[float, float],
    same_pitch: bool,
    expected_sec: float = 0.4,
    silent_sec: float = 0.4,
) -> str | None:
    again = repeat_evidence(features)
    return only_lingers(
        features, before, here, same_pitch, again=again, expected_sec=expected_sec, silent_sec=silent_sec
    )


def level(*parts: tuple[float, float, float]) -> np.ndarray:
    """Straight lines in dB on the 5 ms grid: (seconds, from, to) each."""
    return np.concatenate([np.linspace(a, b, round(sec / 0.005), endpoint=False) for sec, a, b in parts])


@pytest.mark.parametrize("t60", [0.5, 1.2])
def test_a_rooms_tail_is_no_note(t60: float) -> None:
    features = take(level((0.5, -20.0, -20.0), (0.5, -38.5, -38.5 - 60.0 * 0.5 / t60)))
    assert lingers(features, (0.0, 0.5), (0.5, 0.9), same_pitch=False) == "room"


def test_a_soft_note_that_is_held_or_swells_is_a_note() -> None:
    for end in (-42.0, -36.0):
        features = take(level((0.5, -20.0, -20.0), (0.5, -40.0, end)))
        assert lingers(features, (0.0, 0.5), (0.5, 0.9), same_pitch=False) is None


def test_a_short_note_that_is_not_far_softer_is_a_note() -> None:
    features = take(level((0.5, -20.0, -20.0), (0.4, -30.0, -60.0)))
    assert lingers(features, (0.0, 0.5), (0.5, 0.9), same_pitch=False) is None


def test_the_end_of_a_note_is_no_repeated_note() -> None:
    features = take(level((0.55, -20.0, -20.0), (0.15, -20.0, -45.0), (0.2, -60.0, -60.0)))
    assert lingers(features, (0.1, 0.5), (0.5, 0.7), same_pitch=True) == "rest"
    assert lingers(features, (0.1, 0.5), (0.5, 0.7), same_pitch=False) is None
    tongued = take(level((0.47, -20.0, -20.0), (0.03, -26.0, -22.0), (0.05, -20.0, -20.0), (0.15, -20.0, -45.0)))
    assert lingers(tongued, (0.1, 0.48), (0.49, 0.69), same_pitch=True) is None


def test_a_repeated_note_that_hardly_stands_out_is_kept() -> None:
    features = take(level((1.0, -20.0, -20.5)))
    assert lingers(features, (0.1, 0.5), (0.5, 0.9), same_pitch=True) is None


def test_a_note_without_an_attack_that_hardly_lasts_is_the_end_of_the_one_before() -> None:
    features = take(level((0.7, -20.0, -20.0), (0.05, -20.0, -60.0), (0.5, -60.0, -60.0)))
    assert lingers(features, (0.1, 0.55), (0.55, 0.72), same_pitch=True, expected_sec=0.6) == "rest"
    assert lingers(features, (0.1, 0.55), (0.55, 0.72), same_pitch=False, expected_sec=0.6) is None
    # As long as a note played short would be, before another, after a gap, or begun by an attack, it stays a note.
    assert lingers(features, (0.1, 0.55), (0.55, 0.72), same_pitch=True, expected_sec=0.6, silent_sec=0.1) is None
    assert lingers(features, (0.1, 0.55), (0.55, 0.72), same_pitch=True, expected_sec=0.3) is None
    assert lingers(features, (0.1, 0.53), (0.55, 0.72), same_pitch=True, expected_sec=0.6) is None
    begun = take(level((0.5, -20.0, -20.0), (0.05, -20.0, -40.0), (0.15, -20.0, -20.0), (0.05, -20.0, -60.0)))
    attacks = replace(begun, onset_strength=np.where(np.arange(begun.level_db.size) == 110, 2.0, 0.0))
    assert lingers(attacks, (0.1, 0.55), (0.55, 0.72), same_pitch=True, expected_sec=0.6) is None

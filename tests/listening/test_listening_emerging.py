"""The start of a note that is tongued while the note before still rings."""

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from app.domain.units import midi_to_hz
from app.listening.emerging import emerges
from app.listening.features import features_of
from app.listening.pitch_tracking import RATE_HZ
from app.listening.refining import Sounded, refine

START_SEC, LENGTH_SEC, NOTES = 0.5, 0.35, 14
ENVELOPE_SAMPLES = 88
STEPS = {"other pitches": [0, 2, 4, 2, 5, 4, 7, 5, 2, 0, 1, 0, -1, 2], "one pitch": [0] * NOTES}


def ringing(midis: list[float], attack_sec: float, ring_sec: float, seed: int) -> NDArray[np.float32]:
    """A note every ``LENGTH_SEC``, each of which rings on under the next and falls by 60 dB in ``ring_sec``."""
    rng = np.random.default_rng(seed)
    out = rng.normal(0.0, 1e-4, round((START_SEC + LENGTH_SEC * len(midis) + 1.0) * RATE_HZ))
    for k, midi in enumerate(midis):
        a = round((START_SEC + k * LENGTH_SEC) * RATE_HZ)
        t = np.arange(len(out) - a) / RATE_HZ
        tone = sum(
            np.sin(2 * np.pi * midi_to_hz(midi) * p * t + rng.uniform(0, 2 * np.pi)) / p**1.2 for p in range(1, 13)
        )
        level = np.minimum(t / attack_sec, 1.0) * 10 ** (-3.0 * np.maximum(t - LENGTH_SEC, 0.0) / ring_sec)
        out[a:] += 0.1 * rng.uniform(0.7, 1.4) * level * tone
    return out.astype(np.float32)


def late_ms(midis: list[float], signal: NDArray[np.float32], boundary_late_sec: float) -> NDArray[np.float64]:
    """How late, against the moment when its own level is 20 dB down, each note but the first is said to begin."""
    starts = [START_SEC + k * LENGTH_SEC for k in range(len(midis) + 1)]
    sounded = [
        Sounded(a + boundary_late_sec, b + boundary_late_sec, midi, slurred=False, single=True)
        for midi, (a, b) in zip(midis, itertools.pairwise(starts), strict=True)
    ]
    found = refine(signal, features_of(signal), 0.0, sounded)
    return np.array([1000.0 * (onset - start) for (onset, _), start in zip(found, starts, strict=False)])[1:]


@pytest.mark.parametrize(("lowest", "attack_ms"), [(46, 10), (60, 10), (60, 40), (74, 40)])
@pytest.mark.parametrize("boundary_late_ms", [0, 15, 30])
def test_a_note_of_another_pitch_is_found_out_of_one_that_rings_on(
    lowest: int, attack_ms: int, boundary_late_ms: int
) -> None:
    midis = [float(lowest + step) for step in STEPS["other pitches"]]
    late = late_ms(midis, ringing(midis, 0.001 * attack_ms, 0.4, 5), 0.001 * boundary_late_ms) - 0.1 * attack_ms
    assert np.abs(late).max() <= 8.0
    assert np.median(np.abs(late)) <= 4.0


@pytest.mark.parametrize("attack_ms", [5, 20])
@pytest.mark.parametrize("boundary_late_ms", [0, 15])
def test_a_note_of_the_same_pitch_is_found_out_of_one_that_rings_on(attack_ms: int, boundary_late_ms: int) -> None:
    midis = [62.0] * NOTES
    late = late_ms(midis, ringing(midis, 0.001 * attack_ms, 0.4, 6), 0.001 * boundary_late_ms) - 0.1 * attack_ms
    assert np.abs(late).max() <= 8.0
    assert np.median(np.abs(late)) <= 4.0


def test_where_nothing_begins_or_no_pitch_is_known_there_is_no_answer() -> None:
    midis = [60.0, 64.0]
    track = np.full(400, 60.0)
    boundary = START_SEC + LENGTH_SEC
    old, new = (START_SEC, 60.0), (boundary, boundary + 0.3, 64.0)
    rings = ringing(midis, 0.01, 0.4, 7)
    assert emerges(rings, track, 0.0, old, new, ENVELOPE_SAMPLES) == pytest.approx(boundary, abs=0.008)
    goes_on = ringing([60.0], 0.01, 40.0, 7)
    assert emerges(goes_on, track, 0.0, old, new, ENVELOPE_SAMPLES) is None
    assert emerges(rings, np.full(400, np.nan), 0.0, old, new, ENVELOPE_SAMPLES) is None  # no pitch to go by
    assert emerges(rings[: round(boundary * RATE_HZ)], track, 0.0, old, new, ENVELOPE_SAMPLES) is None

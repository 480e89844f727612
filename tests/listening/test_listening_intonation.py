"""The pitch family on contours that are known: returning notes, drone exercises, drift, tendencies; and its limits."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from measured_takes import contour, features_of, followed_of, piece_of

from app.listening.intonation import fitted_reference
from app.listening.measuring import findings_of
from app.listening.note_pitch import NotePitch
from app.listening.settings import JUST_OFFSET_CENTS, ListeningSettings

RATE = 44100


def pitch_of(
    midis: Sequence[int], cents: Sequence[float], *, seconds: float = 0.5, tonic: str | None = None, **settings: Any
) -> dict[str, Any]:
    """The pitch family of a take of even notes that lie ``cents`` off equal temperament."""
    piece = replace(piece_of([1.0] * len(midis), midis), tonic_written=tonic)
    frames = round(seconds / 0.005)
    hz = np.concatenate([contour(np.full(frames, c), m) for m, c in zip(midis, cents, strict=True)])
    onsets = [seconds * i for i in range(len(midis))]
    followed = followed_of(piece, onsets, [t + seconds - 0.02 for t in onsets])
    samples = np.zeros(round(RATE * seconds * (len(midis) + 1)), np.float32)
    return findings_of(samples, RATE, piece, ListeningSettings(**settings), features_of(hz), followed).pitch


def test_a_returning_note_is_held_against_its_own_first_sounding() -> None:
    found = pitch_of([69, 71, 72, 69, 69], [3.0, 0.0, 0.0, 15.0, 40.0])["return_notes"]
    assert [(r["first_note_id"], r["second_note_id"]) for r in found] == [("n1", "n4")]  # the next one has none between
    assert found[0]["cents"] == pytest.approx(12.0, abs=0.1)
    assert (found[0]["notes_between"], found[0]["sec_between"]) == (2, pytest.approx(1.02, abs=0.01))
    assert 0.0 < found[0]["uncertainty_cents"] < 1.0


def test_notes_too_uncertain_to_compare_are_no_return_notes() -> None:
    assert pitch_of([69, 71, 72, 69], [0.0, 0.0, 0.0, 20.0], seconds=0.09)["return_notes"] == []


def test_a_drone_exercise_played_justly_reads_nought_over_its_tonic() -> None:
    degrees = (0, 2, 4, 5, 7, 9, 11)
    planted = [JUST_OFFSET_CENTS[d] for d in degrees]
    found = pitch_of([62 + d for d in degrees], planted, tonic="D", temperament="just")
    drone = found["drone"]
    assert [d["semitones"] for d in drone["degrees"]] == list(degrees)
    assert [d["just_cents"] for d in drone["degrees"]] == pytest.approx([0.0] * 7, abs=0.05)
    assert [d["equal_cents"] for d in drone["degrees"]] == pytest.approx(planted, abs=0.05)
    assert found["share_within_5"] == 1.0  # by the temperament that counts
    equal = pitch_of([62 + d for d in degrees], planted, tonic="D")
    assert equal["share_within_5"] == pytest.approx(4 / 7)  # 0, 3.91, -1.96 and 1.96 lie within five
    assert pitch_of([62 + d for d in degrees], planted)["drone"] is None


@pytest.mark.parametrize("planted", [-12.0, 0.0, 9.0])
def test_drift_with_its_interval(planted: float) -> None:
    rng = np.random.default_rng(5)
    cents = planted * np.arange(50) * 0.5 / 60.0 + rng.normal(0.0, 1.0, 50)
    drift = pitch_of([69, 71, 72, 71, 67] * 10, cents)["drift_cents_per_min"]
    assert drift["low"] <= planted <= drift["high"]
    assert drift["value"] == pytest.approx(planted, abs=2.5)


def test_drift_of_a_short_take_or_of_few_notes_is_not_told() -> None:
    few = pitch_of([69, 71] * 3, [0.0] * 6, seconds=5.0)
    assert (few["drift_cents_per_min"], few["why_no_drift"]) == (None, "fewer than 8 notes with a pitch")
    short = pitch_of([69, 71] * 10, [0.0] * 20)
    assert (short["drift_cents_per_min"], short["why_no_drift"]) == (None, "less than 20 seconds of playing")


def test_tendencies_are_told_with_count_and_doubt() -> None:
    rng = np.random.default_rng(6)
    scatter = rng.normal(0.0, 4.0, 16)
    found = pitch_of([69, 71] * 16, [v for c in scatter for v in (14.0 + c, 0.0)])["tendencies"]
    a4, b4 = found
    assert (a4["written_pitch"], a4["count"]) == ("A4", 16)
    assert abs(a4["median_cents"] - 14.0) <= 2.0 * a4["uncertainty_cents"]
    assert a4["uncertainty_cents"] > 3.0 * b4["uncertainty_cents"]


def test_too_few_steady_notes_have_no_summary_and_say_why() -> None:
    found = pitch_of([69, 71, 72], [0.0, 0.0, 0.0])
    assert found["median_abs_cents"] is None
    assert "only 3 notes" in found["why_null"]
    short = pitch_of([69] * 8, [0.0] * 8, seconds=0.06)
    assert short["median_abs_cents"] is None
    assert "no note was long and steady enough" in short["why_null"]


@pytest.mark.parametrize("sharp", [0, 9, 12, 15])
def test_the_reference_stays_where_most_notes_agree_when_many_are_sharp(sharp: int) -> None:
    """Of 50 notes around 6 cents, up to three in ten lie 25 cents above the others; the median would follow by 2."""
    rng = np.random.default_rng(31)
    off = []
    for _ in range(12):
        cents = rng.normal(6.0, 4.0, 50)
        cents[rng.permutation(50)[:sharp]] += 25.0
        pitches = tuple(NotePitch(float(c)) for c in cents)
        fitted = fitted_reference(pitches, rng.uniform(0.2, 1.2, 50))
        assert fitted is not None
        off.append(1200.0 * np.log2(fitted / 440.0) - 6.0)
    assert abs(np.mean(off)) < 0.7
    assert np.sqrt(np.mean(np.square(off))) < 1.3


def test_the_reference_of_few_and_of_equal_notes() -> None:
    even = tuple(NotePitch(5.0) for _ in range(3))
    assert fitted_reference(even, np.ones(3)) == pytest.approx(440.0 * 2 ** (5.0 / 1200.0))
    assert fitted_reference((*even[:2], NotePitch(None)), np.ones(3)) is None

"""Phrase arcs, bumps and contrasts on levels that are known."""

import numpy as np
import pytest
from measured_takes import followed_of, piece_of
from scipy.optimize import isotonic_regression

from app.domain.piece import Phrase
from app.listening.loudness import k_energy
from app.listening.phrase import evenness_doubt, fit_arc, isotonic, musicianship_family, note_level_db, phrases_of


def family(levels, *, phrases=(), notes=None, rests=None):
    piece = piece_of([1.0] * len(levels), phrases=phrases, notes=notes, rests=rests)
    followed = followed_of(piece, [0.6 * i for i in range(len(levels))])
    return musicianship_family(piece, followed, levels)


ARC = [-30.0, -28.0, -26.0, -24.0, -22.0, -23.0, -25.0, -27.0, -29.0]


def test_isotonic_agrees_with_an_independent_fit() -> None:
    rng = np.random.default_rng(1)
    for _ in range(20):
        values, weights = rng.normal(size=30), rng.uniform(0.2, 3.0, 30)
        assert isotonic(values, weights) == pytest.approx(isotonic_regression(values, weights=weights).x, abs=1e-10)


def test_the_arc_is_the_best_of_all_rise_then_fall_fits() -> None:
    rng = np.random.default_rng(2)
    for _ in range(20):
        values, weights = rng.normal(size=12), rng.uniform(0.5, 2.0, 12)
        best = min(
            float(np.sum(weights * (values - np.concatenate([up, down])) ** 2))
            for k in range(12)
            for up in [isotonic_regression(values[: k + 1], weights=weights[: k + 1]).x]
            for down in [
                isotonic_regression(values[k + 1 :], weights=weights[k + 1 :], increasing=False).x
                if k < 11
                else np.zeros(0)
            ]
        )
        arc = fit_arc(values, weights)
        assert float(np.sum(weights * (values - arc.fit_db) ** 2)) == pytest.approx(best, abs=1e-9)


def test_a_clear_phrase_has_one_peak_and_is_even() -> None:
    (phrase,) = family(ARC, phrases=[Phrase("n1", "n9", "n5")])["phrases"]
    assert phrase["evenness"] == pytest.approx(1.0)
    assert phrase["loudest_note_id"] == "n5"
    assert phrase["peak_distance_beats"] == 0.0
    assert (phrase["rise_db"], phrase["fall_db"]) == (pytest.approx(8.0), pytest.approx(7.0))
    assert phrase["bumps"] == []
    assert phrase["guessed"] is False


def test_a_bump_is_named_and_lowers_evenness() -> None:
    levels = list(ARC)
    levels[1] += 5.0
    (phrase,) = family(levels, phrases=[Phrase("n1", "n9", "n5")])["phrases"]
    assert [b["note_id"] for b in phrase["bumps"]] == ["n2"]
    assert phrase["bumps"][0]["db"] > 2.0
    assert phrase["evenness"] < 0.95


def test_evenness_carries_the_doubt_of_its_levels() -> None:
    """Replicas with the error of measured levels: a flat phrase's evenness is far less certain than a steep one's."""
    weights = np.ones(9)
    rng = np.random.default_rng(9)
    doubts = {}
    for steep in (1.0, 4.0):
        true = np.array([-4.0, -2.5, -3.5, -1.0, 0.0, -1.5, -1.0, -3.0, -4.0]) * steep / 4.0 * 2.0
        replicas = [fit_arc(true + rng.normal(0.0, 0.5, 9), weights).evenness for _ in range(300)]
        doubts[steep] = evenness_doubt(true, weights)
        assert doubts[steep] == pytest.approx(float(np.std(replicas)), rel=0.4)
    assert doubts[4.0] < doubts[1.0]
    (phrase,) = family(ARC, phrases=[Phrase("n1", "n9", "n5")])["phrases"]
    assert 0.0 < phrase["evenness_uncertainty"] < 0.1


def test_a_peak_a_bar_early_is_told_in_beats() -> None:
    (phrase,) = family(ARC, phrases=[Phrase("n1", "n9", "n9")])["phrases"]
    assert phrase["peak_distance_beats"] == pytest.approx(-4.0)


def test_flat_and_short_phrases_have_no_arc_and_say_why() -> None:
    found = family([-20.0, -20.4, -20.1, -20.3, -20.2, -20.0], phrases=[Phrase("n1", "n6", None)])
    assert found["phrases"][0]["evenness"] is None
    assert "too little for an arc" in found["phrases"][0]["why_null"]
    assert found["evenness_median"] is None
    assert found["why_null"] == found["phrases"][0]["why_null"]
    short = family(ARC[:4], phrases=[Phrase("n1", "n4", None)])
    assert "fewer than 5 notes" in short["phrases"][0]["why_null"]
    unheard = family([None] * 9, phrases=[Phrase("n1", "n9", None)])
    assert unheard["phrases"][0]["evenness"] is None
    assert unheard["level_range_db"] is None


def test_phrases_are_guessed_from_rests_and_said_to_be() -> None:
    piece = piece_of([1.0] * 16, rests={6: 1.0}, notes={11: {"breath_after": True}})
    guessed = phrases_of(piece)
    assert [(p.start_note_id, p.end_note_id) for p in guessed] == [("n1", "n7"), ("n8", "n12"), ("n13", "n16")]
    assert all(p.guessed for p in guessed)


def test_contrasts_between_printed_dynamics() -> None:
    notes = {i: {"dynamic": "p" if i < 6 else "f"} for i in range(12)}
    found = family([-30.0] * 6 + [-23.0] * 6, notes=notes)["contrasts"]
    assert found == [{"from": "p", "to": "f", "bar": "2", "db": pytest.approx(7.0), "expected": "louder"}]
    back = family([-30.0] * 6 + [-29.0] * 6, notes={i: {"dynamic": "f" if i < 6 else "pp"} for i in range(12)})[
        "contrasts"
    ]
    assert (back[0]["expected"], back[0]["db"]) == ("softer", pytest.approx(1.0))


def test_note_levels_and_buried_notes() -> None:
    rate = 44100
    t = np.arange(rate) / rate
    energy = k_energy(0.1 * np.sin(2 * np.pi * 997 * t), rate)
    assert note_level_db(energy, 0.2, 0.8, -70.0) == pytest.approx(-23.01, abs=0.05)  # -20 dB tone, BS.1770 reading
    assert note_level_db(energy, 0.2, 0.8, -24.0) is None
    assert note_level_db(energy, 0.2, 0.2, -70.0) is None

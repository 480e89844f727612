"""Adjudicator reports on panels with planted habits."""

from dataclasses import replace

import numpy as np
import pytest

from app.domain.panel import MeasuredMark, MeasuredTake, PanelMark, Rule
from app.judging.standing import make_standing


@pytest.fixture
def panel():
    """Twenty candidates, four adjudicators, three captions: merit plus a little noise, before any habit."""
    rng = np.random.default_rng(12)
    merit = rng.normal(6, 1.5, (20, 1, 1))
    return merit + rng.normal(0, 0.4, (20, 4, 1)) + rng.normal(0, 0.5, (20, 4, 3))


def reports(table, **more):
    return {r.letter: r for r in make_standing(table, Rule(), **more).adjudicators}


def test_planted_severity_is_found_positive_for_the_stricter(table_of, panel):
    panel[:, 1] -= 2.0
    found = make_standing(table_of(panel), Rule())
    assert found.severity["B"] == pytest.approx(1.5, abs=0.3)  # two below the three others is 1.5 below the panel
    assert sum(found.severity.values()) == pytest.approx(0.0, abs=1e-9)
    assert any(
        s.startswith("Adjudicator B marks 1.") and "stricter than the panel" in s
        for s in reports(table_of(panel))["B"].sentences
    )
    assert any(s.startswith("Adjudicator B is the strictest") for s in found.sentences)


def test_planted_narrow_spread_is_found(table_of, panel):
    panel[:, 2] = 6 + (panel[:, 2] - 6) * 0.3
    found = reports(table_of(panel))
    assert found["C"].spread_ratio < 0.5
    assert any("narrower part of the scale" in s for s in found["C"].sentences)
    assert found["A"].spread_ratio == pytest.approx(1.0, abs=0.25)


def test_use_of_the_scale_counts_every_mark(table_of):
    found = reports(table_of([[7, 5], [7, 9], [8, np.nan]]))
    assert found["A"].levels_used == {"7": 2, "8": 1}
    assert (found["A"].lowest, found["A"].highest, found["A"].marks_given) == (7, 8, 3)
    assert found["B"].levels_used == {"5": 1, "9": 1}


def test_planted_order_effect_is_found_against_that_adjudicators_own_order(table_of, panel):
    table = table_of(panel, playing_order=True)
    own = np.random.default_rng(3).permutation(20) + 1
    panel[:, 3] += 0.15 * own[:, None]  # 1.5 per ten candidates heard
    table = replace(
        table_of(panel, playing_order=True), hearing_positions={("a3", f"c{i}"): int(p) for i, p in enumerate(own)}
    )
    found = reports(table)
    assert found["D"].order_effect == pytest.approx(1.5, abs=0.4)
    low, high = found["D"].order_effect_ci
    assert 0 < low < 1.5 < high
    assert any("marks rise by" in s for s in found["D"].sentences)


def test_order_effect_needs_positions(table_of, panel):
    found = reports(table_of(panel))
    assert found["A"].order_effect is None
    assert "hearing positions" in found["A"].why["order_effect"]


def test_marks_that_rise_through_the_round_are_said(table_of, panel):
    panel += 0.2 * np.arange(20)[:, None, None]
    standing = make_standing(table_of(panel, playing_order=True), Rule())
    assert any(s.startswith("Marks rose by") for s in standing.sentences)
    flat = make_standing(table_of(panel), Rule())
    assert not any(s.startswith("Marks rose") for s in flat.sentences)


def test_planted_halo_is_found(table_of, panel):
    panel[:, 0] = panel[:, 0].mean(axis=1, keepdims=True) + np.array([0.0, 0.1, -0.1])
    found = reports(table_of(panel))
    assert found["A"].halo == pytest.approx(1.0)
    assert any("rise and fall together" in s for s in found["A"].sentences)
    assert found["B"].halo < 0.97


def test_halo_needs_two_captions(table_of, shrout_fleiss):
    found = reports(table_of(shrout_fleiss))
    assert found["A"].halo is None
    assert "two captions" in found["A"].why["halo"]


def test_an_adjudicator_who_ranks_against_the_rest_is_found(table_of, panel):
    panel[:, 1] = 12 - panel[:, 1]
    found = reports(table_of(panel))
    assert found["B"].agreement_with_rest < 0
    assert any("ranks differently from the rest" in s for s in found["B"].sentences)
    assert found["A"].agreement_with_rest > 0.6


def test_agreement_with_the_measured_marks_only_where_declared(table_of):
    marks = np.array([[9, 2], [7, 4], [5, 6], [3, 8], [2, 9]], dtype=float)
    takes = [
        MeasuredTake(f"c{i}", "all", {"pitch": MeasuredMark("pitch", "pitch.median_abs_cents", "cents", 1.0, m, m, m)})
        for i, m in enumerate((9.0, 8.0, 6.0, 4.0, 1.0))
    ]
    table = table_of(marks, captions=("pitch",))
    declared = {
        r.letter: r for r in make_standing(table, Rule(measured_weights={"pitch": 0.2}), measured=takes).adjudicators
    }
    assert declared["A"].agreement_with_measured == pytest.approx(1.0)
    assert declared["B"].agreement_with_measured == pytest.approx(-1.0)
    undeclared = reports(table, measured=takes)
    assert undeclared["A"].agreement_with_measured is None


def test_hidden_repeats_show_consistency_and_never_count(table_of):
    table = table_of([[8, 6], [5, 5], [3, 2]])
    repeats = [PanelMark("c0", "a0", "all", "overall", 6), PanelMark("c1", "a0", "all", "overall", 5)]
    plain, with_repeats = make_standing(table, Rule()), make_standing(table, Rule(), repeats=repeats)
    assert [r.total for r in plain.rows] == [r.total for r in with_repeats.rows]
    found = {r.letter: r for r in with_repeats.adjudicators}
    assert found["A"].consistency == pytest.approx(np.sqrt((4 + 0) / 2 / 2))  # root of half the mean square
    assert found["B"].consistency is None
    assert "hidden repeats" in found["B"].why["consistency"]


@pytest.mark.parametrize(
    ("combine", "gap", "said"),
    [
        ("mean", False, "it moves nobody's place, because everyone heard everyone"),
        ("mean", True, "not everyone heard everyone; neighbours' places may hang on that"),
        ("median", False, "neighbours' places may hang on that under this rule"),
        ("rank-sum", False, "the declared rule takes that out"),
    ],
)
def test_what_severity_does_under_the_declared_rule(table_of, combine, gap, said):
    marks = np.array([[8, 5, 7], [7, 4, 6], [5, np.nan if gap else 2, 4]])
    standing = make_standing(table_of(marks), Rule(combine=combine))
    assert any(
        s.startswith("Adjudicator B is the strictest and A the mildest") and said in s for s in standing.sentences
    )

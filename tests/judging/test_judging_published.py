"""Published figures, each with its source; nothing here was computed by the code under test."""

import numpy as np
import pytest
from scipy import stats

from app.domain.panel import Rule
from app.judging.agreement import (
    cronbach_alpha,
    dependability,
    intraclass,
    kendall_w,
    krippendorff_alpha,
    needed_adjudicators,
    spearman_brown,
    variance_components,
)
from app.judging.correlation import spearman, tau_b
from app.judging.severity import design_rank, fit_additive
from app.judging.standing import make_standing

NONE = np.nan


@pytest.mark.parametrize(
    ("form", "published"),
    [("1,1", 0.17), ("A,1", 0.29), ("C,1", 0.71), ("1,k", 0.44), ("A,k", 0.62), ("C,k", 0.91)],
)
def test_all_six_forms_of_shrout_and_fleiss_1979(shrout_fleiss, form, published):
    assert round(intraclass(shrout_fleiss)[form].value, 2) == published


def test_shrout_and_fleiss_to_four_decimals(shrout_fleiss):
    # Recomputed with pingouin's intraclass_corr.
    found = {form: round(c.value, 4) for form, c in intraclass(shrout_fleiss).items()}
    assert found == {"1,1": 0.1657, "A,1": 0.2898, "C,1": 0.7148, "1,k": 0.4428, "A,k": 0.6201, "C,k": 0.9093}


def test_cronbachs_alpha_of_shrout_and_fleiss(shrout_fleiss):
    assert cronbach_alpha(shrout_fleiss).value == pytest.approx(0.9093, abs=5e-5)


def test_variance_components_and_dependability_of_shrout_and_fleiss(shrout_fleiss):
    components, why = variance_components(shrout_fleiss)
    assert why is None
    assert components == pytest.approx({"candidate": 2.5556, "adjudicator": 5.2444, "residual": 1.0194}, abs=5e-5)
    expected = {1: (0.715, 0.290), 2: (0.834, 0.449), 4: (0.909, 0.620), 8: (0.953, 0.765)}
    for judges, pair in expected.items():
        assert dependability(components, judges) == pytest.approx(pair, abs=5e-4)


def test_kendalls_w_with_ties():
    # Siegel 1956, after Kendall: ten objects ranked by three judges; S = 591, W = .828 corrected for ties.
    x = [1, 4.5, 2, 4.5, 3, 7.5, 6, 9, 7.5, 10]
    y = [2.5, 1, 2.5, 4.5, 4.5, 8, 9, 6.5, 10, 6.5]
    z = [2, 1, 4.5, 4.5, 4.5, 4.5, 8, 8, 8, 10]
    ranks = np.array([x, y, z]).T
    sums = ranks.sum(axis=1)
    assert ((sums - sums.mean()) ** 2).sum() == 591
    w, _ = kendall_w(ranks)
    assert round(w.value, 3) == 0.828
    assert round(12 * 591 / (9 * (1000 - 10)), 3) == 0.796  # what it would be without the correction
    assert kendall_w(-ranks)[0].value == pytest.approx(w.value)  # marks instead of ranks, highest first


@pytest.mark.parametrize(
    ("metric", "published"), [("nominal", 0.743), ("ordinal", 0.815), ("interval", 0.849), ("ratio", 0.797)]
)
def test_krippendorffs_alpha_with_missing_cells(metric, published):
    # Krippendorff 2011, Computing Krippendorff's Alpha-Reliability: four observers, twelve units, missing cells.
    observers = np.array(
        [
            [1, 2, 3, 3, 2, 1, 4, 1, 2, NONE, NONE, NONE],
            [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, NONE, 3],
            [NONE, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, NONE],
            [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, NONE],
        ]
    )
    assert round(krippendorff_alpha(observers.T, metric).value, 3) == published


@pytest.fixture(scope="module")
def grafts():
    """Vascular grafts, four pressures by six batches (Montgomery, Design and Analysis of Experiments)."""
    return np.array(
        [
            [90.3, 89.2, 98.2, 93.9, 87.4, 97.9],
            [92.5, 89.5, 90.6, NONE, 87.0, 95.8],
            [85.5, 90.8, 89.6, 86.2, 88.0, 93.4],
            [82.5, 89.5, 85.6, 87.4, 78.9, 90.7],
        ]
    )


def test_additive_model_with_a_missing_cell(grafts):
    fit = fit_additive(grafts)
    assert round(fit.merit[1] + fit.effect[3], 2) == 91.08  # Montgomery's estimate of the missing cell
    assert fit.sse == pytest.approx(101.696, abs=5e-4)
    assert fit.residual_df == 14
    # The row's raw mean is 91.08 as well, so only the block can tell a right model from raw means.
    blocks = fit_additive(grafts.T)
    assert blocks.merit[3] == pytest.approx(89.645, abs=5e-4)
    assert np.nanmean(grafts[:, 3]) == pytest.approx(89.167, abs=5e-4)


def test_severity_adjusted_total_of_the_block_with_the_missing_cell(grafts, table_of):
    standing = make_standing(table_of(grafts.T), Rule(combine="severity-adjusted"))
    totals = {row.candidate_id: row.total for row in standing.rows}
    assert totals["c3"] == pytest.approx(89.645, abs=5e-4)
    plain = make_standing(table_of(grafts.T), Rule(combine="mean"))
    assert {row.candidate_id: row.total for row in plain.rows}["c3"] == pytest.approx(89.167, abs=5e-4)


def test_a_disconnected_design_lacks_one_rank():
    # Two candidates heard by one adjudicator, two by the other: rank 4, not n + k - 1 = 5.
    disconnected = np.array([[7, NONE], [5, NONE], [NONE, 8], [NONE, 6]])
    assert design_rank(disconnected) == (4, 5)
    matrix = np.zeros((4, 6))
    for row, (i, j) in enumerate(np.argwhere(~np.isnan(disconnected))):
        matrix[row, i] = matrix[row, 4 + j] = 1
    assert np.linalg.matrix_rank(matrix) == 4


@pytest.mark.parametrize(
    ("single", "expected"),
    [(0.3, (0.46, 0.56, 0.68, 0.75)), (0.5, (0.67, 0.75, 0.83, 0.88)), (0.7, (0.82, 0.87, 0.92, 0.94))],
)
def test_spearman_brown(single, expected):
    # Reliability of 2, 3, 5 and 7 judges from one judge's, to two decimals (recomputed; .875 may round either way).
    assert [spearman_brown(single, k) for k in (2, 3, 5, 7)] == pytest.approx(expected, abs=0.005 + 1e-9)


def test_needed_adjudicators_is_the_first_number_that_reaches_the_target():
    for single in (0.05, 0.3, 0.5, 0.5714285714285714, 0.7, 0.8, 0.95):
        needed = needed_adjudicators(single, 0.8)
        assert spearman_brown(single, needed) >= 0.8 - 1e-9
        assert needed == 1 or spearman_brown(single, needed - 1) < 0.8
    assert needed_adjudicators(0.0) is None
    assert needed_adjudicators(-0.2) is None
    assert needed_adjudicators(None) is None


def test_trimmed_mean_of_a_published_sample(table_of):
    # Twenty values, mean 101.5, trimmed by 5 % on each side 56.5 (recomputed with scipy.stats.trim_mean).
    sample = [92, 19, 101, 58, 1053, 91, 26, 78, 10, 13, -40, 101, 86, 85, 15, 89, 89, 28, -5, 41]
    assert stats.trim_mean(sample, 0.05) == pytest.approx(56.5)
    # One of twenty on each side is 5 %: exactly "without highest and lowest".
    table = table_of_wide(table_of, [sample, [1.0] * 20])
    trimmed = make_standing(table, Rule(combine="trimmed-mean"))
    assert trimmed.rows[0].total == pytest.approx(56.5)
    assert make_standing(table, Rule(combine="mean")).rows[0].total == pytest.approx(101.5)


def table_of_wide(table_of, marks):
    """The fixture knows twelve letters; twenty adjudicators get two-letter names."""
    from dataclasses import replace

    from app.domain.panel import PanelAdjudicator, PanelMark

    table = table_of([row[:1] for row in marks])
    adjudicators = tuple(PanelAdjudicator(f"a{j}", f"J{j}") for j in range(len(marks[0])))
    given = tuple(
        PanelMark(f"c{i}", f"a{j}", "all", "overall", float(v))
        for i, row in enumerate(marks)
        for j, v in enumerate(row)
    )
    return replace(table, adjudicators=adjudicators, marks=given)


def test_borda_count():
    # 42 voters MNCK, 26 NCKM, 15 CKNM, 17 KCNM: Borda points M 126, N 194, C 173, K 107 (recomputed).
    # A sum of places p over v voters and 4 candidates is 4 v minus the Borda points.
    from app.judging.places import adjudicator_places

    ballots = {"MNCK": 42, "NCKM": 26, "CKNM": 15, "KCNM": 17}
    names = "MNCK"
    totals = np.array(
        [[4 - order.index(c) for order, v in ballots.items() for _ in range(v)] for c in names], dtype=float
    )
    sums = adjudicator_places(totals).sum(axis=1)
    assert dict(zip(names, 4 * 100 - sums, strict=True)) == {"M": 126, "N": 194, "C": 173, "K": 107}


def test_rank_sum_tie_is_broken_by_the_judges_preference(table_of):
    # Places A 1 2 3 4 5, B 2 3 1 5 4 by five judges: sums tie 15-15, A is ahead for three of five (recomputed).
    # Two more candidates fill the places in between.
    a, b = [1, 2, 3, 4, 5], [2, 3, 1, 5, 4]
    others = [sorted(set(range(1, 6)) - {x, y}) for x, y in zip(a, b, strict=True)]
    places = np.array([a, b, *np.array(others).T], dtype=float)
    table = table_of(6 - places)
    tied = make_standing(table, Rule(combine="rank-sum"))
    by_id = {row.candidate_id: row for row in tied.rows}
    assert by_id["c0"].total == by_id["c1"].total == 15
    assert by_id["c0"].tied
    assert by_id["c0"].place == by_id["c1"].place
    broken = make_standing(table, Rule(combine="rank-sum", tie_chain=("head-to-head",)))
    by_id = {row.candidate_id: row for row in broken.rows}
    assert by_id["c1"].place == by_id["c0"].place + 1
    assert by_id["c0"].decided_by == "head-to-head"


def test_spearman_of_ten_pairs():
    # A worked example of ten pairs: -.1758 (recomputed with scipy.stats.spearmanr).
    x = np.array([106, 100, 86, 101, 99, 103, 97, 113, 112, 110], dtype=float)
    y = np.array([7, 27, 2, 50, 28, 29, 20, 12, 6, 17], dtype=float)
    assert spearman(x, y) == pytest.approx(-0.1758, abs=5e-5)


def test_tau_b_with_ties():
    # .859 (recomputed with scipy.stats.kendalltau).
    x = np.array([1, 2.5, 2.5, 4.5, 4.5, 6.5, 6.5, 8, 9.5, 9.5])
    y = np.array([1, 2, 4.5, 4.5, 4.5, 4.5, 8, 8, 8, 10])
    assert tau_b(x, y) == pytest.approx(0.859, abs=5e-4)

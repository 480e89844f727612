"""Independent libraries as references on random tables, with missing cells where they take them. Test time only."""

import warnings

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from app.judging.agreement import cronbach_alpha, intraclass, kendall_w, krippendorff_alpha, variance_components
from app.judging.correlation import pearson, spearman, tau_b
from app.judging.severity import connected_groups, design_rank, fit_additive, linked

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import krippendorff
    import pandas
    import pingouin
    import statsmodels.api

marks = st.integers(1, 10).map(float)


def tables(low=2, most_candidates=9, most_adjudicators=6):
    return st.tuples(st.integers(low, most_candidates), st.integers(2, most_adjudicators)).flatmap(
        lambda shape: arrays(float, shape, elements=marks)
    )


@st.composite
def tables_with_gaps(draw):
    x = draw(tables(low=3))
    gaps = draw(arrays(bool, x.shape, elements=st.booleans(), fill=st.just(False)))
    return np.where(gaps, np.nan, x)


@settings(deadline=None, max_examples=60)
@given(tables(low=3))
def test_intraclass_forms_and_intervals_against_pingouin(x):
    ours = intraclass(x)
    assume(all(c.value is not None for c in ours.values()))
    long = pandas.DataFrame(x).reset_index().melt(id_vars="index", var_name="adjudicator", value_name="mark")
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        theirs = pingouin.intraclass_corr(long, targets="index", raters="adjudicator", ratings="mark")
    table = {row["Type"].removeprefix("ICC(").removesuffix(")"): row for _, row in theirs.iterrows()}
    for form, found in ours.items():
        assert found.value == pytest.approx(table[form]["ICC"], rel=1e-6, abs=1e-6)
        low, high = table[form]["CI95"]
        if found.interval is not None and np.isfinite([low, high]).all() and abs(low) < 1e3:
            assert found.interval == pytest.approx((low, high), abs=0.00501)


@settings(deadline=None, max_examples=40)
@given(tables(low=3))
def test_cronbachs_alpha_against_pingouin(x):
    found = cronbach_alpha(x)
    assume(found.value is not None)
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        theirs = pingouin.cronbach_alpha(pandas.DataFrame(x))[0]
    assert found.value == pytest.approx(theirs, rel=1e-6, abs=1e-6)
    assert found.value == pytest.approx(intraclass(x)["C,k"].value, rel=1e-6, abs=1e-6)


@settings(deadline=None, max_examples=60)
@given(tables_with_gaps(), st.sampled_from(["nominal", "ordinal", "interval", "ratio"]))
def test_krippendorffs_alpha_with_missing_cells_against_krippendorff(x, metric):
    found = krippendorff_alpha(x, metric)
    assume(found.value is not None)
    theirs = krippendorff.alpha(reliability_data=x.T, level_of_measurement=metric)
    assert found.value == pytest.approx(theirs, rel=1e-9, abs=1e-9)


@settings(deadline=None, max_examples=60)
@given(tables(low=3))
def test_kendalls_w_and_its_p_against_scipys_friedman_test(x):
    # Friedman's chi-square is k (n - 1) W, ties corrected alike; scipy needs three samples or more.
    assume(x.shape[0] >= 3)
    w, p = kendall_w(x)
    assume(w.value is not None)
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        chi, theirs = stats.friedmanchisquare(*x)
    n, k = x.shape
    assert w.value == pytest.approx(chi / (k * (n - 1)), rel=1e-9, abs=1e-9)
    assert p == pytest.approx(theirs, rel=1e-6, abs=1e-9)


@settings(deadline=None, max_examples=60)
@given(tables_with_gaps())
def test_additive_model_with_missing_cells_against_statsmodels(x):
    there = ~np.isnan(x)
    x = x[there.any(axis=1)][:, there.any(axis=0)]
    there = ~np.isnan(x)
    assume(x.size and len(connected_groups(there)) == 1)
    n, k = x.shape
    rows, columns = np.nonzero(there)
    design = np.zeros((len(rows), n + k))
    design[np.arange(len(rows)), rows] = design[np.arange(len(rows)), n + columns] = 1
    theirs = statsmodels.api.OLS(x[there], design[:, :-1]).fit()  # the last adjudicator is the reference
    fit = fit_additive(x)
    level = np.append(theirs.params[n:], 0.0)
    assert fit.effect == pytest.approx(level - level.mean(), abs=1e-7)
    assert fit.merit == pytest.approx(theirs.params[:n] + level.mean(), abs=1e-7)
    assert fit.sse == pytest.approx(theirs.ssr, abs=1e-7)
    assert fit.residual_df == len(rows) - np.linalg.matrix_rank(design)


@settings(deadline=None, max_examples=80)
@given(tables_with_gaps())
def test_design_rank_against_numpys_matrix_rank(x):
    there = ~np.isnan(x)
    assume(there.any())
    kept = there[there.any(axis=1)][:, there.any(axis=0)]
    rows, columns = np.nonzero(kept)
    design = np.zeros((len(rows), sum(kept.shape)))
    design[np.arange(len(rows)), rows] = design[np.arange(len(rows)), kept.shape[0] + columns] = 1
    assert design_rank(x) == (np.linalg.matrix_rank(design), sum(kept.shape) - 1)


@settings(deadline=None, max_examples=30)
@given(tables(low=3))
def test_variance_components_against_the_analysis_of_variance_of_statsmodels(x):
    components, _ = variance_components(x)
    assume(components is not None)
    n, k = x.shape
    frame = pandas.DataFrame({"mark": x.ravel(), "c": np.repeat(np.arange(n), k), "a": np.tile(np.arange(k), n)})
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        from statsmodels.formula.api import ols
        from statsmodels.stats.anova import anova_lm

        table = anova_lm(ols("mark ~ C(c) + C(a)", frame).fit())
    square = (table["sum_sq"] / table["df"]).to_dict()
    expected = {
        "candidate": (square["C(c)"] - square["Residual"]) / k,
        "adjudicator": (square["C(a)"] - square["Residual"]) / n,
        "residual": square["Residual"],
    }
    assert components == pytest.approx(expected, abs=1e-7)


@settings(deadline=None, max_examples=80)
@given(st.integers(4, 12).flatmap(lambda n: arrays(float, (2, n), elements=marks)))
def test_correlations_against_scipy(pair):
    x, y = pair
    assume(np.ptp(x) > 0 and np.ptp(y) > 0)
    assert pearson(x, y) == pytest.approx(stats.pearsonr(x, y).statistic, abs=1e-9)
    assert spearman(x, y) == pytest.approx(stats.spearmanr(x, y).statistic, abs=1e-9)
    assert tau_b(x, y) == pytest.approx(stats.kendalltau(x, y).statistic, abs=1e-9)


def test_correlations_say_nothing_where_they_mean_nothing():
    few, flat = np.array([1.0, 2.0, np.nan, 4.0]), np.array([3.0, 3.0, 3.0, 3.0])
    rising = np.array([1.0, 2.0, 3.0, 4.0])
    for measure in (pearson, spearman, tau_b):
        assert measure(few, rising) is None
        assert measure(flat, rising) is None


@settings(deadline=None, max_examples=80)
@given(tables_with_gaps(), st.data())
def test_linked_adjudicators_against_the_groups_of_the_reduced_table(x, data):
    there = ~np.isnan(x)
    there = there[:, there.any(axis=0)]
    assume(there.size and there.any())
    chosen = data.draw(arrays(bool, (5, there.shape[1])))
    expected = []
    for choice in chosen:
        reduced = there[:, choice]
        reduced = reduced[reduced.any(axis=1)]
        expected.append(bool(choice.any()) and len(connected_groups(reduced)) == 1)
    assert linked(there, chosen).tolist() == expected

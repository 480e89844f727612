"""Doubt about shares: held against truth, dense algebra, a published variance and an independent mixed model."""

import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from app.domain.errors import BadInput
from app.domain.panel import Rule
from app.judging import standing as ranking
from app.judging.assignment import assign
from app.judging.block_designs import balanced_blocks
from app.judging.combining import Combining
from app.judging.marks_arrays import to_arrays
from app.judging.places import shared_places
from app.judging.shared_doubt import SharedDoubt, _Model, cleared_totals, is_shared, shared_doubt
from app.judging.standing import input_hash, make_standing

FAIR = Rule(combine="severity-adjusted")


def simulated(seed, n, k, each, *, spread=1.5, noise=1.0, captions=1):
    """(merit [n], marks [n, k, captions], NaN where not assigned) of a panel with severities of its own."""
    rng = np.random.default_rng(seed)
    shares = assign([str(i) for i in range(n)], [str(j) for j in range(k)], each, rng)
    heard = np.zeros((n, k), dtype=bool)
    for i, own in shares.items():
        heard[int(i), [int(j) for j in own]] = True
    merit, severity = rng.normal(0, spread, n), rng.normal(0, 0.8, k)
    marks = merit[:, None, None] + severity[:, None] + rng.normal(0, noise, (n, k, captions))
    return merit, np.where(heard[:, :, None], np.clip(np.round(4 * (6 + marks)) / 4, 1, 10), np.nan)


@pytest.fixture
def shares_of(table_of):
    """Makes a table whose empty cells were never assigned."""

    def make(marks):
        table = table_of(marks, recused=False)
        return replace(table, assigned=frozenset((m.adjudicator_id, m.candidate_id) for m in table.marks))

    return make


def combining(table):
    return Combining(to_arrays(table, FAIR), "severity-adjusted", [a.letter for a in table.adjudicators])


def told(table, *, seats=None, minimum=None, draws=2000, seed=0):
    found = shared_doubt(combining(table), seats=seats, minimum=minimum, draws=draws, seed=seed)
    assert isinstance(found, SharedDoubt)
    return found


@pytest.mark.parametrize(("n", "k", "each", "spread"), [(12, 6, 3, 1.5), (30, 10, 3, 1.5), (30, 10, 2, 0.7)])
def test_nine_in_ten_intervals_hold_the_true_place_and_chances_come_true(shares_of, n, k, each, spread):
    # 1,200 candidates of whom the truth is known; nine in ten are .90, what holds more is said in DEVELOPERS.
    held, said, seated = [], [], []
    seats = n // 5
    for seed in range(1200 // n):
        merit, marks = simulated(seed, n, k, each, spread=spread)
        rule = combining(shares_of(marks))
        found = shared_doubt(rule, seats=seats, minimum=None, draws=300, seed=seed)
        truth, own = shared_places(merit)[0], shared_places(rule.result().score)[0]
        held += ((np.minimum(found.low, own) <= truth) & (truth <= np.maximum(found.high, own))).tolist()
        said += found.chance.tolist()
        seated += (truth <= seats).tolist()
    assert 0.89 <= np.mean(held) <= 0.985
    said, seated = np.array(said), np.array(seated)
    assert np.mean(said) == pytest.approx(seats / n)
    for low, high in ((0.05, 0.35), (0.35, 0.65), (0.65, 0.95)):
        inside = (said >= low) & (said < high)
        if inside.sum() >= 100:
            assert seated[inside].mean() == pytest.approx(said[inside].mean(), abs=0.09)


def test_a_stricter_adjudicator_changes_nothing(shares_of):
    _, marks = simulated(3, 20, 6, 3, captions=2)
    shifted = marks + np.array([0.0, -2.0, 0.5, 1.0, 0.0, -0.25])[:, None]
    one, other = told(shares_of(marks), seats=5), told(shares_of(shifted), seats=5)
    assert (one.low.tolist(), one.high.tolist()) == (other.low.tolist(), other.high.tolist())
    assert one.chance == pytest.approx(other.chance)
    assert one.variance == pytest.approx(other.variance)


def test_what_is_drawn_about_is_what_the_rule_ranks_by(shares_of):
    _, marks = simulated(4, 24, 8, 3, captions=3)
    rule = combining(shares_of(marks))
    assert np.nanmean(cleared_totals(rule), axis=1) == pytest.approx(rule.result().score)
    partly = marks.copy()
    i, j = np.argwhere(~np.isnan(marks[:, :, 0]))[0]
    partly[i, j, 1] = np.nan  # one caption left out: what the others' marks give stands there
    rule = combining(shares_of(partly))
    assert np.nanmean(cleared_totals(rule), axis=1) == pytest.approx(rule.result().score)


@pytest.mark.parametrize(("v", "r", "b", "shared"), [(7, 3, 7, 1), (6, 5, 10, 2), (9, 4, 12, 1)])
def test_two_adjudicators_differ_by_the_published_variance_of_a_balanced_design(v, r, b, shared):
    # Source: Yates 1936, Annals of Eugenics 7:121; Cochran & Cox, Experimental Designs, chapter 11: within blocks the
    # difference of two treatments has the variance 2 k s^2 / (lambda v). Here adjudicators are treatments, candidates
    # blocks of k = 3. From memory.
    blocks = balanced_blocks(v, 3, b)
    totals = np.full((b, v), np.nan)
    for i, block in enumerate(blocks):
        totals[i, list(block)] = np.random.default_rng(i).normal(size=3)
    assert (~np.isnan(totals)).sum(axis=0).tolist() == [r] * v
    system, _, _ = _Model(totals)._equations(0.0)
    inverse = np.linalg.pinv(system)
    variance = np.diag(inverse)[:, None] + np.diag(inverse) - 2 * inverse
    assert variance[~np.eye(v, dtype=bool)] == pytest.approx(2 * 3 / (shared * v))


def test_the_equations_are_those_of_the_whole_model():
    # Source: generalised least squares, written out with matrices of every observation.
    _, marks = simulated(5, 14, 6, 3)
    totals = marks[:, :, 0]
    model = _Model(totals)
    rows, columns = np.nonzero(~np.isnan(totals))
    y = totals[rows, columns] - totals[rows, columns].mean()
    by_candidate, by_adjudicator = np.eye(14)[rows], np.eye(6)[columns]
    for share in (0.2, 0.7):
        point = model._solved(share)
        whole = np.eye(len(y)) + by_candidate @ by_candidate.T / point.ratio
        inverse = np.linalg.inv(whole)
        system = by_adjudicator.T @ inverse @ by_adjudicator
        levels = np.linalg.solve(system, by_adjudicator.T @ inverse @ y)
        rest = y - by_adjudicator @ levels
        assert point.factor @ point.factor.T == pytest.approx(system)
        assert point.levels == pytest.approx(levels)
        assert point.left == pytest.approx(rest @ inverse @ rest)
        logs = [np.linalg.slogdet(m)[1] for m in (whole, system)]
        expected = -0.5 * sum(logs) - 0.5 * (len(y) - 6) * np.log(rest @ inverse @ rest)
        assert point.log == pytest.approx(expected)
    dense = np.hstack([by_candidate, by_adjudicator])
    solution, _, rank, _ = np.linalg.lstsq(dense, y, rcond=None)
    assert model.rest == pytest.approx(((y - dense @ solution) ** 2).sum())
    assert model.rest_df == len(y) - rank == len(y) - (14 + 6 - 1)


def test_draws_lie_where_an_independent_mixed_model_puts_them():
    # Source: statsmodels' MixedLM, fitted by restricted maximum likelihood.
    _, marks = simulated(6, 120, 12, 3)
    totals = marks[:, :, 0]
    rows, columns = np.nonzero(~np.isnan(totals))
    data = pd.DataFrame({"mark": totals[rows, columns], "candidate": rows, "adjudicator": [f"a{j}" for j in columns]})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = smf.mixedlm("mark ~ 0 + C(adjudicator)", data, groups=data["candidate"]).fit(reml=True)
    between, rest = float(fitted.cov_re.iloc[0, 0]), float(fitted.scale)
    model = _Model(totals)
    points, chances = model._posterior
    likeliest = points[int(chances.argmax())]
    assert likeliest.ratio == pytest.approx(rest / between, rel=0.05)
    assert likeliest.left / model._free == pytest.approx(rest, rel=0.02)
    drawn = np.concatenate([theta for theta, _ in model.draws(4000, np.random.default_rng(1))])
    predicted = np.array([fitted.random_effects[i].iloc[0] for i in range(120)])
    assert len(drawn) == 4000
    assert drawn.mean(axis=0) == pytest.approx(predicted, abs=0.06)
    variance = np.array([fitted.random_effects_cov[i].iloc[0, 0] for i in range(120)])
    assert (drawn.var(axis=0) >= variance * 0.9).all()  # theirs takes levels and ratio as known
    assert drawn.var(axis=0).mean() == pytest.approx(variance.mean(), rel=0.25)


def test_two_candidates_differ_by_what_is_kept_about_them(shares_of):
    _, marks = simulated(7, 16, 6, 3)
    found = told(shares_of(marks))
    model = _Model(cleared_totals(combining(shares_of(marks))))
    drawn = np.concatenate([theta for theta, _ in model.draws(20_000, np.random.default_rng(2))])
    covariance = np.cov(drawn.T)
    kept = np.sqrt(found.variance[:, None] + found.variance - 2 * found.common @ found.common.T)
    true = np.sqrt(np.diag(covariance)[:, None] + np.diag(covariance) - 2 * covariance)
    apart = ~np.eye(16, dtype=bool)
    assert kept[apart] == pytest.approx(true[apart], rel=0.08)
    ahead = (drawn[:, :, None] > drawn[:, None, :]).mean(axis=0)
    order = np.argsort(-found.mean).tolist()
    surely = found.surely_ahead(order)
    for at in range(1, 16):
        chance = ahead[order[:at], order[at]]
        assert surely(0, at)[chance > 0.97].all()
        assert not surely(0, at)[chance < 0.93].any()


def test_a_standing_of_shares_has_intervals_brackets_and_who_to_hear_again(shares_of):
    _, marks = simulated(8, 30, 10, 3)
    table = shares_of(marks)
    standing = make_standing(table, FAIR, seats=6)
    assert (standing.doubt.method, standing.doubt.panel_size, standing.doubt.why_none) == ("model", 10, None)
    assert all(row.place_low <= row.place <= row.place_high for row in standing.rows)
    assert sum(row.chance_of_seat for row in standing.rows) == pytest.approx(6.0)
    assert standing.brackets
    assert standing.hear_again
    assert any(s.startswith("Where a number may lie follows from") for s in standing.sentences)
    assert make_standing(table, FAIR, seats=6) == standing
    assert make_standing(table, FAIR, seats=6, seed=1).rows != standing.rows


def test_brackets_of_a_long_standing_are_spans_of_the_same(shares_of, monkeypatch):
    _, marks = simulated(9, 30, 10, 3)
    table = shares_of(marks)
    short = make_standing(table, FAIR, seats=6)
    monkeypatch.setattr(ranking, "LISTED", 10)
    long = make_standing(table, FAIR, seats=6)
    numbers = [row.blind_number for row in long.rows]
    assert [tuple(numbers[a : b + 1]) for a, b in long.bracket_spans] == list(short.brackets)
    assert (long.brackets, short.bracket_spans) == ((), None)
    assert long.sentences == short.sentences
    assert "bracket_spans" not in short.to_dict()


def test_a_minimum_takes_the_seat_from_who_may_lie_below_it(shares_of):
    _, marks = simulated(10, 20, 8, 3)
    table = shares_of(marks)
    free, bound = told(table, seats=8), told(table, seats=8, minimum=7.5)
    score = combining(table).result().score
    assert (bound.chance <= free.chance).all()
    assert bound.chance[score < 5.5].max() < 0.05
    assert bound.chance[score.argmax()] > 0.5


def test_marks_without_any_rest_leave_no_doubt(shares_of):
    _, marks = simulated(11, 9, 4, 2)
    exact = np.where(np.isnan(marks[:, :, 0]), np.nan, np.array([8, 8, 7, 6, 5, 4, 3, 2, 1.0])[:, None] + [0, 1, 2, -1])
    standing = make_standing(shares_of(exact), FAIR, seats=1)
    assert [(row.place_low, row.place_high) for row in standing.rows[:3]] == [(1, 2), (1, 2), (3, 3)]
    assert [row.chance_of_seat for row in standing.rows[:3]] == [0.5, 0.5, 0.0]
    assert standing.brackets == (("10", "11"),)


def test_too_little_in_common_gives_no_doubt_and_says_why(shares_of):
    standing = make_standing(shares_of([[8, 7, np.nan], [np.nan, 5, 6]]), FAIR)
    assert standing.doubt.why_none == "no two adjudicators share enough candidates to show how far marks differ"
    assert standing.rows[0].place_low is None


def test_shares_that_do_not_hang_together_are_refused_as_before(shares_of):
    with pytest.raises(BadInput, match="disconnected"):
        make_standing(shares_of([[8, 7, np.nan, np.nan], [np.nan, np.nan, 6, 5]]), FAIR)


def test_whole_panels_and_what_was_frozen_before_are_not_touched(table_of, shares_of):
    _, marks = simulated(12, 10, 6, 3)
    table = shares_of(marks)
    old, new = make_standing(table, FAIR, version="1"), make_standing(table, FAIR)
    assert (old.doubt.method, new.doubt.method, old.version, new.version) == ("exhaustive", "model", "1", "2")
    assert old.input_hash == input_hash(table, FAIR, version="1") != new.input_hash
    assert [row.total for row in old.rows] == [row.total for row in new.rows]
    whole = table_of(np.random.default_rng(1).integers(1, 11, (8, 4)))
    everybody = frozenset((a.adjudicator_id, c.candidate_id) for a in whole.adjudicators for c in whole.candidates)
    for one in (whole, replace(whole, assigned=everybody)):
        assert not is_shared(one, combining(one))
        assert make_standing(one, FAIR).rows == make_standing(one, FAIR, version="1").rows
    beyond = replace(table, assigned=table.assigned - {next(iter(table.assigned))})  # a mark by somebody else
    assert not is_shared(beyond, combining(beyond))

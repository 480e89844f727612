"""Doubt: exhaustive and sampled agree, and nine in ten means nine in ten."""

import itertools
import time

import numpy as np
import pytest

from app.domain.panel import Rule
from app.judging.combining import Combining
from app.judging.doubt import Doubt, brackets, doubt, redrawn_panels
from app.judging.marks_arrays import to_arrays
from app.judging.places import shared_places
from app.judging.standing import make_standing

RULES = ("mean", "trimmed-mean", "median", "rank-sum", "majority", "severity-adjusted")


def simulated(seed, n, k, captions=1, *, noise=1.0):
    rng = np.random.default_rng(seed)
    merit, severity = rng.normal(0, 1.5, (n, 1, 1)), rng.normal(0, 0.8, (1, k, 1))
    marks = np.clip(np.round(6 + merit + severity + rng.normal(0, noise, (n, k, captions))), 1, 10)
    return merit[:, 0, 0], marks


def combining(table, combine):
    rule = Rule(combine=combine)
    return Combining(to_arrays(table, rule), combine, [a.letter for a in table.adjudicators])


@pytest.mark.parametrize("k", [2, 3, 4, 5, 6])
def test_exhaustive_panels_are_all_ordered_draws_put_together(k):
    panels, weights, every = redrawn_panels(k, draws=10_000)
    assert every
    assert weights.sum() == pytest.approx(1.0)
    counted = {}
    for ordered in itertools.product(range(k), repeat=k - 1):
        key = tuple(sorted(ordered))
        counted[key] = counted.get(key, 0) + 1 / k ** (k - 1)
    assert {tuple(p): w for p, w in zip(panels.tolist(), weights, strict=True)} == pytest.approx(counted)


@pytest.mark.parametrize("k", [2, 3, 5])
def test_panels_one_smaller_give_the_variance_of_a_mean_exactly(k):
    # The variance of the mean of k marks is s^2 / k; drawing k - 1 of k with replacement gives just that.
    x = np.random.default_rng(k).normal(size=k)
    panels, weights, _ = redrawn_panels(k)
    means = x[panels].mean(axis=1)
    variance = weights @ (means - weights @ means) ** 2
    assert variance == pytest.approx(x.var(ddof=1) / k)


@pytest.mark.parametrize("combine", RULES)
def test_sampled_and_exhaustive_doubt_agree(table_of, combine):
    _, marks = simulated(3, 9, 5)
    rule = combining(table_of(marks), combine)
    exact = doubt(rule, seats=3, exhaustive=True)
    sampled = doubt(rule, seats=3, exhaustive=False, draws=20_000, seed=11)
    assert isinstance(exact, Doubt)
    assert isinstance(sampled, Doubt)
    assert (exact.note.method, sampled.note.method) == ("exhaustive", "sampled")
    assert sampled.chance == pytest.approx(exact.chance, abs=0.015)
    assert np.abs(sampled.low - exact.low).max() <= 1
    assert np.abs(sampled.high - exact.high).max() <= 1
    assert (sampled.low != exact.low).mean() <= 0.12
    order = np.argsort(-rule.result().score, kind="stable").tolist()
    assert brackets(sampled, order, []) == brackets(exact, order, [])


def test_the_same_seed_gives_the_same_doubt_and_another_seed_another(table_of):
    _, marks = simulated(4, 12, 9)
    table = table_of(marks)
    one, same, other = (make_standing(table, Rule(), seats=4, seed=s) for s in (7, 7, 8))
    assert one.to_dict() == same.to_dict()
    assert one.doubt.method == "sampled"
    assert [r.chance_of_seat for r in one.rows] != [r.chance_of_seat for r in other.rows]


def test_chances_of_a_seat_add_up_to_the_seats(table_of):
    _, marks = simulated(5, 14, 4, captions=2)
    for combine in RULES:
        if combine != "trimmed-mean":
            standing = make_standing(table_of(marks), Rule(combine=combine), seats=5)
            assert sum(row.chance_of_seat for row in standing.rows) == pytest.approx(5.0)


def test_intervals_of_places_against_a_plain_loop(table_of):
    _, marks = simulated(6, 7, 4)
    x = marks[:, :, 0]
    chance = np.zeros((7, 7))
    for panel in itertools.product(range(4), repeat=3):
        mean = x[:, list(panel)].mean(axis=1)
        for i in range(7):
            best = 1 + int((mean > mean[i] + 1e-9).sum())
            worst = int((mean >= mean[i] - 1e-9).sum())
            chance[i, best - 1 : worst] += 1 / 4**3 / (worst - best + 1)
    found = doubt(combining(table_of(marks), "mean"))
    total = chance.cumsum(axis=1)
    assert isinstance(found, Doubt)
    assert found.low.tolist() == [int(np.argmax(row >= 0.05 - 1e-9)) + 1 for row in total]
    assert found.high.tolist() == [int(np.argmax(row >= 0.95 - 1e-9)) + 1 for row in total]


@pytest.mark.parametrize(("n", "k", "noise"), [(10, 3, 0.8), (10, 4, 1.0), (16, 5, 1.0), (10, 7, 1.2)])
def test_nine_in_ten_intervals_hold_the_true_place_about_nine_times_in_ten(n, k, noise):
    # Whole marks from a panel with its own severities and noise; the truth is the order of merit.
    held = []
    panels, weights, _ = redrawn_panels(k, draws=1000)
    for seed in range(150):
        merit, marks = simulated(1000 + seed, n, k, noise=noise)
        scores = marks[:, panels, 0].mean(axis=2).T
        best, worst = shared_places(scores)
        truth, own = shared_places(merit)[0], shared_places(marks[:, :, 0].mean(axis=1))[0]
        for i in range(n):
            chance = np.zeros(n + 1)
            np.add.at(chance, best[:, i] - 1, weights / (worst[:, i] - best[:, i] + 1))
            np.subtract.at(chance, worst[:, i], weights / (worst[:, i] - best[:, i] + 1))
            total = chance.cumsum().cumsum()
            low = min(int(np.argmax(total >= 0.05 - 1e-9)) + 1, own[i])
            high = max(int(np.argmax(total >= 0.95 - 1e-9)) + 1, own[i])
            held.append(low <= truth[i] <= high)
    assert 0.86 <= np.mean(held) <= 0.98


def test_told_apart_is_seldom_wrong():
    wrong = told = 0
    for seed in range(300):
        merit, marks = simulated(5000 + seed, 8, 4)
        panels, weights, _ = redrawn_panels(4)
        order = np.argsort(-marks[:, :, 0].mean(axis=1), kind="stable")
        scores = marks[:, panels, 0].mean(axis=2).T[:, order]
        ahead = scores[:, :-1] - scores[:, 1:]
        surely = weights @ ((ahead > 1e-9) + 0.5 * (np.abs(ahead) <= 1e-9)) >= 0.95 - 1e-9
        told += int(surely.sum())
        wrong += int((surely & (merit[order][:-1] < merit[order][1:])).sum())
    assert told > 100
    assert wrong / told < 0.10


def test_brackets_hold_neighbours_none_of_whom_can_be_told_apart(table_of):
    # Two clear groups: everyone agrees on the groups, nobody on the order within.
    marks = [[9, 8, 7], [7, 9, 8], [8, 7, 9], [3, 2, 1], [1, 3, 2], [2, 1, 3]]
    standing = make_standing(table_of(marks), Rule(), seats=2)
    assert [set(b) for b in standing.brackets] == [{"10", "11", "12"}, {"13", "14", "15"}]
    assert set(standing.hear_again) == {"10", "11", "12"}
    assert any("can't be told apart by this panel, and two seats lie among them" in s for s in standing.sentences)


def test_a_unanimous_panel_leaves_no_doubt(table_of):
    standing = make_standing(table_of([[9, 8, 9], [6, 6, 7], [2, 3, 2]]), Rule(), seats=1)
    assert [(row.place_low, row.place_high) for row in standing.rows] == [(1, 1), (2, 2), (3, 3)]
    assert [row.chance_of_seat for row in standing.rows] == [1.0, 0.0, 0.0]
    assert standing.brackets == ()
    assert standing.hear_again == ()
    assert standing.sentences[0] == "Number 10 leads, and would lead with nearly any panel of this kind."


def test_one_adjudicator_gives_no_doubt_and_says_why(table_of):
    standing = make_standing(table_of([[9], [6]]), Rule(), seats=1)
    assert [(row.place, row.place_low, row.chance_of_seat) for row in standing.rows] == [
        (1, None, None),
        (2, None, None),
    ]
    assert any("one adjudicator alone" in s for s in standing.sentences)


def test_adjudicators_without_any_sheet_are_not_redrawn(table_of):
    with_empty = np.array([[9, 7, np.nan], [5, 8, np.nan], [2, 3, np.nan]])
    rows = make_standing(table_of(with_empty, recused=False), Rule(), seats=1)
    plain = make_standing(table_of(with_empty[:, :2]), Rule(), seats=1)
    assert [r.chance_of_seat for r in rows.rows] == [r.chance_of_seat for r in plain.rows]
    assert rows.doubt.panel_size == 1


def test_two_thousand_draws_for_sixty_candidates_and_five_adjudicators_take_less_than_a_second(table_of):
    _, marks = simulated(9, 60, 5, captions=4)
    for combine in RULES:
        rule = combining(table_of(marks), combine)
        start = time.perf_counter()
        found = doubt(rule, seats=12, exhaustive=False, draws=2000)
        assert time.perf_counter() - start < 1.0, combine
        assert isinstance(found, Doubt)

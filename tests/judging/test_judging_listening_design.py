"""Listening orders: Williams squares where they fit, near balance elsewhere, hidden repeats far apart."""

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from app.domain.errors import BadInput
from app.domain.panel import PanelMark
from app.judging.listening_design import (
    balance,
    choose_repeats,
    consistency,
    design_generator,
    listening_orders,
    williams_rows,
)

ADJUDICATORS = ["a0", "a1", "a2", "a3", "a4"]


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 13, 20])
def test_williams_design_is_balanced_in_places_and_neighbours(n):
    rows = williams_rows(n)
    times = 1 if n % 2 == 0 else 2
    assert rows.shape == (n * times, n)
    for column in rows.T:
        assert Counter(column.tolist()) == dict.fromkeys(range(n), times)
    follows = Counter(pair for row in rows.tolist() for pair in pairwise(row))
    assert len(follows) == n * (n - 1)
    assert set(follows.values()) <= {times}


@pytest.mark.parametrize("n", [5, 8, 10, 11, 24])
@pytest.mark.parametrize("k", [2, 3, 4, 5])
def test_orders_of_a_panel_are_balanced(n, k):
    ids = [f"c{i}" for i in range(n)]
    orders = listening_orders(ids, ADJUDICATORS[:k], np.random.default_rng(n * k))
    assert all(sorted(h.candidate_id for h in hearings) == sorted(ids) for hearings in orders.values())
    assert len(set(orders.values())) == k
    off, follows = balance(orders)
    if k % 2 == 0 and n >= k:
        assert off == 0.0  # rows and their reverses
    assert off <= (n - 1) / 2 / k + 1e-9  # one odd row is all that can be off
    assert follows <= (1 if n % 2 == 0 else 2)


def test_orders_follow_the_generator():
    ids = [f"c{i}" for i in range(9)]
    one, same, other = (listening_orders(ids, ADJUDICATORS, np.random.default_rng(s)) for s in (1, 1, 2))
    assert one == same
    assert one != other


def test_who_is_recused_does_not_hear_the_candidate():
    ids = [f"c{i}" for i in range(6)]
    orders = listening_orders(ids, ADJUDICATORS, np.random.default_rng(0), recusals={("a1", "c3")})
    assert "c3" not in {h.candidate_id for h in orders["a1"]}
    assert all("c3" in {h.candidate_id for h in orders[a]} for a in ADJUDICATORS if a != "a1")


def test_both_hearings_of_a_take_lie_far_apart_and_the_practice_take_comes_first():
    ids = [f"c{i}" for i in range(12)]
    repeat_ids = ["c2", "c5", "c9"]
    earlier = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        orders = listening_orders(ids, ADJUDICATORS, rng, repeat_ids=repeat_ids, practice_id="p")
        for hearings in orders.values():
            assert hearings[0].practice
            assert hearings[0].candidate_id == "p"
            assert len(hearings) == 1 + 12 + 3
            first = {h.candidate_id: i for i, h in enumerate(hearings) if not h.repeat}
            again = [(i, h.candidate_id) for i, h in enumerate(hearings) if h.repeat]
            assert sorted(c for _, c in again) == repeat_ids
            assert all(abs(i - first[c]) >= 4 for i, c in again)
            earlier += sum(i < first[c] for i, c in again)
    assert 0.3 < earlier / (30 * 5 * 3) < 0.7  # which hearing counts can't be guessed from its place


@pytest.mark.parametrize("n", [2, 3, 4, 5, 7, 12, 25])
def test_in_the_common_order_repeats_follow_far_behind(n):
    ids = [f"c{i}" for i in range(n)]
    for seed in range(20):
        rng = np.random.default_rng(seed)
        chosen = choose_repeats(ids, n // 2, rng, later_only=True)
        orders = listening_orders(ids, ADJUDICATORS[:3], rng, own=False, repeat_ids=chosen)
        assert len(set(orders.values())) == 1
        hearings = orders["a0"]
        assert [h.candidate_id for h in hearings if not h.repeat] == ids
        first = {h.candidate_id: i for i, h in enumerate(hearings) if not h.repeat}
        assert all(i - first[h.candidate_id] >= max(1, n // 3) for i, h in enumerate(hearings) if h.repeat)


def test_repeats_are_chosen_from_everybody_by_the_seed():
    ids = [f"c{i}" for i in range(6)]
    chosen = [choose_repeats(ids, 2, design_generator(f"{seed:064x}")) for seed in range(60)]
    assert chosen == [choose_repeats(ids, 2, design_generator(f"{seed:064x}")) for seed in range(60)]
    assert {c for pair in chosen for c in pair} == set(ids)
    assert all(len(set(pair)) == 2 for pair in chosen)
    assert choose_repeats(ids, 0, design_generator("0" * 64)) == ()
    with pytest.raises(BadInput, match="4 hidden repeats are too many for 6 candidates"):
        choose_repeats(ids, 4, design_generator("0" * 64))


def test_a_repeat_of_somebody_one_is_recused_from_is_not_heard():
    ids = [f"c{i}" for i in range(6)]
    orders = listening_orders(ids, ADJUDICATORS, np.random.default_rng(0), recusals={("a1", "c3")}, repeat_ids=["c3"])
    assert "c3" not in {h.candidate_id for h in orders["a1"]}
    assert sum(h.candidate_id == "c3" for h in orders["a0"]) == 2


def test_repeats_and_practice_do_not_count_as_balance():
    ids = [f"c{i}" for i in range(8)]
    plain = listening_orders(ids, ADJUDICATORS[:4], np.random.default_rng(5))
    more = listening_orders(ids, ADJUDICATORS[:4], np.random.default_rng(5), repeat_ids=["c1", "c6"], practice_id="p")
    assert balance(plain) == balance(more) == (0.0, 1)


def test_bad_designs_are_told():
    with pytest.raises(BadInput, match="at least one candidate"):
        listening_orders([], ADJUDICATORS, np.random.default_rng(0))
    with pytest.raises(BadInput, match="stands in the listening design twice"):
        listening_orders(["c", "c"], ADJUDICATORS, np.random.default_rng(0))
    for repeat_ids in (["a", "b", "c"], ["x"]):
        with pytest.raises(BadInput, match="hidden repeats do not fit 5 candidates"):
            listening_orders(list("abcde"), ADJUDICATORS, np.random.default_rng(0), repeat_ids=repeat_ids)


def test_consistency_recovers_the_planted_error_of_one_mark():
    rng = np.random.default_rng(8)
    level = rng.normal(6, 1, 4000)
    first = [PanelMark(f"c{i}", "a0", "all", "tone", float(v + rng.normal(0, 0.7))) for i, v in enumerate(level)]
    second = [PanelMark(f"c{i}", "a0", "all", "tone", float(v + rng.normal(0, 0.7))) for i, v in enumerate(level)]
    assert consistency(first, second)["a0"] == pytest.approx(0.7, abs=0.03)


def test_one_repeat_says_nothing():
    mark = PanelMark("c0", "a0", "all", "tone", 5.0)
    assert consistency([mark], [mark]) == {}

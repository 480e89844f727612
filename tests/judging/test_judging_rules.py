"""Combination rules on tables whose result can be seen by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from app.domain.errors import BadInput
from app.domain.panel import MeasuredMark, MeasuredTake, Rule
from app.judging.places import adjudicator_places, shared_places
from app.judging.standing import make_standing

NONE = np.nan


def totals(standing):
    return {row.candidate_id: row.total for row in standing.rows}


def places(standing):
    return {row.candidate_id: row.place for row in standing.rows}


def take(candidate, piece="all", **marks):
    return MeasuredTake(
        candidate,
        piece,
        {c: MeasuredMark(c, "pitch.median_abs_cents", "cents", 5.0, m, m, m) for c, m in marks.items()},
    )


@pytest.mark.parametrize(
    ("combine", "expected"),
    [("mean", 5.2), ("trimmed-mean", 5.0), ("median", 5.0), ("severity-adjusted", 5.2)],
)
def test_rules_on_marks_of_one_candidate_with_an_outlier(table_of, combine, expected):
    standing = make_standing(table_of([[1, 4, 5, 6, 10], [3, 3, 3, 3, 3]]), Rule(combine=combine))
    assert totals(standing) == pytest.approx({"c0": expected, "c1": 3.0})


def test_median_of_an_even_panel_is_the_middle_of_the_two_middle_marks(table_of):
    standing = make_standing(table_of([[1, 4, 7, 10], [2, 2, 2, 2]]), Rule(combine="median"))
    assert totals(standing)["c0"] == 5.5


def test_trimmed_mean_needs_five_and_says_so(table_of):
    with pytest.raises(BadInput, match=r"needs 5 adjudicators or more and this panel has 4"):
        make_standing(table_of([[1, 2, 3, 4], [4, 3, 2, 1]]), Rule(combine="trimmed-mean"))


def test_trimmed_mean_keeps_all_marks_of_a_candidate_whom_a_recusal_leaves_with_four(table_of):
    standing = make_standing(table_of([[1, 4, 5, 6, NONE], [3, 3, 3, 3, 9]]), Rule(combine="trimmed-mean"))
    assert totals(standing) == {"c0": 4.0, "c1": 3.0}


def test_a_recused_cell_is_missing_and_never_zero(table_of):
    standing = make_standing(table_of([[8, NONE, 6], [5, 5, 5]]), Rule())
    assert totals(standing) == {"c0": 7.0, "c1": 5.0}
    assert standing.rows[0].adjudicators_counted == 2


def test_marks_given_before_a_recusal_do_not_count(table_of):
    from dataclasses import replace

    table = replace(table_of([[8, 1], [5, 5]]), recusals=frozenset({("a1", "c0")}))
    assert totals(make_standing(table, Rule())) == {"c0": 8.0, "c1": 5.0}


def test_severity_adjustment_does_not_punish_who_is_heard_by_the_strict_only(table_of):
    # B is exactly three marks stricter. c0 is as good as c1 but only B heard it; raw means would put it last.
    marks = [[NONE, 5], [8, 5], [6, 3], [4, 1]]
    raw = make_standing(table_of(marks), Rule(combine="mean"))
    assert totals(raw)["c0"] == 5.0
    assert totals(raw)["c1"] == 6.5
    adjusted = make_standing(table_of(marks), Rule(combine="severity-adjusted"))
    assert totals(adjusted) == pytest.approx({"c0": 6.5, "c1": 6.5, "c2": 4.5, "c3": 2.5})
    assert adjusted.severity == pytest.approx({"A": -1.5, "B": 1.5})
    assert adjusted.rows[0].tied


def test_severity_adjustment_is_refused_where_recusals_disconnect_the_panel(table_of):
    marks = [[7, NONE], [5, NONE], [NONE, 8], [NONE, 6]]
    with pytest.raises(BadInput, match=r"disconnected: adjudicators A and B share no candidate"):
        make_standing(table_of(marks), Rule(combine="severity-adjusted"))
    plain = make_standing(table_of(marks), Rule(combine="mean"))
    assert plain.severity == {"A": None, "B": None}
    assert any("share no candidate" in s for s in plain.sentences)
    assert plain.doubt.method == "none"


def test_weights_of_pieces_and_captions(table_of):
    # One candidate, one adjudicator, two pieces by two captions.
    marks = np.array([[[[8, 4], [6, 2]]], [[[1, 1], [1, 1]]]], dtype=float)
    table = table_of(marks, captions=("tone", "pitch"), pieces=("slow", "scale"))
    rule = Rule(piece_weights={"slow": 80, "scale": 20}, caption_weights={"tone": 1, "pitch": 3})
    row = make_standing(table, rule).rows[0]
    assert row.total == pytest.approx(0.8 * (8 * 0.25 + 4 * 0.75) + 0.2 * (6 * 0.25 + 2 * 0.75))
    assert row.captions == pytest.approx({"tone": 0.8 * 8 + 0.2 * 6, "pitch": 0.8 * 4 + 0.2 * 2})
    assert row.pieces == pytest.approx({"slow": 5.0, "scale": 3.0})


def test_a_caption_without_weight_does_not_count_and_is_said(table_of):
    table = table_of(np.array([[[8, 1]], [[2, 9]]], dtype=float), captions=("tone", "pitch"))
    standing = make_standing(table, Rule(caption_weights={"tone": 1}))
    assert totals(standing) == {"c0": 8.0, "c1": 2.0}
    assert any("gives the caption pitch no weight" in s for s in standing.sentences)


def test_measured_marks_are_merged_by_their_declared_share(table_of):
    table = table_of(np.array([[[8, 6], [6, 6]], [[5, 5], [5, 5]]], dtype=float), captions=("tone", "pitch"))
    rule = Rule(measured_weights={"pitch": 0.25})
    standing = make_standing(table, rule, measured=[take("c0", tone=1, pitch=2), take("c1", pitch=9)])
    rows = {row.candidate_id: row for row in standing.rows}
    assert rows["c0"].captions == pytest.approx({"tone": 7.0, "pitch": 0.75 * 6 + 0.25 * 2})
    assert rows["c1"].captions == pytest.approx({"tone": 5.0, "pitch": 0.75 * 5 + 0.25 * 9})
    assert rows["c1"].total == pytest.approx(5.5)


def test_a_missing_measured_mark_leaves_the_cell_to_the_panel_and_is_said(table_of):
    table = table_of([[8, 6], [5, 5]], captions=("pitch",))
    none = MeasuredTake(
        "c1", "all", {"pitch": MeasuredMark("pitch", "pitch.median_abs_cents", "cents", why_null="too short")}
    )
    standing = make_standing(table, Rule(measured_weights={"pitch": 0.5}), measured=[take("c0", pitch=1), none])
    assert totals(standing) == {"c0": 4.0, "c1": 5.0}
    assert "Number 11 lacks a measured mark for pitch; the panel's marks alone count there." in standing.sentences


def test_measured_marks_of_several_pieces_meet_marks_given_once_per_candidate_by_piece_weight(table_of):
    table = table_of([[4, 4], [5, 5]], captions=("pitch",))
    rule = Rule(measured_weights={"pitch": 0.5}, piece_weights={"slow": 3, "fast": 1})
    takes = [
        take("c0", "slow", pitch=8),
        take("c0", "fast", pitch=4),
        take("c1", "slow", pitch=5),
        take("c1", "fast", pitch=5),
    ]
    standing = make_standing(table, rule, measured=takes)
    assert totals(standing) == pytest.approx({"c0": 0.5 * 4 + 0.5 * 7, "c1": 5.0})


def test_measured_marks_reach_rules_of_places_through_each_adjudicators_total(table_of):
    table = table_of([[6, 6], [5, 5]], captions=("pitch",))
    rule = Rule(combine="rank-sum", measured_weights={"pitch": 0.5})
    standing = make_standing(table, rule, measured=[take("c0", pitch=2), take("c1", pitch=9)])
    assert places(standing) == {"c1": 1, "c0": 2}


def test_sum_of_places_shares_tied_places(table_of):
    standing = make_standing(table_of([[9, 7], [9, 5], [2, 7]]), Rule(combine="rank-sum"))
    assert totals(standing) == {"c0": 3.0, "c1": 4.5, "c2": 4.5}
    assert standing.total_meaning == "sum of places, lower is better"


def test_a_recusal_neither_helps_nor_hurts_in_a_sum_of_places():
    # Adjudicator B did not hear c2. Place r among c of n becomes r (n + 1) / (c + 1).
    marks = np.array([[9, 9], [7, 7], [5, NONE], [3, 3]], dtype=float)
    assert adjudicator_places(marks)[:, 1] == pytest.approx([1.25, 2.5, np.nan, 3.75], nan_ok=True)


@settings(deadline=None, max_examples=30)
@given(st.integers(3, 6), st.data())
def test_expected_place_with_one_unheard_is_the_mean_over_all_places_it_could_have(n, data):
    order = data.draw(st.permutations(range(n)))
    marks = np.array(order, dtype=float)
    others = marks[1:]  # candidate 0 is not heard
    ranks = shared_places(others)[0]
    # It may stand in any of n gaps with equal chance: r stays r in n - r of them and becomes r + 1 in r of them.
    mean = (ranks * (n - ranks) + (ranks + 1) * ranks) / n
    table = np.column_stack([marks, np.array([NONE, *others])])
    assert adjudicator_places(table)[1:, 1] == pytest.approx(mean)


def test_majority_of_places(table_of):
    # Places by five adjudicators. X: 1 1 1 4 4: first by majority although Y has the better sum (2 2 2 1 2).
    marks = 5 - np.array([[1, 1, 1, 4, 4], [2, 2, 2, 1, 2], [3, 3, 3, 2, 1], [4, 4, 4, 3, 3]], dtype=float)
    majority = make_standing(table_of(marks), Rule(combine="majority"))
    assert places(majority) == {"c0": 1, "c1": 2, "c2": 3, "c3": 4}
    assert totals(majority) == {"c0": 1.0, "c1": 2.0, "c2": 3.0, "c3": 4.0}
    assert places(make_standing(table_of(marks), Rule(combine="rank-sum")))["c1"] == 1


def test_equal_majority_places_go_by_the_larger_majority_then_the_lower_mean(table_of):
    # c1 and c2 both reach a majority at place 2: c1 with three of three, c2 with two of three.
    places_given = np.array([[3, 3, 1], [1, 2, 2], [2, 1, 3]], dtype=float)
    standing = make_standing(table_of(4 - places_given), Rule(combine="majority"))
    assert [row.candidate_id for row in standing.rows] == ["c1", "c2", "c0"]


@settings(deadline=None, max_examples=60)
@given(arrays(float, st.tuples(st.integers(2, 7), st.integers(1, 6)), elements=st.integers(1, 5).map(float)))
def test_shared_places_count_who_is_strictly_ahead_and_who_is_not_behind(scores):
    best, worst = shared_places(scores)
    ahead = (scores[:, None, :] > scores[:, :, None]).sum(axis=2)
    level = (scores[:, None, :] == scores[:, :, None]).sum(axis=2)
    assert (best == ahead + 1).all()
    assert (worst == ahead + level).all()

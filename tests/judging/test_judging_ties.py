"""Ties: the declared chain, the cut line, seats and alternates."""

import numpy as np
import pytest

from app.domain.panel import MeasuredMark, MeasuredTake, Rule
from app.judging.standing import make_standing
from app.judging.ties import head_to_head, resolve, split_by

NONE = np.nan


def seats(standing):
    return {row.candidate_id: (row.place, row.seat, row.alternate) for row in standing.rows}


def pitch_take(candidate, mark):
    return MeasuredTake(
        candidate, "all", {"pitch": MeasuredMark("pitch", "pitch.median_abs_cents", "cents", 1.0, mark, mark, mark)}
    )


def test_without_a_chain_ties_stay_ties(table_of):
    standing = make_standing(table_of([[6, 6], [7, 5], [9, 9]]), Rule())
    assert [(row.place, row.tied) for row in standing.rows] == [(1, False), (2, True), (2, True)]


def test_a_caption_breaks_a_tie_and_is_named(table_of):
    marks = np.array([[[6, 8]], [[8, 6]]], dtype=float)
    table = table_of(marks, captions=("tone", "musicianship"))
    standing = make_standing(table, Rule(tie_chain=("caption:musicianship",)))
    assert [(row.candidate_id, row.place, row.decided_by) for row in standing.rows] == [
        ("c0", 1, "caption:musicianship"),
        ("c1", 2, "caption:musicianship"),
    ]


def test_steps_are_taken_in_the_declared_order(table_of):
    # Equal totals; the caption says c1, more adjudicators say c0.
    marks = np.array([[[7, 3], [6, 5], [3, 6]], [[1, 8], [4, 6], [8, 3]]], dtype=float)
    table = table_of(marks, captions=("tone", "musicianship"))
    by_caption = make_standing(table, Rule(tie_chain=("caption:musicianship", "head-to-head")))
    by_panel = make_standing(table, Rule(tie_chain=("head-to-head", "caption:musicianship")))
    assert by_caption.rows[0].candidate_id == "c1"
    assert by_panel.rows[0].candidate_id == "c0"


def test_the_measured_mark_breaks_a_tie_only_when_all_tied_have_one(table_of):
    table = table_of([[6, 6], [6, 6], [1, 1]], captions=("pitch",))
    rule = Rule(tie_chain=("measured",))
    both = make_standing(table, rule, measured=[pitch_take("c0", 4), pitch_take("c1", 7)])
    assert [row.candidate_id for row in both.rows] == ["c1", "c0", "c2"]
    one = make_standing(table, rule, measured=[pitch_take("c1", 7)])
    assert one.rows[0].tied
    assert one.rows[1].tied


def test_a_rehearing_splits_nothing_but_is_named_when_seats_hang_on_it(table_of):
    standing = make_standing(
        table_of([[6, 6], [6, 6], [1, 1]]), Rule(tie_chain=("head-to-head", "re-hearing")), seats=1
    )
    assert seats(standing)["c0"] == (1, "undecided", None)
    assert set(standing.hear_again) == {"10", "11"}
    assert any("still tie across the cut line" in s and "re-hearing" in s for s in standing.sentences)


def test_ties_that_do_not_matter_at_the_cut_line_stay_when_so_declared(table_of):
    everywhere = Rule(tie_chain=("head-to-head",))
    at_cut = Rule(tie_chain=("head-to-head",), tie_scope="cut-line")
    # Three pairs with equal totals; in each, two of three adjudicators put one ahead. Three seats cut the second pair.
    three = table_of([[9, 9, 9], [10, 10, 7], [6, 6, 6], [7, 7, 4], [3, 3, 3], [4, 4, 1]])
    assert [r.place for r in make_standing(three, everywhere, seats=3).rows] == [1, 2, 3, 4, 5, 6]
    cut = make_standing(three, at_cut, seats=3)
    assert [r.place for r in cut.rows] == [1, 1, 3, 4, 5, 5]
    assert [r.seat for r in cut.rows] == ["seat", "seat", "seat", "alternate", "alternate", "alternate"]
    assert [r.alternate for r in cut.rows] == [None, None, None, 1, 2, 2]


def test_seats_alternates_and_a_tie_across_the_cut_line(table_of):
    standing = make_standing(table_of([[9, 9], [6, 6], [6, 6], [4, 4], [3, 3]]), Rule(), seats=2)
    assert seats(standing) == {
        "c0": (1, "seat", None),
        "c1": (2, "undecided", None),
        "c2": (2, "undecided", None),
        "c3": (4, "alternate", 2),
        "c4": (5, "alternate", 3),
    }


def test_seats_stay_empty_when_nobody_reaches_the_minimum(table_of):
    standing = make_standing(table_of([[9, 9], [6, 6], [4, 4]]), Rule(minimum_total=6.0), seats=3)
    assert [row.seat for row in standing.rows] == ["seat", "seat", "none"]
    assert standing.empty_seats == 1
    assert "One seat stays empty: nobody else reaches the declared minimum of 6." in standing.sentences


def test_more_seats_than_candidates(table_of):
    standing = make_standing(table_of([[9, 9], [6, 6]]), Rule(), seats=5)
    assert standing.empty_seats == 3
    assert "Three seats stay empty: there are not enough candidates." in standing.sentences


def test_head_to_head_cycle_stays_a_tie():
    cycle = np.array([[3, 1, 2], [2, 3, 1], [1, 2, 3]], dtype=float)
    assert head_to_head(cycle, [0, 1, 2]) == [[0, 1, 2]]


def test_head_to_head_compares_what_stays_tied_among_itself():
    # Contests won: c0 three; c1 and c2 one and a half each, but c1 beats c2; c3 none.
    totals = np.array([[9, 9, 9], [5, 5, 2], [4, 3, 5], [5, 5, 1]], dtype=float)
    parts = head_to_head(totals, [0, 1, 2, 3])
    assert parts[0] == [0]
    assert [i for part in parts for i in part].index(1) < [i for part in parts for i in part].index(2)


def test_head_to_head_counts_only_adjudicators_who_heard_both():
    totals = np.array([[5, NONE, 4], [4, 9, 3]], dtype=float)
    assert head_to_head(totals, [1, 0]) == [[0], [1]]


def test_totals_that_differ_in_their_last_bits_are_equal():
    assert split_by(np.array([0.1 + 0.2, 0.3]), [0, 1]) == [[0, 1]]


def test_unplaced_candidates_are_left_out():
    groups = resolve(np.array([2.0, NONE, 3.0]), [])
    assert [g.members for g in groups] == [(2,), (0,)]


@pytest.mark.parametrize("combine", ["mean", "median", "rank-sum", "majority", "severity-adjusted"])
def test_all_equal_marks_tie_under_every_rule(table_of, combine):
    standing = make_standing(
        table_of(np.full((4, 3), 5.0)), Rule(combine=combine, tie_chain=("head-to-head",)), seats=2
    )
    assert [row.place for row in standing.rows] == [1, 1, 1, 1]
    assert {row.seat for row in standing.rows} == {"undecided"}
    assert [row.chance_of_seat for row in standing.rows] == pytest.approx([0.5] * 4)
    assert "All candidates tie; these marks do not rank anybody." in standing.sentences

"""The whole standing: bad input in a sentence each, never a NaN, and a hash that knows its input."""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from app.domain.errors import BadInput
from app.domain.panel import MarksTable, PanelAdjudicator, PanelCandidate, PanelMark, Rule
from app.judging.rubric import default_rubric
from app.judging.rule import default_rule
from app.judging.standing import input_hash, make_standing

NONE = np.nan
KEYS = {
    "rule_sentence", "total_meaning", "rows", "brackets", "seats", "empty_seats", "agreement", "caption_agreement",
    "adjudicators", "severity", "doubt", "hear_again", "sentences", "questions", "missing", "input_hash", "version",
}  # fmt: skip
ROW_KEYS = {
    "candidate_id", "blind_number", "name", "place", "tied", "total", "mark", "captions", "pieces", "place_low",
    "place_high", "chance_of_seat", "seat", "alternate", "decided_by", "adjudicators_counted", "why_unplaced",
}  # fmt: skip


def small_tables():
    shape = st.tuples(st.integers(1, 6), st.integers(1, 5), st.integers(1, 3))
    return shape.flatmap(
        lambda s: arrays(float, s, elements=st.one_of(st.integers(1, 10).map(float), st.just(NONE)), fill=st.nothing())
    )


@settings(deadline=None, max_examples=150)
@given(
    small_tables(),
    st.sampled_from(["mean", "median", "trimmed-mean", "rank-sum", "majority", "severity-adjusted"]),
    st.one_of(st.none(), st.integers(0, 7)),
    st.sampled_from([(), ("head-to-head",), ("caption:tone", "head-to-head", "measured", "re-hearing")]),
    st.sampled_from(["everywhere", "cut-line"]),
    st.one_of(st.none(), st.integers(1, 10).map(float)),
)
def test_any_table_gives_a_sound_standing_or_one_sentence(table_of, marks, combine, seats, chain, scope, minimum):
    table = table_of(marks)
    rule = Rule(combine=combine, tie_chain=chain, tie_scope=scope, minimum_total=minimum)
    try:
        standing = make_standing(table, rule, seats=seats)
    except BadInput as refused:
        sentence = refused.sentence
    else:
        sentence = ""
    if sentence:
        assert sentence.endswith(".")
        assert sentence[0].isupper()
        return
    out = standing.to_dict()
    json.dumps(out, allow_nan=False)
    assert set(out) == KEYS
    assert all(set(row) == ROW_KEYS for row in out["rows"])
    assert {row["candidate_id"] for row in out["rows"]} == {c.candidate_id for c in table.candidates}
    placed = [row for row in out["rows"] if row["place"] is not None]
    sharing = {row["place"]: [r for r in placed if r["place"] == row["place"]] for row in placed}
    for i, row in enumerate(placed):
        assert row["place"] == 1 + sum(r["place"] < row["place"] for r in placed)
        assert row["tied"] == (len(sharing[row["place"]]) > 1)
        assert row["why_unplaced"] is None
        assert row["total"] is not None
        if row["place_low"] is not None:
            assert 1 <= row["place_low"] <= row["place"] <= row["place_high"] <= len(placed)
        if row["chance_of_seat"] is not None:
            assert -1e-9 <= row["chance_of_seat"] <= 1 + 1e-9
        assert i == 0 or placed[i - 1]["place"] <= row["place"]
    assert all(row["why_unplaced"] for row in out["rows"] if row["place"] is None)
    if seats is not None:
        given_away = sum(row["seat"] == "seat" for row in placed)
        undecided = sum(row["seat"] == "undecided" for row in placed)
        assert given_away <= seats
        assert undecided == 0 or given_away + undecided > seats
        assert out["empty_seats"] == max(0, seats - given_away - undecided)
    for sentence in [*out["sentences"], *out["missing"], out["rule_sentence"]]:
        assert sentence.endswith(".")
        assert "nan" not in sentence.lower().split()


def test_one_adjudicator(table_of):
    standing = make_standing(table_of([[7], [5], [9]]), Rule(), seats=1)
    assert [row.blind_number for row in standing.rows] == ["12", "10", "11"]
    assert all(value is None for value in standing.agreement.icc.values())
    assert standing.agreement.why["icc.A,1"] == "not valid here because agreement needs two adjudicators or more"
    assert standing.severity == {"A": None}


def test_one_candidate(table_of):
    standing = make_standing(table_of([[7, 8, 9]]), Rule(), seats=1)
    assert (standing.rows[0].place, standing.rows[0].seat) == (1, "seat")
    assert standing.agreement.kendall_w is None
    assert "two candidates or more" in standing.agreement.why["kendall_w"]
    assert "Number 10 is the only one placed; there is nobody to compare with." in standing.sentences


def test_all_equal_marks(table_of):
    standing = make_standing(table_of(np.full((3, 3), 6.0)), Rule())
    assert all(value is None for value in standing.agreement.icc.values())
    assert set(standing.agreement.why.values()) == {"not valid here because all marks are equal"}
    assert standing.agreement.sentence == (
        "How well the panel agrees on the order of candidates can't be said: all marks are equal."
    )
    assert standing.severity == {"A": 0.0, "B": 0.0, "C": 0.0}


def test_everyone_recused_from_someone(table_of):
    standing = make_standing(table_of([[7, 6], [NONE, NONE], [5, 4]]), Rule(), seats=2)
    last = standing.rows[-1]
    assert (last.blind_number, last.place, last.total, last.seat) == ("11", None, None, None)
    assert last.why_unplaced == "every adjudicator is recused from this number; another adjudicator must hear it"
    assert any(s.startswith("Number 11 has no place: every adjudicator is recused") for s in standing.sentences)


def test_a_caption_nobody_scored(table_of):
    marks = np.array([[[7, NONE], [6, NONE]], [[5, NONE], [4, NONE]]])
    standing = make_standing(table_of(marks, captions=("tone", "pitch")), Rule(), rubric=default_rubric())
    assert "Nobody scored Pitch; it is left out of every total." in standing.sentences
    assert standing.rows[0].total == 6.5
    assert standing.rows[0].captions == {"tone": 6.5, "pitch": None}


def test_a_caption_that_counts_and_lacks_every_mark_for_one_candidate_leaves_it_unplaced(table_of):
    marks = np.array([[[7, 8], [6, 7]], [[5, NONE], [4, NONE]]])
    standing = make_standing(table_of(marks, captions=("tone", "pitch")), Rule(), rubric=default_rubric())
    assert standing.rows[1].why_unplaced == "nobody has marked pitch"


def test_no_mark_at_all(table_of):
    with pytest.raises(BadInput, match="no mark in the table yet"):
        make_standing(table_of([[NONE, NONE]]), Rule())


def test_no_candidate_and_no_adjudicator():
    nobody = MarksTable((), (PanelAdjudicator("a", "A"),), ("all",), ("tone",), ())
    with pytest.raises(BadInput, match="no candidate"):
        make_standing(nobody, Rule())
    empty_panel = MarksTable((PanelCandidate("c", "10"),), (), ("all",), ("tone",), ())
    with pytest.raises(BadInput, match="no adjudicator"):
        make_standing(empty_panel, Rule())


def test_a_mark_off_the_scale_names_number_and_scale(table_of):
    table = table_of([[7, 11], [5, 5]], captions=("tone",))
    with pytest.raises(BadInput, match="mark for number 10 is 11, off the scale; it runs from 1 to 10"):
        make_standing(table, Rule(), rubric=default_rubric())


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_mark_that_is_no_number(table_of, value):
    table = table_of([[7, 6], [5, 5]])
    broken = replace(table, marks=(*table.marks[:-1], replace(table.marks[-1], mark=value)))
    with pytest.raises(BadInput, match="is not a number"):
        make_standing(broken, Rule())


def test_a_mark_given_twice(table_of):
    table = table_of([[7, 6], [5, 5]])
    with pytest.raises(BadInput, match="stands in the table twice; keep one"):
        make_standing(replace(table, marks=(*table.marks, table.marks[0])), Rule())


def test_a_mark_of_somebody_unknown(table_of):
    table = table_of([[7, 6], [5, 5]])
    stray = PanelMark("c9", "a0", "all", "overall", 5)
    with pytest.raises(BadInput, match="not in this round"):
        make_standing(replace(table, marks=(*table.marks, stray)), Rule())


def test_a_number_or_letter_used_twice(table_of):
    table = table_of([[7, 6], [5, 5]])
    twice = tuple(replace(c, blind_number="10") for c in table.candidates)
    with pytest.raises(BadInput, match="blind number 10 stands in the table twice"):
        make_standing(replace(table, candidates=twice), Rule())


def test_nothing_scored_carries_weight(table_of):
    with pytest.raises(BadInput, match="carries any weight"):
        make_standing(table_of([[7, 6], [5, 5]]), default_rule())  # weighs tone to musicianship, not "overall"


def test_negative_seats(table_of):
    with pytest.raises(BadInput, match="can't be below zero"):
        make_standing(table_of([[7, 6], [5, 5]]), Rule(), seats=-1)


def test_sheets_still_to_come_are_listed_and_recusals_are_not(table_of):
    table = table_of([[7, NONE], [5, 5], [NONE, NONE], [6, 6]], recused=False)
    recused = replace(table, recusals=frozenset({("a1", "c0")}))
    assert make_standing(table, Rule()).missing == (
        "Number 12 has no mark from anybody.",
        "Adjudicator B has not marked number 10.",
    )
    assert make_standing(recused, Rule()).missing == ("Number 12 has no mark from anybody.",)


def test_missing_cells_null_what_needs_them_all_and_show_the_complete_candidates_beside(table_of, shrout_fleiss):
    marks = np.vstack([shrout_fleiss, [5, NONE, 4, 6]])
    agreement = make_standing(table_of(marks), Rule()).agreement
    assert all(value is None for value in agreement.icc.values())
    assert agreement.why["icc.1,1"].startswith("not valid here because 1 cell is missing")
    assert agreement.krippendorff_alpha_interval is not None
    assert agreement.complete_only.candidates == 6
    assert agreement.complete_only.icc["C,1"] == pytest.approx(0.7148, abs=5e-5)
    assert "judged by the 6 candidates whom everyone scored" in agreement.sentence


def test_the_total_of_several_captions_is_their_weighted_mean_and_feeds_agreement(table_of, shrout_fleiss):
    # Tone as published, pitch constant: the mean of both has the same coefficients.
    marks = np.stack([shrout_fleiss, np.full_like(shrout_fleiss, 4.0)], axis=2)
    standing = make_standing(table_of(marks, captions=("tone", "pitch")), Rule())
    assert standing.agreement.icc["A,1"] == pytest.approx(0.2898, abs=5e-5)
    assert standing.caption_agreement["tone"].icc["A,1"] == pytest.approx(0.2898, abs=5e-5)
    assert standing.caption_agreement["pitch"].icc["A,1"] is None
    assert standing.rows[0].total == pytest.approx((7.5 + 4) / 2)


def test_a_standing_carries_no_name(table_of):
    out = make_standing(table_of([[7, 6], [5, 5]]), Rule()).to_dict()
    assert all(row["name"] is None for row in out["rows"])


def test_the_hash_knows_every_input_and_ignores_order_and_number_type(table_of):
    table = table_of([[7, 6], [5, 4]], playing_order=True)
    rule = Rule(caption_weights={"overall": 1.0})
    one = input_hash(table, rule, seats=1)
    whole = replace(table, marks=tuple(replace(m, mark=int(m.mark)) for m in reversed(table.marks)))
    assert input_hash(whole, rule, seats=1) == one
    assert make_standing(table, rule, seats=1).input_hash == one
    others = [
        input_hash(table, rule, seats=2),
        input_hash(table, Rule(combine="median"), seats=1),
        input_hash(table, rule, seats=1, seed=1),
        input_hash(table, rule, seats=1, rubric=default_rubric()),
        input_hash(replace(table, recusals=frozenset({("a0", "c0")})), rule, seats=1),
        input_hash(replace(table, marks=(replace(table.marks[0], mark=8), *table.marks[1:])), rule, seats=1),
        input_hash(replace(table, hearing_positions={("a0", "c0"): 2}), rule, seats=1),
        input_hash(table, rule, seats=1, repeats=(PanelMark("c0", "a0", "all", "overall", 6),)),
    ]
    assert len({one, *others}) == 9


def test_the_order_of_the_table_does_not_change_the_standing(table_of):
    rng = np.random.default_rng(2)
    table = table_of(rng.integers(1, 11, (8, 4)).astype(float))
    turned = replace(
        table, candidates=tuple(reversed(table.candidates)), adjudicators=tuple(reversed(table.adjudicators))
    )
    one, two = (make_standing(t, Rule(tie_chain=("head-to-head",)), seats=3) for t in (table, turned))
    key = lambda row: (row.candidate_id, row.place, row.total, row.place_low, row.place_high, row.seat)  # noqa: E731
    assert [key(row) for row in one.rows] == [key(row) for row in two.rows]
    assert {k: round(v, 9) for k, v in one.severity.items()} == {k: round(v, 9) for k, v in two.severity.items()}

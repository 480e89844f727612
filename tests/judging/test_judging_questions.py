"""Questions to listen again: asked for outliers only, as questions."""

import numpy as np
import pytest

from app.domain.panel import MeasuredMark, MeasuredTake, Rule
from app.judging.rubric import default_rubric
from app.judging.standing import make_standing


def takes(marks, *, half=0.5, piece="all", bars=("3", "7")):
    def pitch(m):
        return MeasuredMark("pitch", "pitch.median_abs_cents", "cents", 9.0, m, m - half, m + half, bars=bars)

    return [MeasuredTake(f"c{i}", piece, {"pitch": pitch(m)}, f"t{i}") for i, m in enumerate(marks)]


MEASURED = [9.0, 8.0, 7.0, 6.0, 5.0, 4.0]


def asked(table, measured):
    return make_standing(table, Rule(), rubric=default_rubric(), measured=measured).questions


def test_one_mark_far_from_the_measured_mark_is_asked_about(table_of):
    marks = np.array([[9, 9, 9], [8, 8, 8], [7, 7, 7], [6, 6, 6], [5, 5, 5], [9, 4, 4]], dtype=float)
    found = asked(table_of(marks, captions=("pitch",)), takes(MEASURED))
    assert [(q.blind_number, q.letter, q.mark, q.measured, q.bars, q.take_id) for q in found] == [
        ("15", "A", 9.0, 4.0, ("3", "7"), "t5")
    ]
    assert found[0].sentence == (
        "Number 15, bars 3 and 7: adjudicator A gave pitch 9, the measurement suggests about 4. Would you listen again?"
    )


def test_a_strict_adjudicator_is_not_asked_about_everything(table_of):
    marks = np.array([[m, m, m - 3] for m in (10, 9, 8, 7, 6, 5)], dtype=float)
    assert asked(table_of(marks, captions=("pitch",)), takes(MEASURED)) == ()


def test_a_yardstick_that_is_milder_than_the_whole_panel_asks_nothing(table_of):
    marks = np.array([[m - 3] * 3 for m in MEASURED], dtype=float)
    assert asked(table_of(marks, captions=("pitch",)), takes(MEASURED)) == ()


def test_an_uncertain_measurement_asks_less(table_of):
    marks = np.array([[9, 9, 9], [8, 8, 8], [7, 7, 7], [6, 6, 6], [5, 5, 5], [9, 4, 4]], dtype=float)
    table = table_of(marks, captions=("pitch",))
    assert asked(table, takes(MEASURED, half=4.0)) == ()


def test_no_measured_mark_no_question(table_of):
    table = table_of(np.full((3, 3), 9.0), captions=("pitch",))
    none = [
        MeasuredTake(
            "c0", "all", {"pitch": MeasuredMark("pitch", "pitch.median_abs_cents", "cents", why_null="too short")}
        )
    ]
    assert asked(table, none) == ()


def test_the_list_is_short_and_widest_first(table_of):
    rng = np.random.default_rng(4)
    marks = rng.integers(1, 11, (40, 3)).astype(float)
    found = asked(table_of(marks, captions=("pitch",)), takes([1.0 + 9 * (i % 2) for i in range(40)], half=0.2))
    assert len(found) == 12
    gaps = [q.gap for q in found]
    assert gaps == sorted(gaps, reverse=True)
    assert gaps[-1] > 0


def test_the_piece_is_named(table_of):
    marks = np.array([[9, 9, 9], [8, 8, 8], [7, 7, 7], [6, 6, 6], [5, 5, 5], [9, 4, 4]], dtype=float)[:, :, None, None]
    table = table_of(marks, captions=("pitch",), pieces=("p1",))
    standing = make_standing(
        table,
        Rule(),
        rubric=default_rubric(),
        measured=takes(MEASURED, piece="p1", bars=()),
        piece_titles={"p1": "Étude"},
    )
    assert standing.questions[0].sentence.startswith("Number 15 in Étude: adjudicator A gave pitch 9")


def test_a_disconnected_panel_is_still_asked(table_of):
    marks = np.array([[9, np.nan], [8, np.nan], [np.nan, 2], [np.nan, 6]])
    found = asked(table_of(marks, captions=("pitch",)), takes(MEASURED[:4]))
    assert [(q.blind_number, q.letter) for q in found] == [("12", "B")]
    assert found[0].gap == pytest.approx(5 - 0.5 - 0.5)

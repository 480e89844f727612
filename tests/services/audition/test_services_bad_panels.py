"""Panels that can't say much: a sentence each, no NaN in the answer and none on the printed sheet."""

import io
import json

import pypdf
import pytest
from audition_scene import LEADER

from app.domain.errors import BadInput, Duplicate, WrongState
from app.domain.ids import new_id
from app.services import declaring, opening, printing, sheets_in

CAPTIONS = ("tone", "pitch", "rhythm", "musicianship")


def marks(value, but=()):
    return {caption: value for caption in CAPTIONS if caption not in but}


class Panel:
    """A drawn round of so many candidates and adjudicators."""

    def __init__(self, scene, candidates, adjudicators, **rule):
        self.scene = scene
        self.etude = scene.piece()
        self.judges = [scene.adjudicator(f"Judge {n}") for n in range(adjudicators)]
        for n in range(candidates):
            scene.student(f"Student {n}")
        scene.declare(measured_weights={}, **rule)
        drawn = scene.drawn(seats=1)
        self.round_id = drawn.id
        self.numbers = [c.candidate_id for c in drawn.candidates]
        self.blind = [c.blind_number for c in drawn.candidates]

    def give(self, value_of, **more):
        """Marks by ``value_of(candidate's place, adjudicator's place)``; None recuses."""
        for i, number in enumerate(self.numbers):
            for j, judge in enumerate(self.judges):
                value = value_of(i, j)
                if value is None:
                    self.scene.do(sheets_in.recuse, judge, number)
                else:
                    self.scene.submit(judge, number, {self.etude: value}, **more)

    def said(self):
        """Everything the standing says, after checking answer and printed sheet for numbers that are none."""
        shown = self.scene.look(opening.shown, self.round_id)
        json.dumps(shown, default=str, allow_nan=False)
        printed = printing.print_score_sheet(self.scene.database, self.round_id, named=False, actor=LEADER)
        text = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(printed.pdf)).pages)
        assert not {"nan", "none", "inf", "null"} & set(text.casefold().split())
        return " ".join([*shown["sentences"], *(str(row["why_unplaced"]) for row in shown["rows"])])


@pytest.mark.parametrize("combine", ["mean", "median", "rank-sum", "majority", "severity-adjusted"])
def test_one_adjudicator(scene, combine):
    panel = Panel(scene, 4, 1, combine=combine)
    panel.give(lambda i, j: marks(8 - i))
    assert "How sure the places are can't be said" in panel.said()


def test_one_candidate(scene):
    panel = Panel(scene, 1, 3)
    panel.give(lambda i, j: marks(6 + j))
    assert f"Number {panel.blind[0]} is the only one placed" in panel.said()


def test_all_equal_marks(scene):
    panel = Panel(scene, 4, 3)
    panel.give(lambda i, j: marks(6))
    assert "All candidates tie; these marks do not rank anybody." in panel.said()


def test_everyone_recused_from_someone(scene):
    panel = Panel(scene, 4, 3)
    panel.give(lambda i, j: None if i == 1 else marks(8 - i))
    assert "every adjudicator is recused from this number; another adjudicator must hear it" in panel.said()


def test_a_caption_nobody_scored(scene):
    panel = Panel(scene, 3, 2)
    panel.give(lambda i, j: marks(8 - i, but=("tone",)), reason="the hall swallowed it")
    said = panel.said()
    assert "tone" in said.casefold()
    assert "the hall swallowed it" in said


def test_a_disconnected_panel(scene):
    panel = Panel(scene, 4, 2, combine="mean")
    panel.give(lambda i, j: None if (i < 2) == (j == 0) else marks(8 - i))
    assert "severity" in panel.said()


def test_a_disconnected_panel_under_a_rule_that_takes_severity_out(scene):
    panel = Panel(scene, 4, 2, combine="severity-adjusted")
    panel.give(lambda i, j: None if (i < 2) == (j == 0) else marks(8 - i))
    with pytest.raises(BadInput) as refused:
        panel.said()
    assert refused.value.sentence.count(". ") <= 1
    assert "adjudicator" in refused.value.sentence


def test_marks_off_the_scale_and_sheets_sent_twice_are_refused_where_they_come_in(scene):
    panel = Panel(scene, 2, 2)
    with pytest.raises(BadInput, match="1 to 10"):
        scene.submit(panel.judges[0], panel.numbers[0], {panel.etude: marks(11)})
    scene.submit(panel.judges[0], panel.numbers[0], {panel.etude: marks(7)})
    with pytest.raises(Duplicate, match="sent already"):
        scene.submit(panel.judges[0], panel.numbers[0], {panel.etude: marks(7)}, version_id=new_id())


def test_a_rule_the_panel_is_too_small_for_is_refused_at_its_declaration(scene):
    scene.piece()
    for name in ("Ada Brandt", "Bo Sand"):
        scene.adjudicator(name)
    scene.do(declaring.set_rule, scene.audition_id, {"combine": "trimmed-mean"})
    with pytest.raises(WrongState, match="needs 5 adjudicators or more"):
        scene.do(declaring.declare, scene.audition_id)


def test_alternates_are_named_as_declared(scene):
    panel = Panel(scene, 5, 2, alternates=2, minimum_total=4)
    panel.give(lambda i, j: marks((9, 8, 7, 6, 2)[i]))
    rows = scene.look(opening.shown, panel.round_id)["rows"]
    assert [(row["seat"], row["alternate"]) for row in rows] == [
        ("seat", None), ("alternate", 1), ("alternate", 2), ("none", None), ("none", None),
    ]  # fmt: skip
    assert "The next 2 are alternates, in order." in scene.look(opening.shown, panel.round_id)["rule_sentence"]
    with pytest.raises(BadInput, match="whole number from 0"):
        scene.do(declaring.set_rule, scene.audition_id, {"combine": "mean", "alternates": -1})

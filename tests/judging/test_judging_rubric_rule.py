"""Rubric and rule: the defaults are whole, and every way to get one wrong has its sentence."""

import copy

import pytest

from app.domain.errors import BadInput
from app.judging.rubric import check_mark, default_rubric, validate_rubric
from app.judging.rule import default_rule, panel_refusal, rule_choices, rule_sentence, validate_rule


def test_the_default_rubric_is_four_captions_in_whole_marks_from_one_to_ten():
    rubric = default_rubric()
    assert rubric.keys == ("tone", "pitch", "rhythm", "musicianship")
    assert (rubric.low, rubric.high) == (1, 10)
    texts = [level.descriptor for caption in rubric.captions for level in caption.levels]
    assert len(texts) == len(set(texts)) == 20
    assert all(40 <= len(text) <= 260 and text.endswith(".") for text in texts)


def test_every_mark_has_the_descriptor_of_its_band():
    pitch = default_rubric().caption("pitch")
    found = [pitch.descriptor(mark) for mark in range(1, 11)]
    assert [found.index(text) for text in found] == [0, 0, 2, 2, 4, 4, 6, 6, 8, 8]
    assert pitch.descriptor(6.4) == pitch.descriptor(6)
    assert pitch.descriptor(6.5) == pitch.descriptor(7)


def test_the_defaults_survive_the_way_through_json():
    rubric, rule = default_rubric(), default_rule()
    assert validate_rubric(rubric.to_dict()) == rubric
    assert validate_rule(rule.to_dict(), rubric) == rule


def broken_rubric(change):
    values = copy.deepcopy(default_rubric().to_dict())
    change(values)
    return values


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda r: r.update(low="one"), "'low' must be a whole number"),
        (lambda r: r.update(high=1), "highest mark must be above the lowest"),
        (lambda r: r.update(high=1000), "more than 100 steps"),
        (lambda r: r.update(captions=[]), "has no caption"),
        (lambda r: r["captions"].append(r["captions"][0]), "'tone' stands in the rubric twice"),
        (lambda r: r["captions"][0].update(key="to ne"), "key of up to 40"),
        (lambda r: r["captions"][0].update(name=" "), "needs a name"),
        (lambda r: r["captions"][0].update(levels=[]), "has no levels"),
        (lambda r: r["captions"][0]["levels"].pop(2), "without gap or overlap; one should begin at 5"),
        (lambda r: r["captions"][0]["levels"].pop(), "end at 8, but the scale runs to 10"),
        (lambda r: r["captions"][0]["levels"][0].update(descriptor=""), "Tone 1 to 2 has no descriptor"),
        (lambda r: r["captions"][0]["levels"][0].update({"from": True}), "must be a whole number"),
    ],
)
def test_a_broken_rubric_is_told_in_a_sentence(change, said):
    with pytest.raises(BadInput, match=said):
        validate_rubric(broken_rubric(change))


@pytest.mark.parametrize("values", [None, [], "rubric", 3])
def test_something_that_is_no_rubric_or_rule(values):
    with pytest.raises(BadInput, match="must be an object"):
        validate_rubric(values)
    with pytest.raises(BadInput, match="must be an object"):
        validate_rule(values)


@pytest.mark.parametrize(
    ("mark", "said"),
    [
        (0, "off the scale"),
        (11, "off the scale"),
        (7.5, "whole number"),
        ("7", "whole number"),
        (True, "whole number"),
        (None, "whole number"),
    ],
)
def test_a_mark_off_the_scale_or_not_whole(mark, said):
    with pytest.raises(BadInput, match=said):
        check_mark(default_rubric(), "tone", mark)


def test_a_mark_on_the_scale():
    assert check_mark(default_rubric(), "tone", 7.0) == 7
    with pytest.raises(BadInput, match="no caption of this rubric"):
        check_mark(default_rubric(), "charm", 7)


def yardstick(points, measure="pitch.median_abs_cents"):
    return {"yardsticks": {"pitch": {"measure": measure, "points": points}}}


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"combine": "best-of"}, "no way to combine marks"),
        ({"colour": 1}, "has no setting 'colour'"),
        ({"caption_weights": {"charm": 1}}, "which is not among tone"),
        ({"caption_weights": {"tone": -1}}, "must be a number 0 or more"),
        ({"caption_weights": {"tone": 0}}, "at least one must count"),
        ({"caption_weights": [1]}, "must be an object of numbers"),
        ({"measured_weights": {"pitch": 1.5}}, "from 0 to 1"),
        ({"measured_weights": {"pitch": float("nan")}}, "from 0 to 1"),
        ({"piece_weights": {"p9": 1}}, "which is not among p1"),
        ({"tie_chain": "head-to-head"}, "must be a list"),
        ({"tie_chain": ["coin"]}, "is no step of a tie chain"),
        ({"tie_chain": ["caption:charm"]}, "names the caption 'charm'"),
        ({"tie_chain": ["measured", "measured"]}, "twice"),
        ({"tie_chain": ["re-hearing", "measured"]}, "must be the last step"),
        ({"tie_chain": [3]}, "must be a word"),
        ({"tie_scope": "sometimes"}, "tie_scope must be"),
        ({"minimum_total": 12}, "is off the scale"),
        ({"minimum_total": "six"}, "must be a number"),
        (yardstick([[0, 1], [1, 2]], "pitch.charm"), "no measure a yardstick can use"),
        (yardstick([[5, 10]]), "at least two points"),
        (yardstick([[5, 10], [5, 8]]), "must rise"),
        (yardstick([[5, 10], [9, 8], [12, 9]]), "only rise or only fall"),
        (yardstick([[5, 11], [9, 8]]), "off the scale 1 to 10"),
        ({"yardsticks": {"charm": yardstick([[5, 9], [9, 8]])["yardsticks"]["pitch"]}}, "names the caption 'charm'"),
    ],
)
def test_a_broken_rule_is_told_in_a_sentence(values, said):
    with pytest.raises(BadInput, match=said):
        validate_rule(values, default_rubric(), ["p1", "p2"])


def test_an_empty_rule_is_the_plain_mean():
    rule = validate_rule({})
    assert (rule.combine, rule.tie_chain, rule.minimum_total) == ("mean", (), None)


def test_the_rule_sentence_names_everything_declared():
    rule = validate_rule(
        {
            "combine": "median",
            "piece_weights": {"p1": 40, "p2": 40, "p3": 20},
            "caption_weights": {"tone": 1, "pitch": 1, "rhythm": 2, "musicianship": 0},
            "measured_weights": {"pitch": 0.2, "tone": 0},
            "tie_chain": ["caption:musicianship", "head-to-head", "measured", "re-hearing"],
            "tie_scope": "cut-line",
            "minimum_total": 5.5,
        }
    )
    assert rule_sentence(rule, default_rubric(), {"p1": "Étude", "p2": "Scherzo", "p3": "Scale"}) == (
        "Ranked by the middle one of the adjudicators' marks; captions weighted tone 25 %, pitch 25 %, rhythm 50 %, "
        "musicianship 0 %; pieces weighted Étude 40 %, Scherzo 40 %, Scale 20 %; the measured mark counts 20 % of "
        "pitch. A recused adjudicator's cell stays missing and is never counted as zero. Ties across the cut line go "
        "by the merged mark for musicianship, then whom more adjudicators put ahead, then the measured mark, then a "
        "re-hearing; what is tied then stays tied. A seat needs a merged mark of 5.5; below it a seat stays empty."
    )


def test_every_rule_has_a_sentence_for_the_form():
    choices = rule_choices()
    assert [c["key"] for c in choices] == [
        "mean",
        "trimmed-mean",
        "median",
        "rank-sum",
        "majority",
        "severity-adjusted",
    ]
    assert all(c["sentence"][0].isupper() and c["sentence"].endswith(".") for c in choices)


def test_only_the_trimmed_mean_needs_five():
    assert panel_refusal(validate_rule({"combine": "trimmed-mean"}), 4)
    assert panel_refusal(validate_rule({"combine": "trimmed-mean"}), 5) is None
    assert panel_refusal(validate_rule({"combine": "median"}), 1) is None

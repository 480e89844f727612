"""Yardsticks: corner points, intervals, and a reason wherever findings can't carry a mark."""

from dataclasses import replace

import numpy as np
import pytest

from app.domain.findings import Break, Findings, MeasuredNote
from app.domain.panel import MeasuredMark
from app.judging.rule import validate_rule
from app.judging.shares import wilson
from app.judging.yardsticks import (
    default_yardsticks,
    mark_on,
    measured_marks,
    scaled,
    yardstick_sentence,
    yardsticks_in_force,
)


def note(i, cents=None, beats=None, status="played", uncertainty=None):
    return MeasuredNote(
        note_id=f"n{i}", bar=str(i // 4 + 1), beat=float(i % 4 + 1), written_pitch="C5", sounding_midi=70,
        status=status, deviation_cents=cents, deviation_uncertainty_cents=uncertainty, timing_beats=beats,
        timing_ms=None if beats is None else 1000 * beats,
    )  # fmt: skip


def middle(values):
    return float(np.median(np.abs(values))) if len(values) else None


def findings(cents=(), beats=(), *, uncertainty=None, musicianship=None, tone=None, **more):
    count = max(len(cents), len(beats))
    notes = tuple(
        note(i, cents[i] if i < len(cents) else None, beats[i] if i < len(beats) else None, uncertainty=uncertainty)
        for i in range(count)
    )
    made = Findings(
        a4_hz_used=440.0, a4_hz_fitted=440.0, tempo_bpm_fitted=60.0, tempo_bpm_marked=60.0, notes=notes, extra_notes=(),
        breaks=(), warnings=(), algorithm_version="test",
        pitch={"median_abs_cents": middle(cents), "why_null": None if len(cents) else "no steady note"},
        rhythm={"median_abs_beats": middle(beats), "why_null": None if len(beats) else "no pulse"},
        musicianship=musicianship or {"evenness_median": None, "why_null": "no phrase was marked"},
        tone=tone or {"hnr_db": None, "why_null": "too noisy"},
    )  # fmt: skip
    return replace(made, **more)


MEDIAN = validate_rule(
    {
        "yardsticks": {
            "pitch": {"measure": "pitch.median_abs_cents", "points": [[5, 10], [10, 8], [20, 5.5], [35, 3], [50, 1]]},
            "rhythm": {"measure": "rhythm.median_abs_beats", "points": [[0.025, 10], [0.1, 5.5], [0.25, 1]]},
        }
    }
).yardsticks


@pytest.mark.parametrize(("value", "mark"), [(1, 10), (0.85, 8), (0.925, 9), (0.6, 5.5), (0.3, 3), (0.05, 1), (0, 1)])
def test_the_pitch_yardstick_is_piecewise_linear_and_holds_beyond_its_ends(value, mark):
    assert mark_on(default_yardsticks()["pitch"], value) == pytest.approx(mark)


def test_every_note_off_pitch_or_pulse_costs_and_wrong_ones_too():
    sound = findings(cents=[3.0] * 40, beats=[0.01] * 40)
    off = findings(cents=[3.0] * 36 + [25.0] * 4, beats=[0.01] * 36 + [0.2] * 4)
    slip = replace(sound, notes=(*sound.notes[:39], replace(sound.notes[39], status="wrong")))
    gap = replace(sound, notes=(*sound.notes[:39], replace(sound.notes[39], status="omitted", timing_beats=None)))
    best = measured_marks(sound)
    assert (best["pitch"].mark, best["rhythm"].mark) == (10.0, 10.0)
    assert measured_marks(off)["pitch"].value == pytest.approx(0.9)
    assert measured_marks(off)["rhythm"].value == pytest.approx(0.9)
    assert measured_marks(slip)["pitch"].value == pytest.approx(39 / 40)
    assert measured_marks(slip)["rhythm"].value == 1.0
    assert measured_marks(gap)["rhythm"].value == pytest.approx(39 / 40)


def test_short_ties_late_landings_and_breaks_are_misses_of_rhythm():
    made = findings(cents=[3.0] * 40, beats=[0.01] * 40)
    made = replace(
        made,
        rhythm={
            **made.rhythm,
            "held_notes": [{"note_id": "n3", "lost_beats": 0.3}, {"note_id": "n4", "lost_beats": 0.05}],
            "landings": [{"note_id": "n7", "timing_ms": 80.0, "uncertainty_ms": 8.0}],
        },
        breaks=(Break("hesitation", 3.0, "2", "2"),),
    )
    assert measured_marks(made)["rhythm"].value == pytest.approx(38 / 41)


@pytest.mark.parametrize(("hits", "count"), [(0, 12), (7, 12), (12, 12), (69, 74), (300, 500)])
def test_the_interval_of_a_share_against_statsmodels(hits, count):
    """Source: Wilson's score interval as statsmodels computes it (independent library)."""
    from statsmodels.stats.proportion import proportion_confint

    theirs = proportion_confint(hits, count, alpha=0.1, method="wilson")
    assert wilson(hits, count) == pytest.approx(theirs, abs=1e-4)


def test_every_default_runs_over_the_whole_scale_and_names_its_source():
    for ruler in default_yardsticks().values():
        marks = [m for _, m in ruler.points]
        assert {min(marks), max(marks)} == {1.0, 10.0}
        assert "our choice" in ruler.source


def test_a_default_is_stretched_to_another_scale():
    ruler = scaled(default_yardsticks()["pitch"], 0, 100)
    assert [m for _, m in ruler.points] == pytest.approx([0, 2 / 9 * 100, 50, 7 / 9 * 100, 100])
    found = measured_marks(findings(cents=[3.0] * 12 + [20.0] * 8), (0, 100))["pitch"]
    assert found.mark == pytest.approx(50.0)


def test_a_take_with_findings_gets_marks_with_intervals_and_bars():
    rng = np.random.default_rng(0)
    cents = np.append(rng.normal(0, 12, 39), 70.0)
    beats = np.append(rng.normal(0, 0.05, 39), 0.4)
    bump = {"note_id": "n8", "bar": "3", "db": 2.5}
    found = measured_marks(
        findings(
            cents, beats,
            musicianship={
                "evenness_median": 0.6, "phrases": [{"evenness": v, "bumps": [bump]} for v in (0.5, 0.6, 0.8)],
            },
            tone={"hnr_db": 20.0, "cracked": [{"note_id": "n4", "bar": "2", "why": "overblown"}]},
        )
    )  # fmt: skip
    for caption in ("tone", "pitch", "rhythm", "musicianship"):
        mark = found[caption]
        assert mark.why_null is None
        assert 1 <= mark.low <= mark.mark <= mark.high <= 10
        assert mark.low < mark.high
    assert found["pitch"].bars[0] == "10"
    assert found["rhythm"].bars[0] == "10"
    assert found["musicianship"].bars == ("3",)
    assert found["tone"].bars == ("2",)
    assert found["tone"].mark == 9.0


def test_the_interval_narrows_with_more_notes_and_widens_with_their_uncertainty():
    rng = np.random.default_rng(1)
    few, many = rng.normal(0, 15, 16), rng.normal(0, 15, 400)
    width = lambda found: found["pitch"].high - found["pitch"].low  # noqa: E731
    for rulers in (None, MEDIAN):
        assert width(measured_marks(findings(many), (1, 10), rulers)) < width(
            measured_marks(findings(few), (1, 10), rulers)
        )
    assert width(measured_marks(findings(many, uncertainty=8.0), (1, 10), MEDIAN)) > width(
        measured_marks(findings(many, uncertainty=0.5), (1, 10), MEDIAN)
    )


def test_the_interval_of_a_median_covers_nine_times_in_ten():
    # The true median distance of normal deviations with sd 15 is .6745 * 15 cents.
    ruler = MEDIAN["pitch"]
    truth = mark_on(ruler, 0.6745 * 15)
    rng = np.random.default_rng(2)
    held = [
        found.low <= truth <= found.high
        for _ in range(300)
        if (found := measured_marks(findings(rng.normal(0, 15, 40)), (1, 10), MEDIAN)["pitch"])
    ]
    assert 0.85 <= np.mean(held) <= 0.99


def test_reasons_where_there_is_no_mark():
    empty = measured_marks(findings())
    assert {c: m.why_null for c, m in empty.items()} == {
        "tone": "too noisy", "pitch": "no steady note", "rhythm": "no pulse", "musicianship": "no phrase was marked",
    }  # fmt: skip
    assert all(m.mark is None and m.low is None and m.high is None for m in empty.values())
    few = measured_marks(findings(cents=[3.0] * 5))["pitch"]
    assert few.why_null == "only 5 notes could be judged for pitch; 8 are needed"
    assert few.value == 1.0
    gaps = findings(cents=[3.0] * 12, beats=[0.01] * 40)
    assert (
        measured_marks(gaps)["pitch"].why_null
        == "only 12 of 40 notes could be judged for pitch; at least half are needed"
    )


def test_an_unusable_take_gives_its_warning_as_the_reason():
    wrong = findings(cents=[3.0] * 20, usable=False, warnings=("This take is another piece.",))
    assert {m.why_null for m in measured_marks(wrong).values()} == {"This take is another piece."}


def test_a_declared_yardstick_replaces_the_default_of_its_caption_only():
    rule = validate_rule(
        {"yardsticks": {"rhythm": {"measure": "rhythm.median_abs_beats", "points": [[0, 10], [1, 1]]}}}
    )
    force = yardsticks_in_force((1, 10), rule.yardsticks)
    assert force["rhythm"].points == ((0.0, 10.0), (1.0, 1.0))
    assert force["pitch"] == default_yardsticks()["pitch"]
    found = measured_marks(findings(beats=[0.5] * 10), (1, 10), rule.yardsticks)
    assert found["rhythm"].mark == pytest.approx(5.5)


def test_breaks_and_wrong_notes_are_worth_hearing_again():
    made = findings(cents=[5.0] * 12, beats=[0.01] * 12)
    made = replace(
        made,
        notes=(*made.notes[:11], replace(made.notes[11], status="wrong", bar="9")),
        breaks=(Break("restart", 4.0, "7", "5"),),
    )
    found = measured_marks(made)
    assert found["pitch"].bars[0] == "9"
    assert found["rhythm"].bars[0] == "7"


def test_marks_survive_the_way_through_json():
    for caption, mark in measured_marks(findings(cents=[4.0, 8.0] * 10)).items():
        assert MeasuredMark.from_dict(caption, mark.to_dict()) == mark


def test_the_sentence_on_the_score_sheet():
    assert yardstick_sentence(default_yardsticks()["pitch"], "Pitch").startswith(
        "Pitch: share of notes within 10 cents (wrong and left-out ones miss): 5 % give 1, 30 % give 3"
    )


@pytest.mark.parametrize("family", ["pitch", "rhythm", "musicianship", "tone"])
def test_a_measure_that_is_no_ground_for_a_mark_brings_none(family):
    whole = findings(
        [4.0] * 12, [0.02] * 12, musicianship={"evenness_median": 0.6, "why_null": None, "phrases": []},
        tone={"hnr_db": 24.0, "why_null": None},
    )  # fmt: skip
    before = measured_marks(whole)[family]
    said = replace(whole, **{family: {**getattr(whole, family), "why_no_mark": "a figure, and no ground for a mark"}})
    marks = measured_marks(said)
    assert marks[family].mark is None
    assert marks[family].why_null == "a figure, and no ground for a mark"
    assert before.why_null != marks[family].why_null
    others = [m for caption, m in marks.items() if caption != family]
    assert others == [m for caption, m in measured_marks(whole).items() if caption != family]

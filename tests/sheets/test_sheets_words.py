"""Findings in words: what is planted is named with bar, figure and doubt, and called to be practised."""

from dataclasses import replace
from typing import Any

import pytest
from words_examples import TOO_EARLY, called_for, figure, findings, held, only, pair, piece, sentences, tendency

from app.domain.findings import Break
from app.sheets.findings_in_words import chosen, findings_in_words, off_the_pulse
from app.sheets.part_marks import held_left_early, part_marks
from app.sheets.practice import practice_plan
from app.sheets.wording import Style


def test_a_clean_take_is_praised_and_calls_for_nothing() -> None:
    whole = piece()
    found = findings(whole)
    text = sentences(whole, found)
    assert "All 32 notes were there, none wrong." in text
    assert "95 % of the 32 notes" in text
    assert called_for(whole, found) == ()


def test_held_notes_left_early_are_named_with_bars_amount_and_clicks() -> None:
    whole = piece()
    found = findings(whole, rhythm={"held_notes": [held("n0", "1", 0.66), held("n12", "4", 0.7), held("n4", "2", 1.0)]})
    assert [h["bar"] for h in held_left_early(found)] == ["1", "4"]
    assert "Two of three held notes were left early (bars 1 and 4), by about an eighth" in sentences(whole, found)
    exercise = only(practice_plan(whole, found), "subdivision")
    assert exercise.title == "Give tied notes their full length"
    assert exercise.where == "bars 1 and 4"
    # dotted quarter = 54: the eighth goes at 162 (common practice)
    assert "Metronome on 162, one click to the eighth" in exercise.text
    assert "held for 66 to 70 % of the length" in exercise.text


def test_a_held_note_within_its_doubt_is_left_alone() -> None:
    found = findings(piece(), rhythm={"held_notes": [held("n0", "1", 0.9, doubt=0.08)]})
    assert held_left_early(found) == []


def test_a_note_that_began_late_was_not_left_early_and_its_follower_is_explained() -> None:
    whole = piece()
    late = findings(whole, notes={"n0": {"timing_ms": 90.0}}, rhythm={"held_notes": [held("n0", "1", 0.8)]})
    assert held_left_early(late) == []
    early = findings(whole, notes={"n1": {"timing_ms": -200.0}}, rhythm={"held_notes": [held("n0", "1", 0.8)]})
    assert off_the_pulse(whole, early) == []


def test_a_tendency_names_the_note_where_it_is_read_and_the_drone_in_concert_pitch() -> None:
    whole = piece()
    high = {f"n{4 * bar + 1}": {"deviation_cents": 19.0} for bar in (2, 6)}
    found = findings(whole, notes=high, pitch={"tendencies": [tendency("F5", 75, 19.0, count=3, doubt=2.0)]})
    text = sentences(whole, found)
    assert "F on the top line lay 19 cents sharp on the whole, over three notes (give or take 4 cents)" in text
    assert "bars 3 and 7" in text
    exercise = only(practice_plan(whole, found), "drone")
    assert exercise.title == "Bring F down"
    assert exercise.where == "bars 3 and 7"
    assert "How it lies now: F on the top line 19 cents sharp." in exercise.text
    assert "a quiet drone on your D (concert C)" in exercise.text
    # a minor third over its tonic is 15.6 cents wider than the tempered one
    assert "F is the minor third: over the drone it rests 16 cents above what a tuner shows." in exercise.text


def test_a_tendency_inside_its_doubt_is_no_finding() -> None:
    whole = piece()
    found = findings(whole, pitch={"tendencies": [tendency("F5", 75, 15.0, doubt=9.0)]})
    assert "F on the top line" not in sentences(whole, found)


def test_a_return_note_says_both_bars_and_the_cents_between() -> None:
    whole = piece()
    found = findings(whole, pitch={"return_notes": [pair(19.0), pair(4.0)]})
    text = sentences(whole, found)
    assert (
        "The same A on the first ledger line above the staff came back 19 cents higher in bar 6 than in bar 1" in text
    )
    exercise = only(practice_plan(whole, found), "return-note")
    assert exercise.where == "bars 1 and 6"
    assert "19 cents higher after 19 other notes" in exercise.text
    marks = part_marks(whole, found)
    assert [(r.first_engraved_id, r.second_engraved_id, r.text) for r in marks.returns] == [
        ("e2", "e22", "A +19 cents")
    ]


def test_a_chord_member_off_in_both_readings_is_named_with_both() -> None:
    whole = piece()
    found = findings(whole, pitch={"chord_figures": [figure(-32.0, -16.0)]})
    text = sentences(whole, found)
    assert "In the D minor chord in bar 1 the third, F on the top line, lay 32 cents flat of its resting place" in text
    assert "(−16 cents on a tuner)" in text
    exercise = only(practice_plan(whole, found), "chord")
    assert exercise.title == "Build the D minor chord from its root"
    assert "Drone on your D (concert C)" in exercise.text
    mark = part_marks(whole, found).chords[0]
    assert (mark.first_engraved_id, mark.last_engraved_id) == ("e0", "e2")
    assert mark.text == "D minor: F −32 cents just, −16 equal"


@pytest.mark.parametrize(
    "resting",
    [
        figure(-16.0, 0.0),  # on the tuner, off over the root: nobody's fault
        figure(0.0, 16.0),  # rests over its root
        figure(-13.0, 14.0),  # between the two
        figure(-32.0, -32.0, "diminished"),  # has no place to rest
    ],
)
def test_a_chord_member_right_in_either_reading_is_left_alone(resting: dict[str, Any]) -> None:
    whole = piece()
    found = findings(whole, pitch={"chord_figures": [resting]})
    assert part_marks(whole, found).chords == ()
    assert called_for(whole, found) == ()


def test_a_trill_on_the_other_second_is_told_when_it_is_sure() -> None:
    whole = piece()

    def trill(bar: str, written: float, played: float | None, doubt: float | None = 2.0) -> dict[str, Any]:
        return {
            "bar": bar,
            "written_interval_cents": written,
            "interval_cents": played,
            "interval_uncertainty_cents": doubt,
            "rate_hz": None if played is None else 6.0,
            "alternations": None if played is None else 9,
        }

    former = {k: v for k, v in trill("2", 100.0, 200.0).items() if not k.startswith("written")}
    right = [
        former,
        trill("2", 200.0, 185.0),
        trill("2", -100.0, -118.0),
        trill("3", 100.0, None),
        trill("3", 200.0, 90.0, 40.0),
        trill("4", 400.0, 310.0),
    ]
    assert not any("trill" in s for s in sentences(whole, findings(whole, rhythm={"trills": right})))
    wide = [trill("3", 100.0, 204.0), trill("2", -100.0, -190.0)]
    found = findings(whole, rhythm={"trills": [*right, *wide, trill("4", 200.0, 95.0)]})
    assert (
        "The trills in bars 2 and 3 were each a whole step; a half step is written. "
        "The trill in bar 4 was a half step; a whole step is written. Look at the key and at the signs above the note."
    ) in sentences(whole, found)
    british = [f.sentence for f in findings_in_words(whole, found, Style(note_names="british"))]
    assert any("was a semitone; a tone is written." in text for text in british)
    still = {**trill("3", 100.0, None), "alternations": 0}
    text = sentences(whole, findings(whole, rhythm={"trills": [*right, still]}))
    assert "Where a trill is written in bar 3, the pitch hardly changed." in text
    assert "signs above" not in text


def test_a_late_landing_is_practised_without_then_with_the_ornament_up_to_the_mark() -> None:
    whole = piece()
    landing = {
        "note_id": "n9",
        "bar": "3",
        "after": "trill",
        "ornament_note_id": "n8",
        "timing_ms": 70.0,
        "uncertainty_ms": 6.0,
    }
    found = findings(whole, notes={"n9": {"timing_ms": 70.0}}, rhythm={"landings": [landing]})
    assert "The note after the trill in bar 3 came 70 ms late (give or take 12 ms)." in sentences(whole, found)
    exercise = only(practice_plan(whole, found), "ornament")
    assert "Leave the trill out" in exercise.text
    assert exercise.text.rstrip(".").endswith("162")
    assert "130 to the eighth" in exercise.text  # four fifths of the mark


def test_wrong_and_missing_notes_give_a_ladder_from_the_fastest_clean_bar_to_the_mark() -> None:
    whole = piece()
    slow = {"tempo_curve": [[1.0, 46.0], [30.0, 46.0]]}
    found = findings(
        whole, notes={"n20": {"status": "wrong", "heard_midi": 71}, "n21": {"status": "omitted"}}, rhythm=slow
    )
    text = sentences(whole, found)
    assert "Of 32 notes one note was another pitch than written (bar 6), one was left out (bar 6)." in text
    exercise = only(practice_plan(whole, found), "tempo-ladder")
    assert exercise.where == "bar 6"
    assert "went at 46" in exercise.text
    assert "dotted quarter = 46" in exercise.text
    assert exercise.text.index("then up: ") < exercise.text.index("54")
    marks = {h.engraved_id: h for h in part_marks(whole, found).heads}
    # 71 sounding is 73 as a B-flat clarinet reads it, spelled C sharp in a key of one flat
    assert marks["e20"].heard == "C♯"
    assert (marks["e21"].status, marks["e21"].cents) == ("omitted", None)


def test_breaks_are_told_in_order_and_marked_after_the_last_note_before_them() -> None:
    whole = piece()
    at = 1.0 + 9.4 * whole.tempo_marks[0].quarter_sec
    found = findings(whole, breaks=(Break("restart", at, "4", "2"), Break("hesitation", 90.0, "8", "8")))
    assert "You went back from bar 4 to bar 2 and you stopped in bar 8." in sentences(whole, found)
    marks = part_marks(whole, found)
    assert [(b.after_engraved_id, b.text) for b in marks.breaks] == [("e12", "back to bar 2"), ("e31", "stopped here")]


def test_a_peak_beside_the_mark_and_a_bump_call_for_shaping() -> None:
    whole = piece()
    found = findings(whole, musicianship={"phrases": [TOO_EARLY]})
    text = sentences(whole, found)
    assert "was loudest in bar 2, 3 beats too early; its peak is the A in bar 3." in text
    exercise = only(practice_plan(whole, found), "phrase-arc")
    assert exercise.where == "bars 1 to 4"
    assert "growing to the A in bar 3" in exercise.text
    assert "4 dB" in exercise.text
    marks = part_marks(whole, found)
    assert (marks.phrases[0].peak_engraved_id, marks.phrases[0].loudest_engraved_id) == ("e10", "e4")
    guessed = findings(whole, musicianship={"phrases": [{**TOO_EARLY, "guessed": True, "bumps": []}]})
    assert part_marks(whole, guessed).phrases[0].peak_engraved_id is None
    assert called_for(whole, guessed) == ()


def test_drift_calls_for_the_small_beats_and_a_drift_inside_its_doubt_does_not() -> None:
    whole = piece()
    sure = findings(whole, rhythm={"drift_percent_per_min": {"value": 12.0, "low": 8.0, "high": 16.0}})
    assert "The tempo grew faster by 12 % a minute (between 8 and 16)." in sentences(whole, sure)
    exercise = only(practice_plan(whole, sure), "pulse")
    assert "Dotted quarter = 54 means clicks at 162 a minute, one to each eighth." in exercise.text
    unsure = findings(whole, rhythm={"drift_percent_per_min": {"value": 5.0, "low": -1.0, "high": 11.0}})
    assert called_for(whole, unsure) == ()


def test_what_cant_be_judged_says_why() -> None:
    whole = piece()
    found = findings(
        whole,
        pitch={"median_abs_cents": None, "why_null": "too few steady notes"},
        rhythm={"median_abs_ms": None, "why_null": "no pulse could be fitted"},
        musicianship={"why_null": "no phrases are marked"},
    )
    text = sentences(whole, found)
    assert "Pitch could not be judged: too few steady notes." in text
    assert "Timing could not be judged: no pulse could be fitted." in text
    assert "Loudness could not be judged: no phrases are marked." in text
    unusable = replace(found, usable=False, warnings=("This is a take of something else.",))
    assert findings_in_words(whole, unusable) == ()
    assert practice_plan(whole, unusable) == ()


def test_every_family_speaks_before_one_speaks_twice() -> None:
    whole = piece()
    found = findings(
        whole,
        pitch={"tendencies": [tendency("F5", 75, 40.0)], "return_notes": [pair(39.0)]},
        rhythm={"held_notes": [held("n0", "1", 0.8)]},
    )
    picked = chosen(findings_in_words(whole, found), 3)
    assert len({f.family for f in picked}) == 3


def test_of_repeated_bars_the_first_time_is_shown() -> None:
    whole = piece(repeats=True)
    found = findings(whole, notes={"n17": {"deviation_cents": 30.0}, "n1": {"deviation_cents": -20.0}})
    marks = {h.engraved_id: h.cents for h in part_marks(whole, found).heads}
    assert len(marks) == 16
    assert marks["e1"] == -20.0

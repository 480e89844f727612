"""The practice plan: every kind of exercise against known truth, each with its bars, figures and settings."""

import re
from dataclasses import replace

import pytest
from words_examples import TOO_EARLY, called_for, figure, findings, held, only, pair, phrase, piece, sentences, tendency

from app.domain.findings import Break, Findings
from app.domain.piece import Piece, TempoMark
from app.sheets.drone import JUST_OFFSETS
from app.sheets.models import Exercise
from app.sheets.practice import first_three, practice_plan
from app.sheets.wording import Style


def test_a_clean_take_still_gets_three_gentle_things_that_say_nothing_was_wrong() -> None:
    whole = piece()
    phrases = [
        {"start_note_id": "n0", "end_note_id": "n15", "bar_first": "1", "bar_last": "4", "evenness": 0.9},
        {"start_note_id": "n16", "end_note_id": "n31", "bar_first": "5", "bar_last": "8", "evenness": 0.6},
    ]
    found = findings(
        whole,
        pitch={"tendencies": [tendency("F5", 75, 6.0), tendency("A5", 79, -8.0)]},
        musicianship={"phrases": phrases},
    )
    drone, tempo, phrase = practice_plan(whole, found)
    assert (
        "Nothing lay clearly off; A on the first ledger line above the staff came nearest to it (−8 cents)"
        in drone.text
    )
    assert "dotted quarter = 54, 58" in tempo.text
    assert phrase.where == "bars 5 to 8"
    assert max(e.weight for e in (drone, tempo, phrase)) < 0.1  # never before what a finding calls for
    held_early = findings(whole, rhythm={"held_notes": [held("n0", "1", 0.7)]})
    assert practice_plan(whole, held_early)[0].kind == "subdivision"


def test_a_seventh_gets_a_drone_of_its_own_name() -> None:
    whole = piece()
    found = findings(whole, pitch={"tendencies": [tendency("C6", 82, -20.0)]})
    exercise = only(practice_plan(whole, found), "drone")
    assert exercise.title == "Bring C up"
    assert "For C set the drone to your C (concert B-flat) itself" in exercise.text


def test_three_exercises_of_different_kinds_over_all_pieces() -> None:
    def exercise(kind: str, weight: float, title: str = "") -> Exercise:
        return Exercise(kind, title or kind, "bar 1", "Do it.", weight)

    plans = (
        (exercise("drone", 5.0), exercise("pulse", 1.0)),
        (exercise("drone", 4.0, "another"), exercise("return-note", 3.0)),
    )
    assert [e.kind for e in first_three(plans)] == ["drone", "return-note", "pulse"]
    assert [e.title for e in first_three(((exercise("drone", 5.0),), (exercise("drone", 4.0, "b"),)))] == ["drone", "b"]
    assert first_three(()) == ()


def in_metre(beats: int, beat_type: int, felt: float, unit: float, per_minute: float) -> Piece:
    """The eight bars with another metre and mark; their notes stay where they were."""
    whole = piece()
    bars = tuple(replace(bar, beats=beats, beat_type=beat_type, felt_beat_quarters=felt) for bar in whole.bars)
    return replace(whole, bars=bars, tempo_marks=(TempoMark(0.0, unit, per_minute),))


@pytest.mark.parametrize(
    ("whole", "setting"),
    [
        # common practice: a dotted beat goes in three, a plain one in two
        (in_metre(6, 8, 1.5, 1.5, 54.0), "Dotted quarter = 54 means clicks at 162 a minute, one to each eighth."),
        (in_metre(9, 8, 1.5, 1.5, 60.0), "Dotted quarter = 60 means clicks at 180 a minute, one to each eighth."),
        (in_metre(3, 4, 1.0, 1.0, 76.0), "Quarter = 76 means clicks at 152 a minute, one to each eighth."),
        (in_metre(2, 2, 2.0, 2.0, 60.0), "Half note = 60 means clicks at 120 a minute, one to each quarter."),
        # twice 132 runs off a pendulum metronome
        (in_metre(4, 4, 1.0, 1.0, 132.0), "Quarter = 132 means clicks at 132 a minute, one to each quarter."),
        (in_metre(6, 8, 1.5, 0.5, 144.0), "Eighth = 144 means clicks at 144 a minute, one to each eighth."),
    ],
)
def test_the_subdivision_is_set_to_the_metre(whole: Piece, setting: str) -> None:
    faster = findings(whole, rhythm={"drift_percent_per_min": {"value": 12.0, "low": 8.0, "high": 16.0}})
    exercise = only(practice_plan(whole, faster), "pulse")
    assert setting in exercise.text
    assert "You grew faster by 12 % a minute." in exercise.text
    assert exercise.where == "the whole piece"
    # held notes get the very same clicks
    clicks, unit = re.search(r"at (\d+) a minute, one to each (.+)\.", setting).groups()  # type: ignore[union-attr]
    long = only(practice_plan(whole, findings(whole, rhythm={"held_notes": [held("n12", "4", 0.7)]})), "subdivision")
    assert f"Metronome on {clicks}, one click to the {unit}:" in long.text
    assert long.where == "bar 4"


def test_notes_off_the_pulse_are_counted_and_placed() -> None:
    whole = piece()
    late = {name: {"timing_ms": ms} for name, ms in (("n6", -80.0), ("n7", -60.0), ("n22", 70.0))}
    exercise = only(practice_plan(whole, findings(whole, notes=late)), "pulse")
    assert "3 notes lay 40 ms or more off your pulse, 2 of them early." in exercise.text
    assert exercise.where == "bars 2 and 6"


@pytest.mark.parametrize(
    ("curve", "wrong", "where", "begins", "steps"),
    [
        # the fastest clean bar went at 46: begin there
        (46.0, ("n20", "n21"), "bar 6", "(bar 1) went at 46: begin there", (46, 50, 54)),
        # others are clean at the mark: four fifths of it
        (54.0, ("n20", "n24"), "bars 6 to 7", "clean at the marked tempo (bar 1)", (43, 46, 48, 51, 54)),
        # nothing was clean: seven tenths of it
        (
            54.0,
            tuple(f"n{4 * bar}" for bar in range(8)),
            "bars 1 to 3",
            "No bar was clean yet",
            (38, 41, 44, 48, 51, 54),
        ),
    ],
)
def test_the_tempo_ladder_begins_at_the_fastest_clean_tempo_and_ends_at_the_mark(
    curve: float, wrong: tuple[str, ...], where: str, begins: str, steps: tuple[int, ...]
) -> None:
    whole = piece()
    found = findings(
        whole,
        notes={name: {"status": "wrong", "heard_midi": 71} for name in wrong},
        rhythm={"tempo_curve": [[1.0, curve], [30.0, curve]]},
    )
    exercise = only(practice_plan(whole, found), "tempo-ladder")
    assert exercise.where == where
    assert begins in exercise.text
    first, later = re.search(r"dotted quarter = (\d+)\. Twice .* then up: ([\d, ]+)\.", exercise.text).groups()  # type: ignore[union-attr]
    assert (int(first), *(int(step) for step in later.split(", "))) == steps
    assert "stop after ten minutes" in exercise.text


def test_breaks_and_uneven_runs_call_for_the_ladder_at_their_bars() -> None:
    whole = piece()
    broken = findings(whole, breaks=(Break("restart", 20.0, "5", "4"),))
    assert only(practice_plan(whole, broken), "tempo-ladder").where == "bar 5"
    uneven = findings(whole, rhythm={"runs": [{"bar_first": "3", "bar_last": "3", "evenness_percent": 31.0}]})
    assert only(practice_plan(whole, uneven), "tempo-ladder").where == "bar 3"


@pytest.mark.parametrize(
    ("semitones", "written", "name", "degree"),
    [
        (3, "F5", "F", "minor third"),
        (4, "F#5", "F♯", "major third"),
        (8, "Bb5", "B♭", "minor sixth"),
        (9, "B5", "B", "major sixth"),
    ],
)
def test_the_drone_says_where_each_degree_rests(semitones: int, written: str, name: str, degree: str) -> None:
    whole = piece()
    found = findings(whole, pitch={"tendencies": [tendency(written, 70, 20.0)]})
    text = only(practice_plan(whole, found), "drone").text
    offset = JUST_OFFSETS[semitones]  # from the ratios, checked in test_sheets_wording
    way = "above" if offset > 0 else "below"
    assert f"{name} is the {degree}: over the drone it rests {abs(offset):.0f} cents {way} what a tuner shows." in text
    assert f"Hold {name} against it for two slow breaths, moving down until the beating stops." in text


def test_several_notes_are_tuned_together_and_what_never_rests_by_itself() -> None:
    whole = piece()
    flat = {f"n{4 * bar + k}": {"deviation_cents": -20.0} for bar in (1, 4) for k in (1, 2)}
    off = [tendency("F5", 75, -22.0), tendency("A5", 79, -18.0)]
    both = only(practice_plan(whole, findings(whole, notes=flat, pitch={"tendencies": off})), "drone")
    assert both.title == "Bring F and A up"
    assert both.where == "bars 2 and 5"
    assert (
        "How they lie now: F on the top line 22 cents flat and A on the first ledger line above the staff "
        "18 cents flat. Set a quiet drone on your D (concert C). Hold each of these notes against it" in both.text
    )
    mixed = [*off, tendency("C6", 82, -15.0)]
    text = only(practice_plan(whole, findings(whole, pitch={"tendencies": mixed})), "drone").text
    assert "Hold F and A against it" in text
    assert "For C set the drone to your C (concert B-flat) itself" in text
    nobody_said = replace(whole, tonic_written=None)
    assert (
        "(read from the key signature)"
        in only(practice_plan(nobody_said, findings(whole, pitch={"tendencies": off})), "drone").text
    )


@pytest.mark.parametrize(
    ("cents", "bars", "between", "where", "said"),
    [
        (19.0, ("1", "6"), 19, "bars 1 and 6", "It came back 19 cents higher after 19 other notes."),
        (-14.0, ("3", "3"), 1, "bar 3", "It came back 14 cents lower after one other note."),
    ],
)
def test_the_return_note_is_found_again_in_the_very_bars(
    cents: float, bars: tuple[str, str], between: int, where: str, said: str
) -> None:
    whole = piece()
    one = {**pair(cents), "bar_first": bars[0], "bar_second": bars[1], "notes_between": between}
    exercise = only(practice_plan(whole, findings(whole, pitch={"return_notes": [one]})), "return-note")
    assert exercise.title == "Find the same A again"
    assert exercise.where == where
    assert exercise.text.startswith(said)


@pytest.mark.parametrize(
    ("after", "words", "back"),
    [
        ("trill", "Leave the trill out", "Put it back in"),
        ("turn", "Leave the turn out", "Put it back in"),
        ("grace", "Leave the grace notes out", "Put them back in"),
    ],
)
def test_an_ornament_is_practised_without_it_then_with_it_at_the_same_speed_then_up(
    after: str, words: str, back: str
) -> None:
    whole = piece()
    landings = [
        {"note_id": note, "bar": bar, "after": after, "ornament_note_id": "n8", "timing_ms": ms, "uncertainty_ms": 5.0}
        for note, bar, ms in (("n9", "3", 70.0), ("n21", "6", 55.0))
    ]
    exercise = only(practice_plan(whole, findings(whole, rhythm={"landings": landings})), "ornament")
    assert exercise.where == "bars 3 and 6"
    assert exercise.text.startswith(f"It came 70 ms late. {words}: plain note, then the next one, at 130 to the eighth")
    assert exercise.text.index(words) < exercise.text.index(back)
    steps = [int(s) for s in exercise.text.rpartition("then ")[2].rstrip(".").split(", ")]
    assert steps == sorted(steps)
    assert (steps[0] > 130, steps[-1]) == (True, 162)  # dotted quarter = 54: the eighth goes at 162


def test_the_phrase_with_the_most_bumps_is_shaped_towards_its_marked_peak() -> None:
    whole = piece()
    first = phrase()
    second = {
        **first,
        "start_note_id": "n16",
        "end_note_id": "n31",
        "bar_first": "5",
        "bar_last": "8",
        "peak_marked_note_id": "n26",
        "loudest_note_id": "n26",
        "loudest_bar": "7",
        "bumps": [{"note_id": "n22", "bar": "6", "db": -3.6}, {"note_id": "n29", "bar": "8", "db": 2.0}],
    }
    exercise = only(practice_plan(whole, findings(whole, musicianship={"phrases": [first, second]})), "phrase-arc")
    assert exercise.where == "bars 5 to 8"
    assert exercise.text.startswith("A note in bar 6 fell away by 4 dB.")
    assert "growing to the A in bar 7 and then letting go" in exercise.text


def test_a_marked_peak_that_stands_out_is_no_bump() -> None:
    whole = piece()
    stands_out = phrase(bumps=[{"note_id": "n10", "bar": "3", "db": 2.4}])
    found = findings(whole, musicianship={"phrases": [stands_out]})
    assert called_for(whole, found) == ()
    assert "stood out" not in sentences(whole, found)
    fades = phrase(bumps=[{"note_id": "n10", "bar": "3", "db": -4.0}])
    fell = findings(whole, musicianship={"phrases": [fades]})
    assert "fell away by 4 dB" in only(practice_plan(whole, fell), "phrase-arc").text


def test_a_start_that_cracked_is_practised_softly_in_its_bar() -> None:
    whole = piece()
    found = findings(whole, tone={"cracked": [{"note_id": "n18", "bar": "5"}]})
    exercise = only(practice_plan(whole, found), "start")
    assert exercise.where == "bar 5"
    assert "start A on the first ledger line above the staff on air alone" in exercise.text


def test_british_names_are_used_throughout() -> None:
    whole = piece()
    found = findings(
        whole,
        notes={"n20": {"status": "wrong", "heard_midi": 71}},
        rhythm={
            "held_notes": [held("n0", "1", 0.66)],
            "drift_percent_per_min": {"value": 12.0, "low": 8.0, "high": 16.0},
        },
    )
    text = " ".join(e.text for e in practice_plan(whole, found, Style(note_names="british")))
    assert "one click to the quaver" in text
    assert "dotted crotchet = " in text
    assert not re.search("eighth|quarter", text)


def everything_off(whole: Piece) -> Findings:
    """A take that calls for every kind of exercise at once."""
    landing = {"note_id": "n9", "bar": "3", "after": "trill", "ornament_note_id": "n8", "timing_ms": 70.0}
    return findings(
        whole,
        notes={"n20": {"status": "wrong", "heard_midi": 71}, "n25": {"deviation_cents": 19.0}},
        pitch={
            "tendencies": [tendency("F5", 75, 19.0, doubt=2.0)],
            "return_notes": [pair(19.0)],
            "chord_figures": [figure(-32.0, -16.0)],
        },
        rhythm={
            "held_notes": [held("n0", "1", 0.66)],
            "landings": [{**landing, "uncertainty_ms": 6.0}],
            "drift_percent_per_min": {"value": 12.0, "low": 8.0, "high": 16.0},
        },
        musicianship={"phrases": [TOO_EARLY]},
        tone={"cracked": [{"note_id": "n18", "bar": "5"}]},
    )


def test_every_exercise_says_which_bars_and_ends_by_itself() -> None:
    whole = piece()
    plan = practice_plan(whole, everything_off(whole))
    assert {e.kind for e in plan} == {
        *("subdivision", "drone", "chord", "return-note", "ornament", "tempo-ladder", "pulse", "phrase-arc", "start")
    }
    numbers = {bar.number for bar in whole.bars}
    for exercise in plan:
        named = re.findall(r"\d+", exercise.where)
        assert named or exercise.where == "the whole piece", exercise
        assert set(named) <= numbers
        assert exercise.text.endswith(".")
        assert "until it is correct" not in exercise.text
        assert all(part[:1].isupper() for part in re.split(r"(?<=[.?!]) ", exercise.text)), exercise.text

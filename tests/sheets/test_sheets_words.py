"""Findings in words and the practice plan: what is planted is named with bar, figure and doubt."""

import itertools
import math
import re
from dataclasses import replace
from typing import Any

import pytest

from app.domain.findings import Break, Findings, MeasuredNote
from app.domain.piece import Bar, Ornament, Piece, PieceNote, TempoMark
from app.files.engraving import engrave
from app.files.notation_writing import to_musicxml
from app.material.laying_out import with_heads
from app.sheets.drone import JUST_OFFSETS, drone_tonic
from app.sheets.findings_in_words import chosen, findings_in_words, off_the_pulse
from app.sheets.models import Exercise
from app.sheets.part_marks import held_left_early, part_marks
from app.sheets.practice import first_three, practice_plan
from app.sheets.tempo_ladder import click, fastest_clean_bpm, ladder
from app.sheets.wording import (
    Style,
    bars_text,
    clef_bottom_line,
    note_text,
    page_bottom_line,
    part_of_beat,
    pitch_text,
    places_text,
    signed,
    sounding_class,
    spoken_class,
    value_name,
)

# Eight bars of 6/8 in D minor for a B-flat clarinet, dotted quarter = 54: per bar a dotted quarter and three eighths.
PITCHES = ("D5", 74), ("F5", 77), ("A5", 81), ("Bb5", 82)


def piece(*, repeats: bool = False) -> Piece:
    bars, notes = [], []
    for index in range(8):
        number = index + 1
        second = repeats and index >= 4
        bars.append(
            Bar(index, str(number - 4 if second else number), 3.0 * index, 3.0, 6, 8, 1.5, -1, 2 if second else 1)
        )
        for k, (name, midi) in enumerate(PITCHES):
            engraved = 4 * (index - 4 if second else index) + k
            notes.append(
                PieceNote(
                    note_id=f"n{4 * index + k}",
                    bar=bars[-1].number,
                    bar_index=index,
                    beat=1.0 if k == 0 else 2.0 + (k - 1) / 3,
                    onset_quarters=3.0 * index + (0.0 if k == 0 else 1.5 + 0.5 * (k - 1)),
                    length_quarters=1.5 if k == 0 else 0.5,
                    written_pitch=name,
                    written_midi=midi,
                    sounding_midi=midi - 2,
                    ornament=Ornament("trill", (midi,)) if (index, k) == (2, 0) else None,
                    tied=k == 0,
                    engraved_ids=(f"e{engraved}",),
                )
            )
    return Piece(
        title="Test",
        instrument="clarinet-bb",
        transposition_semitones=-2,
        notes=tuple(notes),
        bars=tuple(bars),
        tempo_marks=(TempoMark(0.0, 1.5, 54.0),),
        tonic_written="D",
        mode="minor",
    )


def findings(whole: Piece, **changes: Any) -> Findings:
    """A clean take at the mark; ``notes`` changes single notes, the families' keys are merged in."""
    changed_notes: dict[str, dict[str, Any]] = changes.pop("notes", {})
    quarter = whole.tempo_marks[0].quarter_sec
    notes = []
    for n in whole.notes:
        fields: dict[str, Any] = {
            "note_id": n.note_id,
            "bar": n.bar,
            "beat": n.beat,
            "written_pitch": n.written_pitch,
            "sounding_midi": n.sounding_midi,
            "status": "played",
            "onset_sec": 1.0 + n.onset_quarters * quarter,
            "offset_sec": 1.0 + (n.onset_quarters + n.length_quarters) * quarter,
            "heard_midi": n.sounding_midi,
            "deviation_cents": 1.0,
            "deviation_uncertainty_cents": 1.0,
            "timing_ms": 0.0,
            "timing_beats": 0.0,
            "level_db": -20.0,
        }
        notes.append(MeasuredNote(**{**fields, **changed_notes.get(n.note_id, {})}))
    families: dict[str, dict[str, Any]] = {
        "pitch": {"median_abs_cents": 3.0, "share_within_10": 0.95, "notes_judged": 32, "mean_cents": 1.0},
        "rhythm": {"median_abs_ms": 8.0, "tempo_curve": [[1.0, 54.0], [20.0, 54.0]]},
        "musicianship": {"phrases": []},
        "tone": {"cracked": []},
    }
    for family in families:
        families[family].update(changes.pop(family, {}))
    return Findings(
        a4_hz_used=440.0,
        a4_hz_fitted=440.2,
        tempo_bpm_fitted=54.0,
        tempo_bpm_marked=54.0,
        notes=tuple(notes),
        extra_notes=(),
        warnings=(),
        algorithm_version="test",
        **{"breaks": (), **families, **changes},
    )


def held(note_id: str, bar: str, ratio: float, doubt: float = 0.01) -> dict[str, Any]:
    return {
        "note_id": note_id,
        "bar": bar,
        "written_pitch": "D5",
        "notated_beats": 1.0,
        "heard_beats": ratio,
        "ratio": ratio,
        "lost_beats": 1.0 - ratio,
        "uncertainty_ratio": doubt,
    }


def tendency(pitch: str, midi: int, cents: float, count: int = 8, doubt: float = 1.5) -> dict[str, Any]:
    return {
        "written_pitch": pitch,
        "sounding_midi": midi,
        "median_cents": cents,
        "count": count,
        "uncertainty_cents": doubt,
    }


def pair(cents: float, doubt: float = 1.5) -> dict[str, Any]:
    return {
        "first_note_id": "n2",
        "second_note_id": "n22",
        "written_pitch": "A5",
        "bar_first": "1",
        "bar_second": "6",
        "cents": cents,
        "uncertainty_cents": doubt,
        "notes_between": 19,
        "sec_between": 9.0,
    }


def only(plan: tuple[Exercise, ...], kind: str) -> Exercise:
    found = [e for e in plan if e.kind == kind]
    assert len(found) == 1, [e.kind for e in plan]
    return found[0]


def called_for(whole: Piece, found: Findings) -> tuple[Exercise, ...]:
    """The exercises that a finding calls for, without the gentle ones."""
    return tuple(e for e in practice_plan(whole, found) if e.weight > 0.1)


def sentences(whole: Piece, found: Findings) -> str:
    return " ".join(f.sentence for f in findings_in_words(whole, found))


def test_a_clean_take_is_praised_and_calls_for_nothing() -> None:
    whole = piece()
    found = findings(whole)
    text = sentences(whole, found)
    assert "All 32 notes were there, none wrong." in text
    assert "95 % of the 32 notes" in text
    assert called_for(whole, found) == ()


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
    assert "66 to 70 % of the length" in exercise.text


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
    assert "F on the top line +19" in exercise.text
    assert "a quiet drone on your D (concert C)" in exercise.text
    # a minor third over its tonic is 15.6 cents wider than the tempered one
    assert "F is the minor third: over the drone it rests 16 cents above what a tuner shows." in exercise.text


def test_a_seventh_gets_a_drone_of_its_own_name() -> None:
    whole = piece()
    found = findings(whole, pitch={"tendencies": [tendency("C6", 82, -20.0)]})
    exercise = only(practice_plan(whole, found), "drone")
    assert exercise.title == "Bring C up"
    assert "For C set the drone to your C (concert B-flat) itself" in exercise.text


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
    assert [(r.first_engraved_id, r.second_engraved_id, r.text) for r in marks.returns] == [("e2", "e22", "A +19")]


def figure(just: float, equal: float, quality: str = "minor") -> dict[str, Any]:
    members = (("n0", "D5", 1, 0.0, 0.0), ("n1", "F5", 3, just, equal), ("n2", "A5", 5, -1.0, 1.0))
    return {
        "note_ids": ["n0", "n1", "n2"],
        "bar_first": "1",
        "bar_last": "1",
        "name": f"D {quality}",
        "root_written": "D",
        "quality": quality,
        "notes": [
            {"note_id": i, "written_pitch": p, "degree": d, "just_cents": j, "equal_cents": e, "uncertainty_cents": 1.0}
            for i, p, d, j, e in members
        ],
    }


def test_a_chord_member_off_in_both_readings_is_named_with_both() -> None:
    whole = piece()
    found = findings(whole, pitch={"chord_figures": [figure(-32.0, -16.0)]})
    text = sentences(whole, found)
    assert "In the D minor chord in bar 1 the third, F on the top line, lay 32 cents flat of its resting place" in text
    assert "(−16 on a tuner)" in text
    exercise = only(practice_plan(whole, found), "chord")
    assert exercise.title == "Build the D minor chord from its root"
    assert "Drone on your D (concert C)" in exercise.text
    mark = part_marks(whole, found).chords[0]
    assert (mark.first_engraved_id, mark.last_engraved_id) == ("e0", "e2")
    assert mark.text == "D minor: F −32 just, −16 equal"


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
    phrase = {
        "start_note_id": "n0",
        "end_note_id": "n15",
        "bar_first": "1",
        "bar_last": "4",
        "guessed": False,
        "peak_marked_note_id": "n10",
        "loudest_note_id": "n4",
        "loudest_bar": "2",
        "peak_distance_beats": -3.0,
        "bumps": [{"note_id": "n6", "bar": "2", "db": 4.2}],
    }
    found = findings(whole, musicianship={"phrases": [phrase]})
    text = sentences(whole, found)
    assert "was loudest in bar 2, 3 beats too early; its peak is the A in bar 3." in text
    exercise = only(practice_plan(whole, found), "phrase-arc")
    assert exercise.where == "bars 1 to 4"
    assert "growing to the A in bar 3" in exercise.text
    assert "4 dB" in exercise.text
    marks = part_marks(whole, found)
    assert (marks.phrases[0].peak_engraved_id, marks.phrases[0].loudest_engraved_id) == ("e10", "e4")
    guessed = findings(whole, musicianship={"phrases": [{**phrase, "guessed": True, "bumps": []}]})
    assert part_marks(whole, guessed).phrases[0].peak_engraved_id is None
    assert called_for(whole, guessed) == ()


def test_drift_calls_for_the_small_beats_and_a_drift_inside_its_doubt_does_not() -> None:
    whole = piece()
    sure = findings(whole, rhythm={"drift_percent_per_min": {"value": 12.0, "low": 8.0, "high": 16.0}})
    assert "The tempo grew faster by 12 % a minute (between 8 and 16)." in sentences(whole, sure)
    exercise = only(practice_plan(whole, sure), "pulse")
    assert "Dotted quarter = 54 means clicks at 162 to the eighth" in exercise.text
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


def test_of_repeated_bars_the_first_time_is_shown() -> None:
    whole = piece(repeats=True)
    found = findings(whole, notes={"n17": {"deviation_cents": 30.0}, "n1": {"deviation_cents": -20.0}})
    marks = {h.engraved_id: h.cents for h in part_marks(whole, found).heads}
    assert len(marks) == 16
    assert marks["e1"] == -20.0


@pytest.mark.parametrize(
    ("unit", "number", "beat", "quarters", "clicks"),
    [
        (1.5, 54.0, 1.5, 0.5, 162.0),  # dotted quarter = 54: eighth 162 (common practice)
        (1.0, 76.0, 1.0, 0.5, 152.0),
        (1.0, 132.0, 1.0, 1.0, 132.0),  # 264 is off a pendulum metronome's scale
        (2.0, 60.0, 2.0, 1.0, 120.0),
        (0.5, 96.0, 1.5, 0.5, 96.0),  # eighth = 96 in 6/8
        (3.0, 40.0, 3.0, 1.0, 120.0),
    ],
)
def test_the_click_fits_the_metre(unit: float, number: float, beat: float, quarters: float, clicks: float) -> None:
    whole = piece()
    bars = tuple(replace(bar, felt_beat_quarters=beat) for bar in whole.bars)
    pace = click(replace(whole, bars=bars, tempo_marks=(TempoMark(0.0, unit, number),)))
    assert (pace.click_quarters, pace.clicks_per_minute) == (quarters, clicks)


def test_the_ladder_climbs_from_start_to_goal_in_whole_numbers() -> None:
    for start, goal in ((40, 60), (58, 60), (30, 200), (60, 60), (90, 60)):
        steps = ladder(start, goal)
        assert steps[-1] == goal
        assert 2 <= len(steps) <= 6
        assert all(b > a for a, b in itertools.pairwise(steps))
        assert all(s == int(s) for s in steps)


def test_the_fastest_clean_bar_is_the_fastest_not_the_first() -> None:
    whole = piece()
    curve = [[1.0 + 3.0 * i * whole.tempo_marks[0].quarter_sec, 44.0 + i] for i in range(8)]
    wrong_last = findings(whole, notes={"n28": {"status": "wrong"}}, rhythm={"tempo_curve": curve})
    assert fastest_clean_bpm(whole, wrong_last) == (50.0, "7")
    none = findings(whole, notes={n.note_id: {"status": "omitted"} for n in whole.notes})
    assert fastest_clean_bpm(whole, none) is None


@pytest.mark.parametrize(
    ("semitones", "ratio"), [(3, 6 / 5), (4, 5 / 4), (5, 4 / 3), (7, 3 / 2), (8, 8 / 5), (9, 5 / 3)]
)
def test_just_intervals_are_their_ratios(semitones: int, ratio: float) -> None:
    assert JUST_OFFSETS[semitones] == pytest.approx(1200 * math.log2(ratio) - 100 * semitones, abs=0.05)


def test_a_drone_is_read_from_key_and_last_note_when_nobody_marked_it() -> None:
    whole = replace(piece(), tonic_written=None)
    assert drone_tonic(whole) == ("F", True)
    last = replace(whole.notes[-1], written_pitch="D5")
    assert drone_tonic(replace(whole, notes=(*whole.notes[:-1], last))) == ("D", True)
    assert drone_tonic(piece()) == ("D", False)


@pytest.mark.parametrize(
    ("written", "instrument", "text"),
    [
        ("B4", "flute", "B on the middle line"),
        ("F5", "clarinet-bb", "F on the top line"),
        ("G5", "flute", "G just above the staff"),
        ("A5", "flute", "A on the first ledger line above the staff"),
        ("B5", "flute", "B just over the first ledger line above the staff"),
        ("D4", "flute", "D just below the staff"),
        ("C4", "flute", "C on the first ledger line below the staff"),
        ("Bb2", "bassoon", "B♭ on the second line"),
        ("C4", "viola", "C on the middle line"),
        ("F#5", "unknown-instrument", "F♯ on the top line"),
    ],
)
def test_notes_are_named_as_they_are_found_on_the_page(written: str, instrument: str, text: str) -> None:
    assert note_text(written, clef_bottom_line(instrument)) == text


def test_small_words() -> None:
    assert [pitch_text(p) for p in ("Bb4", "F##5", "Ebb3", "C-1")] == ["B♭", "F♯♯", "E♭♭", "C"]
    assert [spoken_class(p) for p in ("Bb", "F#", "C")] == ["B-flat", "F-sharp", "C"]
    assert bars_text(["3", "3", "7", "12"]) == "bars 3, 7 and 12"
    assert places_text(["1", "2", "3", "4"], 2) == "bars 1, 2 and two more"
    assert [signed(v) for v in (3.6, -3.6, 0.2, -0.2)] == ["+4", "−4", "0", "0"]
    assert [value_name(q, "american") for q in (0.5, 1.5, 2.0)] == ["eighth", "dotted quarter", "half note"]
    assert [value_name(q, "british") for q in (0.5, 1.5)] == ["quaver", "dotted crotchet"]
    assert part_of_beat(0.5, "american") == "about an eighth"
    assert part_of_beat(0.1, "british") == "less than a semiquaver"
    assert sounding_class("D", piece()) == "C"
    assert sounding_class("B", replace(piece(), transposition_semitones=-9)) == "D"  # alto saxophone


def test_a_note_is_named_as_it_stands_on_the_engraved_page_whatever_the_clef() -> None:
    whole = with_heads(piece())
    tenor = engrave(re.sub(rb"<sign>G</sign>\s*<line>2</line>", b"<sign>C</sign><line>4</line>", to_musicxml(whole)))
    treble = engrave(to_musicxml(whole))
    assert page_bottom_line(whole, treble) == clef_bottom_line("flute")
    bottom = page_bottom_line(whole, tenor)
    assert bottom == clef_bottom_line("flute") - 8  # tenor clef: D3 on the bottom line, not E4
    assert note_text("A3", Style(page_bottom_line=bottom).bottom_line(piece())) == "A on the middle line"

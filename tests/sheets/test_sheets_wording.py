"""Names of notes, places and lengths, and the arithmetic of metronome and drone."""

import itertools
import math
import re
from dataclasses import replace

import pytest
from words_examples import findings, piece

from app.domain.piece import TempoMark
from app.files.engraving import engrave
from app.files.notation_writing import to_musicxml
from app.material.laying_out import with_heads
from app.sheets.drone import JUST_OFFSETS, drone_tonic
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

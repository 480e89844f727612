"""What a student's screen shows of a part: the same marks as on paper, each note's figures, practice settings."""

import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from sheet_examples import part_marks as example_marks
from sheet_reading import text_of
from words_examples import findings, held, pair, piece, tendency

from app.domain.engraving import Engraving
from app.domain.piece import TempoMark
from app.sheets.comment_sheet import render
from app.sheets.marked_picture import marked_picture
from app.sheets.models import CommentSheetModel, LandingMark, PartMarks
from app.sheets.note_figures import note_figures
from app.sheets.part_marks import part_marks
from app.sheets.practice_settings import practice_settings

SVG = "{http://www.w3.org/2000/svg}"


def texts(svg: str) -> list[str]:
    """Every line of text below the music: bar numbers, names of lanes, figures and words."""
    below = list(ElementTree.fromstring(svg))[-1]
    return ["".join(t.itertext()) for t in below.iter(SVG + "text")]


def test_the_screen_prints_every_figure_the_paper_prints(engraving: Engraving, comment: CommentSheetModel) -> None:
    landing = LandingMark("n20", "n21", "+62 ms after the trill")
    marks = replace(example_marks(), landings=(landing,))
    shown = texts(marked_picture(engraving, marks).svg)
    printed = text_of(render(replace(comment, parts=(replace(comment.parts[0], marks=marks),), detail=True)))
    words = ("+24", "−18", "+62 ms", "left out", "heard F♯", "about an eighth short", "G −15 cents since bar 1",
             "E +14 cents", "D minor: F −32 cents just, −16 equal", "back to bar 3", "+62 ms after the trill",
             "pitch", "time", "level", "held", "again", "chord", "land", "break")  # fmt: skip
    for word in words:
        assert word in shown, word
        assert word in printed, word


def test_lanes_stand_under_their_notes_and_systems_do_not_overlap(engraving: Engraving) -> None:
    picture = marked_picture(engraving, example_marks())
    assert [n.engraved_id for n in picture.notes] == [f"n{i}" for i in range(1, 49)]
    tops, bottoms = zip(*picture.systems, strict=True)
    assert all(bottom <= top for bottom, top in zip(bottoms, tops[1:], strict=False))
    assert bottoms[-1] <= picture.height
    assert all(picture.systems[n.system][0] <= n.y <= picture.systems[n.system][1] for n in picture.notes)
    root = ElementTree.fromstring(picture.svg)
    # n3's figure is centred under n3
    third = next(n for n in picture.notes if n.engraved_id == "n3")
    [figure] = [t for t in root.iter(SVG + "text") if "".join(t.itertext()) == "+24"]
    assert abs(float(figure.get("x") or 0) + 5 - (third.left + third.right) / 2) < 6
    assert third.y < float(figure.get("y") or 0) < picture.systems[third.system][1]


def test_the_picture_follows_the_screens_colours_and_policy(engraving: Engraving) -> None:
    svg = marked_picture(engraving, example_marks()).svg
    assert " style=" not in svg
    assert not re.search(r'(fill|stroke)="#', svg)
    assert {"var(--low)", "var(--high)", "var(--high-text)", "var(--ink)"} <= set(re.findall(r"var\(--[\w-]+\)", svg))
    bare = texts(marked_picture(engraving, None).svg)
    assert bare == [str(n) for n in range(1, 13)]


def test_a_landing_off_time_is_a_line_from_its_ornament() -> None:
    whole = piece()
    off = {"note_id": "n9", "bar": "3", "after": "trill", "ornament_note_id": "n8", "timing_ms": 90.0}
    found = findings(whole, rhythm={"landings": [{**off, "uncertainty_ms": 10.0}]})
    assert part_marks(whole, found).landings == (LandingMark("e8", "e9", "+90 ms after the trill"),)
    unsure = findings(whole, rhythm={"landings": [{**off, "uncertainty_ms": 60.0}]})
    assert part_marks(whole, unsure).landings == ()


def test_a_notes_figures_say_what_its_lanes_show() -> None:
    whole = piece()
    found = findings(
        whole,
        notes={
            "n1": {"deviation_cents": 23.6, "deviation_uncertainty_cents": 3.2, "timing_ms": -55.0, "level_db": -14.0},
            "n2": {"status": "omitted", "deviation_cents": None},
            "n3": {"status": "wrong", "heard_midi": 79},
            "n5": {"deviation_cents": None, "why_no_cents": "too short"},
        },
        pitch={"return_notes": [pair(-18.0)]},
        rhythm={"held_notes": [held("n4", "2", 0.7)]},
    )
    figures = {f.engraved_id: f for f in note_figures(whole, part_marks(whole, found), found)}
    assert len(figures) == 32
    assert (figures["e1"].name, figures["e1"].bar, figures["e1"].beat) == ("F on the top line", "1", "beat 2")
    assert figures["e1"].sentences == (
        "24 cents sharp, give or take 6 cents.",
        "55 ms early.",
        "6 dB louder than the middle level.",
    )
    assert figures["e2"].sentences[0] == "Left out."
    assert figures["e3"].sentences[0].startswith("Heard A")
    assert "No pitch figure: too short." in figures["e5"].sentences
    assert any(s.startswith("Left early: ") for s in figures["e4"].sentences)
    assert any(s == "Came back: A −18 cents since bar 1." for s in figures["e22"].sentences)
    silent = note_figures(whole, None, None)
    assert {f.sentences for f in silent} == {("Nothing was measured here.",)}
    kept = part_marks(whole, found)  # measured anew since the sheet: the sheet's figure without the new one's doubt
    newer = findings(whole, notes={"n1": {"deviation_cents": 2.0}})
    assert note_figures(whole, kept, newer)[1].sentences[0] == "24 cents sharp."
    assert note_figures(whole, PartMarks(), newer)[1].sentences == ("Nothing was measured here.",)


def test_practice_is_set_to_the_piece() -> None:
    whole = piece()
    found = findings(
        whole,
        notes={f"n{i}": {"status": "wrong"} for i in range(4, 32)},
        pitch={
            "tendencies": [tendency("Bb5", 82, 14.0), tendency("A5", 81, 3.0, doubt=4.0)],
            "return_notes": [pair(9.0), pair(-21.0)],
        },
    )
    settings = practice_settings(whole, found)
    assert (settings.tonic_name, settings.tonic_sounding, settings.tonic_semitone) == ("D", "C", 0)
    assert (settings.beats, settings.parts, settings.beat_name, settings.part_name) == (
        2,
        3,
        "dotted quarter",
        "eighth",
    )
    assert settings.mark_bpm == 54.0
    assert settings.clean_bar == "1"
    assert settings.ladder[-1] == 54.0
    assert list(settings.ladder) == sorted(settings.ladder)
    assert [(t.name, t.sounding_midi, t.lies_cents) for t in settings.tones] == [
        ("D", 72, None),
        ("F", 75, None),
        ("A", 79, None),
        ("B♭", 80, 14.0),
    ]
    assert [(r.name, r.cents, r.sounding_midi) for r in settings.returns] == [("A", -21.0, 79)]
    unknown = practice_settings(whole, None)
    assert unknown.clean_bar is None
    assert unknown.ladder[0] == pytest.approx(54 * 0.7, abs=0.5)
    assert unknown.returns == ()
    eighths = practice_settings(replace(whole, tempo_marks=(TempoMark(0.0, 0.5, 162.0),)), None)
    assert eighths.mark_bpm == pytest.approx(54.0)

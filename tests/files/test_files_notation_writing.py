"""MusicXML we write: read back the same by us and by partitura, with the signs a reader of music expects."""

import warnings
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.domain.piece import Piece
from app.files.abc_text import check_abc
from app.files.notation import read_notation
from app.files.notation_writing import to_musicxml
from app.material.generating import generate
from app.material.recipe import RHYTHMS, recipe_from


def scale(**values: Any) -> Piece:
    return generate(recipe_from({"kind": "scale", "tonic": "Bb", "mode": "major", "octaves": 2, **values}))


def facts(piece: Piece) -> list[tuple[object, ...]]:
    return [
        (
            n.written_pitch, round(n.onset_quarters, 6), round(n.length_quarters, 6), n.sounding_midi, n.bar,
            round(n.beat, 6), n.slurred_from_previous, n.tied,
        )
        for n in piece.notes
    ]  # fmt: skip


def typed(body: str, head: str = "M:4/4\nL:1/8\nK:C\n") -> ET.Element:
    return ET.fromstring(check_abc(head + body, engraved=False).musicxml)


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from([*RHYTHMS, "1/5 1/5 1/5 1/5 1/5", "5/4 3/8 3/8", "7/4 1/8 1/8", "1 1/3 2/3"]),
    st.sampled_from(["4/4", "3/4", "6/8", "2/2", "5/8"]),
    st.sampled_from(["clarinet-bb", "sax-baritone", "piccolo", "double-bass", "viola"]),
    st.booleans(),
)
def test_a_generated_piece_is_read_back_the_same(rhythm: str, metre: str, instrument: str, slurred: bool) -> None:
    piece = scale(rhythm=rhythm, metre=metre, instrument=instrument, slurred=slurred)
    data = to_musicxml(piece)
    again = read_notation(data)
    assert facts(again) == facts(piece)
    assert again.bars == piece.bars
    assert again.tempo_marks == piece.tempo_marks
    assert again.instrument == instrument
    ids = [note.get("id") for note in ET.fromstring(data).iter("note") if note.find("rest") is None]
    assert ids == [name for note in piece.notes for name in note.engraved_ids]


def test_partitura_reads_the_same_notes(tmp_path: Path) -> None:
    piece = scale(rhythm="1 1/3 1/3 1/3 3/4 1/4", instrument="sax-alto")
    path = tmp_path / "ours.musicxml"
    path.write_bytes(to_musicxml(piece))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import partitura

        notes = partitura.load_musicxml(str(path)).parts[0].note_array()
    theirs = [
        (round(float(n["onset_quarter"]), 4), round(float(n["duration_quarter"]), 4), int(n["pitch"])) for n in notes
    ]
    assert theirs == [(round(n.onset_quarters, 4), round(n.length_quarters, 4), n.written_midi) for n in piece.notes]


def accidentals(root: ET.Element) -> list[str]:
    return [note.findtext("accidental", "-") for note in root.iter("note") if note.find("rest") is None]


def test_accidentals_are_printed_where_a_reader_needs_them() -> None:
    assert accidentals(typed("F2 ^F2 F2 f2 | F2 =F2 ^F2 =F2 |]")) == [
        "-", "sharp", "-", "-", "-", "-", "sharp", "natural",
    ]  # fmt: skip
    assert accidentals(typed("^G8- | G4 G4 |]")) == ["sharp", "-", "-"]
    assert accidentals(typed("B4 =B4 | __B4 ^^F4 |]", "M:4/4\nL:1/8\nK:F\n")) == [
        "-", "natural", "flat-flat", "double-sharp",
    ]  # fmt: skip


def test_a_sharp_held_over_the_barline_is_printed_again_on_the_next_note() -> None:
    assert accidentals(typed("^G8- | G4 ^G4 |]")) == ["sharp", "-", "sharp"]


def beams(root: ET.Element) -> list[str]:
    return [" ".join(one.text or "" for one in note.findall("beam")) or "-" for note in root.iter("note")]


def test_short_notes_are_beamed_by_the_felt_beat() -> None:
    assert beams(typed("CD EF G2 z A |]")) == ["begin", "end", "begin", "end", "-", "-", "-"]
    assert beams(typed("CDE FGA |]", "M:6/8\nL:1/8\nK:C\n")) == ["begin", "continue", "end"] * 2
    assert beams(typed("C3/2D/2 E/2F/2G |z4|]", "M:2/4\nL:1/8\nK:C\n"))[:5] == [
        "begin", "end backward hook", "begin begin", "continue end", "end",
    ]  # fmt: skip
    assert beams(typed("E | CDE FGA | C5 |]", "M:6/8\nL:1/8\nK:C\n"))[0] == "-"
    assert beams(typed("{cd}e8 |]")) == ["begin begin", "end end", "-"]


def brackets(root: ET.Element) -> list[str]:
    return [" ".join(one.get("type", "") for one in note.iter("tuplet")) or "-" for note in root.iter("note")]


def test_tuplets_are_bracketed_whole() -> None:
    assert brackets(typed("(3CDE (3FGA B4 |]")) == ["start", "-", "stop", "start", "-", "stop", "-"]
    assert brackets(typed("(3:2:2C2D E6 |]")) == ["start", "stop", "-"]
    assert brackets(typed("(5:4CDEFG A4 |]")) == ["start", "-", "-", "-", "stop", "-"]


def test_navigation_is_written_where_it_stands() -> None:
    root = typed("|: C8 |1 D8 :|2 E8 || !segno!F8 | G8 !D.S.! |]")
    measures = root.findall("part/measure")
    assert measures[0].find("barline/repeat[@direction='forward']") is not None
    assert [(e.get("number"), e.get("type")) for e in root.iter("ending")] == [
        ("1", "start"), ("1", "stop"), ("2", "start"), ("2", "discontinue"),
    ]  # fmt: skip
    assert measures[2].findtext("barline[@location='right']/bar-style") == "light-light"
    assert measures[3].find("direction/direction-type/segno") is not None
    assert measures[-1].findtext("barline/bar-style") == "light-heavy"


@pytest.mark.parametrize(
    ("key", "expected"),
    [
        ("clarinet-bb", ("-1", "-2", None)),
        ("sax-baritone", ("-5", "-9", "-1")),
        ("piccolo", ("0", "0", "1")),
        ("horn-f", ("-4", "-7", None)),
        ("clarinet-eb", ("2", "3", None)),
        ("flute", None),
    ],
)
def test_transposition_is_written_as_step_semitones_and_octave(
    key: str, expected: tuple[str, str, str | None] | None
) -> None:
    found = ET.fromstring(to_musicxml(scale(instrument=key, octaves=1))).find(".//transpose")
    if expected is None:
        assert found is None
    else:
        assert found is not None
        assert tuple(found.findtext(tag) for tag in ("diatonic", "chromatic", "octave-change")) == expected


def test_a_dotted_metronome_mark_is_written_with_its_dot() -> None:
    root = ET.fromstring(to_musicxml(scale(metre="6/8", tempo_bpm=54)))
    metronome = root.find(".//metronome")
    assert metronome is not None
    assert [child.tag for child in metronome] == ["beat-unit", "beat-unit-dot", "per-minute"]
    assert root.find(".//sound").get("tempo") == "81"  # type: ignore[union-attr]

"""Whose page a MusicXML file is and at which pitch: transposition, chords, voices, parts."""

import pytest
from notation_pages import (
    START,
    STOP,
    attributes,
    bar,
    direction,
    n,
    page,
    part,
    score,
    transpose,
)

from app.domain.piece import Piece
from app.files.notation import list_parts, prepared_musicxml, read_notation
from app.material.instruments import INSTRUMENTS


def names(piece: Piece) -> list[str]:
    return [note.written_pitch for note in piece.notes]


TRANSPOSITIONS = {
    12: ["piccolo"],
    3: ["clarinet-eb"],
    0: ["flute", "oboe", "bassoon", "trombone", "trumpet-c", "violin", "viola", "cello"],
    -2: ["clarinet-bb", "trumpet-bb", "sax-soprano"],
    -3: ["clarinet-a"],
    -5: ["alto-flute"],
    -7: ["horn-f", "english-horn"],
    -9: ["sax-alto"],
    -12: ["double-bass", "contrabassoon"],
    -14: ["sax-tenor", "bass-clarinet", "euphonium-treble"],
    -21: ["sax-baritone"],
}


@pytest.mark.parametrize(("shift", "keys"), TRANSPOSITIONS.items())
def test_the_transposition_table(shift: int, keys: list[str]) -> None:
    for key in keys:
        assert INSTRUMENTS[key].transposition_semitones == shift
        piece = read_notation(page(n("D5", 48)), instrument=key)
        assert piece.notes[0].written_midi == 74
        assert piece.notes[0].sounding_midi == 74 + shift


@pytest.mark.parametrize(
    ("name", "chromatic", "octaves", "key"),
    [
        ("Clarinet in Bb", -2, 0, "clarinet-bb"),
        ("Clarinet", -3, 0, "clarinet-a"),
        ("Clarinet in Eb", 3, 0, "clarinet-eb"),
        ("Piccolo", 0, 1, "piccolo"),
        ("Tenor Saxophone", -2, -1, "sax-tenor"),
        ("Baritone Sax", -9, -1, "sax-baritone"),
        ("Horn in F 2", -7, 0, "horn-f"),
        ("Double Bass", 0, -1, "double-bass"),
        ("", -9, 0, "sax-alto"),
    ],
)
def test_a_file_says_whose_page_it_is(name: str, chromatic: int, octaves: int, key: str) -> None:
    data = page(n("D5", 48), name=name, transpose=transpose(chromatic, octaves))
    piece = read_notation(data)
    assert piece.instrument == key
    assert piece.transposition_semitones == chromatic + 12 * octaves
    assert piece.notes[0].sounding_midi == 74 + chromatic + 12 * octaves
    assert list_parts(data)[0].instrument == key


def test_the_chosen_instrument_counts_and_a_file_that_differs_is_told() -> None:
    piece = read_notation(page(n("D5", 48), transpose=transpose(-2), name="Clarinet"), instrument="sax-alto")
    assert (piece.notes[0].written_pitch, piece.notes[0].sounding_midi) == ("D5", 65)
    assert any("made for another transposition" in sentence for sentence in piece.warnings)
    plain = read_notation(page(n("D5", 48)), instrument="clarinet-bb")
    assert any("gives no transposition" in sentence for sentence in plain.warnings)


def test_an_octave_line_and_an_octave_clef_need_no_correction() -> None:
    """MusicXML gives the pitch as it is read, lines and clefs of the octave taken into account."""
    shift = direction('<octave-shift type="down" size="8" number="1"/>')
    stop = direction('<octave-shift type="stop" size="8" number="1"/>')
    piece = read_notation(page(shift + n("C6", 24) + n("D6", 24) + stop))
    assert names(piece) == ["C6", "D6"]


def test_chords_are_followed_and_not_measured() -> None:
    piece = read_notation(page(n("G4", 24) + n("B4", 24, inside="<chord/>") + n("D5", 24), name="Violin"))
    stop, single = piece.notes
    assert (stop.written_pitch, stop.chord_sounding_midi, stop.engraved_ids) == ("B4", (67, 71), ("h1", "h2"))
    assert single.chord_sounding_midi == ()
    assert any("not measured" in sentence for sentence in piece.warnings)


def test_a_tied_chord_merges() -> None:
    def double(inside: str) -> str:
        return n("G4", 48, inside=inside) + n("B4", 48, inside=f"<chord/>{inside}")

    (held,) = read_notation(page(double(START), double(STOP))).notes
    assert (held.length_quarters, held.engraved_ids) == (8.0, ("h1", "h2", "h3", "h4"))


def test_a_chord_of_which_one_note_is_held_on() -> None:
    stop = n("G4", 24, inside=START) + n("B4", 24, inside="<chord/>")
    held, after = read_notation(page(stop + n("G4", 12, inside=STOP) + n("C5"))).notes
    assert (held.chord_sounding_midi, held.length_quarters, after.written_pitch) == ((67, 71), 3.0, "C5")
    again = n("G4", 24, inside=STOP) + n("B4", 24, inside="<chord/>")
    assert [x.length_quarters for x in read_notation(page(stop + again)).notes] == [2.0, 2.0]


def test_voices_that_double_move_together_or_take_turns() -> None:
    def two(first: str, second: str) -> bytes:
        return page(first + "<backup><duration>48</duration></backup>" + second)

    doubled = read_notation(two(n("C5", 24) + n("D5", 24), n("C5", 24, voice=2) + n("D5", 24, voice=2)))
    assert names(doubled) == ["C5", "D5"]
    assert doubled.notes[0].engraved_ids == ("h1", "h3")
    together = read_notation(two(n("E5", 24) + n("F5", 24), n("C5", 24, voice=2) + n("D5", 24, voice=2)))
    assert [x.chord_sounding_midi for x in together.notes] == [(72, 76), (74, 77)]
    turns = read_notation(two(n("E5", 24) + n("r", 24), n("r", 24, voice=2) + n("D5", 24, voice=2)))
    assert [(x.written_pitch, x.onset_quarters) for x in turns.notes] == [("E5", 0.0), ("D5", 2.0)]


def test_cues_are_not_played() -> None:
    cue = n("A4", 24).replace("<note>", "<note><cue/>")
    piece = read_notation(page(cue + n("D5", 24)))
    assert [(x.written_pitch, x.onset_quarters) for x in piece.notes] == [("D5", 2.0)]


def test_unpitched_percussion_is_read_for_its_rhythm() -> None:
    hit = "<note><unpitched><display-step>C</display-step><display-octave>5</display-octave></unpitched>"
    data = page((hit + "<duration>12</duration><voice>1</voice><type>quarter</type></note>") * 4, name="Snare Drum")
    piece = read_notation(data)
    assert piece.instrument == "snare-drum"
    assert all(note.unpitched for note in piece.notes)
    assert [note.onset_quarters for note in piece.notes] == [0.0, 1.0, 2.0, 3.0]
    assert any("unpitched percussion" in sentence for sentence in piece.warnings)


def test_a_part_is_chosen_by_place_or_name() -> None:
    data = score(
        part("Flute", [bar(attributes() + n("C5", 48))], "P1"),
        part("Clarinet in Bb", [bar(attributes(transpose=transpose(-2)) + n("D5", 48))], "P2"),
        part("Snare", [bar(attributes() + n("r", 48))], "P3"),
    )
    assert [(one.name, one.notes, one.instrument) for one in list_parts(data)] == [
        ("Flute", 1, "flute"), ("Clarinet in Bb", 1, "clarinet-bb"), ("Snare", 0, "snare-drum"),
    ]  # fmt: skip
    for choice in (1, "1", "clarinet in bb"):
        assert read_notation(data, part=choice).notes[0].sounding_midi == 72
    assert prepared_musicxml(data, 1).count(b"<score-part ") == 1


def test_the_only_pitched_part_needs_no_choice() -> None:
    hit = "<note><unpitched/><duration>48</duration><voice>1</voice><type>whole</type></note>"
    data = score(part("Drum", [bar(attributes() + hit)], "P1"), part("Oboe", [bar(attributes() + n("C5", 48))], "P2"))
    assert read_notation(data).instrument == "oboe"


def test_a_timewise_score_is_turned() -> None:
    data = (
        '<score-timewise version="4.0"><part-list><score-part id="P1"><part-name>Oboe</part-name></score-part>'
        f'</part-list><measure number="1"><part id="P1">{attributes()}{n("C5", 48)}</part></measure>'
        f'<measure number="2"><part id="P1">{n("D5", 48)}</part></measure></score-timewise>'
    ).encode()
    assert names(read_notation(data)) == ["C5", "D5"]


def test_prepared_ids_are_those_of_the_notes_and_titles_come_through() -> None:
    data = score(
        part("Flute", [bar(attributes() + n("C5", 24, inside=START) + n("C5", 12, inside=STOP) + n("r"))]),
        head="<work><work-title>Small  Walk</work-title></work>",
    )
    piece = read_notation(data)
    page_text = prepared_musicxml(data).decode()
    assert piece.title == "Small Walk"
    assert [name in page_text for note in piece.notes for name in note.engraved_ids] == [True, True]
    assert 'id="h3"' not in page_text
    assert read_notation(page(n("C5", 48)), file_name="night_train.mxl").title == "night train"


def test_the_tonic_follows_from_the_key_and_the_last_note() -> None:
    def tonic(**first: object) -> tuple[str | None, str | None]:
        piece = read_notation(page(n("C5", 24) + n("A4", 24), **first))
        return piece.tonic_written, piece.mode

    assert tonic() == ("A", "minor")
    assert tonic(mode="major") == ("C", "major")
    assert tonic(fifths=2) == (None, None)

"""What stands on a MusicXML page and what is to be played: ties, repeats, ornaments, signs, pitch, tempo."""

import pytest
from notation_pages import (
    BACK,
    FORWARD,
    SLUR,
    SLUR_END,
    START,
    STOP,
    attributes,
    bar,
    direction,
    dynamic,
    ending,
    metronome,
    n,
    page,
    part,
    score,
    transpose,
    trip,
)

from app.domain.piece import Piece
from app.domain.units import quarter_seconds
from app.files.notation import list_parts, prepared_musicxml, read_notation
from app.material.instruments import INSTRUMENTS


def names(piece: Piece) -> list[str]:
    return [note.written_pitch for note in piece.notes]


def bars(piece: Piece) -> list[str]:
    return [one.number for one in piece.bars]


def test_ties_merge_over_barlines_and_keep_every_head() -> None:
    piece = read_notation(
        page(n("G4", 36) + n("D5", 12, inside=START), n("D5", 24, inside=STOP + START) + n("D5", inside=STOP) + n("C5"))
    )
    assert names(piece) == ["G4", "D5", "C5"]
    held = piece.notes[1]
    assert (held.onset_quarters, held.length_quarters, held.tied) == (3.0, 4.0, True)
    assert held.engraved_ids == ("h2", "h3", "h4")
    assert (piece.notes[2].bar, piece.notes[2].beat) == ("2", 4.0)


def test_the_same_pitch_without_a_tie_is_struck_again() -> None:
    piece = read_notation(page(n("G4", 36) + n("D5"), n("D5", 48)))
    assert [note.length_quarters for note in piece.notes] == [3.0, 1.0, 4.0]


def test_a_tie_into_both_endings() -> None:
    piece = read_notation(
        page(
            n("C5", 36) + n("D5", inside=START),
            ending("1", "start") + n("D5", 48, inside=STOP) + ending("1", "stop", back=True),
            ending("2", "start") + n("D5", 24, inside=STOP) + n("E5", 24) + ending("2", "discontinue"),
        )
    )
    assert bars(piece) == ["1", "2", "1", "3"]
    assert [(x.written_pitch, x.length_quarters) for x in piece.notes] == [
        ("C5", 3.0), ("D5", 5.0), ("C5", 3.0), ("D5", 3.0), ("E5", 2.0),
    ]  # fmt: skip
    assert piece.notes[3].engraved_ids == ("h2", "h4")
    assert [x.note_id for x in piece.notes] == ["n1", "n2", "n1-2", "n2-2", "n5"]


def test_a_tie_left_open_at_a_repeat_does_not_join_what_follows() -> None:
    piece = read_notation(page(FORWARD + n("C5", 24) + n("D5", 24, inside=START) + BACK, n("D5", 48, inside=STOP)))
    assert [(x.written_pitch, x.length_quarters) for x in piece.notes] == [
        ("C5", 2.0), ("D5", 2.0), ("C5", 2.0), ("D5", 6.0),
    ]  # fmt: skip


def test_repeats_endings_and_passes() -> None:
    piece = read_notation(
        page(
            n("C5", 48),
            FORWARD + n("D5", 48),
            ending("1, 2", "start") + n("E5", 48) + ending("1, 2", "stop", back=True),
            ending("3", "start") + n("F5", 48) + ending("3", "stop"),
        )
    )
    assert bars(piece) == ["1", "2", "3", "2", "3", "2", "4"]
    assert [one.pass_number for one in piece.bars] == [1, 1, 1, 2, 2, 3, 1]
    assert len({note.note_id for note in piece.notes}) == len(piece.notes)
    assert [note.bar_index for note in piece.notes] == list(range(7))
    once = read_notation(
        page(n("C5", 48) + BACK, n("D5", 48) + direction("<words>D.C. al Fine</words>")), repeats=False
    )
    assert bars(once) == ["1", "2", "1", "2"]


@pytest.mark.parametrize("by_sound", [True, False])
def test_da_capo_dal_segno_fine_and_coda(by_sound: bool) -> None:
    def said(words: str, sound: str) -> str:
        return direction(f"<words>{words}</words>", f"<sound {sound}/>" if by_sound else "")

    capo = page(n("C5", 48) + said("Fine", 'fine="yes"'), n("D5", 48) + said("D.C. al Fine", 'dacapo="yes"'))
    assert bars(read_notation(capo)) == ["1", "2", "1"]
    segno = page(
        n("C5", 48),
        direction("<segno/>") + n("D5", 48) + said("To Coda", 'tocoda="c"'),
        n("E5", 48) + said("D.S. al Coda", 'dalsegno="s"'),
        direction("<coda/>") + n("F5", 48),
    )
    assert bars(read_notation(segno)) == ["1", "2", "3", "2", "4"]


def test_two_bare_coda_signs_mean_leaving_and_arriving() -> None:
    piece = read_notation(
        page(
            n("C5", 48) + direction("<coda/>"),
            n("D5", 48) + direction("<words>D.C.</words>"),
            direction("<coda/>") + n("E5", 48),
        )
    )
    assert bars(piece) == ["1", "2", "1", "3"]


def test_signs_that_lead_nowhere_are_told() -> None:
    piece = read_notation(page(n("C5", 48), n("D5", 48) + direction("<words>D.S.</words>")))
    assert bars(piece) == ["1", "2", "1", "2"]
    assert "There is a D.S. but no segno; it was played as a D.C." in piece.warnings


def test_grace_notes_before_and_after() -> None:
    turned = n("E5", 24, notations="<ornaments><trill-mark/></ornaments>") + n("D5", 0) + n("E5", 0) + n("F5", 24)
    piece = read_notation(page(n("B4", 0) + n("C5", 0) + n("D5", 48), turned))
    assert [(x.written_pitch, x.grace, x.onset_quarters, x.length_quarters) for x in piece.notes] == [
        ("B4", True, 0.0, 0.0),
        ("C5", True, 0.0, 0.0),
        ("D5", False, 0.0, 4.0),
        ("E5", False, 4.0, 2.0),
        ("D5", True, 6.0, 0.0),
        ("E5", True, 6.0, 0.0),
        ("F5", False, 6.0, 2.0),
    ]


def test_graces_at_the_end_of_a_bar_lead_to_the_next() -> None:
    piece = read_notation(page(n("C5", 48) + n("D5", 0), n("E5", 48)))
    assert [(x.bar, x.onset_quarters) for x in piece.notes] == [("1", 0.0), ("1", 4.0), ("2", 4.0)]


def ornament(sign: str, *, before: str = "", fifths: int = 0, main: str = "E5") -> tuple[int, ...]:
    piece = read_notation(page(before + n(main, 24, notations=f"<ornaments>{sign}</ornaments>"), fifths=fifths))
    found = piece.notes[-1].ornament
    assert found is not None
    return found.sounding_midi


def test_ornaments_bring_the_neighbours_of_the_key() -> None:
    assert ornament("<trill-mark/>") == (77,)  # F5
    assert ornament("<trill-mark/>", fifths=2) == (78,)  # F#5 in D major
    assert ornament("<mordent/>") == (74,)
    assert ornament("<mordent/>", fifths=-2, main="F5") == (75,)  # Eb5
    assert ornament("<inverted-mordent/>", fifths=1) == (78,)
    assert ornament("<turn/>", fifths=2) == (78, 74)
    assert ornament("<inverted-turn/>") == (77, 74)


def test_ornaments_follow_accidentals_printed_and_in_force() -> None:
    assert ornament("<trill-mark/><accidental-mark>sharp</accidental-mark>") == (78,)
    assert ornament("<trill-mark/><accidental-mark>natural</accidental-mark>", fifths=2) == (77,)
    assert ornament("<trill-mark/>", before=n("F#5", 24)) == (78,)
    assert ornament("<trill-mark/>", before=n("F#4", 24)) == (77,)  # another octave: no effect
    assert ornament('<turn/><accidental-mark placement="below">sharp</accidental-mark>') == (77, 75)
    assert ornament('<trill-mark/><wavy-line type="start" number="1"/>', main="B4") == (72,)


def test_a_wavy_line_alone_is_a_trill_and_tremolos_are_told_apart() -> None:
    wavy = n("E5", 24, notations='<ornaments><wavy-line type="start" number="1"/></ornaments>') + n(
        "F5", 24, notations='<ornaments><wavy-line type="stop" number="1"/></ornaments>'
    )
    first, second = read_notation(page(wavy)).notes
    assert first.ornament is not None
    assert first.ornament.kind == "trill"
    assert second.ornament is None
    bowed = n("E5", 48, notations='<ornaments><tremolo type="single">3</tremolo></ornaments>')
    (shaken,) = read_notation(page(bowed)).notes
    assert shaken.ornament is not None
    assert (shaken.ornament.kind, shaken.ornament.sounding_midi) == ("tremolo", ())
    two = n("C5", 24, notations='<ornaments><tremolo type="start">3</tremolo></ornaments>') + n(
        "E5", 24, notations='<ornaments><tremolo type="stop">3</tremolo></ornaments>'
    )
    assert [x.ornament.sounding_midi for x in read_notation(page(two)).notes if x.ornament] == [(76,), (72,)]


def test_slurs_reach_from_note_to_note_and_not_over_a_jump() -> None:
    piece = read_notation(
        page(
            n("C5", notations=SLUR) + n("D5") + n("E5", notations=SLUR_END) + n("F5"),
            FORWARD + n("G5", 24) + n("A5", 24, notations=SLUR) + BACK,
            n("B5", 48, notations=SLUR_END),
        )
    )
    assert [x.slurred_from_previous for x in piece.notes] == [
        False,
        True,
        True,
        False,
        False,
        False,
        False,
        False,
        True,
    ]


def test_chained_slurs_join_three_notes() -> None:
    piece = read_notation(
        page(n("C5", notations=SLUR) + n("D5", notations=SLUR_END + SLUR) + n("E5", 24, notations=SLUR_END))
    )
    assert [x.slurred_from_previous for x in piece.notes] == [False, True, True]


def test_a_slur_over_a_tie_alone_slurs_nothing() -> None:
    piece = read_notation(
        page(n("C5", 24, inside=START, notations=SLUR) + n("C5", 12, inside=STOP, notations=SLUR_END) + n("D5"))
    )
    assert [x.slurred_from_previous for x in piece.notes] == [False, False]


def test_articulations_breaths_and_fermatas() -> None:
    def art(sign: str) -> str:
        return f"<articulations><{sign}/></articulations>"

    piece = read_notation(
        page(
            n("C5", notations=art("staccato"))
            + n("D5", notations=art("tenuto"))
            + n("E5", notations=art("strong-accent"))
            + n("F5", notations=art("breath-mark")),
            n("G5", notations=art("accent"))
            + n("A5", notations=art("detached-legato"))
            + n("B5", 24, notations="<fermata/>"),
        )
    )
    assert [x.articulations for x in piece.notes] == [
        ("staccato",), ("tenuto",), ("marcato",), (), ("accent",), ("tenuto", "staccato"), (),
    ]  # fmt: skip
    assert [x.breath_after for x in piece.notes] == [False] * 3 + [True] + [False] * 3
    assert [x.fermata for x in piece.notes] == [False] * 6 + [True]


def test_dynamics_and_hairpins_stand_on_the_notes_they_reach() -> None:
    def wedge(kind: str) -> str:
        return direction(f'<wedge type="{kind}" number="1"/>')

    piece = read_notation(
        page(
            dynamic("p") + n("C5") + wedge("crescendo") + n("D5") + n("E5") + wedge("stop") + dynamic("f") + n("F5"),
            n("G5") + direction("<words>dim. poco a poco</words>") + n("A5") + n("B5") + dynamic("pp") + n("C6"),
            dynamic("sfz") + n("C5") + n("D5") + dynamic("fp") + n("E5") + n("F5"),
        )
    )
    assert [x.dynamic for x in piece.notes] == ["p", "p", "p", "f", "f", "f", "f", "pp", "pp", "pp", "p", "p"]
    assert [x.hairpin for x in piece.notes] == [
        None, "crescendo", "crescendo", None, None, "diminuendo", "diminuendo", None, None, None, None, None,
    ]  # fmt: skip
    assert [x.articulations for x in piece.notes[8:]] == [("accent",), (), ("accent",), ()]


def test_a_direction_with_an_offset_stands_where_it_says() -> None:
    shifted = direction("<dynamics><f/></dynamics>").replace("</direction>", "<offset>12</offset></direction>")
    piece = read_notation(page(dynamic("p") + shifted + n("C5") + n("D5", 36)))
    assert [x.dynamic for x in piece.notes] == ["p", "f"]


def test_a_pickup_counts_its_beats_from_the_end() -> None:
    piece = read_notation(page(bar(n("G4"), "0", implicit=True), bar(n("C5", 48), "1"), bar(n("D5", 36), "2")))
    assert [(x.bar, x.beat) for x in piece.notes] == [("0", 4.0), ("1", 1.0), ("2", 1.0)]
    assert piece.bars[0].length_quarters == 1.0
    assert piece.length_quarters == 8.0
    assert not any("metre" in sentence for sentence in piece.warnings)


def test_halves_of_a_split_bar_have_one_number_on_the_page_too() -> None:
    data = page(bar(n("C5", 24) + BACK, "1"), bar(n("D5", 24), "X1", implicit=True), bar(n("E5", 48), "2"))
    assert bars(read_notation(data)) == ["1", "1", "1", "2"]
    assert [part.split('"')[0] for part in prepared_musicxml(data).decode().split('measure number="')[1:]] == [
        "1", "1", "2",
    ]  # fmt: skip


def test_a_trill_that_begins_on_a_tied_head_counts() -> None:
    trilled = n("E5", 24, inside=STOP, notations="<ornaments><trill-mark/></ornaments>")
    (held,) = read_notation(page(n("E5", 24, inside=START) + trilled)).notes
    assert held.ornament is not None
    assert held.ornament.sounding_midi == (77,)


def test_bars_that_are_too_long_are_followed_and_told() -> None:
    piece = read_notation(page(n("C5", 48), n("D5", 48) + n("E5"), n("F5", 48)))
    assert piece.notes[-1].onset_quarters == 9.0
    assert "Bar 2 holds 5 quarter notes where its metre asks for 4; it is followed as written." in piece.warnings


def test_key_metre_and_clef_changes() -> None:
    piece = read_notation(
        page(
            n("C5", 48),
            attributes(fifths=-3, time="6/8", clef="F4") + n("C3", 18) + n("Eb3", 18),
            attributes(fifths=1, time="2/2") + n("G4", 48),
        )
    )
    assert [(b.fifths, b.beats, b.beat_type, b.felt_beat_quarters) for b in piece.bars] == [
        (0, 4, 4, 1.0), (-3, 6, 8, 1.5), (1, 2, 2, 2.0),
    ]  # fmt: skip
    assert [x.beat for x in piece.notes] == [1.0, 1.0, 2.0, 1.0]


def test_additive_and_free_metres() -> None:
    five = page(n("C5", 18) + n("D5", 12), time="3+2/8")
    assert (read_notation(five).bars[0].beats, read_notation(five).bars[0].beat_type) == (5, 8)
    free = five.replace(b"<beats>3+2</beats><beat-type>8</beat-type>", b"<senza-misura/>")
    assert read_notation(free).bars[0].length_quarters == 2.5


def test_tuplets_have_exact_thirds() -> None:
    piece = read_notation(page(trip("C5") + trip("D5") + trip("E5") + n("F5", 36)))
    assert [x.onset_quarters for x in piece.notes] == pytest.approx([0, 1 / 3, 2 / 3, 1])
    assert [x.length_quarters for x in piece.notes] == pytest.approx([1 / 3, 1 / 3, 1 / 3, 3])


def test_a_dotted_metronome_mark_keeps_its_unit() -> None:
    """Dotted quarter = 54: the eighth goes at 162 and lasts 370.4 ms (common practice)."""
    piece = read_notation(page(metronome("quarter", "54", dot=True) + n("C5", 36), time="6/8"))
    (mark,) = piece.tempo_marks
    assert (mark.beat_unit_quarters, mark.beats_per_minute) == (1.5, 54.0)
    assert mark.quarter_sec / 2 == pytest.approx(60 / 162)
    assert quarter_seconds(54, 1.5) / 2 == pytest.approx(0.3704, abs=5e-5)
    assert not piece.tempo_assumed


def test_tempo_in_words_in_numbers_and_by_sound() -> None:
    piece = read_notation(
        page(
            direction("<words>Andante</words>", '<sound tempo="72"/>') + n("C5", 48),
            metronome("half", "ca. 50-54") + n("D5", 48),
            direction("<metronome><beat-unit>quarter</beat-unit><beat-unit>half</beat-unit></metronome>") + n("E5", 48),
        )
    )
    assert [(m.onset_quarters, m.beat_unit_quarters, m.beats_per_minute, m.text) for m in piece.tempo_marks] == [
        (0.0, 1.0, 72.0, "Andante"), (4.0, 2.0, 52.0, ""), (8.0, 2.0, 104.0, ""),
    ]  # fmt: skip
    compound = read_notation(page('<sound tempo="81"/>' + n("C5", 36), time="6/8"))
    assert (compound.tempo_marks[0].beat_unit_quarters, compound.tempo_marks[0].beats_per_minute) == (1.5, 54.0)
    assert any("playback tempo" in sentence for sentence in compound.warnings)


def test_without_any_tempo_96_is_assumed_and_said() -> None:
    piece = read_notation(page(n("C5", 48)))
    assert piece.tempo_assumed
    assert piece.tempo_marks[0].quarter_sec == pytest.approx(60 / 96)
    assert any("96 to the quarter note is assumed" in sentence for sentence in piece.warnings)


# Sounding minus written in semitones, as orchestration handbooks and MusicXML's transpose element have it (common
# practice). The table in app.material.instruments was typed from its own source; here is the second.
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

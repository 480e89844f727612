"""Typed bars: what they say, what is checked, and what a typist is told."""

import warnings

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.domain.errors import BadNotation
from app.domain.piece import Piece
from app.files import abc_fields
from app.files.abc_text import AbcCheck, check_abc, read_abc

HEAD = "X:1\nM:4/4\nL:1/8\nQ:1/4=100\nK:C\n"


def read(body: str, head: str = HEAD) -> Piece:
    return read_abc(head + body, instrument="flute")


def names(piece: Piece) -> list[str]:
    return [note.written_pitch for note in piece.notes]


def lengths(piece: Piece) -> list[float]:
    return [round(note.length_quarters, 4) for note in piece.notes]


def check(text: str) -> AbcCheck:
    return check_abc(text, engraved=False)


# What the text says


def test_octaves_accidentals_and_lengths() -> None:
    piece = read("C,4 C2 c/ c'/ z | ^F _B =e G2 F2 z | (3cde f3/2 g/ a2 b2 |]")
    assert names(piece) == [
        "C3", "C4", "C5", "C6", "F#4", "Bb4", "E5", "G4", "F#4", "C5", "D5", "E5", "F5", "G5", "A5", "B5",
    ]  # fmt: skip
    third = round(1 / 3, 4)
    assert lengths(piece)[:4] == [2.0, 1.0, 0.25, 0.25]
    assert lengths(piece)[-7:] == [third, third, third, 0.75, 0.25, 1.0, 1.0]


def test_an_accidental_holds_to_the_barline_and_over_a_tie() -> None:
    piece = read("^F2 F2 f2 ^G2- | G2 G2 F4 |]")
    assert names(piece) == ["F#4", "F#4", "F5", "G#4", "G4", "F4"]
    assert lengths(piece)[3] == 2.0


def test_double_accidentals() -> None:
    assert names(read("^^F4 __B4 |]")) == ["F##4", "Bbb4"]


@pytest.mark.parametrize(
    ("key", "fifths", "pitches"),
    [
        ("G", 1, ["F#4", "B4"]),
        ("Bb", -2, ["F4", "Bb4"]),
        ("F#min", 3, ["F#4", "B4"]),
        ("Am", 0, ["F4", "B4"]),
        ("Ddor", 0, ["F4", "B4"]),
        ("E Phrygian", 0, ["F4", "B4"]),
        ("Flyd", 0, ["F4", "B4"]),
        ("Gmix", 0, ["F4", "B4"]),
        ("Eb lydian", -2, ["F4", "Bb4"]),
        ("Baeolian", 2, ["F#4", "B4"]),
        ("C#loc", 2, ["F#4", "B4"]),
        ("Hp", 2, ["F#4", "B4"]),
        ("none", 0, ["F4", "B4"]),
        ("D =f _b", 2, ["F4", "Bb4"]),
        ("D exp _b", 0, ["F4", "Bb4"]),
        ("F clef=bass", -1, ["F4", "Bb4"]),
    ],
)
def test_keys_and_modes(key: str, fifths: int, pitches: list[str]) -> None:
    piece = read("F4 B4 |]", f"X:1\nM:4/4\nL:1/8\nK:{key}\n")
    assert names(piece) == pitches
    assert piece.bars[0].fifths == fifths


@pytest.mark.parametrize(
    ("tempo", "unit", "bpm", "text"),
    [
        ("3/8=54", 1.5, 54.0, ""),
        ("1/4=96", 1.0, 96.0, ""),
        ('"Andante" 1/4=72', 1.0, 72.0, "Andante"),
        ('1/2=60 "Alla breve"', 2.0, 60.0, "Alla breve"),
        ("1/4 1/8=50", 1.5, 50.0, ""),
        ("120", 0.5, 120.0, ""),
    ],
)
def test_tempo_fields(tempo: str, unit: float, bpm: float, text: str) -> None:
    (mark,) = read("C4 D4 |]", f"X:1\nM:4/4\nL:1/8\nQ:{tempo}\nK:C\n").tempo_marks
    assert (mark.beat_unit_quarters, mark.beats_per_minute, mark.text) == (unit, bpm, text)


def test_dotted_quarter_54_makes_the_eighth_162() -> None:
    """Common practice: 60 s / (3 x 54) is 370.4 ms."""
    (mark,) = read("C3 D3 |]", "X:1\nM:6/8\nL:1/8\nQ:3/8=54\nK:C\n").tempo_marks
    assert mark.quarter_sec / 2 == pytest.approx(60 / 162)


def test_the_note_length_where_none_is_given() -> None:
    assert lengths(read("CDEFGABc |]", "M:2/4\nK:C\n")) == [0.25] * 8
    assert lengths(read("CDEFGA |]", "M:3/4\nK:C\n")) == [0.5] * 6
    assert abc_fields.default_unit(abc_fields.metre("2/4")) == abc_fields.Fraction(1, 4)
    assert abc_fields.default_unit(abc_fields.metre("3/4")) == abc_fields.Fraction(1, 2)


def test_broken_rhythm_also_across_graces_and_in_triplets() -> None:
    assert lengths(read("A>B c<d A>>B z2 |]")) == [0.75, 0.25, 0.25, 0.75, 0.875, 0.125]
    graced = read("A>{g}B c2 z4 |]")
    assert lengths(graced) == [0.75, 0.0, 0.25, 1.0]
    assert lengths(read("(3A>Bc d2 z4 |]"))[:3] == [0.5, round(1 / 6, 4), round(1 / 3, 4)]


@pytest.mark.parametrize(
    ("text", "head", "expected"),
    [
        ("(3ABc z6 |]", "M:4/4\nL:1/8\nK:C\n", [1 / 3] * 3),
        ("(3:2:2 c2 d z6 |]", "M:4/4\nL:1/8\nK:C\n", [2 / 3, 1 / 3]),
        ("(5:4 ABcde z4|]", "M:4/4\nL:1/8\nK:C\n", [0.4] * 5),
        ("(6ABcABc z6|]", "M:4/4\nL:1/8\nK:C\n", [1 / 6] * 6),
        ("(2AB z3|]", "M:6/8\nL:1/8\nK:C\n", [0.75] * 2),
        ("(4ABcd z3|]", "M:6/8\nL:1/8\nK:C\n", [0.375] * 4),
    ],
)
def test_tuplets(text: str, head: str, expected: list[float]) -> None:
    assert lengths(read(text, head)) == pytest.approx(expected, abs=1e-4)


def test_a_length_no_head_shows_is_tied_together() -> None:
    piece = read("C5 D3 | E7 F |]")
    assert lengths(piece) == [2.5, 1.5, 3.5, 0.5]
    assert [len(note.engraved_ids) for note in piece.notes] == [2, 1, 1, 1]
    assert check(HEAD + "(3:2:1C F5 |").musicxml  # wrong, but shown: the long note begins between the eighths
    assert check(HEAD + "C8 | (3C5DE |").problems[0].startswith("Bar 2 (line 6): a note or rest is too short or too")


def test_ties_slurs_and_their_difference() -> None:
    piece = read("(C2 D2) E4- | E2 (F G (A) B) c2 |]")
    assert names(piece) == ["C4", "D4", "E4", "F4", "G4", "A4", "B4", "C5"]
    assert lengths(piece)[2] == 3.0
    assert [n.slurred_from_previous for n in piece.notes] == [False, True, False, False, True, True, True, False]


def test_graces_trills_and_other_signs() -> None:
    piece = read("{/d}c2 {ef}!trill!e4 {de} f2 | .g2 !tenuto!a2 !>!b2 Hc2 | Td2 !turn!c2 Mb2 Pa2 |]")
    assert [(n.written_pitch, n.grace) for n in piece.notes[:8]] == [
        ("D5", True), ("C5", False), ("E5", True), ("F5", True), ("E5", False), ("D5", True), ("E5", True),
        ("F5", False),
    ]  # fmt: skip
    assert [n.articulations for n in piece.notes[8:11]] == [("staccato",), ("tenuto",), ("accent",)]
    assert piece.notes[11].fermata
    assert [n.ornament.kind for n in piece.notes if n.ornament] == [
        "trill", "trill", "turn", "mordent", "inverted-mordent",
    ]  # fmt: skip
    assert [n.ornament.sounding_midi for n in piece.notes if n.ornament] == [(77,), (76,), (74, 71), (81,), (83,)]


def test_dynamics_hairpins_and_breaths() -> None:
    piece = read("!p!C2 !<(!D2 E2 !<)!F2 | !f!G4 A4 !breath! | B2 !breath!c6 |]")
    assert [n.dynamic for n in piece.notes] == ["p"] * 4 + ["f"] * 4
    assert [n.hairpin for n in piece.notes] == [None, "crescendo", "crescendo", "crescendo", None, None, None, None]
    assert [n.breath_after for n in piece.notes] == [False] * 5 + [True, False, True]


def test_repeats_endings_and_jumps() -> None:
    def bars(body: str) -> str:
        return " ".join(bar.number for bar in read(body).bars)

    assert bars("C8 |: D8 :| E8 |]") == "1 2 2 3"
    assert bars("|: C8 |1 D8 :|2 E8 || F8 |]") == "1 2 1 3 4"
    assert bars("C8 :: D8 :|") == "1 1 2 2"
    assert bars("|:: C8 ::|") == "1 1 1"
    assert bars("|: C8 |[1,2 D8 :|[3 E8 |]") == "1 2 1 2 1 3"
    assert bars("C8 !fine! | D8 !D.C.! |]") == "1 2 1"
    assert bars("C8 | !segno!D8 !dacoda! | E8 !D.S.alcoda! | !coda!F8 |]") == "1 2 3 2 4"


def test_changes_of_key_metre_length_and_tempo_on_the_way() -> None:
    piece = read("C8 | [K:Eb][M:3/4][L:1/4][Q:1/4=60] B2 E | \nM:4/4\nK:A\nF4 |]")
    assert [(b.beats, b.beat_type, b.fifths) for b in piece.bars] == [(4, 4, 0), (3, 4, -3), (4, 4, 3)]
    assert names(piece) == ["C4", "Bb4", "Eb4", "F#4"]
    assert [(m.onset_quarters, m.beats_per_minute) for m in piece.tempo_marks] == [(0.0, 100.0), (4.0, 60.0)]


def test_rests_of_bars_chords_comments_and_words() -> None:
    piece = read('% a comment\nC8 | Z2 | [CEG]4 "^dolce" "Am" D4 | %%stretch 0.5\nw: la la\n x8 | E8 |]')
    assert [(n.written_pitch, n.bar) for n in piece.notes] == [("C4", "1"), ("G4", "4"), ("D4", "4"), ("E4", "6")]
    assert piece.notes[1].chord_sounding_midi == (60, 64, 67)


def test_no_head_at_all_is_common_time_in_c() -> None:
    piece = read_abc("CDEF GABc | c8 |]", instrument="flute", title="Bare")
    assert (piece.title, len(piece.bars), piece.bars[0].beats) == ("Bare", 2, 4)


def test_a_transposing_page_sounds_lower() -> None:
    piece = read_abc(HEAD + "c8|]", instrument="clarinet-bb")
    assert (piece.notes[0].written_pitch, piece.notes[0].sounding_midi) == ("C5", 70)
    assert not any("transposition" in sentence for sentence in piece.warnings)


# Bars and their lengths


def test_good_bars_say_so() -> None:
    result = check("M:3/4\nL:1/4\nK:F\nC|FGA|c3|A2C|F2|]")
    assert result.ok
    assert result.sentence == "4 bars and a pickup; every length is right."
    assert [(b.number, b.length_quarters, b.expected_quarters) for b in result.bars] == [
        ("0", 1.0, 3.0), ("1", 3.0, 3.0), ("2", 3.0, 3.0), ("3", 3.0, 3.0), ("4", 2.0, 3.0),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("body", "sentence"),
    [
        ("C8|D7|E8|]", "Bar 2 is an eighth note too short: it holds 7 eighth notes where 4/4 asks for 8."),
        ("C8|D6 E4|E8|]", "Bar 2 is a quarter note too long: it holds 5 quarter notes where 4/4 asks for 4."),
        ("C8|D8|E6|]", "Bar 3 is a quarter note too short: it holds 3 quarter notes where 4/4 asks for 4."),
        ("C8|(3DDD D4|E8|]", "Bar 2 is a quarter note too short: it holds 3 quarter notes where 4/4 asks for 4."),
        ("C8|D6 (3D/D/D/|E8|]", "Bar 2 is an eighth note too short: it holds 7 eighth notes where 4/4 asks for 8."),
        (
            "C8|D7 D/ D/4|E8|]",
            "Bar 2 is a thirty-second note too short: it holds 31 thirty-second notes where 4/4 asks for 32.",
        ),
        ("C8|D7 (3DD|", "Bar 2 (line 6): A tuplet (3 lacks 1 of its notes before the barline."),
        ("C8|[M:6/8]D5|", "Bar 2 is an eighth note too short: it holds 5 eighth notes where 6/8 asks for 6."),
        ("C3|D8|E4|]", "Bar 2 is a half note too short: it holds 2 quarter notes where 4/4 asks for 4."),
    ],
)
def test_wrong_bars_are_named_with_the_difference(body: str, sentence: str) -> None:
    result = check(HEAD + body)
    assert not result.ok
    assert sentence in result.problems


def test_sections_that_begin_short_are_filled_up_at_their_end() -> None:
    assert check(HEAD + "C2|D8|E6:|:F2|G8|A6:|").ok
    assert check(HEAD + "C2|D8|1E6:|2F6||").ok
    assert check(HEAD + "|:C8|D6:|E2|F8|]").ok  # one bar, split by the repeat
    split = check(HEAD + "|:C8|D6:|E2|F8|]")
    assert [one.number for one in split.bars] == ["1", "2", "2", "3"]
    assert not check(HEAD + "C2|D8|E4:|:F2|G8|A6:|").ok


def test_free_metre_is_not_measured() -> None:
    assert check("M:none\nL:1/4\nK:C\nCDE|FGABc|d|]").ok


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "There is no note yet; type one, such as C D E F | G4 |."),
        ("X:1\nT:Only a head\nK:C\n", "There is no note yet"),
        (HEAD + "C8|h8|", "Bar 1 (line 6): “h” is not a note; notes are the letters A to G"),
        (HEAD + "C8|C4 8C4|", "“8” stands where a note is expected; lengths come right behind their note, like C2."),
        (HEAD + "C8|^2C|", "An accidental (“^”) stands before no note."),
        (HEAD + "(C8|D8|]", "Bar 1 (line 6): A slur that begins here is never closed; end it with “)”."),
        (HEAD + "C8)|D8|]", "closes a slur that was not opened"),
        (HEAD + "()C8|]", "A slur “()” holds no note."),
        (HEAD + "C8-|D8|]", "A tie leads to a note of another pitch; use a slur ( ) for two different notes."),
        (HEAD + "C8-|]", "A tie at the end leads to no note."),
        (HEAD + "-C8|]", "A tie “-” must stand right behind its note."),
        (HEAD + "{gC8|]", "A grace note group is not closed"),
        (HEAD + "g}C8|]", "closes a grace note group that was not opened"),
        (HEAD + "[CEG8|]", "can't be read inside a chord"),
        (HEAD + "[]4 C8|]", "A chord “[]” holds no note."),
        (HEAD + "C7>|D8|]", "A broken rhythm sign (> or <) stands before a barline"),
        (HEAD + ">C8|]", "A broken rhythm sign (> or <) needs a note on both sides."),
        (HEAD + "!boom!C8|]", "The sign !boom! is not known; it was left out."),
        (HEAD + "!trill C8|]", "is not closed, as in !trill!."),
        (HEAD + "C8 !trill!|D8|]", "stands before no note; write it right before its note."),
        (HEAD + "(1C8|]", "“(1” is not a tuplet"),
        (HEAD + "C3/3 D7|]", "“3/3” is not a length"),
        (HEAD + "C8 & E8|]", "Two voices in one bar (&) can't be followed"),
        ("V:1\n" + HEAD + "C8|\nV:2\nE8|", "A second voice begins here (V:2); type one line only."),
        (HEAD + "C8|\nX:2\nK:C\nD8|", "A second tune begins here (X:); type one piece at a time."),
        ("M:5\nK:C\nC8|", "M:5 is not a metre; write it like M:4/4 or M:6/8."),
        ("L:1/7\nK:C\nC8|", "L:1/7 is not a note length; write it like L:1/8."),
        ("K:H\nC8|", "K:H is not a key; write it like K:D, K:Bb or K:Ddor."),
        ("K:Cfoo\nC8|", "names no mode"),
        ("K:G#\nC8|", "would need 8 accidentals"),
        ("Q:fast\nK:C\nC8|", "Q:fast is not a tempo; write it like Q:1/4=96 or Q:3/8=54."),
        ("Q:5/4=40\nK:C\nC8|", "no single note shows"),
        ("Q:1/4=9000\nK:C\nC8|", "outside of 10 to 600"),
        ("C'''''''8|", "lies outside of what can be played"),
        (HEAD + 'C8 "open|D8|', "A text in quotes is not closed"),
        (HEAD + "C4 Z2|", "must stand alone between barlines"),
    ],
)
def test_every_mistake_is_one_sentence(text: str, sentence: str) -> None:
    result = check(text)
    assert not result.ok
    assert any(sentence in one for one in result.problems), result.problems
    assert result.sentence == result.problems[0]
    with pytest.raises(BadNotation) as caught:
        read_abc(text, instrument="flute")
    assert caught.value.sentence == result.sentence


def test_a_wrong_bar_is_engraved_all_the_same() -> None:
    result = check_abc(HEAD + "C8|D7|", instrument="clarinet-bb")
    assert not result.ok
    assert result.svg.startswith("<svg")
    assert b'id="h2"' in result.musicxml
    assert check_abc("X:1\nK:C\n").svg == ""


def test_ids_of_the_engraving_are_those_of_the_piece() -> None:
    text = HEAD + "{d}C8-|C8|!trill!D8|]"
    result = check_abc(text, instrument="flute")
    piece = read_abc(text, instrument="flute")
    ids = [name for note in piece.notes for name in note.engraved_ids]
    assert ids == ["h1", "h2", "h3", "h4"]
    assert all(f'id="{name}"' in result.svg for name in ids)


# Against an independent reader (music21 10.5 overlooks a key that changes inside a line, so it changes between lines)


TUNES = {
    "ties and modes": "X:1\nM:4/4\nL:1/8\nK:Ddor\nD2 EF G2 AB|c4- c2 BA|G2 F2 E4|D8|]",
    "broken rhythm": "X:1\nM:3/4\nL:1/8\nK:G\nG>A B>c d2|e<d c>B A2|G6|]",
    "triplets": "X:1\nM:2/4\nL:1/8\nK:Bb\n(3BAG F2|(3EDC B,2|(3:2:2 c2 d e2|F4|]",
    "changes": "X:1\nM:4/4\nL:1/8\nK:D\nF2 A2 d2 f2|[M:3/4] e2 c2 A2|\nK:Am\nc2 B2 A2|A6|]",
    "pickup and octaves": "X:1\nM:6/8\nL:1/8\nQ:3/8=54\nK:E\nB,|E2 G B2 e|g2 e c'2 b|^a3 =a2 g|f3-f2|]",
}


@pytest.mark.parametrize("tune", TUNES.values(), ids=TUNES.keys())
def test_music21_hears_the_same_notes(tune: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from music21 import converter

        notes = converter.parseData(tune, format="abc").stripTies().flatten().notes
        theirs = [(round(float(n.offset), 4), round(float(n.quarterLength), 4), n.pitch.midi) for n in notes]
    ours = read_abc(tune, instrument="flute")
    assert [(round(n.onset_quarters, 4), round(n.length_quarters, 4), n.sounding_midi) for n in ours.notes] == theirs


# Anything may be typed


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet="ABCdefgz|:[](){}<>-/'^_=,.!\"~1234 \nKMLQ+&Z%\\hHT", max_size=60))
def test_whatever_is_typed_is_checked_and_never_breaks(text: str) -> None:
    result = check(text)
    assert result.ok or result.problems
    if result.ok:
        assert read_abc(text, instrument="flute").notes

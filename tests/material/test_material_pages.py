"""Pitch names, ornaments, excerpts, phrases, other instruments, and pages laid out again."""

import itertools
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.domain.errors import BadInput
from app.domain.piece import Bar, Ornament, Piece, PieceNote, TempoMark
from app.material.assembling import assemble
from app.material.excerpting import excerpt
from app.material.instruments import INSTRUMENTS, instrument, instrument_called, instrument_of_program
from app.material.laying_out import cut, is_printable, lay_out, with_heads
from app.material.ornaments import ornament_pitches
from app.material.phrasing import guess_phrases
from app.material.pitch_names import Pitch, at_diatonic, key_alter, pitch, pitch_class, spelled
from app.material.transposing import for_instrument
from app.material.written import WrittenBar, WrittenNote, WrittenOrnament, WrittenPart, felt_beat

# Pitch names


def test_names_and_numbers() -> None:
    assert [pitch(name).midi for name in ("C4", "A4", "Bb3", "F##5", "Cb4", "B#3")] == [60, 69, 58, 79, 59, 60]
    assert pitch("e♭5").name == "Eb5"
    for bad in ("H4", "C", "", "C#b4", "4C"):
        with pytest.raises(BadInput, match="write it like Bb4 or F#5"):
            pitch(bad)


def test_note_names_without_octave() -> None:
    assert [pitch_class(one) for one in ("D", "bb", "F sharp", "E flat", "c#")] == [
        ("D", 0), ("B", -1), ("F", 1), ("E", -1), ("C", 1),
    ]  # fmt: skip
    with pytest.raises(BadInput, match="write it like D, Bb or F#"):
        pitch_class("Q")


def test_key_signatures() -> None:
    """The order of sharps and flats (common practice)."""
    sharps, flats = "FCGDAEB", "BEADGCF"
    for count in range(8):
        assert [s for s in sharps if key_alter(s, count) == 1] == list(sharps[:count])
        assert [f for f in flats if key_alter(f, -count) == -1] == list(flats[:count])


@given(st.integers(12, 120), st.integers(-7, 7), st.booleans())
def test_a_spelling_sounds_the_number(midi: int, fifths: int, falling: bool) -> None:
    named = spelled(midi, fifths, falling=falling)
    assert named.midi == midi
    assert pitch(named.name) == named


def test_the_key_decides_the_spelling() -> None:
    assert [spelled(61, fifths).name for fifths in (-4, 0, 3)] == ["Db4", "C#4", "C#4"]
    assert [spelled(70, fifths).name for fifths in (-1, 0, 5)] == ["Bb4", "Bb4", "A#4"]


# Instruments


def test_every_instrument_is_whole() -> None:
    for key, one in INSTRUMENTS.items():
        assert one.key == key
        assert one.lowest_sounding_midi < one.highest_sounding_midi
        assert -12 < one.chromatic < 12
        assert instrument(key) is one
    with pytest.raises(BadInput, match="choose one from the list"):
        instrument("kazoo")


@pytest.mark.parametrize(
    ("name", "shift", "key"),
    [
        ("B♭ Clarinet 1", None, "clarinet-bb"),
        ("Clarinet in A", None, "clarinet-a"),
        ("E-flat clarinet", None, "clarinet-eb"),
        ("Bass Clarinet in Bb", None, "bass-clarinet"),
        ("Cor anglais", None, "english-horn"),
        ("Bari Sax", None, "sax-baritone"),
        ("Alto Saxophone", None, "sax-alto"),
        ("Baritone T.C.", None, "euphonium-treble"),
        ("Trumpet in C", None, "trumpet-c"),
        ("Violoncello", None, "cello"),
        ("Contrabass", None, "double-bass"),
        ("Solo", None, None),
        ("Solo", -7, "horn-f"),
        ("Trumpet", 0, "trumpet-c"),
        ("Clarinet", -14, "bass-clarinet"),
    ],
)
def test_names_in_files(name: str, shift: int | None, key: str | None) -> None:
    found = instrument_called(name, shift)
    if (name, shift) == ("Clarinet", -14):
        assert found is not None
        assert INSTRUMENTS[found].transposition_semitones == -14
    else:
        assert found == key


def test_general_midi_programs() -> None:
    """General MIDI level 1: 72 clarinet and 74 flute, counted from 1."""
    assert (instrument_of_program(71), instrument_of_program(73)) == ("clarinet-bb", "flute")
    assert instrument_of_program(126) is None


# Ornaments


def test_ornaments_at_letter_and_octave_boundaries() -> None:
    assert ornament_pitches(WrittenOrnament("trill"), pitch("B4"), 0, {}) == (pitch("C5"),)
    assert ornament_pitches(WrittenOrnament("mordent"), pitch("C4"), 0, {}) == (pitch("B3"),)
    assert ornament_pitches(WrittenOrnament("turn"), pitch("Bb4"), -2, {}) == (pitch("C5"), pitch("A4"))
    sharp = WrittenOrnament("trill", accidental_above=1)
    assert ornament_pitches(sharp, pitch("E4"), 0, {pitch("F4").diatonic: 0}) == (pitch("F#4"),)
    assert at_diatonic(pitch("B4").diatonic + 1, 0) == Pitch(5, "C")


# A page of whole-tone steps to cut and phrase


def page(count: int = 8, **changes: object) -> WrittenPart:
    bars = tuple(
        WrittenBar(
            number=str(i + 1),
            length=Fraction(4),
            beats=4,
            beat_type=4,
            fifths=0,
            notes=tuple(
                WrittenNote(Fraction(2 * k), Fraction(2), (Pitch(4, "CDEFGAB"[(i + k) % 7]),), (f"h{2 * i + k + 1}",))
                for k in range(2)
            ),
        )
        for i in range(count)
    )
    return WrittenPart("Steps", bars)


def test_an_excerpt_ends_what_sounds_over_its_edge_and_starts_afresh() -> None:
    part = page(3)
    tied = replace(part.bars[1].notes[1], tie_to=True)
    onward = replace(part.bars[2].notes[0], pitches=tied.pitches, tie_from=True)
    bars = (
        part.bars[0],
        replace(part.bars[1], notes=(part.bars[1].notes[0], tied)),
        replace(part.bars[2], notes=(onward, part.bars[2].notes[1])),
    )
    piece = assemble(replace(part, bars=bars), "flute")
    assert piece.notes[3].length_quarters == 4.0
    first = excerpt(piece, "1", "2")
    assert first.notes[-1].length_quarters == 2.0
    last = excerpt(piece, "3", None)
    assert [note.note_id for note in last.notes] == ["n6"]  # the tied-over sound belongs to bar 2
    assert last.notes[0].onset_quarters == 2.0
    assert excerpt(piece, None, None) is piece


def test_an_excerpt_over_a_repeat_is_played_once_by_the_last_ending() -> None:
    part = page(4)
    signs = [
        {"repeat_start": True},
        {"endings": (1,), "repeat_end": 2},
        {"endings": (2,)},
        {},
    ]
    bars = tuple(
        replace(bar, navigation=replace(bar.navigation, **sign)) for bar, sign in zip(part.bars, signs, strict=True)
    )
    piece = assemble(replace(part, bars=bars), "flute")
    assert [bar.number for bar in piece.bars] == ["1", "2", "1", "3", "4"]
    cut_out = excerpt(piece, "1", "4")
    assert [bar.number for bar in cut_out.bars] == ["1", "3", "4"]
    assert [bar.pass_number for bar in cut_out.bars] == [1, 1, 1]
    assert all("-" not in note.note_id for note in cut_out.notes)
    with pytest.raises(BadInput, match="does not come after bar 4"):
        excerpt(piece, "4", "1")


def test_the_tempo_in_force_comes_along() -> None:
    piece = assemble(page(4), "flute")
    marks = (TempoMark(0.0, 1.0, 60.0, "Slow"), TempoMark(6.0, 1.0, 90.0), TempoMark(12.0, 2.0, 50.0))
    found = excerpt(replace(piece, tempo_marks=marks), "3", "4").tempo_marks
    assert [(m.onset_quarters, m.beats_per_minute) for m in found] == [(0.0, 90.0), (4.0, 50.0)]


def test_bars_without_notes_can_not_be_an_excerpt() -> None:
    part = page(2)
    silent = replace(part, bars=(part.bars[0], replace(part.bars[1], notes=())))
    with pytest.raises(BadInput, match="hold no note"):
        excerpt(assemble(silent, "flute"), "2", "2")


def line(*lengths: float, rests: dict[int, float] | None = None) -> Piece:
    """Notes in 4/4 of these lengths; ``rests`` gives silences before a note by its index."""
    at, notes = 0.0, []
    for i, length in enumerate(lengths):
        at += (rests or {}).get(i, 0.0)
        bar = int(at // 4)
        name = Pitch(4, "CDEFGAB"[i % 7])
        notes.append(PieceNote(f"n{i + 1}", str(bar + 1), bar, 1 + at % 4, at, length, name.name, name.midi, name.midi))
        at += length
    bars = tuple(Bar(i, str(i + 1), 4.0 * i, 4.0, 4, 4, 1.0) for i in range(int(-(-at // 4))))
    return Piece("Line", "flute", 0, tuple(notes), bars, (TempoMark(0.0, 1.0, 96.0),))


def phrase_starts(piece: Piece) -> list[str]:
    return [phrase.start_note_id for phrase in guess_phrases(piece)]


def test_phrases_end_at_rests_breaths_fermatas_and_long_slurs() -> None:
    plain = line(*[1.0] * 16)
    assert phrase_starts(plain) == ["n1"]
    assert phrase_starts(line(*[1.0] * 15, rests={8: 1.0})) == ["n1", "n9"]
    assert phrase_starts(line(*[1.0] * 15, rests={8: 0.5})) == ["n1"]  # a short rest is no end
    for change in ({"breath_after": True}, {"fermata": True}):
        notes = list(plain.notes)
        notes[7] = replace(notes[7], **change)
        assert phrase_starts(replace(plain, notes=tuple(notes))) == ["n1", "n9"]
    slurred = tuple(replace(note, slurred_from_previous=i not in (0, 8)) for i, note in enumerate(plain.notes))
    assert phrase_starts(replace(plain, notes=slurred)) == ["n1", "n9"]
    assert all(phrase.guessed for phrase in guess_phrases(plain))


def test_a_phrase_of_three_notes_joins_its_neighbour() -> None:
    assert phrase_starts(line(*[1.0] * 14, rests={3: 1.0, 9: 1.0})) == ["n1", "n10"]


# Another instrument


def test_another_instrument_reads_the_same_notes() -> None:
    piece = line(1.0, 1.0)
    piece = replace(
        piece,
        notes=(
            replace(piece.notes[0], ornament=Ornament("trill", (62,)), chord_sounding_midi=(55, 60)),
            replace(piece.notes[1], unpitched=True),
        ),
    )
    moved = for_instrument(piece, "sax-baritone")
    assert (moved.instrument, moved.transposition_semitones) == ("sax-baritone", -21)
    assert [n.written_pitch for n in moved.notes] == [n.written_pitch for n in piece.notes]
    assert moved.notes[0].sounding_midi == 60 - 21
    assert moved.notes[0].chord_sounding_midi == (34, 39)
    assert moved.notes[0].ornament == Ornament("trill", (41,))
    assert moved.notes[1].sounding_midi == piece.notes[1].sounding_midi
    assert for_instrument(piece, "flute") is piece
    assert for_instrument(moved, "flute").notes == piece.notes


# Onto a page again


@pytest.mark.parametrize(
    ("length", "printable"),
    [
        ("1", True),
        ("3/2", True),
        ("7/4", True),
        ("5/4", False),
        ("1/3", True),
        ("5/3", False),
        ("1/5", True),
        ("9", False),
    ],
)
def test_what_one_head_shows(length: str, printable: bool) -> None:
    assert is_printable(Fraction(length)) is printable


def test_felt_beats() -> None:
    assert [felt_beat(*metre) for metre in ((4, 4), (6, 8), (9, 8), (3, 8), (3, 4), (2, 2), (5, 8), (12, 16))] == [
        1, Fraction(3, 2), Fraction(3, 2), Fraction(1, 2), 1, 2, Fraction(1, 2), Fraction(3, 4),
    ]  # fmt: skip


@given(st.integers(0, 47), st.integers(1, 96), st.sampled_from([Fraction(1), Fraction(3, 2), Fraction(2)]))
def test_a_cut_stretch_is_whole_again_and_each_piece_printable(start: int, length: int, beat: Fraction) -> None:
    begin, end = Fraction(start, 12), Fraction(start + length, 12)
    pieces = cut(begin, end, beat)
    assert pieces[0][0] == begin
    for (onset, lasting), (after, _) in itertools.pairwise(pieces):
        assert onset + lasting == after
    assert pieces[-1][0] + pieces[-1][1] == end
    assert all(is_printable(lasting) for _, lasting in pieces)


def test_heads_carry_their_notes_ids_and_bars_are_filled_with_rests() -> None:
    piece = with_heads(line(3.0, 2.0, 1.0, rests={2: 1.0}))
    assert [note.engraved_ids for note in piece.notes] == [("n1h1",), ("n2h1", "n2h2"), ("n3h1",)]
    laid = lay_out(piece)
    for bar in laid.bars:
        assert sum((one.length for one in bar.notes), Fraction(0)) == bar.length
    assert [one.is_rest for one in laid.bars[1].notes] == [False, True, False, True]


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.sampled_from([0.25, 1 / 3, 0.5, 2 / 3, 0.75, 1.0, 1.25, 1.5, 2.0, 3.5, 5.0]), min_size=1, max_size=20)
)
def test_a_page_laid_out_is_the_piece_again(lengths: list[float]) -> None:
    piece = with_heads(line(*lengths))
    again = assemble(lay_out(piece), "flute")
    shown = [(n.written_pitch, round(n.onset_quarters, 6), round(n.length_quarters, 6)) for n in again.notes]
    assert shown == [(n.written_pitch, round(n.onset_quarters, 6), round(n.length_quarters, 6)) for n in piece.notes]
    assert [n.engraved_ids for n in again.notes] == [n.engraved_ids for n in piece.notes]

"""Scales, arpeggios and chromatic runs: spelled as printed in method books, in range, in rhythm."""

import re
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.domain.errors import BadInput
from app.domain.piece import Piece
from app.material.generating import generate
from app.material.instruments import INSTRUMENTS
from app.material.pitch_names import key_alter, pitch
from app.material.recipe import ARPEGGIOS, RHYTHMS, SCALES, Recipe, recipe_from


def made(**values: Any) -> Piece:
    return generate(recipe_from({"kind": "scale", "tonic": "C", "instrument": "clarinet-bb", **values}))


def up(**values: Any) -> str:
    return " ".join(note.written_pitch for note in made(direction="up", **values).notes)


# As printed in any scale book (common practice).
@pytest.mark.parametrize(
    ("tonic", "mode", "rising"),
    [
        ("Bb", "major", "Bb3 C4 D4 Eb4 F4 G4 A4 Bb4"),
        ("F#", "major", "F#3 G#3 A#3 B3 C#4 D#4 E#4 F#4"),
        ("Gb", "major", "Gb3 Ab3 Bb3 Cb4 Db4 Eb4 F4 Gb4"),
        ("D", "natural minor", "D4 E4 F4 G4 A4 Bb4 C5 D5"),
        ("G#", "harmonic minor", "G#3 A#3 B3 C#4 D#4 E4 F##4 G#4"),
        ("Eb", "melodic minor", "Eb4 F4 Gb4 Ab4 Bb4 C5 D5 Eb5"),
        ("D", "dorian", "D4 E4 F4 G4 A4 B4 C5 D5"),
        ("E", "phrygian", "E3 F3 G3 A3 B3 C4 D4 E4"),
        ("F", "lydian", "F3 G3 A3 B3 C4 D4 E4 F4"),
        ("G", "mixolydian", "G3 A3 B3 C4 D4 E4 F4 G4"),
        ("B", "locrian", "B3 C4 D4 E4 F4 G4 A4 B4"),
        ("C", "whole tone", "C4 D4 E4 F#4 G#4 A#4 C5"),
        ("Db", "whole tone", "Db4 Eb4 F4 G4 A4 B4 Db5"),
    ],
)
def test_scales_are_spelled_one_letter_after_the_other(tonic: str, mode: str, rising: str) -> None:
    assert up(tonic=tonic, mode=mode) == rising


@pytest.mark.parametrize(
    ("tonic", "mode", "rising"),
    [
        ("F", "major", "F3 A3 C4 F4"),
        ("C", "minor", "C4 Eb4 G4 C5"),
        ("G", "dominant7", "G3 B3 D4 F4 G4"),
        ("B", "diminished7", "B3 D4 F4 Ab4 B4"),
        ("C#", "half-diminished7", "C#4 E4 G4 B4 C#5"),
        ("Eb", "augmented", "Eb4 G4 B4 Eb5"),
        ("A", "minor seventh", "A3 C4 E4 G4 A4"),
        ("Ab", "major7", "Ab3 C4 Eb4 G4 Ab4"),
    ],
)
def test_arpeggios(tonic: str, mode: str, rising: str) -> None:
    assert up(kind="arpeggio", tonic=tonic, mode=mode) == rising


def test_melodic_minor_falls_as_natural_minor() -> None:
    names = [note.written_pitch for note in made(tonic="A", mode="melodic minor").notes]
    assert names[:8] == ["A3", "B3", "C4", "D4", "E4", "F#4", "G#4", "A4"]
    assert names[8:] == ["G4", "F4", "E4", "D4", "C4", "B3", "A3"]


def test_a_chromatic_run_rises_in_sharps_and_falls_in_flats() -> None:
    names = " ".join(note.written_pitch for note in made(kind="chromatic", tonic="C").notes)
    assert names == ("C4 C#4 D4 D#4 E4 F4 F#4 G4 G#4 A4 A#4 B4 C5 B4 Bb4 A4 Ab4 G4 Gb4 F4 E4 Eb4 D4 Db4 C4")
    assert made(kind="chromatic", tonic="Eb").mode is None


def test_two_octaves_up_and_down_turn_once_on_the_top_note() -> None:
    piece = made(tonic="Bb", octaves=2)
    midi = [note.written_midi for note in piece.notes]
    assert len(midi) == 29
    assert midi == midi[::-1]
    assert midi.count(max(midi)) == 1
    assert [note.sounding_midi - note.written_midi for note in piece.notes] == [-2] * 29


def test_down_begins_on_top() -> None:
    assert [n.written_pitch for n in made(direction="down", tonic="G", mode="major").notes][::7] == ["G4", "G3"]


@pytest.mark.parametrize("rhythm", [*RHYTHMS, "1 1/2 1/2", "3/2 1/2", "1/5 1/5 1/5 1/5 1/5"])
def test_rhythm_patterns_repeat_and_the_last_note_fills_its_bar(rhythm: str) -> None:
    piece = made(rhythm=rhythm, octaves=2)
    pattern = RHYTHMS.get(rhythm) or tuple(Fraction(one) for one in rhythm.split())
    for i, note in enumerate(piece.notes[:-1]):
        assert note.length_quarters == pytest.approx(float(pattern[i % len(pattern)]))
        assert piece.notes[i + 1].onset_quarters == pytest.approx(note.onset_quarters + note.length_quarters)
    last = piece.notes[-1]
    assert last.length_quarters >= 1
    assert last.onset_quarters + last.length_quarters == pytest.approx(piece.length_quarters)
    assert piece.length_quarters % 4 == 0


def test_compound_metre_counts_dotted_beats() -> None:
    piece = made(metre="6/8", rhythm="eighths", tempo_bpm=54)
    assert piece.tempo_marks[0].beat_unit_quarters == 1.5
    assert [note.beat for note in piece.notes[:4]] == pytest.approx([1, 4 / 3, 5 / 3, 2])
    assert piece.tempo_marks[0].quarter_sec / 2 == pytest.approx(60 / 162)


def test_slurred_and_tongued() -> None:
    assert [n.slurred_from_previous for n in made(slurred=True).notes][:3] == [False, True, True]
    assert not any(n.slurred_from_previous for n in made().notes)


def test_the_key_signature_leaves_no_accidental_in_major_and_natural_minor() -> None:
    for tonic in ("C", "G", "D", "A", "E", "B", "F#", "F", "Bb", "Eb", "Ab", "Db"):
        piece = made(tonic=tonic, mode="major")
        for note in piece.notes:
            named = pitch(note.written_pitch)
            assert named.alter == key_alter(named.step, piece.bars[0].fifths)


@pytest.mark.parametrize("key", [key for key, one in INSTRUMENTS.items() if not one.unpitched])
def test_every_instrument_has_room_for_an_octave_and_stays_inside(key: str) -> None:
    player = INSTRUMENTS[key]
    for tonic in ("C", "F#", "Bb"):
        for note in made(tonic=tonic, mode="major", instrument=key).notes:
            assert player.lowest_sounding_midi <= note.sounding_midi <= player.highest_sounding_midi


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ({"kind": "tune"}, "Choose what to generate: scale, arpeggio or chromatic."),
        ({"tonic": "H"}, "“H” is not a note name; write it like D, Bb or F#."),
        ({"mode": "blues"}, "There is no scale “blues”; choose one of: major"),
        ({"kind": "arpeggio", "mode": "dorian"}, "There is no arpeggio “dorian”"),
        ({"octaves": 0}, "The octaves must be a whole number from 1 to 4."),
        ({"octaves": "many"}, "The octaves must be a whole number"),
        ({"octaves": True}, "The octaves must be a whole number"),
        ({"octaves": 4}, "4 octaves from C4 to C8 leave the range of the Clarinet in B♭, which reads from E3 to C7"),
        ({"start_octave": 2}, "One octave from C2 to C3 leave the range"),
        ({"tempo_bpm": 0}, "The tempo must be a number from 20 to 400."),
        ({"tempo_bpm": "brisk"}, "The tempo must be a number"),
        ({"tempo_bpm": float("nan")}, "The tempo must be a number"),
        ({"rhythm": "swing"}, "The rhythm must be one of quarters"),
        ({"rhythm": "1 0"}, "The rhythm must be one of quarters"),
        ({"rhythm": "1 1/0"}, "The rhythm must be one of quarters"),
        ({"rhythm": " "}, "The rhythm must be one of quarters"),
        ({"rhythm": 3}, "The rhythm must be one of quarters"),
        ({"metre": "4"}, "The metre must be like 4/4 or 6/8."),
        ({"metre": "4/5"}, "The metre must be like 4/4 or 6/8."),
        ({"beat_unit": "breve"}, "The beat must be one of"),
        ({"direction": "sideways"}, "The direction must be up-down, up or down."),
        ({"instrument": "kazoo"}, "There is no instrument called “kazoo”"),
        ({"instrument": "snare-drum"}, "Snare drum has no pitch"),
        ({"tonic": "G#", "mode": "major"}, "would need 8 accidentals in its key signature; ask for Ab major"),
        ({"tonic": "Fb", "mode": "natural minor"}, "ask for E natural minor"),
    ],
)
def test_what_can_not_be_made_is_said(values: dict[str, Any], sentence: str) -> None:
    with pytest.raises(BadInput, match=re.escape(sentence)):
        made(**values)


@settings(max_examples=200, deadline=None)
@given(
    st.sampled_from(["scale", "arpeggio", "chromatic"]),
    st.sampled_from([f"{letter}{sign}" for letter in "ABCDEFG" for sign in ("", "b", "#")]),
    st.sampled_from([*SCALES, *ARPEGGIOS]),
    st.integers(1, 3),
    st.sampled_from(list(INSTRUMENTS)),
)
def test_whatever_is_made_sounds_as_it_is_spelled(kind: str, tonic: str, mode: str, octaves: int, key: str) -> None:
    values = {"kind": kind, "tonic": tonic, "mode": mode, "octaves": octaves, "instrument": key}
    piece = piece_or_none(values)
    if piece is None:
        return
    midi = [note.written_midi for note in piece.notes]
    assert [pitch(note.written_pitch).midi for note in piece.notes] == midi
    rising = midi[: midi.index(max(midi)) + 1]
    assert rising == sorted(set(rising))
    assert rising[-1] - rising[0] == 12 * octaves
    assert all(note.engraved_ids for note in piece.notes)


def piece_or_none(values: dict[str, Any]) -> Piece | None:
    try:
        return generate(recipe_from(values))
    except BadInput:
        return None


def test_a_recipe_is_a_value() -> None:
    assert recipe_from({"kind": "scale", "tonic": "Bb", "mode": "minor"}) == Recipe(
        "scale", "Bb", "harmonic minor", 1, (Fraction(1, 2),), 96.0, "clarinet-bb"
    )

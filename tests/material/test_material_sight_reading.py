"""Sight-reading: every stated rule, over hundreds of seeds."""

from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest

from app.domain.errors import BadInput
from app.domain.piece import Piece
from app.files.notation import read_notation
from app.files.notation_writing import to_musicxml
from app.material.pitch_names import key_alter, pitch
from app.material.sight_melody import CHORDS, SINGABLE, STEPWISE
from app.material.sight_reading import PHRASES, fingerprint, sight_reading
from app.material.sight_recipe import LEAPS, METRES, VALUES, SightRecipe, sight_recipe_from

KEYS = (("C", "major"), ("D", "minor"), ("Bb", "major"), ("F#", "minor"), ("Ab", "major"), ("E", "minor"))
INSTRUMENTS = ("clarinet-bb", "flute", "trombone", "sax-alto", "horn-f", "violin", "viola", "tuba")
SHORT = ["half", "quarter", "eighth", "dotted quarter", "sixteenth", "dotted eighth"]


def recipes(count: int) -> list[SightRecipe]:
    out = []
    for i in range(count):
        tonic, mode = KEYS[i % len(KEYS)]
        values: dict[str, Any] = {
            "seed": f"seed {i}",
            "tonic": tonic,
            "mode": mode,
            "metre": list(METRES)[i % 4],
            "bars": (8, 4, 16)[i % 3],
            "largest_leap": list(LEAPS)[i % 5],
            "values": SHORT if i % 2 else None,
            "instrument": INSTRUMENTS[i % len(INSTRUMENTS)],
        }
        out.append(sight_recipe_from(values))
    return out


@pytest.fixture(scope="module")
def made() -> list[tuple[SightRecipe, Piece]]:
    return [(recipe, sight_reading(recipe)) for recipe in recipes(360)]


def moves(recipe: SightRecipe, piece: Piece) -> list[tuple[int, int, bool]]:
    """(staff steps, semitones, inside a phrase) from note to note."""
    ends = {phrase.end_note_id for phrase in piece.phrases}
    return [
        (
            pitch(b.written_pitch).diatonic - pitch(a.written_pitch).diatonic,
            b.written_midi - a.written_midi,
            a.note_id not in ends,
        )
        for a, b in pairwise(piece.notes)
    ]


def degree(recipe: SightRecipe, name: str) -> int:
    return (pitch(name).diatonic - pitch(f"{recipe.tonic}4").diatonic) % 7


def test_every_bar_is_filled_with_the_allowed_values_and_the_last_note_is_long(made):
    for recipe, piece in made:
        ends = {phrase.end_note_id for phrase in piece.phrases}
        bar_length = Fraction(4 * recipe.beats, recipe.beat_type)
        for bar in piece.bars:
            inside = [note for note in piece.notes if note.bar_index == bar.index]
            total = sum(Fraction(note.length_quarters) for note in inside)
            if any(note.note_id in ends for note in inside):
                assert len(inside) == 1
                assert 0 < total <= bar_length
            else:
                assert total == bar_length
                assert {Fraction(note.length_quarters) for note in inside} <= set(recipe.values)
        assert len(piece.bars) == recipe.bars
        assert piece.notes[-1].length_quarters == float(bar_length)


def test_pitches_stay_in_the_range_and_the_key(made):
    for recipe, piece in made:
        for note in piece.notes:
            assert recipe.lowest.midi <= note.written_midi <= recipe.highest.midi
            one = pitch(note.written_pitch)
            raised = recipe.mode == "minor" and degree(recipe, note.written_pitch) == 6
            assert one.alter == key_alter(one.step, recipe.fifths) + raised
            assert note.sounding_midi - note.written_midi == piece.transposition_semitones


def test_moves_are_mostly_steps_and_only_singable_intervals(made):
    shares = []
    for recipe, piece in made:
        inside = [(steps, semitones) for steps, semitones, within in moves(recipe, piece) if within]
        shares.append(sum(abs(steps) == 1 for steps, _ in inside) / len(inside))
        for steps, semitones, within in moves(recipe, piece):
            assert abs(semitones) in SINGABLE[abs(steps)]
            assert abs(steps) <= (recipe.largest_leap if within else 5)
    assert min(shares) >= STEPWISE
    assert sum(shares) / len(shares) > 0.65


def test_leaps_are_resolved_by_step_the_other_way(made):
    leaps = 0
    for recipe, piece in made:
        for (one, _, inside), (after, _, goes_on) in pairwise(moves(recipe, piece)):
            if inside and goes_on and abs(one) >= 3:
                leaps += 1
                assert abs(after) == 1
                assert one * after < 0
    assert leaps > 200  # the rule had something to hold


def test_a_second_third_the_same_way_completes_a_triad(made):
    for recipe, piece in made:
        steps = moves(recipe, piece)
        for i, ((one, _, inside), (after, _, goes_on)) in enumerate(pairwise(steps)):
            if inside and goes_on and abs(one) == 2 and abs(after) >= 2 and one * after > 0:
                spelled = {degree(recipe, note.written_pitch) for note in piece.notes[i : i + 3]}
                assert spelled in CHORDS.values()


def test_the_highest_note_comes_once_on_a_beat_in_the_later_part(made):
    for _, piece in made:
        top = max(note.written_midi for note in piece.notes)
        (peak,) = [note for note in piece.notes if note.written_midi == top]
        assert peak.beat == int(peak.beat)
        assert len(piece.bars) / 2 <= peak.bar_index < len(piece.bars) - 1
        assert [phrase.peak_note_id for phrase in piece.phrases if phrase.peak_note_id] == [peak.note_id]


def test_phrases_ask_and_answer(made):
    for recipe, piece in made:
        by_id = {note.note_id: i for i, note in enumerate(piece.notes)}
        counts = PHRASES[recipe.bars]
        assert len(piece.phrases) == len(counts)
        for place, phrase in enumerate(piece.phrases):
            end = piece.notes[by_id[phrase.end_note_id]]
            before = piece.notes[by_id[phrase.end_note_id] - 1]
            assert end.beat == 1.0
            assert abs(pitch(end.written_pitch).diatonic - pitch(before.written_pitch).diatonic) == 1
            closed = place == len(counts) - 1 or (len(counts) == 4 and place == 1)
            assert degree(recipe, end.written_pitch) in ({0} if closed else {1, 4})
            assert end.breath_after is (place < len(counts) - 1)
        assert degree(recipe, piece.notes[0].written_pitch) in (0, 2, 4)
        if recipe.bars >= 8:
            first, again = ([(n.written_pitch, n.beat) for n in piece.notes if n.bar == bar] for bar in ("1", "5"))
            assert first == again


def test_leading_notes_lead_and_no_note_sticks(made):
    for recipe, piece in made:
        names = [note.written_pitch for note in piece.notes]
        moved = moves(recipe, piece)
        for i, (steps, _, inside) in enumerate(moved):
            from_above = i > 0 and moved[i - 1][0] == -1 and moved[i - 1][2]
            if inside and degree(recipe, names[i]) == 6 and not from_above:
                assert steps == 1
        ends = {phrase.end_note_id for phrase in piece.phrases}
        for i in range(len(names) - 3):
            if not ends & {note.note_id for note in piece.notes[i : i + 3]}:
                assert not names[i] == names[i + 1] == names[i + 2]
                a, b, c, d = names[i : i + 4]
                assert not (a == c and b == d and a != b)


def test_the_same_seed_gives_the_same_notes_and_others_give_others(made):
    assert sight_reading(made[0][0]) == made[0][1]
    long = [piece for recipe, piece in made if recipe.bars > 4]
    assert len({fingerprint(piece) for piece in long}) >= 0.99 * len(long)
    assert len({fingerprint(piece) for _, piece in made}) >= 0.9 * len(made)  # four bars of 2/4 hold little
    low, high = (
        sight_reading(sight_recipe_from({"seed": "one", "tonic": tonic, "lowest": f"{tonic}4", "highest": f"{tonic}5"}))
        for tonic in ("C", "D")
    )
    assert fingerprint(low) == fingerprint(high)  # known again in another key
    assert low.notes != high.notes


def test_it_is_engraved_and_read_back_as_it_was_made(made):
    for _, piece in made[:24]:
        read = read_notation(to_musicxml(piece), instrument=piece.instrument)
        assert [(n.written_pitch, n.onset_quarters, n.length_quarters) for n in read.notes] == [
            (n.written_pitch, n.onset_quarters, n.length_quarters) for n in piece.notes
        ]


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"seed": ""}, "seed"),
        ({"metre": "5/4"}, "metre"),
        ({"bars": 7}, "4, 8 or 16"),
        ({"bars": True}, "4, 8 or 16"),
        ({"values": ["half"]}, "quarter"),
        ({"values": ["whole"]}, "note value"),
        ({"largest_leap": "ninth"}, "leap"),
        ({"tempo_bpm": "fast"}, "tempo"),
        ({"lowest": "C4", "highest": "E4"}, "sixth"),
        ({"lowest": "C1", "highest": "E4"}, "range"),
        ({"lowest": "E5", "highest": "C4"}, "range"),
        ({"tonic": "G#", "mode": "major"}, "accidentals"),
        ({"instrument": "snare-drum"}, "no pitch"),
        ({"tonic": "E", "lowest": "F4", "highest": "D5"}, "no E"),
    ],
)
def test_what_can_not_be_made_is_said(values, said):
    with pytest.raises(BadInput) as refused:
        sight_reading(sight_recipe_from({"seed": "x", **values}))
    assert said in refused.value.sentence
    assert refused.value.sentence.endswith(".")


def test_value_names_are_lengths():
    assert VALUES["dotted eighth"] + VALUES["sixteenth"] == VALUES["quarter"]

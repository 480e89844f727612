"""Scales, arpeggios and chromatic runs, correctly spelled, from a recipe."""

from dataclasses import dataclass
from fractions import Fraction

from app.domain.errors import BadInput
from app.domain.piece import Bar, Phrase, Piece, PieceNote, TempoMark
from app.material.instruments import Instrument, instrument
from app.material.laying_out import with_heads
from app.material.pitch_names import Pitch, at_diatonic, from_line_of_fifths, pitch_class, spelled
from app.material.recipe import ARPEGGIOS, SCALES, SIGNATURES, Recipe
from app.material.written import felt_beat

LAST_NOTE_QUARTERS = Fraction(1)  # our choice: the closing tonic fills its bar and lasts a quarter at least
MOST_ACCIDENTALS = 7  # a key signature has no more


@dataclass(frozen=True, slots=True)
class _Line:
    rising: tuple[Pitch, ...]
    falling: tuple[Pitch, ...]  # from the top down to the tonic

    def played(self, direction: str) -> tuple[Pitch, ...]:
        if direction == "up":
            return self.rising
        if direction == "down":
            return self.falling
        return self.rising + self.falling[1:]


def generate(recipe: Recipe) -> Piece:
    """The piece a recipe describes; :class:`BadInput` when it leaves the instrument or can't be spelled."""
    player = instrument(recipe.instrument)
    if player.unpitched:
        raise BadInput(f"{player.name} has no pitch; a scale can't be generated for it.", instrument=player.key)
    fifths = _key_signature(recipe)
    pitches = _line(recipe, player).played(recipe.direction)
    notes: list[PieceNote] = []
    bar_length = Fraction(4 * recipe.beats, recipe.beat_type)
    beat = felt_beat(recipe.beats, recipe.beat_type)
    at = Fraction(0)
    for i, written in enumerate(pitches):
        length = recipe.rhythm[i % len(recipe.rhythm)]
        if i == len(pitches) - 1:
            length = bar_length - at % bar_length
            if length < LAST_NOTE_QUARTERS:
                length += bar_length
        bar_index, in_bar = divmod(at, bar_length)
        notes.append(
            PieceNote(
                note_id=f"n{i + 1}",
                bar=str(bar_index + 1),
                bar_index=int(bar_index),
                beat=float(1 + in_bar / beat),
                onset_quarters=float(at),
                length_quarters=float(length),
                written_pitch=written.name,
                written_midi=written.midi,
                sounding_midi=written.midi + player.transposition_semitones,
                slurred_from_previous=recipe.slurred and i > 0,
            )
        )
        at += length
    bars = tuple(
        Bar(
            i, str(i + 1), float(i * bar_length), float(bar_length), recipe.beats, recipe.beat_type, float(beat), fifths
        )
        for i in range(int(at / bar_length))
    )
    piece = Piece(
        title=title_of(recipe),
        instrument=player.key,
        transposition_semitones=player.transposition_semitones,
        notes=tuple(notes),
        bars=bars,
        tempo_marks=(TempoMark(0.0, float(recipe.beat_unit), recipe.tempo_bpm),),
        phrases=(Phrase(notes[0].note_id, notes[-1].note_id, guessed=True),),
        tonic_written=recipe.tonic,
        mode=None if recipe.kind == "chromatic" else recipe.mode,
    )
    return with_heads(piece)


def title_of(recipe: Recipe) -> str:
    """What the generated piece is called unless the leader says otherwise: "Bb major scale, 2 octaves"."""
    octaves = "1 octave" if recipe.octaves == 1 else f"{recipe.octaves} octaves"
    if recipe.kind == "chromatic":
        return f"Chromatic run from {recipe.tonic}, {octaves}"
    return f"{recipe.tonic} {recipe.mode} {recipe.kind}, {octaves}"


def _key_signature(recipe: Recipe) -> int:
    step, alter = pitch_class(recipe.tonic)
    if recipe.kind == "chromatic" or recipe.mode not in SIGNATURES:
        return 0  # printed with accidentals
    fifths = Pitch(4, step, alter).on_line_of_fifths + SIGNATURES[recipe.mode]
    if abs(fifths) > MOST_ACCIDENTALS:
        other = spelled(Pitch(4, step, alter).midi, 0)
        for place in range(-5, 7):
            name = from_line_of_fifths(place)
            if (Pitch(4, *name).midi - other.midi) % 12 == 0:
                other = Pitch(4, *name)
        raise BadInput(
            f"{recipe.tonic} {recipe.mode} would need {abs(fifths)} accidentals in its key signature; ask for "
            f"{other.pitch_class} {recipe.mode}, which sounds the same.",
            tonic=recipe.tonic,
            mode=recipe.mode,
        )
    return fifths


def _line(recipe: Recipe, player: Instrument) -> _Line:
    step, alter = pitch_class(recipe.tonic)
    shift = player.transposition_semitones
    lowest, highest = player.lowest_sounding_midi - shift, player.highest_sounding_midi - shift
    if recipe.start_octave is not None:
        start = Pitch(recipe.start_octave, step, alter)
    else:
        start = next(one for octave in range(12) if (one := Pitch(octave, step, alter)).midi >= lowest)
    top = start.midi + 12 * recipe.octaves
    if start.midi < lowest or top > highest:
        count = "One octave" if recipe.octaves == 1 else f"{recipe.octaves} octaves"
        raise BadInput(
            f"{count} from {start.name} to {Pitch(start.octave + recipe.octaves, step, alter).name} leave the range of "
            f"the {player.name}, which reads from {spelled(lowest, 0).name} to {spelled(highest, 0).name}; "
            "ask for fewer octaves or another start.",
            instrument=player.key,
            octaves=recipe.octaves,
        )
    if recipe.kind == "chromatic":
        return _chromatic(start, recipe.octaves)
    if recipe.kind == "arpeggio":
        rising = _climb(start, ARPEGGIOS[recipe.mode], recipe.octaves)
        return _Line(rising, rising[::-1])
    rising = _climb(start, tuple(enumerate(SCALES[recipe.mode])), recipe.octaves)
    if recipe.mode == "melodic minor":
        return _Line(rising, _climb(start, tuple(enumerate(SCALES["natural minor"])), recipe.octaves)[::-1])
    return _Line(rising, rising[::-1])


def _climb(start: Pitch, steps: tuple[tuple[int, int], ...], octaves: int) -> tuple[Pitch, ...]:
    out = []
    for octave in range(octaves):
        for letters, semitones in steps:
            plain = at_diatonic(start.diatonic + letters + 7 * octave, 0)
            alter = start.midi + semitones + 12 * octave - plain.midi
            if abs(alter) > 2:
                raise BadInput(
                    f"On {start.pitch_class} this can't be spelled with double accidentals; "
                    f"ask for {spelled(start.midi, 0).pitch_class}.",
                    tonic=start.pitch_class,
                )
            out.append(at_diatonic(plain.diatonic, alter))
    return (*out, Pitch(start.octave + octaves, start.step, start.alter))


def _chromatic(start: Pitch, octaves: int) -> _Line:
    """Rising in sharps, falling in flats (common practice); the tonic keeps the name it was asked for."""
    numbers = range(start.midi, start.midi + 12 * octaves + 1)

    def name(midi: int, window: int) -> Pitch:
        if (midi - start.midi) % 12 == 0:
            return Pitch(start.octave + (midi - start.midi) // 12, start.step, start.alter)
        return spelled(midi, window)

    # Windows of the line of fifths: F to A# for rising, Gb to B for falling.
    rising = tuple(name(midi, 2) for midi in numbers)
    return _Line(rising, tuple(name(midi, -3) for midi in reversed(numbers)))

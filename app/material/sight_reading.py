"""Sight-reading: a short melody from a seed, made to be sung, the same for the same recipe everywhere."""

import hashlib
from collections.abc import Sequence
from fractions import Fraction
from random import Random
from typing import Literal

from app.domain.piece import Bar, Phrase, Piece, PieceNote, TempoMark
from app.material.instruments import instrument
from app.material.laying_out import with_heads
from app.material.sight_melody import Melody, sing
from app.material.sight_recipe import SightRecipe
from app.material.sight_rhythm import felt

PHRASES = {4: (2, 2), 8: (4, 4), 16: (4, 4, 4, 4)}


def sight_reading(recipe: SightRecipe) -> Piece:
    """The piece of a recipe; :class:`BadInput` when no melody fits its range."""
    random = Random(f"{recipe.seed}:sight-reading")
    phrases = PHRASES[recipe.bars]
    melody = sing(recipe, random, phrases)
    slurred = random.random() < 0.5
    return with_heads(_piece(recipe, melody, slurred))


def fingerprint(piece: Piece) -> str:
    """sha256 of what a reader would know again: rhythm and intervals, in whatever key. 64 hexadecimal digits."""
    first = piece.notes[0].written_midi
    told = ";".join(
        f"{note.written_midi - first}:{Fraction(note.onset_quarters).limit_denominator(960)}"
        f":{Fraction(note.length_quarters).limit_denominator(960)}"
        for note in piece.notes
    )
    return hashlib.sha256(told.encode()).hexdigest()


def title_of(recipe: SightRecipe) -> str:
    """What the piece is called unless the leader says otherwise."""
    return f"Sight-reading, {recipe.bars} bars in {recipe.tonic} {recipe.mode}"


def _piece(recipe: SightRecipe, melody: Melody, slurred: bool) -> Piece:
    player = instrument(recipe.instrument)
    _, beat = felt(recipe)
    bar_length = Fraction(4 * recipe.beats, recipe.beat_type)
    notes: list[PieceNote] = []
    for i, slot in enumerate(melody.slots):
        written = melody.pitch(i, recipe)
        before = melody.slots[i - 1] if i else None
        same_beat = before is not None and before.bar == slot.bar and before.onset // beat == slot.onset // beat
        stepwise = i > 0 and abs(melody.steps[i] - melody.steps[i - 1]) == 1
        onset = slot.bar * bar_length + slot.onset
        notes.append(
            PieceNote(
                note_id=f"n{i + 1}",
                bar=str(slot.bar + 1),
                bar_index=slot.bar,
                beat=float(1 + slot.onset / beat),
                onset_quarters=float(onset),
                length_quarters=float(slot.length),
                written_pitch=written.name,
                written_midi=written.midi,
                sounding_midi=written.midi + player.transposition_semitones,
                slurred_from_previous=slurred and same_beat and stepwise,
                dynamic="mf",
                hairpin=_hairpin(melody, i),
                breath_after=bool(slot.ends) and i < len(melody.slots) - 1,
            )
        )
    metre = (float(bar_length), recipe.beats, recipe.beat_type, float(beat), recipe.fifths)
    bars = tuple(Bar(i, str(i + 1), float(i * bar_length), *metre) for i in range(recipe.bars))
    return Piece(
        title=title_of(recipe),
        instrument=player.key,
        transposition_semitones=player.transposition_semitones,
        notes=tuple(notes),
        bars=bars,
        tempo_marks=(TempoMark(0.0, float(beat), recipe.tempo_bpm),),
        phrases=_phrases(melody, notes),
        tonic_written=recipe.tonic,
        mode=recipe.mode,
    )


def _hairpin(melody: Melody, index: int) -> Literal["crescendo", "diminuendo"] | None:
    """The one swell that is printed leads to the highest note and away from it."""
    slot, top = melody.slots[index], melody.slots[melody.peak]
    if slot.phrase != top.phrase or slot.ends:
        return None
    return "crescendo" if index < melody.peak else "diminuendo"


def _phrases(melody: Melody, notes: Sequence[PieceNote]) -> tuple[Phrase, ...]:
    out = []
    for phrase in dict.fromkeys(slot.phrase for slot in melody.slots):
        inside = [i for i, slot in enumerate(melody.slots) if slot.phrase == phrase]
        peak = notes[melody.peak].note_id if melody.peak in inside else None
        out.append(Phrase(notes[inside[0]].note_id, notes[inside[-1]].note_id, peak))
    return tuple(out)

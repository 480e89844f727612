"""Another instrument reading the same page: written pitches stay, sounding pitches move."""

from dataclasses import replace

from app.domain.piece import Piece
from app.material.instruments import instrument


def for_instrument(piece: Piece, key: str) -> Piece:
    """The piece as a player of another instrument plays it from the same page. Unpitched notes stay as they are."""
    player = instrument(key)
    shift = player.transposition_semitones - piece.transposition_semitones
    if key == piece.instrument and shift == 0:
        return piece
    return replace(
        piece,
        instrument=player.key,
        transposition_semitones=player.transposition_semitones,
        notes=tuple(
            note
            if note.unpitched
            else replace(
                note,
                sounding_midi=note.sounding_midi + shift,
                chord_sounding_midi=tuple(midi + shift for midi in note.chord_sounding_midi),
                ornament=None
                if note.ornament is None
                else replace(note.ornament, sounding_midi=tuple(midi + shift for midi in note.ornament.sounding_midi)),
            )
            for note in piece.notes
        ),
    )

"""Let the score decide octaves that the sound alone leaves open.

A reed's low notes can have so weak a fundamental, and a small flute's so strong a breath, that the period fits an
octave up or down as well. Where a note was followed as itself, frames that lie an octave off are moved to its octave;
the phases that made them precise are those of the same partials.
"""

from dataclasses import replace

import numpy as np

from app.domain.piece import Piece
from app.listening.followed import Features, Followed

_NEAR_CENTS = 90.0


def settle_octaves(features: Features, piece: Piece, followed: Followed) -> Features:
    """The features with every frame inside a followed note in the octave of the note that is heard there."""
    f0 = features.f0_hz.copy()
    for note in (*followed.earlier, *followed.notes):
        plain = piece.notes[note.index]
        if note.onset_sec is None or note.offset_sec is None or note.heard_midi is None:
            continue
        if plain.ornament is not None or plain.chord_sounding_midi or plain.unpitched:
            continue
        a, b = np.searchsorted(features.times_sec, [note.onset_sec, note.offset_sec])
        expected_hz = 440.0 * 2.0 ** ((note.heard_midi - 69 + followed.tuning_cents / 100.0) / 12.0)
        with np.errstate(invalid="ignore"):
            cents = 1200.0 * np.log2(f0[a:b] / expected_hz)
            off = np.rint(cents / 1200.0)
            octave_off = (off != 0) & (np.abs(off) <= 2) & (np.abs(cents - 1200.0 * off) <= _NEAR_CENTS)
        f0[a:b][octave_off] /= 2.0 ** off[octave_off]
    return replace(features, f0_hz=f0)

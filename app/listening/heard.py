"""What all families work from: one take, followed, and its notes with what was heard for each."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.piece import Piece, PieceNote
from app.listening.followed import Features, Followed, FollowedNote
from app.listening.loudness import KEnergy
from app.listening.note_pitch import NotePitch
from app.listening.settings import ListeningSettings


@dataclass(frozen=True, slots=True)
class Heard:
    """A take with everything the families need. Tuples follow ``piece.notes``."""

    samples: NDArray[np.float32]  # [n] mono, full scale 1
    sample_rate: int
    piece: Piece
    settings: ListeningSettings
    features: Features
    followed: Followed
    energy: KEnergy
    pitches: tuple[NotePitch, ...]  # against A4 = 440 Hz
    levels_db: tuple[float | None, ...]  # LUFS; None when not played or buried
    a4_hz_used: float
    a4_hz_fitted: float | None

    @property
    def notes(self) -> tuple[tuple[PieceNote, FollowedNote, NotePitch], ...]:
        """Notated note, followed note and its pitch, in score order."""
        return tuple(zip(self.piece.notes, self.followed.notes, self.pitches, strict=True))

    @property
    def reference_cents(self) -> float:
        """How far the reference that counts lies from A4 = 440 Hz, in cents."""
        return float(1200.0 * np.log2(self.a4_hz_used / 440.0))

    def deviation_cents(self, index: int) -> float | None:
        """Cents of note ``index`` from equal temperament at the reference; None when its pitch can't be told."""
        cents = self.pitches[index].cents
        return None if cents is None else cents - self.reference_cents

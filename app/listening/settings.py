"""What an audition declares about listening: the reference, the tempo, the temperament that counts."""

import dataclasses
import math
from dataclasses import dataclass
from typing import Literal

from app.domain.errors import BadInput
from app.domain.piece import Piece

LOWEST_A4_HZ, HIGHEST_A4_HZ = 390.0, 480.0  # from low baroque pitch (392 Hz) to a half step above 440 Hz: our choice
LOWEST_BPM, HIGHEST_BPM = 10.0, 400.0  # our choice

JUST_OFFSET_CENTS = {  # just minus equal temperament, cents; recomputed from the ratios in tests
    0: 0.0,
    1: 11.73,  # 16/15
    2: 3.91,  # 9/8
    3: 15.64,  # 6/5
    4: -13.69,  # 5/4
    5: -1.96,  # 4/3
    6: -9.78,  # 45/32
    7: 1.96,  # 3/2
    8: 13.69,  # 8/5
    9: -15.64,  # 5/3
    11: -11.73,  # 15/8
}
MINOR_SEVENTH_OFFSET_CENTS = {"16/9": -3.91, "9/5": 17.60, "7/4": -31.17}


@dataclass(frozen=True, slots=True)
class ListeningSettings:
    """Settings of one measurement. Raises :class:`BadInput` when a value can't be used.

    ``a4_hz``: the audition's reference in Hz, or ``"fit"`` to judge against the take's own reference.
    ``tempo_bpm``: the tempo asked for instead of the printed mark, in the beat unit of the first mark.
    ``temperament``: which reading the summary of the pitch family counts; both are always given.
    ``minor_seventh``: the ratio a just minor seventh is read against.
    ``click``: the take was played to an audible click at the tempo asked for, so rhythm is judged on its grid.
    """

    a4_hz: float | Literal["fit"] = 440.0
    tempo_bpm: float | None = None
    temperament: Literal["equal", "just"] = "equal"
    minor_seventh: Literal["16/9", "9/5", "7/4"] = "16/9"
    click: bool = False

    def __post_init__(self) -> None:
        if self.a4_hz != "fit" and not (
            isinstance(self.a4_hz, (int, float)) and LOWEST_A4_HZ <= self.a4_hz <= HIGHEST_A4_HZ
        ):
            raise BadInput(
                f"The reference A4 must lie between {LOWEST_A4_HZ:.0f} and {HIGHEST_A4_HZ:.0f} Hz, or be 'fit'; "
                f"{self.a4_hz} can't be used."
            )
        if self.tempo_bpm is not None and not (
            math.isfinite(self.tempo_bpm) and LOWEST_BPM <= self.tempo_bpm <= HIGHEST_BPM
        ):
            raise BadInput(
                f"The tempo must lie between {LOWEST_BPM:.0f} and {HIGHEST_BPM:.0f} beats per minute; "
                f"{self.tempo_bpm} can't be used."
            )
        if self.temperament not in ("equal", "just"):
            raise BadInput(f"The temperament must be 'equal' or 'just'; {self.temperament!r} can't be used.")
        if self.minor_seventh not in MINOR_SEVENTH_OFFSET_CENTS:
            raise BadInput(f"The minor seventh must be 16/9, 9/5 or 7/4; {self.minor_seventh!r} can't be used.")

    def just_offset_cents(self, semitones: int) -> float:
        """How far the just interval lies from the equal-tempered one, in cents; octaves are taken out."""
        step = semitones % 12
        return MINOR_SEVENTH_OFFSET_CENTS[self.minor_seventh] if step == 10 else JUST_OFFSET_CENTS[step]


def at_tempo(piece: Piece, tempo_bpm: float | None) -> Piece:
    """The piece with its first metronome mark set to ``tempo_bpm`` and later marks in proportion."""
    if tempo_bpm is None:
        return piece
    factor = tempo_bpm / piece.tempo_marks[0].beats_per_minute
    marks = tuple(
        dataclasses.replace(mark, beats_per_minute=mark.beats_per_minute * factor) for mark in piece.tempo_marks
    )
    return dataclasses.replace(piece, tempo_marks=marks, tempo_assumed=False)

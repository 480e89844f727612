"""What the search of ``path`` is given and what it gives: prices, the piece, the signs of the take, the walk."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

IntArray = NDArray[np.int32]
FloatArray = NDArray[np.float64]

PLAYED, WRONG = 0, 1
NEXT, OMIT_ONE, OMIT_TWO, OMIT_THREE, JUMP, START = 0, 1, 2, 3, 4, 5
NOTE, EXTRA = 0, 1


class Prices(NamedTuple):
    """Prices in nats; each about minus the logarithm of how often the thing happens (our choice, tuned by ear of
    rendered takes)."""

    wrong: float = 5.0
    omit: float = 5.0
    omit_more: float = 3.5  # for the second and third note in a row
    extra: float = 7.0
    restart: float = 11.0
    skip: float = 13.0
    inside_bar: float = 3.0  # restarts mostly begin at a bar or after a rest
    resume: float = 7.0  # go on with the next note after a pause with noise or talk in it
    late_start: float = 6.0
    early_end: float = 7.0
    beam: float = 20.0
    long_cap: float = 6.5  # a slot longer than expected never costs more
    short_cap: float = 10.0
    false_start: float = 6.0  # begin again from the first note
    octave: float = 4.0  # on top of wrong: an octave is more often a trick of the spectrum than of the player


@dataclass(frozen=True, slots=True)
class Course:
    """What the search needs to know of the piece; one entry per note."""

    column: IntArray  # [N] column of the evidence
    quarters: FloatArray  # [N] onset to next onset
    fixed_sec: FloatArray  # [N] expected slot length that no tempo changes (grace notes)
    taken_sec: FloatArray  # [N] time that following grace notes take away
    spread: FloatArray  # [N] standard deviation of the log of the slot length
    slurred: NDArray[np.bool_]  # [N]
    entry: NDArray[np.bool_]  # [N] a likely place to begin again
    pitched: NDArray[np.bool_]  # [N] False: no verdict on its pitch is possible
    faint: FloatArray  # [N] price in nats of a note that hardly sounds
    first_pitch_column: int  # columns from here on are single semitones ...
    pitch_columns: int  # ... this many


@dataclass(frozen=True, slots=True)
class Signs:
    """What the take says, summed up to each candidate boundary. ``K`` boundaries, ``C`` columns."""

    frame: IntArray  # [K]
    time_sec: FloatArray  # [K]
    evidence: NDArray[np.float64]  # [K, C] running sums
    gap: FloatArray  # [K] running sum: silence inside a slot
    outside: FloatArray  # [K] running sum: anything before or after the piece
    inside_break: FloatArray  # [K] running sum: anything between leaving the score and going on
    onset: FloatArray  # [K] log-likelihood ratio that a note starts here
    again: FloatArray  # [K] the same for a note on the pitch that sounds already


@dataclass(frozen=True, slots=True)
class Step:
    """One piece of the walk."""

    kind: int  # NOTE or EXTRA
    note: int  # index of the note; for EXTRA the note before it
    start: int  # boundary
    end: int  # boundary
    status: int  # PLAYED or WRONG
    heard_column: int  # of the single pitch that fits best when WRONG or EXTRA
    entered: int  # NEXT, OMIT_ONE.., JUMP or START


@dataclass(frozen=True, slots=True)
class Walk:
    """The best walk and its score."""

    steps: tuple[Step, ...]
    score: float

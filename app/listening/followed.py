"""What the follower hands to the families: where each notated note sounded. Positions in seconds of the take.

Arrays of :class:`Features` share one frame grid: shape [T], frame ``i`` is centred at ``times_sec[i]``.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.findings import Break, ExtraNote, NoteStatus

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Features:
    """Frame-wise features of one take."""

    hop_sec: float
    times_sec: FloatArray  # [T] s
    f0_hz: FloatArray  # [T] Hz, NaN where no pitch is heard
    confidence: FloatArray  # [T] 0 to 1, periodicity
    level_db: FloatArray  # [T] dBFS, RMS of a short window, unweighted
    onset_strength: FloatArray  # [T] dimensionless, 0 and up: evidence that a note starts here
    floor_db: float  # level of the room between notes


@dataclass(frozen=True, slots=True)
class FollowedNote:
    """One notated note of the piece as followed; ``index`` points into ``piece.notes``."""

    index: int
    status: NoteStatus
    onset_sec: float | None = None  # None when omitted
    offset_sec: float | None = None
    heard_midi: int | None = None
    pass_number: int = 1  # which pass of this bar: 2 after a restart


@dataclass(frozen=True, slots=True)
class Followed:
    """A take followed through the piece. ``notes`` has exactly one entry per note of the piece, in its order."""

    notes: tuple[FollowedNote, ...]
    earlier: tuple[FollowedNote, ...]  # passes that a restart replaced
    extra: tuple[ExtraNote, ...]
    breaks: tuple[Break, ...]
    tuning_cents: float  # the take's own reference against A4 = 440 Hz, for following only
    start_sec: float  # where the playing of the piece begins and ends
    end_sec: float
    usable: bool
    warnings: tuple[str, ...] = ()

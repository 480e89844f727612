"""Which piece is this stretch of playing? It is followed through each that could have been played."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from app.domain.errors import BadAudio
from app.domain.piece import Piece
from app.listening.features import extract
from app.listening.recognising import fit_to
from app.listening.sorting import Fitting

LONGEST_SEC = 300.0  # only so much of a cut is followed: it bounds memory and tells enough (our choice)
SHORTEST_SEC = 1.0  # shorter stretches fit nothing
LEAST_TONE = 0.02  # share of the frames with a pitch; a stretch with less fits nothing (our choice)

NOTHING = Fitting(0.0, 0.0, 0.0, 0)
UNFOLLOWED = Fitting(None, 0.0, 0.0, 0)


def fits(
    samples: NDArray[np.float32], sample_rate: int, pieces: Mapping[str, Piece | None], *, a4_hz: float = 440.0
) -> dict[str, Fitting]:
    """How a stretch of playing fits each piece, by the pieces' keys.

    ``samples`` float32 [n] mono; a piece that is None has no notes to follow. Double stops and unpitched parts are
    followed as the following room can.
    """
    found = {key: UNFOLLOWED for key, piece in pieces.items() if piece is None}
    wanted = {key: piece for key, piece in pieces.items() if piece is not None}
    part = samples[: round(LONGEST_SEC * sample_rate)]
    if not wanted or part.size < SHORTEST_SEC * sample_rate:
        return found | dict.fromkeys(wanted, NOTHING)
    features = extract(part, sample_rate)
    if float(np.mean(np.isfinite(features.f0_hz))) < LEAST_TONE:
        return found | dict.fromkeys(wanted, NOTHING)
    for key, piece in wanted.items():
        try:
            fit = fit_to(part, sample_rate, features, piece, a4_hz=a4_hz)
        except BadAudio:  # too little of it to be followed at all
            found[key] = NOTHING
            continue
        found[key] = Fitting(round(fit.right, 3), round(fit.right_in_part, 3), round(fit.explained, 3), fit.count)
    return found

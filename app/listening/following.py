"""Follow a take through the piece: which note sounded when, what was wrong, left out, added, and where it broke."""

import itertools
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from app.domain.piece import Piece
from app.listening.course import Score, score_of
from app.listening.evidence import candidate_boundaries, frame_evidence, gather
from app.listening.features import to_internal_rate
from app.listening.followed import Features, Followed
from app.listening.path import search
from app.listening.salience import semitone_salience
from app.listening.telling import tell
from app.listening.walk import NOTE, Prices, Walk

_FIRST_SPREAD = 0.35  # of the log of slot lengths while the tempo is being found
_SPREAD = 0.16  # once it is known
_DOUBT = 0.12  # of the log of a slot's length against the smooth tempo: beyond, it loses its say (our choice)
_SMOOTHING_SEC = 1.5  # standard deviation of the tempo curve's kernel, in seconds at the printed tempo (our choice)
_TEMPO_SPREAD = 0.30  # of the log of the tempo against the mark: 0.6 to 1.5 lies within 1.7 of it


def follow(
    samples: NDArray[np.float32],
    sample_rate: int,
    features: Features,
    piece: Piece,
    *,
    tempo_bpm: float | None = None,
    progress: Callable[[float, str], None] | None = None,
) -> Followed:
    """Follow a take through the piece.

    ``samples`` [n] mono float32 and ``features`` of the same take; ``tempo_bpm`` in the unit of the piece's first
    metronome mark replaces the printed tempo as the first guess. Every note of the piece gets an entry.
    """
    say = progress or (lambda share, text: None)
    signal = to_internal_rate(samples, sample_rate)
    tuning = fitted_tuning_cents(features)
    say(0.1, "listening for pitches")
    salience, _ = semitone_salience(signal, tuning)
    frames = frame_evidence(features, salience, tuning)
    quarter_sec = None
    if tempo_bpm is not None:
        quarter_sec = 60.0 / (tempo_bpm * piece.tempo_marks[0].beat_unit_quarters)
    boundaries = candidate_boundaries(features, frames)
    first = score_of(piece, shift_semitones=0, spread=_FIRST_SPREAD, quarter_sec=quarter_sec)
    signs = gather(frames, first, boundaries)
    say(0.4, "finding the tempo")
    walk = search(
        signs,
        first.course,
        expected_quarter_sec=first.quarter_sec,
        tempo_known=False,
        tempo_spread=_TEMPO_SPREAD,
        prices=Prices(),
    )
    say(0.7, "following the notes")
    second = score_of(piece, shift_semitones=0, spread=_SPREAD, quarter_sec=quarter_sec)
    walk = search(
        signs,
        second.course,
        expected_quarter_sec=local_quarter_sec(walk, second, signs.time_sec),
        tempo_known=True,
        tempo_spread=0.0,
        prices=Prices(),
    )
    quarter = local_quarter_sec(walk, second, signs.time_sec)
    return tell(walk, second, signs.time_sec, quarter, signal, features, piece, tuning)


def fitted_tuning_cents(features: Features) -> float:
    """The take's own reference against A4 = 440 Hz, in cents from -50 to 50: where its pitches gather."""
    heard = np.isfinite(features.f0_hz) & (features.confidence > 0.6)
    if int(heard.sum()) < 20:
        return 0.0
    midi = 69.0 + 12.0 * np.log2(features.f0_hz[heard] / 440.0)
    turn = np.mean(np.exp(2j * np.pi * midi))
    return float(np.angle(turn) / (2.0 * np.pi) * 100.0)


def local_quarter_sec(walk: Walk, score: Score, time_sec: NDArray[np.float64]) -> NDArray[np.float64]:
    """Seconds per quarter at each note from the first walk: the printed tempo times a smooth running factor."""
    course = score.course
    place, ratio, weight = [], [], []
    steps = [s for s in walk.steps if s.kind == NOTE]
    for a, b in itertools.pairwise(steps):
        if b.note != a.note + 1 or b.entered != 0 or course.quarters[a.note] <= 0 or course.fixed_sec[a.note] > 0:
            continue
        length = time_sec[b.start] - time_sec[a.start] + course.taken_sec[a.note]
        expected = course.quarters[a.note] * score.quarter_sec[a.note]
        if length > 0.02 and expected > 0:
            place.append(0.5 * (a.note + b.note))
            ratio.append(np.log(length / expected))
            weight.append(min(expected, 2.0))
    if len(ratio) < 2:
        return score.quarter_sec
    where = np.concatenate([[0.0], np.cumsum(course.quarters * score.quarter_sec)])
    seconds = np.interp(np.array(place), np.arange(len(where)), where)
    at = where[:-1]
    r, w = np.array(ratio), np.array(weight)
    center = _weighted_median(r, w)
    smooth_there = np.full(len(r), center)
    for _ in range(4):  # single slots far off the curve lose their say
        doubt = w / (1.0 + ((r - smooth_there) / _DOUBT) ** 2) ** 2
        smooth_there = _smoothed(seconds, seconds, r, doubt, center)
    return np.asarray(score.quarter_sec * np.exp(_smoothed(at, seconds, r, doubt, center)))


def _smoothed(
    at: NDArray[np.float64],
    where: NDArray[np.float64],
    values: NDArray[np.float64],
    weights: NDArray[np.float64],
    center: float,
) -> NDArray[np.float64]:
    """Kernel mean of ``values`` standing at ``where``, read at ``at``; far from all of them it is ``center``."""
    kernel = np.exp(-0.5 * ((at[:, None] - where[None, :]) / _SMOOTHING_SEC) ** 2) * weights[None, :]
    return np.asarray((kernel @ values + 0.05 * center) / (kernel.sum(axis=1) + 0.05))


def _weighted_median(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])

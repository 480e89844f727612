"""Is this take a take of this piece? Another piece, another transposition and another tuning are said, not measured.

The follower always finds some way through the notes. Here its way is judged by how many notated notes sounded right and
how much of what sounded they explain. When that is too little, the piece is tried at the shifts that the pitches of the
take suggest: a take that follows at one of them was played on another instrument (or in another key).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.domain.piece import Piece
from app.listening.followed import Features, Followed, FollowedNote
from app.listening.following import follow
from app.listening.robust import spread

FloatArray = NDArray[np.float64]
Progress = Callable[[float, str], None]

# Our choices, set on rendered takes: right takes with faults reach 0.64 and 0.80, takes of other pieces stay below 0.22
# and 0.45 unless only a handful of notes fit.
ENOUGH_RIGHT = 0.5  # of all notes
ENOUGH_RIGHT_IN_PART = 0.6  # of the notes between the first and the last that sounded, when the take stops early
ENOUGH_EXPLAINED = 0.6  # of the sounding time
SURELY = 0.75  # what a take at another transposition must reach in both, since many shifts are tried
MOST_IRREGULAR = 0.4  # spread of the log of the lengths played over the lengths notated
FEWEST_RIGHT = 8  # for a part of a piece
LARGEST_SHIFT = 24
SHIFTS_TRIED = 4
TUNING_RANGE_CENTS = 75.0  # a take this far off is out of tune; beyond, it is another transposition
LEAST_TONE = 0.03  # share of the take's frames with a pitch

NO_TONES = "No tones are heard in this take, only noise; check the microphone and record it again."
OTHER_PIECE = "The take does not follow this piece: check that the right piece was chosen for it."


@dataclass(frozen=True, slots=True)
class Fit:
    """How well a take and a piece fit each other."""

    right: float  # share of all notes
    right_in_part: float  # share of the notes between the first and last that sounded
    explained: float  # share of the sounding time that right notes cover
    count: int  # right notes
    irregular: float  # spread of the log of played over notated lengths

    @property
    def good(self) -> bool:
        """Whether the take counts as one of the piece, or of a part of it."""
        if self.explained < ENOUGH_EXPLAINED or self.right_in_part < ENOUGH_RIGHT_IN_PART:
            return False
        if self.irregular > MOST_IRREGULAR:
            return False
        return self.right >= ENOUGH_RIGHT or self.count >= FEWEST_RIGHT

    @property
    def sure(self) -> bool:
        """Whether it does beyond what chance gives when many are tried."""
        return self.good and self.right >= SURELY and self.explained >= SURELY


def follow_piece(
    samples: NDArray[np.float32],
    sample_rate: int,
    features: Features,
    piece: Piece,
    *,
    a4_hz: float = 440.0,
    progress: Progress | None = None,
) -> Followed:
    """Follow a take through ``piece``, or say in ``warnings`` why it is no take of it (``usable`` False).

    ``a4_hz``: the reference that was asked for; at 415 Hz all notes sound a half step lower than at 440.
    """
    expected = round(12.0 * float(np.log2(a4_hz / 440.0)))
    followed = _at_shift(samples, sample_rate, features, piece, expected, progress)
    if all(note.unpitched for note in piece.notes):
        return followed
    fit = _fit(features, piece, followed)
    if followed.usable and fit.good:
        return followed
    if float(np.mean(np.isfinite(features.f0_hz))) < LEAST_TONE:
        return _unusable(followed, NO_TONES)
    for shift in _likely_shifts(features, piece, followed.tuning_cents):
        if shift == expected:
            continue
        tried = _at_shift(samples, sample_rate, features, piece, shift, None)
        if not (tried.usable and _fit(features, piece, tried).sure):
            continue
        if abs(tried.tuning_cents) <= TUNING_RANGE_CENTS:
            return tried
        return _unusable(followed, _shifted_sentence(shift - expected))
    told = followed.warnings if not followed.usable else ()
    return _unusable(followed, *(told or (OTHER_PIECE,)))


def fit_to(
    samples: NDArray[np.float32], sample_rate: int, features: Features, piece: Piece, *, a4_hz: float = 440.0
) -> Fit:
    """How well a recording of unknown content fits ``piece``; never refuses. Arguments as of :func:`follow_piece`."""
    expected = round(12.0 * float(np.log2(a4_hz / 440.0)))
    return _fit(features, piece, _at_shift(samples, sample_rate, features, piece, expected, None))


def _at_shift(
    samples: NDArray[np.float32],
    sample_rate: int,
    features: Features,
    piece: Piece,
    shift: int,
    progress: Progress | None,
) -> Followed:
    """Follow the piece ``shift`` half steps away; what was heard is told in the piece's own pitches."""
    if shift == 0:
        return follow(samples, sample_rate, features, piece, progress=progress)
    notes = tuple(
        replace(
            note,
            sounding_midi=note.sounding_midi + shift,
            chord_sounding_midi=tuple(m + shift for m in note.chord_sounding_midi),
            ornament=None
            if note.ornament is None
            else replace(note.ornament, sounding_midi=tuple(m + shift for m in note.ornament.sounding_midi)),
        )
        for note in piece.notes
    )
    found = follow(samples, sample_rate, features, replace(piece, notes=notes), progress=progress)

    def back(note: FollowedNote) -> FollowedNote:
        return note if note.heard_midi is None else replace(note, heard_midi=note.heard_midi - shift)

    return replace(
        found,
        notes=tuple(back(n) for n in found.notes),
        earlier=tuple(back(n) for n in found.earlier),
        extra=tuple(
            e if e.sounding_midi is None else replace(e, sounding_midi=e.sounding_midi - shift) for e in found.extra
        ),
        tuning_cents=found.tuning_cents + 100.0 * shift,
    )


def _fit(features: Features, piece: Piece, followed: Followed) -> Fit:
    sounded = [n for n in followed.notes if n.onset_sec is not None]
    right = [n for n in followed.notes if n.status == "played"]
    if not sounded or not right:
        return Fit(0.0, 0.0, 0.0, 0, np.inf)
    part = max(n.index for n in sounded) - min(n.index for n in sounded) + 1
    voiced = np.isfinite(features.f0_hz) & (features.level_db > features.floor_db)
    covered = np.zeros(voiced.size, dtype=bool)
    for note in (*right, *(n for n in followed.earlier if n.status == "played")):
        if note.onset_sec is not None and note.offset_sec is not None:
            a, b = np.searchsorted(features.times_sec, [note.onset_sec, note.offset_sec])
            covered[a:b] = True
    explained = float(np.sum(covered & voiced) / max(1, int(voiced.sum())))
    return Fit(len(right) / len(followed.notes), len(right) / part, explained, len(right), _irregular(piece, followed))


def _irregular(piece: Piece, followed: Followed) -> float:
    """Spread of the log of played over notated lengths between neighbouring right notes; 0 when there are too few."""
    ratios = []
    for before, after in pairwise(followed.notes):
        first, second = piece.notes[before.index], piece.notes[after.index]
        notated = second.onset_quarters - first.onset_quarters
        if before.status != "played" or after.status != "played" or notated <= 0.0 or first.fermata:
            continue
        if before.onset_sec is not None and after.onset_sec is not None and after.onset_sec > before.onset_sec:
            ratios.append(np.log((after.onset_sec - before.onset_sec) / notated))
    return float(spread(np.array(ratios))) if len(ratios) >= 5 else 0.0


def _likely_shifts(features: Features, piece: Piece, tuning_cents: float) -> list[int]:
    """Half steps by which the pitches of the take most likely lie off the piece's, the likeliest first."""
    heard = np.isfinite(features.f0_hz) & (features.level_db > features.floor_db)
    midi = 69.0 + 12.0 * np.log2(features.f0_hz[heard] / 440.0) - (tuning_cents / 100.0 - round(tuning_cents / 100.0))
    sounding = np.bincount(np.clip(np.rint(midi).astype(int), 0, 127), minlength=128).astype(np.float64)
    asked = np.zeros(128)
    for note in piece.notes:
        asked[np.clip(note.sounding_midi, 0, 127)] += max(note.length_quarters, 0.05)
    sounding, asked = np.sqrt(sounding), np.sqrt(asked)
    shifts = np.arange(-LARGEST_SHIFT, LARGEST_SHIFT + 1)
    likeness = np.array([float(np.sum(np.roll(asked, s) * sounding)) for s in shifts])
    likely = [int(shifts[k]) for k in np.argsort(-likeness)[:SHIFTS_TRIED]]
    return likely + [s for s in (-1, 1) if s not in likely]


def _shifted_sentence(half_steps: int) -> str:
    size = "a half step" if abs(half_steps) == 1 else f"{abs(half_steps)} half steps"
    way = "above" if half_steps > 0 else "below"
    return (
        f"The take follows this piece, but sounds {size} {way} the page throughout: choose the instrument it was "
        "played on (its transposition counts), or the reference it was tuned to, and measure again."
    )


def _unusable(followed: Followed, *sentences: str) -> Followed:
    return replace(followed, usable=False, warnings=sentences)

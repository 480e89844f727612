"""Where a long recording is cut: at its silences, and where playing and talk meet.

Playing is mostly held pitches; talk glides, breaks off at consonants and is pitched in part; applause and shuffling
have no pitch at all. Drums are strokes with little pitch, which applause and footsteps are too, so they are looked for
only where some are to be played. All positions are seconds from the start of the recording.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_closing, binary_dilation, uniform_filter1d

from app.listening.coarse import COARSE_SEC, Coarse

CutKind = Literal["playing", "talk", "noise"]
Mask = NDArray[np.bool_]

# All our choice, set on rendered days (tests/listening/test_listening_segmenting.py).
JOINED_SEC = 2.5  # a shorter rest or breath stays inside a take; players wait longer between pieces
WORD_GAP_SEC = 0.4  # between words and between tongued notes
LOOK_SEC = 1.2  # talk and playing are told apart over this long
HELD_SHARE = 0.5  # of what sounds: playing from here
TALK_PITCHED = 0.25  # of what sounds: talk from here, noise below
SHORTEST_PLAYING_SEC = 1.2  # of held pitches; a tuning note is longer, a drawn-out word seldom
SHORTEST_OTHER_SEC = 1.0
# Of drums, set on snare drum, toms, rim and wood block of a soundfont, dry and in a room: their strokes are fewer than
# an audience's claps (24 a second) and their sound is less pitched than talk (0.6 and more of it).
BEATEN_LOOK_SEC = 3.0
SLOWEST_HZ, FASTEST_HZ = 0.7, 14.0  # a roll has up to ten
BEATEN_PITCHED = 0.4
SHORTEST_BEATEN_SEC = 4.0  # knocks, steps and a dropped music stand are shorter
LEAD_SEC, TAIL_SEC = 0.6, 1.0  # left on a cut before its first and after its last sound


@dataclass(frozen=True, slots=True)
class Span:
    """One stretch of the recording that is of one kind."""

    start_sec: float
    end_sec: float
    kind: CutKind

    @property
    def length_sec(self) -> float:
        """Seconds."""
        return self.end_sec - self.start_sec


def segment(coarse: Coarse, *, drums: bool = False) -> tuple[Span, ...]:
    """The stretches in which something sounds, in order; they never overlap.

    ``drums``: some of what is to be played is unpitched percussion, so strokes count as playing too.
    """
    loud = coarse.loud
    sounds = _closed(loud, WORD_GAP_SEC)
    share = _share(coarse.held, loud)
    playing = sounds & (share >= HELD_SHARE)
    found = [
        (first, last, "playing")
        for first, last in _runs(_closed(playing, JOINED_SEC))
        if coarse.held[first:last].sum() * COARSE_SEC >= SHORTEST_PLAYING_SEC
    ]
    rest = _closed(sounds, JOINED_SEC / 2)
    for first, last, _ in found:
        rest[first:last] = False
    if drums:
        for first, last in _runs(_beaten(coarse, rest, found)):
            if (last - first) * COARSE_SEC >= SHORTEST_BEATEN_SEC:
                found.append((first, last, "playing"))
                rest[first:last] = False
    for start, stop in _runs(rest):
        heard = np.flatnonzero(sounds[start:stop])
        if not len(heard):
            continue
        first, last = start + int(heard[0]), start + int(heard[-1]) + 1
        here = loud[first:last]
        if here.sum() * COARSE_SEC >= SHORTEST_OTHER_SEC:
            pitched = float(coarse.pitched[first:last][here].mean())
            found.append((first, last, "talk" if pitched >= TALK_PITCHED else "noise"))
    return tuple(_with_edges(sorted(found), len(loud) * COARSE_SEC))


def _beaten(coarse: Coarse, rest: Mask, found: list[tuple[int, int, str]]) -> Mask:
    """Which frames of ``rest`` [T] are strokes of a drum, with the rests between them; none that are ``found``."""
    width = round(BEATEN_LOOK_SEC / COARSE_SEC)
    a_second = uniform_filter1d(coarse.strokes, width) / COARSE_SEC
    unpitched = rest & (_share(coarse.pitched, coarse.loud) < BEATEN_PITCHED)
    middle = unpitched & (a_second >= SLOWEST_HZ) & (a_second <= FASTEST_HZ)
    # At the ends of a take half of what was looked at lies outside it.
    ends = unpitched & binary_dilation(middle, np.ones(width, dtype=np.bool_))
    joined = _closed(middle | ends, JOINED_SEC)
    for first, last, _ in found:
        joined[first:last] = False
    return joined


def _share(part: NDArray[np.float64], loud: Mask) -> NDArray[np.float64]:
    """Mean of ``part`` over what is loud in the stretch around each frame."""
    width = max(1, round(LOOK_SEC / COARSE_SEC))
    weight = uniform_filter1d(loud.astype(np.float64), width)
    return np.asarray(uniform_filter1d(np.where(loud, part, 0.0), width) / np.maximum(weight, 1e-9))


def _closed(mask: Mask, gap_sec: float) -> Mask:
    """``mask`` with gaps filled that are shorter than ``gap_sec``."""
    width = max(1, round(gap_sec / COARSE_SEC))
    padded = np.pad(mask, width)
    return np.asarray(binary_closing(padded, np.ones(width, dtype=np.bool_))[width:-width])


def _runs(mask: Mask) -> Iterator[tuple[int, int]]:
    """First frame and one past the last of every run."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _with_edges(found: list[tuple[int, int, str]], length_sec: float) -> Iterator[Span]:
    """Every stretch with a little of the quiet around it, as far as its neighbours leave some."""
    for at, (first, last, kind) in enumerate(found):
        start, end = first * COARSE_SEC, last * COARSE_SEC
        before = found[at - 1][1] * COARSE_SEC if at else 0.0
        after = found[at + 1][0] * COARSE_SEC if at + 1 < len(found) else length_sec
        yield Span(
            round(start - min(LEAD_SEC, (start - before) / 2), 2),
            round(end + min(TAIL_SEC, (after - end) / 2), 2),
            kind,  # type: ignore[arg-type]
        )

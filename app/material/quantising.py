"""Played or exported MIDI notes onto the grid of a page.

Each quarter note gets the coarsest grid on which its onsets lie; a note whose end comes shortly before the next onset
is written to its full length. Positions in quarter notes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

GRIDS = (1, 2, 3, 4, 6, 8, 5, 12)  # parts of a quarter note, in the order they are tried
ON_GRID_QUARTERS = 0.021  # our choice: a tick of a coarse sequencer (1/48) off is still on the grid
ON_FINE_GRID_QUARTERS = 0.006  # our choice: a fine grid fits anything, so it must fit exactly
FINE = 5  # parts of a quarter from which on a grid is fine
GRID_COST = 0.008  # our choice: per part of the quarter, so that sloppy playing stays in simple values
OFF_GRID_QUARTERS = 0.08  # our choice: more than this off is told to the leader
FULL_GAP_QUARTERS = 0.15  # our choice: a shorter silence before the next note is articulation, not a rest
FULL_GAP_SHARE = 0.15  # our choice: the same as a share of the note's own span
OVERLAP_QUARTERS = 0.25  # our choice: two notes sounding together longer than this are two lines
END_GRIDS = (1, 2, 3, 4, 8)


@dataclass(frozen=True, slots=True)
class PlayedNote:
    """A note as a MIDI file has it."""

    onset_quarters: float
    end_quarters: float
    sounding_midi: int


@dataclass(frozen=True, slots=True)
class GridNote:
    """A note or chord on the grid."""

    onset: Fraction
    length: Fraction
    sounding_midi: tuple[int, ...]  # low to high


@dataclass(frozen=True, slots=True)
class Quantised:
    """What came of it. ``clash_at``: where two lines sound at once, in quarters, or None."""

    notes: tuple[GridNote, ...]
    off_grid: int  # notes further than OFF_GRID_QUARTERS from where they were put
    clash_at: float | None = None


def quantise(played: Sequence[PlayedNote]) -> Quantised:
    """The notes on the grid, one line; chords where onsets fall together."""
    ordered = sorted(played, key=lambda one: (one.onset_quarters, one.sounding_midi))
    grids = _grids(ordered)
    chords: list[tuple[Fraction, list[PlayedNote]]] = []
    off_grid = 0
    for one in ordered:
        onset = _snapped(one.onset_quarters, grids[_quarter_of(one)])
        off_grid += abs(float(onset) - one.onset_quarters) > OFF_GRID_QUARTERS
        if chords and chords[-1][0] == onset:
            chords[-1][1].append(one)
        else:
            chords.append((onset, [one]))
    notes: list[GridNote] = []
    clash: float | None = None
    for i, (onset, members) in enumerate(chords):
        end = max(one.end_quarters for one in members)
        following = chords[i + 1][0] if i + 1 < len(chords) else None
        if following is not None and end - float(following) > OVERLAP_QUARTERS and clash is None:
            clash = float(following)
        length = _length(onset, end, following)
        notes.append(GridNote(onset, length, tuple(sorted({one.sounding_midi for one in members}))))
    return Quantised(tuple(notes), off_grid, clash)


def _quarter_of(one: PlayedNote) -> int:
    # A note a hair before the beat belongs to that beat.
    return int(one.onset_quarters + ON_GRID_QUARTERS)


def _grids(ordered: Sequence[PlayedNote]) -> dict[int, int]:
    by_quarter: dict[int, list[float]] = {}
    for one in ordered:
        by_quarter.setdefault(_quarter_of(one), []).append(one.onset_quarters)
    return {quarter: _grid(onsets) for quarter, onsets in by_quarter.items()}


def _grid(onsets: Sequence[float]) -> int:
    def errors(parts: int) -> list[float]:
        return [abs(onset * parts - round(onset * parts)) / parts for onset in onsets]

    for parts in GRIDS:
        if max(errors(parts)) <= (ON_FINE_GRID_QUARTERS if parts >= FINE else ON_GRID_QUARTERS):
            return parts
    return min(GRIDS, key=lambda parts: sum(errors(parts)) / len(onsets) + GRID_COST * parts)


def _snapped(quarters: float, parts: int) -> Fraction:
    return Fraction(round(quarters * parts), parts)


def _length(onset: Fraction, end: float, following: Fraction | None) -> Fraction:
    if following is not None:
        span = float(following - onset)
        if float(following) - end <= max(FULL_GAP_QUARTERS, FULL_GAP_SHARE * span):
            return following - onset
    for parts in END_GRIDS:
        snapped = _snapped(end, parts)
        if abs(float(snapped) - end) <= ON_GRID_QUARTERS and snapped > onset:
            return snapped - onset
    nearest = _snapped(end, 4)
    if nearest <= onset:
        nearest = onset + Fraction(1, 8) if following is None else min(onset + Fraction(1, 4), following)
    return (nearest if following is None else min(nearest, following)) - onset

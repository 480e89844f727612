"""Rhythm of a sight-reading melody: bars filled from cells, a motif that comes back, long notes at phrase ends."""

from collections.abc import Sequence
from fractions import Fraction
from random import Random
from typing import TypeVar

from app.material.sight_recipe import SightRecipe

F = Fraction
T = TypeVar("T")
# (felt beats, lengths in quarters, weight: our choice). Cells begin on a felt beat.
SIMPLE = (
    (1, (F(1),), 4.0),
    (1, (F(1, 2), F(1, 2)), 4.0),
    (1, (F(1, 4),) * 4, 1.0),
    (1, (F(1, 2), F(1, 4), F(1, 4)), 1.5),
    (1, (F(1, 4), F(1, 4), F(1, 2)), 1.0),
    (1, (F(3, 4), F(1, 4)), 1.5),
    (2, (F(2),), 1.5),
    (2, (F(3, 2), F(1, 2)), 2.5),
)
COMPOUND = (
    (1, (F(3, 2),), 2.5),
    (1, (F(1), F(1, 2)), 4.0),
    (1, (F(1, 2),) * 3, 4.0),
    (1, (F(3, 4), F(1, 4), F(1, 2)), 1.5),
    (1, (F(1, 2), F(1, 4), F(1, 4), F(1, 2)), 1.0),
)
TWO_BEATS_START = 2  # cells of two beats begin on an odd beat of the bar, as is common practice in 4/4
Bar = tuple[Fraction, ...]


def rhythms(recipe: SightRecipe, random: Random, phrases: Sequence[int]) -> list[Bar]:
    """Lengths in quarters of every bar; ``phrases`` are lengths in bars.

    The first phrase's opening bars come back at the start of every phrase but the third of four, which contrasts; the
    last bar of a phrase holds one long note.
    """
    motif = [_bar(recipe, random) for _ in range(max(phrases))]
    bars: list[Bar] = []
    for place, count in enumerate(phrases):
        contrast = len(phrases) == 4 and place == 2
        for i in range(count - 1):
            if contrast or (i >= 2 and place > 0):
                bars.append(_bar(recipe, random))
            else:
                bars.append(motif[0] if i == 2 else motif[i])
        bars.append(_closing(recipe, last=place == len(phrases) - 1))
    return bars


def felt(recipe: SightRecipe) -> tuple[int, Fraction]:
    """Felt beats of a bar and the length of one in quarters."""
    return (recipe.beats // 3, F(3, 2)) if recipe.beat_type == 8 else (recipe.beats, F(1))


def draw(random: Random, weighted: Sequence[tuple[T, float]]) -> T:
    """One of the weighted things. Uses ``random.random`` alone, whose sequence Python promises to keep."""
    mark = random.random() * sum(weight for _, weight in weighted)
    for thing, weight in weighted:
        mark -= weight
        if mark < 0:
            return thing
    return weighted[-1][0]


def _bar(recipe: SightRecipe, random: Random) -> Bar:
    beats, _ = felt(recipe)
    cells = [cell for cell in (COMPOUND if recipe.beat_type == 8 else SIMPLE) if set(cell[1]) <= recipe.values]
    lengths: list[Fraction] = []
    at = 0
    while at < beats:
        fitting = [
            ((span, cell), weight)
            for span, cell, weight in cells
            if span <= beats - at and (span == 1 or at % TWO_BEATS_START == 0)
        ]
        span, cell = draw(random, fitting)
        lengths += cell
        at += span
    return tuple(lengths)


def _closing(recipe: SightRecipe, *, last: bool) -> Bar:
    """The last bar of a phrase: one note that fills it, or stops a beat short for a breath where more follows."""
    beats, beat = felt(recipe)
    return (beats * beat if last else (beats - 1) * beat,)

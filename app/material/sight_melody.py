"""Pitches of a sight-reading melody: a random walk that is only let through where it can be sung.

The rules, all our choice after what counterpoint and ear-training classes teach; tests hold every one:

* Each bar has a chord; its first note belongs to it, and a leap lands on one of its notes.
* Moves are mostly steps. A fourth or more is followed by a step the other way; a second third in the same direction
  only completes a triad. No sevenths, no augmented or diminished intervals.
* A leading note reached from below or by leap goes to the tonic. In minor the seventh is raised (and so never stands
  next to the sixth).
* The highest note comes once, on a beat, in the later part. No pitch sounds three times in a row, no two alternate.
* An antecedent ends on the second or fifth degree, a consequent on the tonic, each reached by step; a consequent of
  four bars begins like its antecedent.

Pitches here are staff steps above the tonic: 0 the tonic on which the melody ends, -1 the leading note below.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from random import Random

from app.domain.errors import BadInput
from app.material.pitch_names import Pitch, at_diatonic, key_alter
from app.material.sight_recipe import SightRecipe
from app.material.sight_rhythm import Bar, draw, felt, rhythms

CHORDS = {"I": {0, 2, 4}, "ii": {1, 3, 5}, "IV": {3, 5, 0}, "V": {4, 6, 1}, "vi": {5, 0, 2}}
SINGABLE = {0: {0}, 1: {1, 2}, 2: {3, 4}, 3: {5}, 4: {7}, 5: {8, 9}, 7: {12}}  # steps: semitones
WEIGHTS = {0: 0.4, 1: 6.0, 2: 2.0, 3: 0.8, 4: 0.6, 5: 0.3, 7: 0.15}
ONWARD = 1.8  # a line rather goes on than turns back
LEAP = 3  # a fourth and more is a leap
STEPWISE = 0.55  # at least this share of the moves inside phrases are steps
LOWEST = -3  # the melody goes down to the fifth below the tonic
PEAKS = {3: 0.02, 4: 0.5, 5: 2.0, 6: 1.5, 7: 3.0, 8: 2.0, 9: 1.5}  # 3 where the range allows no more
ROOM_ABOVE = 3  # steps the range must leave above the tonic
MOST_NODES = 150  # our choice: a draw that leads nowhere is given up early
MOST_TRIES = 4000


@dataclass(frozen=True, slots=True)
class Slot:
    """A place for a note: where it stands, how long it is, what its bar's chord is."""

    bar: int
    onset: Fraction  # in its bar
    length: Fraction
    chord: str
    phrase: int
    on_beat: bool
    ends: str  # "" | "open" | "closed": the last note of a phrase
    copies: int | None  # the slot it repeats


@dataclass(frozen=True, slots=True)
class Melody:
    """Slots with their staff steps above the tonic."""

    slots: tuple[Slot, ...]
    steps: tuple[int, ...]
    tonic: Pitch
    peak: int  # index of the one highest note

    def pitch(self, index: int, recipe: SightRecipe) -> Pitch:
        """The written pitch of a note."""
        return pitch_at(self.tonic, self.steps[index], recipe)


def pitch_at(tonic: Pitch, steps: int, recipe: SightRecipe) -> Pitch:
    """The pitch so many staff steps above the tonic; in minor with the raised seventh."""
    plain = at_diatonic(tonic.diatonic + steps, 0)
    raised = 1 if recipe.mode == "minor" and steps % 7 == 6 else 0
    return at_diatonic(plain.diatonic, key_alter(plain.step, recipe.fifths) + raised)


def sing(recipe: SightRecipe, random: Random, phrases: Sequence[int]) -> Melody:
    """A melody and its rhythm, drawn until both go together; :class:`BadInput` when the range holds none."""
    tonic = _tonic(recipe)
    inside = [
        steps
        for steps in range(LOWEST, max(PEAKS) + 1)
        if recipe.lowest.midi <= pitch_at(tonic, steps, recipe).midi <= recipe.highest.midi
    ]
    low, high = inside[0], inside[-1]
    for _ in range(MOST_TRIES):
        slots = _slots(recipe, random, phrases, rhythms(recipe, random, phrases))
        top = draw(random, [(peak, weight) for peak, weight in PEAKS.items() if peak <= high])
        places = _peak_places(slots, phrases, top)
        if not places:
            continue
        peak = draw(random, [(place, 1.0) for place in places])
        steps = _Walk(recipe, random, tonic, slots, low, top, peak).search()
        if steps is not None and _stepwise(slots, steps) >= STEPWISE:
            return Melody(slots, tuple(steps), tonic, peak)
    raise BadInput("No melody fits these note values, leaps and this range; allow more of them.")


def _tonic(recipe: SightRecipe) -> Pitch:
    fitting = []
    for octave in range(10):
        one = Pitch(octave, recipe.tonic[0], key_alter(recipe.tonic[0], recipe.fifths))
        if recipe.lowest.midi <= one.midi and pitch_at(one, ROOM_ABOVE, recipe).midi <= recipe.highest.midi:
            fitting.append(one)
    if not fitting:
        raise BadInput(
            f"Between {recipe.lowest.name} and {recipe.highest.name} there is no {recipe.tonic} with a fourth of room "
            "above it; widen the range."
        )
    middle = (recipe.lowest.diatonic + recipe.highest.diatonic) / 2
    return min(fitting, key=lambda one: (abs(one.diatonic + 2 - middle), one.diatonic))


def _chords(random: Random, phrases: Sequence[int]) -> list[str]:
    inner = [("I", 1.0), ("ii", 1.5), ("IV", 2.0), ("vi", 1.5)]
    out: list[str] = []
    for place, count in enumerate(phrases):
        closed = place == len(phrases) - 1 or (len(phrases) == 4 and place == 1)
        opening = draw(random, [("vi", 1.0), ("IV", 1.0), ("V", 1.0)]) if len(phrases) == 4 and place == 2 else "I"
        between = [draw(random, inner) for _ in range(max(0, count - 2))]
        if closed and between:
            between[-1] = "V"
        out += [opening, *between, "I" if closed else "V"]
    return out


def _slots(recipe: SightRecipe, random: Random, phrases: Sequence[int], bars: Sequence[Bar]) -> tuple[Slot, ...]:
    chords = _chords(random, phrases)
    _, beat = felt(recipe)
    first: dict[int, list[int]] = {}
    starts = [sum(phrases[:place]) for place in range(len(phrases))]
    slots: list[Slot] = []
    for index, lengths in enumerate(bars):
        phrase = max(place for place, start in enumerate(starts) if start <= index)
        ending = index == starts[phrase] + phrases[phrase] - 1
        closed = phrase == len(phrases) - 1 or (len(phrases) == 4 and phrase == 1)
        again = index == starts[phrase] and phrase % 2 == 1 and phrases[phrase] == 4
        at = Fraction(0)
        for i, length in enumerate(lengths):
            first.setdefault(index, []).append(len(slots))
            copies = first[0][i] if again else None
            ends = ("closed" if closed else "open") if ending else ""
            slots.append(Slot(index, at, length, chords[index], phrase, at % beat == 0, ends, copies))
            at += length
    return tuple(slots)


def _peak_places(slots: Sequence[Slot], phrases: Sequence[int], top: int) -> list[int]:
    """Where the highest note may stand: past the middle, on a beat, no repeated bar, no phrase end."""
    home = 2 if len(phrases) == 4 else len(phrases) - 1
    return [
        i
        for i, slot in enumerate(slots)
        if slot.phrase == home
        and slot.on_beat
        and not slot.ends
        and slot.copies is None
        and (slot.onset > 0 or top % 7 in CHORDS[slot.chord])
        and i + 2 < len(slots)
    ]


def _stepwise(slots: Sequence[Slot], steps: Sequence[int]) -> float:
    inside = [abs(b - a) == 1 for a, b, s in zip(steps, steps[1:], slots, strict=False) if not s.ends]
    return sum(inside) / len(inside)


class _Walk:
    """A depth-first search whose order is drawn by weight."""

    def __init__(
        self,
        recipe: SightRecipe,
        random: Random,
        tonic: Pitch,
        slots: Sequence[Slot],
        low: int,
        top: int,
        peak: int,
    ) -> None:
        self._recipe, self._random, self._slots = recipe, random, slots
        self._low, self._top, self._peak = low, top, peak
        self._midi = {step: pitch_at(tonic, step, recipe).midi for step in range(low - 1, top + 2)}
        self._targets = self._contour()
        self._nodes = 0

    def search(self) -> list[int] | None:
        """The steps of every slot, or None when this draw leads nowhere."""
        steps: list[int] = []
        return steps if self._extend(steps) else None

    def _extend(self, steps: list[int]) -> bool:
        if len(steps) == len(self._slots):
            return True
        self._nodes += 1
        if self._nodes > MOST_NODES:
            return False
        choices = [(step, self._weight(steps, step)) for step in self._possible(steps)]
        while choices:
            step = draw(self._random, choices)
            choices = [one for one in choices if one[0] != step]
            steps.append(step)
            if self._extend(steps):
                return True
            steps.pop()
        return False

    def _contour(self) -> list[float]:
        """Where the line tends to be: small arches in every phrase, the greatest at the peak, down to the tonic."""
        out = []
        last = len(self._slots) - 1
        sizes = Counter(slot.phrase for slot in self._slots)
        first: dict[int, int] = {}
        for i, slot in enumerate(self._slots):
            first.setdefault(slot.phrase, i)
        for i, slot in enumerate(self._slots):
            share = (i - first[slot.phrase]) / max(1, sizes[slot.phrase] - 1)
            arch = 0.5 + (self._top - 2) * 0.8 * math.sin(math.pi * share)
            near = math.exp(-abs(i - self._peak) / 4)
            out.append(0.0 if i == last else (1 - near) * arch + near * self._top)
        return out

    def _weight(self, steps: list[int], step: int) -> float:
        move = step - steps[-1] if steps else 1
        onward = len(steps) > 1 and move * (steps[-1] - steps[-2]) > 0
        near = math.exp(-abs(step - self._targets[len(steps)]) / 1.5)
        return WEIGHTS.get(abs(move), 0.1) * (ONWARD if onward else 1.0) * near

    def _possible(self, steps: list[int]) -> list[int]:
        i = len(steps)
        slot = self._slots[i]
        if slot.copies is not None:
            wanted = [steps[slot.copies]]
        elif i == self._peak:
            wanted = [self._top]
        elif slot.ends == "closed":
            wanted = [0]
        else:
            wanted = list(range(self._low, self._top))
            if slot.ends == "open":
                wanted = [step for step in wanted if step % 7 in (1, 4)]
        if i == 0:
            return [step for step in wanted if step in (0, 2, 4)]
        return [step for step in wanted if self._fits(steps, i, step)]

    def _fits(self, steps: list[int], i: int, step: int) -> bool:
        slot, before = self._slots[i], self._slots[i - 1]
        move = step - steps[-1]
        size = abs(move)
        if abs(self._midi[step] - self._midi[steps[-1]]) not in SINGABLE.get(size, ()):
            return False
        if slot.onset == 0 and step % 7 not in CHORDS[slot.chord]:
            return False
        if before.ends:  # a breath lies between: the new phrase begins on a chord note up to a sixth away
            return size <= 5
        if slot.ends and size != 1:
            return False
        if size > self._recipe.largest_leap or (size > 2 and min(slot.length, before.length) < Fraction(1, 2)):
            return False
        if size >= 2 and slot.copies is None and step % 7 not in CHORDS[slot.chord] and i != self._peak:
            return False
        inside = [k for k in range(max(0, i - 3), i) if self._slots[k].phrase == slot.phrase]
        past = [steps[k] for k in inside]
        return self._goes_on(past, step, move)

    def _goes_on(self, past: list[int], step: int, move: int) -> bool:
        size = abs(move)
        last = past[-1] if len(past) < 2 else past[-1] - past[-2]
        moved = len(past) >= 2
        if moved and abs(last) >= LEAP and not (size == 1 and move * last < 0):
            return False
        if moved and abs(last) == 2 and size >= 2 and move * last > 0:
            degrees = {value % 7 for value in (past[-2], past[-1], step)}
            if size != 2 or not any(degrees == chord for chord in CHORDS.values()):
                return False
        if past[-1] % 7 == 6 and not (moved and last == -1) and move != 1:
            return False  # a leading note that did not come down from the tonic
        if len(past) >= 2 and past[-1] == past[-2] == step:
            return False
        return not (len(past) >= 3 and past[-1] == past[-3] and past[-2] == step and past[-1] != step)

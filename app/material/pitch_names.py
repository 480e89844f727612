"""Names of written pitches: letter, accidental, octave, and how they are spelled in a key.

The *line of fifths* orders names ... F C G D A E B F# C# ...; F is -1, C 0, G 1. A key signature of ``fifths``
sharps (negative: flats) has the seven names from ``fifths - 1`` to ``fifths + 5``.
"""

import re
from dataclasses import dataclass

from app.domain.errors import BadInput

LETTERS = "CDEFGAB"
_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_FIFTHS_LETTERS = "FCGDAEB"
_ACCIDENTALS = {-2: "bb", -1: "b", 0: "", 1: "#", 2: "##"}
_ALTERS = {"bb": -2, "b": -1, "": 0, "#": 1, "##": 2, "x": 2, "♭": -1, "♯": 1}
_NAME = re.compile(r"^([A-Ga-g])(bb|b|##|#|x|♭|♯|)(-?\d+)$")
_CLASS = re.compile(r"^([A-Ga-g])[ -]?(bb|b|##|#|x|♭|♯|flat|sharp|)$")


@dataclass(frozen=True, slots=True, order=True)
class Pitch:
    """A written pitch. ``alter`` in semitones; octave 4 begins at middle C."""

    octave: int
    step: str  # "A" to "G"
    alter: int = 0

    @property
    def name(self) -> str:
        """Such as "Bb4" or "F##5"."""
        return f"{self.step}{_ACCIDENTALS[self.alter]}{self.octave}"

    @property
    def pitch_class(self) -> str:
        """The name without its octave."""
        return f"{self.step}{_ACCIDENTALS[self.alter]}"

    @property
    def midi(self) -> int:
        """MIDI note number of the pitch as written (C4 is 60)."""
        return 12 * (self.octave + 1) + _SEMITONES[self.step] + self.alter

    @property
    def diatonic(self) -> int:
        """Steps of the staff above C0, whatever the accidental."""
        return 7 * self.octave + LETTERS.index(self.step)

    @property
    def on_line_of_fifths(self) -> int:
        """Place on the line of fifths: F -1, C 0, G 1, F# 6, Bb -2."""
        return _FIFTHS_LETTERS.index(self.step) - 1 + 7 * self.alter


def pitch(name: str) -> Pitch:
    """The pitch called ``name`` ("Bb4", "f#5"); :class:`BadInput` when it is none."""
    found = _NAME.match(name.strip())
    if found is None:
        raise BadInput(f"“{name}” is not a pitch; write it like Bb4 or F#5.", pitch=name)
    return Pitch(int(found[3]), found[1].upper(), _ALTERS[found[2]])


def pitch_class(name: str) -> tuple[str, int]:
    """Letter and alteration of a name without octave ("Bb", "F sharp"); :class:`BadInput` when it is none."""
    found = _CLASS.match(name.strip())
    if found is None:
        raise BadInput(f"“{name}” is not a note name; write it like D, Bb or F#.", tonic=name)
    return found[1].upper(), {"flat": -1, "sharp": 1}.get(found[2], _ALTERS.get(found[2], 0))


def class_name(step: str, alter: int) -> str:
    """The inverse of :func:`pitch_class`: "Bb"."""
    return f"{step}{_ACCIDENTALS[alter]}"


def from_line_of_fifths(place: int) -> tuple[str, int]:
    """Letter and alteration of a place on the line of fifths (-1 is F)."""
    alter, index = divmod(place + 1, 7)
    return _FIFTHS_LETTERS[index], alter


def key_alter(step: str, fifths: int) -> int:
    """What a key signature does to a letter: 1 sharp, -1 flat, 0 nothing."""
    return (fifths - 1 - (_FIFTHS_LETTERS.index(step) - 1) + 6) // 7


def at_diatonic(diatonic: int, alter: int) -> Pitch:
    """The pitch on a staff step (as :attr:`Pitch.diatonic`) with an alteration."""
    octave, index = divmod(diatonic, 7)
    return Pitch(octave, LETTERS[index], alter)


def spelled(midi: int, fifths: int, *, falling: bool = False) -> Pitch:
    """A MIDI number spelled in a key of ``fifths`` sharps.

    The name is taken from twelve neighbouring places of the line of fifths: the key's own seven, plus the raised
    fourth, first and fifth and the lowered seventh and third degrees of its major key. ``falling`` moves the window by
    two fifths to the flat side, as descending chromatic lines are written.
    """
    lowest = fifths - 3 - (2 if falling else 0)
    for place in range(lowest, lowest + 12):
        step, alter = from_line_of_fifths(place)
        if (_SEMITONES[step] + alter - midi) % 12 == 0 and -2 <= alter <= 2:
            return Pitch((midi - alter - _SEMITONES[step]) // 12 - 1, step, alter)
    # Only reached in keys beyond seven sharps or flats, where a window of simple names is enough.
    return spelled(midi, 0, falling=falling)

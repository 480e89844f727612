"""What a generated scale, arpeggio or chromatic run is made from, and the check of what a form hands in."""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal, cast, get_args

from app.domain.errors import BadInput
from app.material.instruments import instrument
from app.material.pitch_names import class_name, pitch_class

Kind = Literal["scale", "arpeggio", "chromatic"]
Direction = Literal["up-down", "up", "down"]

# Semitones above the tonic, one letter per step.
SCALES: dict[str, tuple[int, ...]] = {
    "major": (0, 2, 4, 5, 7, 9, 11),
    "natural minor": (0, 2, 3, 5, 7, 8, 10),
    "harmonic minor": (0, 2, 3, 5, 7, 8, 11),
    "melodic minor": (0, 2, 3, 5, 7, 9, 11),  # falls as natural minor
    "dorian": (0, 2, 3, 5, 7, 9, 10),
    "phrygian": (0, 1, 3, 5, 7, 8, 10),
    "lydian": (0, 2, 4, 6, 7, 9, 11),
    "mixolydian": (0, 2, 4, 5, 7, 9, 10),
    "aeolian": (0, 2, 3, 5, 7, 8, 10),
    "locrian": (0, 1, 3, 5, 6, 8, 10),
    "whole tone": (0, 2, 4, 6, 8, 10),  # six letters: the seventh is left out
}
# (letter steps, semitones) above the root.
ARPEGGIOS: dict[str, tuple[tuple[int, int], ...]] = {
    "major": ((0, 0), (2, 4), (4, 7)),
    "minor": ((0, 0), (2, 3), (4, 7)),
    "augmented": ((0, 0), (2, 4), (4, 8)),
    "diminished": ((0, 0), (2, 3), (4, 6)),
    "dominant seventh": ((0, 0), (2, 4), (4, 7), (6, 10)),
    "major seventh": ((0, 0), (2, 4), (4, 7), (6, 11)),
    "minor seventh": ((0, 0), (2, 3), (4, 7), (6, 10)),
    "half-diminished seventh": ((0, 0), (2, 3), (4, 6), (6, 10)),
    "diminished seventh": ((0, 0), (2, 3), (4, 6), (6, 9)),
}
# Fifths between a mode's key signature and that of the major key on the same tonic.
SIGNATURES: dict[str, int] = {
    "major": 0,
    "natural minor": -3,
    "harmonic minor": -3,
    "melodic minor": -3,
    "dorian": -2,
    "phrygian": -4,
    "lydian": 1,
    "mixolydian": -1,
    "aeolian": -3,
    "locrian": -5,
    "minor": -3,
    "dominant seventh": -1,  # the key it resolves to
    "major seventh": 0,
    "minor seventh": -3,
}
RHYTHMS: dict[str, tuple[Fraction, ...]] = {
    "quarters": (Fraction(1),),
    "eighths": (Fraction(1, 2),),
    "triplets": (Fraction(1, 3),),
    "sixteenths": (Fraction(1, 4),),
    "dotted": (Fraction(3, 4), Fraction(1, 4)),
    "long-short-short": (Fraction(1), Fraction(1, 2), Fraction(1, 2)),
}
BEAT_UNITS: dict[str, Fraction] = {
    "eighth": Fraction(1, 2),
    "quarter": Fraction(1),
    "dotted quarter": Fraction(3, 2),
    "half": Fraction(2),
    "dotted half": Fraction(3),
}
_SAME = {
    "minor": "harmonic minor",
    "ionian": "major",
    "natural-minor": "natural minor",
    "harmonic-minor": "harmonic minor",
    "melodic-minor": "melodic minor",
    "whole-tone": "whole tone",
    "wholetone": "whole tone",
    "dominant7": "dominant seventh",
    "major7": "major seventh",
    "minor7": "minor seventh",
    "diminished7": "diminished seventh",
    "half-diminished7": "half-diminished seventh",
}
SLOWEST_BPM, FASTEST_BPM = 20.0, 400.0  # our choice: beyond what a metronome offers
MOST_OCTAVES = 4  # our choice
LONGEST_PATTERN = 32  # our choice


@dataclass(frozen=True, slots=True)
class Recipe:
    """A checked recipe. Build it with :func:`recipe_from`."""

    kind: Kind
    tonic: str  # as written: "Bb"
    mode: str  # a key of SCALES or ARPEGGIOS, "chromatic" for a run
    octaves: int = 1
    rhythm: tuple[Fraction, ...] = (Fraction(1, 2),)
    tempo_bpm: float = 96.0
    instrument: str = "clarinet-bb"
    direction: Direction = "up-down"
    start_octave: int | None = None  # of the lowest tonic as written; None: the lowest that fits the instrument
    beat_unit: Fraction = Fraction(1)
    beats: int = 4
    beat_type: int = 4
    slurred: bool = False


def recipe_from(values: Mapping[str, Any]) -> Recipe:
    """A recipe from a form's or file's plain values; :class:`BadInput` names what is wrong.

    Keys: kind, tonic, mode, octaves, rhythm (a name of RHYTHMS or lengths in quarters such as "1 1/2 1/2"), tempo_bpm,
    instrument, and optionally direction, start_octave, beat_unit, metre ("6/8"), slurred.
    """
    kind = _kind(values.get("kind"))
    tonic = class_name(*pitch_class(str(values.get("tonic", ""))))
    beats, beat_type = _metre(str(values.get("metre") or "4/4"))
    unit_name = str(values.get("beat_unit") or ("dotted quarter" if beat_type == 8 and beats % 3 == 0 else "quarter"))
    if unit_name not in BEAT_UNITS:
        raise BadInput(f"The beat must be one of: {', '.join(BEAT_UNITS)}.", beat_unit=unit_name)
    start = values.get("start_octave")
    return Recipe(
        kind=kind,
        tonic=tonic,
        mode=_mode(kind, str(values.get("mode") or "major")),
        octaves=_whole(values.get("octaves", 1), "octaves", 1, MOST_OCTAVES),
        rhythm=_rhythm(values.get("rhythm", "eighths")),
        tempo_bpm=checked_tempo(values.get("tempo_bpm", 96), SLOWEST_BPM, FASTEST_BPM),
        instrument=instrument(str(values.get("instrument") or "clarinet-bb")).key,
        direction=_direction(values.get("direction") or "up-down"),
        start_octave=None if start in (None, "") else _whole(start, "starting octave", 0, 8),
        beat_unit=BEAT_UNITS[unit_name],
        beats=beats,
        beat_type=beat_type,
        slurred=bool(values.get("slurred", False)),
    )


def _kind(value: object) -> Kind:
    for kind in get_args(Kind):
        if value == kind:
            return cast(Kind, kind)
    raise BadInput("Choose what to generate: scale, arpeggio or chromatic.", kind=str(value))


def _direction(value: object) -> Direction:
    for direction in get_args(Direction):
        if value == direction:
            return cast(Direction, direction)
    raise BadInput("The direction must be up-down, up or down.", direction=str(value))


def _mode(kind: str, mode: str) -> str:
    if kind == "chromatic":
        return "chromatic"
    table = SCALES if kind == "scale" else ARPEGGIOS
    plain = mode.strip().casefold()
    name = plain if plain in table else _SAME.get(plain, plain)
    if name not in table:
        raise BadInput(f"There is no {kind} “{mode}”; choose one of: {', '.join(table)}.", mode=mode)
    return name


def _whole(value: Any, what: str, lowest: int, highest: int) -> int:
    if isinstance(value, bool) or not isinstance(value, (int, str)) or not str(value).strip().isdigit():
        raise BadInput(f"The {what} must be a whole number from {lowest} to {highest}.", value=str(value))
    number = int(value)
    if not lowest <= number <= highest:
        raise BadInput(f"The {what} must be a whole number from {lowest} to {highest}.", value=number)
    return number


def checked_tempo(value: Any, slowest: float, fastest: float) -> float:
    """A form's tempo in beats per minute, from ``slowest`` to ``fastest``; ``BadInput`` for anything else."""
    try:
        tempo = float(value)
    except (TypeError, ValueError):
        tempo = float("nan")
    if not slowest <= tempo <= fastest:
        raise BadInput(f"The tempo must be a number from {slowest:g} to {fastest:g}.", tempo_bpm=str(value))
    return tempo


def _metre(text: str) -> tuple[int, int]:
    head, _, tail = text.partition("/")
    if not (head.strip().isdigit() and tail.strip() in {"1", "2", "4", "8", "16"} and 1 <= int(head) <= 24):
        raise BadInput("The metre must be like 4/4 or 6/8.", metre=text)
    return int(head), int(tail)


def _rhythm(value: Any) -> tuple[Fraction, ...]:
    if isinstance(value, str) and value.strip().casefold() in RHYTHMS:
        return RHYTHMS[value.strip().casefold()]
    parts = value.replace(",", " ").split() if isinstance(value, str) else value
    sentence = (
        f"The rhythm must be one of {', '.join(RHYTHMS)}, or lengths in quarter notes such as “1 1/2 1/2”, "
        "each from 1/8 to 8."
    )
    if not isinstance(parts, (list, tuple)) or not 1 <= len(parts) <= LONGEST_PATTERN:
        raise BadInput(sentence, rhythm=str(value))
    try:
        lengths = tuple(Fraction(str(part)).limit_denominator(96) for part in parts)
    except (ValueError, ZeroDivisionError):
        raise BadInput(sentence, rhythm=str(value)) from None
    if not all(Fraction(1, 8) <= one <= 8 for one in lengths):
        raise BadInput(sentence, rhythm=str(value))
    return lengths

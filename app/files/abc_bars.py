"""Typed bars numbered as a printer would, each one's length held against its metre."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from app.files.abc_typed import TypedBar

_NAMES = {
    Fraction(8): "a double whole note",
    Fraction(4): "a whole note",
    Fraction(3): "a dotted half note",
    Fraction(2): "a half note",
    Fraction(3, 2): "a dotted quarter note",
    Fraction(1): "a quarter note",
    Fraction(3, 4): "a dotted eighth note",
    Fraction(1, 2): "an eighth note",
    Fraction(3, 8): "a dotted sixteenth note",
    Fraction(1, 4): "a sixteenth note",
    Fraction(1, 8): "a thirty-second note",
    Fraction(1, 16): "a sixty-fourth note",
}
_UNITS = (
    (Fraction(2), "half note"),
    (Fraction(1), "quarter note"),
    (Fraction(1, 2), "eighth note"),
    (Fraction(1, 4), "sixteenth note"),
    (Fraction(1, 8), "thirty-second note"),
    (Fraction(1, 16), "sixty-fourth note"),
)


@dataclass(frozen=True, slots=True)
class SettledBar:
    """A typed bar with its printed number. ``sentence`` is empty where the length is right."""

    number: str
    length: Fraction
    expected: Fraction
    pickup: bool = False
    sentence: str = ""


def settle(bars: Sequence[TypedBar]) -> list[SettledBar]:
    """Number the bars and check them. A pickup is bar 0; both halves of a bar split by a repeat have one number.

    A short bar is right where it begins the piece or a section; where it ends a section that began short and fills
    that beginning up; or where it and the next one, with a sign between them, make one whole bar.
    """
    out: list[SettledBar] = []
    number = 0
    second_half = False
    section = 0  # index of the bar that began the section
    for i, bar in enumerate(bars):
        if i and _boundary(bars[i - 1], bar):
            # A first ending closes back to the section's own beginning, and so does each ending after it.
            section = section if bar.navigation.endings else i
        length, expected = bar.length, bar.metre.length
        if bar.metre.free or not bar.events:
            number += 1
            out.append(SettledBar(str(number), length or expected, length or expected))
            continue
        pickup = i == 0 and length < expected and len(bars) > 1
        if second_half:
            second_half = False
            out.append(SettledBar(str(number), length, expected))
            continue
        if pickup:
            out.append(SettledBar("0", length, expected, pickup=True))
            continue
        opens = i == section and i > 0 and length < expected
        if length < expected and i + 1 < len(bars) and _boundary(bar, bars[i + 1]):
            second_half = length + bars[i + 1].length == expected
        closes = _closes(bars, i) and section < i and bars[section].length + length == expected
        if opens and not second_half:
            out.append(SettledBar(str(number), length, expected))
            continue
        number += 1
        right = length == expected or closes or second_half
        out.append(
            SettledBar(str(number), length, expected, sentence="" if right else _wrong(str(number), bar, length))
        )
    return out


def _boundary(before: TypedBar, after: TypedBar) -> bool:
    """Whether a section ends between two bars."""
    return bool(
        before.navigation.repeat_end
        or before.double
        or after.navigation.repeat_start
        or before.navigation.endings != after.navigation.endings
    )


def _closes(bars: Sequence[TypedBar], place: int) -> bool:
    bar = bars[place]
    if place + 1 == len(bars) or bar.navigation.fine or bar.navigation.jump:
        return True
    return _boundary(bar, bars[place + 1])


def _wrong(number: str, bar: TypedBar, length: Fraction) -> str:
    expected = bar.metre.length
    metre = f"{bar.metre.beats}/{bar.metre.beat_type}"
    difference = abs(length - expected)
    by = _NAMES.get(difference, f"{_decimal(difference)} quarter notes")
    counted, asks = f"{_decimal(length)} quarter notes", _decimal(expected)
    for unit, name in _UNITS:
        if (
            unit <= Fraction(4, bar.metre.beat_type)
            and (length / unit).denominator == 1 == (expected / unit).denominator
        ):
            holds = int(length / unit)
            counted, asks = f"{holds} {name}{'' if holds == 1 else 's'}", str(int(expected / unit))
            break
    return (
        f"Bar {number} is {by} too {'long' if length > expected else 'short'}: "
        f"it holds {counted} where {metre} asks for {asks}."
    )


def _decimal(value: Fraction) -> str:
    return f"{float(value):.2f}".rstrip("0").rstrip(".")

"""Engraved music as plain shapes: made by ``app.files.engraving``, drawn by ``app.sheets`` and by browsers.

Unit: one staff space (the distance of two staff lines). In each system x runs right from the left edge, y runs
down from the top staff line, so a five-line staff lies between 0 and 4 and ink above it is negative.
"""

from dataclasses import dataclass
from typing import Literal

# ("M", x, y), ("L", x, y), ("C", x1, y1, x2, y2, x, y) or ("Z",)
Segment = tuple[str | float, ...]


@dataclass(frozen=True, slots=True)
class Shape:
    """One outline: filled, stroked or both, always in the colour of the notation."""

    segments: tuple[Segment, ...]
    filled: bool
    stroke_width: float = 0.0  # staff spaces; 0: no stroke
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Words:
    """Text of the notation (tempo words, fingerings). ``y`` is the base line; ``width`` is the room it must keep to."""

    x: float
    y: float
    text: str
    size: float
    anchor: Literal["start", "middle", "end"] = "start"
    bold: bool = False
    italic: bool = False
    width: float = 0.0  # 0: unknown


@dataclass(frozen=True, slots=True)
class NotePlace:
    """Where one engraved note head stands."""

    engraved_id: str
    left: float
    right: float
    y: float  # middle of the head

    @property
    def centre(self) -> float:
        """Middle of the head in x."""
        return (self.left + self.right) / 2.0


@dataclass(frozen=True, slots=True)
class BarPlace:
    """Where one printed bar stands in its system."""

    number: str
    left: float
    right: float


@dataclass(frozen=True, slots=True)
class System:
    """One line of music with everything it needs to be drawn."""

    left: float
    right: float
    staff_bottom: float  # 4 for one five-line staff
    ink_top: float  # highest ink, negative above the staff
    ink_bottom: float  # lowest ink
    shapes: tuple[Shape, ...]
    words: tuple[Words, ...]
    notes: tuple[NotePlace, ...]
    bars: tuple[BarPlace, ...]


@dataclass(frozen=True, slots=True)
class Engraving:
    """A whole engraved part. ``digest`` identifies it, so that a model can name it by one word."""

    width: float
    systems: tuple[System, ...]
    svg: str  # for browsers: no style element or attribute, viewBox in staff spaces, note heads keep their ids
    svg_tops: tuple[float, ...]  # y of each system's top staff line in that picture
    digest: str  # sha256 of the source, the choices and the engraver's version

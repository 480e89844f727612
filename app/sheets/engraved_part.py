"""Engraved systems as vectors on a sheet, each with its lanes below: one after another, over pages, never torn."""

from collections import OrderedDict
from dataclasses import dataclass
from typing import Literal

from reportlab.pdfgen.canvas import FILL_NON_ZERO, Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from app.domain.engraving import Engraving, Shape, System
from app.sheets import fonts, palette
from app.sheets.fonts import Face
from app.sheets.lanes import SystemLanes
from app.sheets.models import PartMarks
from app.sheets.typography import Span, draw

NAME_COLUMN_PT = 26.0  # room for the lanes' names left of the staff
SYSTEM_GAP_PT = 7.0
LANE_GAP_PT = 4.0  # between the lowest ink of a system and its first lane
BAR_ROW_PT = 8.0  # the row of bar numbers below the lowest ink
LARGEST_SPACE_PT = 4.9  # a staff of 7 mm; our choice
MOST_KEPT = 400  # systems whose paths are kept for the next sheet

ALIGN: dict[str, Literal["left", "centre", "right"]] = {"start": "left", "middle": "centre", "end": "right"}

_Paths = list[tuple[PDFPathObject, bool, float, tuple[float, ...]]]
_kept: OrderedDict[tuple[str, int], _Paths] = OrderedDict()


@dataclass(frozen=True, slots=True)
class PlacedSystem:
    """One system with its lanes and the height both take."""

    index: int
    system: System
    lanes: SystemLanes | None
    height: float


def space_for(engraving: Engraving, width: float) -> float:
    """Points to the staff space at which the engraving fills ``width`` points, names of the lanes included."""
    return min(LARGEST_SPACE_PT, (width - NAME_COLUMN_PT) / engraving.width)


def lay_out(engraving: Engraving, marks: PartMarks | None, scale: float, *, short: bool = False) -> list[PlacedSystem]:
    """Every system of a part with the height it needs at ``scale`` points to the staff space."""
    placed = []
    for index, system in enumerate(engraving.systems):
        lanes = SystemLanes(system, marks, scale, short=short) if marks is not None else None
        ink = (max(system.ink_bottom, system.staff_bottom) - min(system.ink_top, 0.0)) * scale
        below = BAR_ROW_PT + (LANE_GAP_PT + lanes.height if lanes is not None else 0.0)
        placed.append(PlacedSystem(index, system, lanes, ink + below + SYSTEM_GAP_PT))
    return placed


def draw_system(
    canvas: Canvas,
    engraving: Engraving,
    placed: PlacedSystem,
    x: float,
    top: float,
    scale: float,
    *,
    number_pt: float = palette.LABEL_PT,
) -> None:
    """Draw one system and its lanes. ``x``: left edge of the staff; ``top``: upper edge of the highest ink.

    ``number_pt`` is the size of bar numbers; larger ones stand below the line on which they'd stand otherwise.
    """
    system = placed.system
    staff_top = top + min(system.ink_top, 0.0) * scale
    canvas.saveState()
    canvas.transform(scale, 0, 0, -scale, x, staff_top)
    canvas.setFillColor(palette.NOTATION)
    canvas.setStrokeColor(palette.NOTATION)
    width = dash = None
    for path, filled, stroke_width, stroke_dash in _paths(engraving, placed.index):
        if stroke_width and stroke_width != width:
            canvas.setLineWidth(stroke_width)
            width = stroke_width
        if stroke_dash != (dash or ()):
            canvas.setDash(list(stroke_dash)) if stroke_dash else canvas.setDash()
            dash = stroke_dash
        canvas.drawPath(path, stroke=1 if stroke_width else 0, fill=1 if filled else 0, fillMode=FILL_NON_ZERO)
    canvas.restoreState()
    for word in system.words:
        face: Face = "title-bold" if word.bold else "title-italic" if word.italic else "title"
        at_x, at_y = x + word.x * scale, staff_top - word.y * scale
        text, size = word.text.replace("\xa0", " "), word.size * scale
        natural = fonts.width(text, face, size)
        if word.width and natural > word.width * scale:  # our font is wider than the one it was set by
            size *= word.width * scale / natural
        elif word.anchor == "start" and text[:1] == " " and text.strip():
            at_x += (word.width * scale - natural) / 2  # "=" stays in the middle of its room
        draw(canvas, at_x, at_y, [Span(text, face, palette.NOTATION)], size, ALIGN[word.anchor])
    draw_below(canvas, placed, x, staff_top, scale, number_pt)


def draw_below(
    canvas: Canvas,
    placed: PlacedSystem,
    x: float,
    staff_top: float,
    scale: float,
    number_pt: float = palette.LABEL_PT,
) -> None:
    """Bar numbers and lanes under a system whose top staff line lies at ``staff_top``."""
    system = placed.system
    lowest = staff_top - max(system.ink_bottom, system.staff_bottom) * scale
    below = lowest - BAR_ROW_PT - LANE_GAP_PT
    if placed.lanes is not None:
        # Bar lines go on faintly through the lanes, so that the eye finds the bar.
        canvas.setStrokeColor(palette.LINE)
        canvas.setLineWidth(0.35)
        for bar in system.bars:
            at = x + bar.right * scale
            canvas.line(at, lowest - 2.0, at, below - placed.lanes.height + 2.0)
    for bar in system.bars:
        number = [Span(bar.number, "italic", palette.SOFT)]
        at_y = lowest - BAR_ROW_PT - (number_pt - palette.LABEL_PT)
        draw(canvas, x + bar.left * scale + 1.5, at_y, number, number_pt)
    if placed.lanes is not None:
        placed.lanes.draw(canvas, x, below)


def _paths(engraving: Engraving, index: int) -> _Paths:
    """The system's outlines as PDF paths; kept, because a whole round prints the same music again and again."""
    key = (engraving.digest, index)
    if key in _kept:
        _kept.move_to_end(key)
        return _kept[key]
    fonts.font_name("title")
    made: _Paths = [
        (_path(shape), shape.filled, shape.stroke_width, shape.dash) for shape in engraving.systems[index].shapes
    ]
    _kept[key] = made
    while len(_kept) > MOST_KEPT:
        _kept.popitem(last=False)
    return made


def _path(shape: Shape) -> PDFPathObject:
    path = PDFPathObject()
    for segment in shape.segments:
        if segment[0] == "M":
            path.moveTo(segment[1], segment[2])
        elif segment[0] == "L":
            path.lineTo(segment[1], segment[2])
        elif segment[0] == "C":
            path.curveTo(*segment[1:])
        else:
            path.close()
    return path

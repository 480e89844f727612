"""The marked part for a screen: the baked engraving with the same lanes under each system as on paper.

Lengths are in points, as on paper; the browser scales the whole picture. Where each note stands comes along, so that a
screen can follow a playback and find the note under a finger.
"""

from dataclasses import dataclass
from xml.etree import ElementTree

from app.domain.engraving import Engraving
from app.sheets.drawing_svg import SvgCanvas
from app.sheets.engraved_part import NAME_COLUMN_PT, draw_below, lay_out
from app.sheets.models import PartMarks

SVG = "{http://www.w3.org/2000/svg}"
SPACE_PT = 5.0  # of the staff on screen, against the lanes' figures; our choice, near the largest on paper
MARGIN_PT = 6.0


@dataclass(frozen=True, slots=True)
class PlacedNote:
    """Where one note head stands in the picture."""

    engraved_id: str
    system: int
    left: float
    right: float
    y: float


@dataclass(frozen=True, slots=True)
class MarkedPicture:
    """The picture, the height each of its systems takes (from, to), and its note heads."""

    svg: str
    width: float
    height: float
    systems: tuple[tuple[float, float], ...]
    notes: tuple[PlacedNote, ...]


def marked_picture(engraving: Engraving, marks: PartMarks | None, *, short: bool = False) -> MarkedPicture:
    """Every system of a part with its lanes, one below the other."""
    ElementTree.register_namespace("", SVG[1:-1])
    baked = ElementTree.fromstring(engraving.svg)
    groups = [g for g in baked if g.get("class") == "placed-system"]
    width = NAME_COLUMN_PT + engraving.width * SPACE_PT + MARGIN_PT
    below = SvgCanvas()
    systems: list[tuple[float, float]] = []
    notes: list[PlacedNote] = []
    drawn: list[ElementTree.Element] = []
    top = MARGIN_PT
    for placed, group, group_top in zip(
        lay_out(engraving, marks, SPACE_PT, short=short), groups, engraving.svg_tops, strict=True
    ):
        staff_top = top - min(placed.system.ink_top, 0.0) * SPACE_PT
        moved = f"translate({NAME_COLUMN_PT:g} {staff_top:.3f}) scale({SPACE_PT:g}) translate(0 {-group_top:.4f})"
        outer = ElementTree.Element(SVG + "g", {"transform": moved})
        outer.append(group)
        drawn.append(outer)
        draw_below(below.as_canvas(), placed, NAME_COLUMN_PT, -staff_top, SPACE_PT)
        systems.append((round(top, 2), round(top + placed.height, 2)))
        notes += [
            PlacedNote(
                note.engraved_id,
                placed.index,
                round(NAME_COLUMN_PT + note.left * SPACE_PT, 2),
                round(NAME_COLUMN_PT + note.right * SPACE_PT, 2),
                round(staff_top + note.y * SPACE_PT, 2),
            )
            for note in placed.system.notes
        ]
        top += placed.height
    height = top + MARGIN_PT
    defs = "".join(ElementTree.tostring(d, encoding="unicode") for d in baked if d.tag == SVG + "defs")
    music = "".join(ElementTree.tostring(g, encoding="unicode") for g in drawn)
    font = baked.get("font-family", "serif")
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:.2f}" role="img">{defs}'
        f'<g fill="currentColor" font-family="{font}">{music}</g><g>{"".join(below.elements)}</g></svg>'
    )
    return MarkedPicture(svg, width, round(height, 2), tuple(systems), tuple(notes))

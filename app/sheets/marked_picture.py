"""The marked part for a screen: the baked engraving with the same lanes under each system as on paper.

Lengths are in points, as on paper; the browser scales the whole picture. Where each note stands comes along, so that a
screen can follow a playback and find the note under a finger.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

from app.domain.engraving import Engraving
from app.sheets.drawing_svg import SvgCanvas
from app.sheets.engraved_part import NAME_COLUMN_PT, PlacedSystem, draw_below, lay_out
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


@dataclass(frozen=True, slots=True)
class Spot:
    """Where one system stands: ``x`` the staff's left edge, ``top`` its highest ink, from the picture's corner."""

    placed: PlacedSystem
    x: float
    top: float

    def staff_top(self, scale: float) -> float:
        """How far below the picture's upper edge the top staff line lies."""
        return self.top - min(self.placed.system.ink_top, 0.0) * scale


def marked_picture(engraving: Engraving, marks: PartMarks | None, *, short: bool = False) -> MarkedPicture:
    """Every system of a part with its lanes, one below the other."""
    width = NAME_COLUMN_PT + engraving.width * SPACE_PT + MARGIN_PT
    spots: list[Spot] = []
    top = MARGIN_PT
    for placed in lay_out(engraving, marks, SPACE_PT, short=short):
        spots.append(Spot(placed, NAME_COLUMN_PT, top))
        top += placed.height
    height = round(top + MARGIN_PT, 2)
    notes = [
        PlacedNote(
            note.engraved_id,
            spot.placed.index,
            round(spot.x + note.left * SPACE_PT, 2),
            round(spot.x + note.right * SPACE_PT, 2),
            round(spot.staff_top(SPACE_PT) + note.y * SPACE_PT, 2),
        )
        for spot in spots
        for note in spot.placed.system.notes
    ]
    systems = tuple((round(s.top, 2), round(s.top + s.placed.height, 2)) for s in spots)
    return MarkedPicture(drawn(engraving, spots, SPACE_PT, width, height), width, height, systems, tuple(notes))


def drawn(engraving: Engraving, spots: Sequence[Spot], scale: float, width: float, height: float) -> str:
    """Systems with their lanes as one SVG of ``width`` by ``height`` points; ``scale``: points to the staff space."""
    ElementTree.register_namespace("", SVG[1:-1])
    baked = ElementTree.fromstring(engraving.svg)
    groups = [g for g in baked if g.get("class") == "placed-system"]
    below = SvgCanvas()
    music: list[str] = []
    for spot in spots:
        staff_top, index = spot.staff_top(scale), spot.placed.index
        moved = f"translate({spot.x:g} {staff_top:.3f}) scale({scale:g}) translate(0 {-engraving.svg_tops[index]:.4f})"
        outer = ElementTree.Element(SVG + "g", {"transform": moved})
        outer.append(groups[index])
        music.append(ElementTree.tostring(outer, encoding="unicode"))
        draw_below(below.as_canvas(), spot.placed, spot.x, -staff_top, scale)
    defs = "".join(ElementTree.tostring(d, encoding="unicode") for d in baked if d.tag == SVG + "defs")
    font = baked.get("font-family", "serif")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:.2f}" role="img">{defs}'
        f'<g fill="currentColor" font-family="{font}">{"".join(music)}</g><g>{"".join(below.elements)}</g></svg>'
    )

"""A walk over one engraved system's SVG elements: shapes, words and places, in staff spaces."""

import re
from dataclasses import dataclass, field
from typing import Literal
from xml.etree import ElementTree

from app.domain.engraving import BarPlace, NotePlace, Segment, Shape, System, Words
from app.domain.errors import BadNotation
from app.files import music_glyphs
from app.files.outlines import Matrix, bounds, ellipse, parse_path, parse_transform, product, transformed

SVG = "{http://www.w3.org/2000/svg}"
HREF = "{http://www.w3.org/1999/xlink}href"
UNITS_PER_SPACE = 180.0  # the engraver's own unit at its scale 100: a tenth of a pixel, 18 pixels to the staff space

Emphasis = tuple[bool, bool]  # bold, italic
Box = tuple[float, float, float, float]  # left, top, right, bottom


@dataclass
class Collected:
    """What one system's walk gathers, in staff spaces of the page."""

    shapes: list[Shape] = field(default_factory=list)
    words: list[Words] = field(default_factory=list)
    notes: list[NotePlace] = field(default_factory=list)
    bars: list[BarPlace] = field(default_factory=list)
    staff_lines: list[float] = field(default_factory=list)  # y
    edges: list[float] = field(default_factory=list)  # x of staff line ends
    boxes: list[Box] = field(default_factory=list)


class Walk:
    """Walks one system's elements and gathers shapes, words and places."""

    def __init__(self, glyphs: dict[str, ElementTree.Element]) -> None:
        self.glyphs = glyphs
        self.out = Collected()

    def group(
        self,
        element: ElementTree.Element,
        matrix: Matrix,
        inherited: dict[str, str],
        emphasis: Emphasis,
        head: list[Box] | None,
    ) -> None:
        """Gather an element and all below it.

        ``matrix`` places it on the engraver's page, ``inherited`` are its parents' presentation attributes, ``head``
        collects the boxes of the note head it belongs to, if any.
        """
        classes = set((element.get("class") or "").split())
        if "placeholder" in classes or "mNum" in classes or element.get("visibility") == "hidden":
            return
        matrix = product(matrix, parse_transform(element.get("transform")))
        style = inherited | {
            k: v
            for k, v in element.attrib.items()
            if k in ("stroke-width", "stroke", "fill", "fill-opacity", "stroke-dasharray")
        }
        bold, italic = emphasis
        if classes & {"ending", "fing", "reh", "tempo"}:
            bold = True
        if classes & {"dir", "dynam"}:
            italic = True
        tag = element.tag.removeprefix(SVG)
        if tag in ("g", "svg"):
            self._container(element, classes, matrix, style, (bold, italic), head)
        elif tag == "use":
            self._glyph(element, matrix, head)
        elif tag == "text":
            self._text(element, matrix, (bold, italic))
        elif tag in ("desc", "title", "style", "defs"):
            return
        else:
            self._shape(tag, element, matrix, style)

    def _container(
        self,
        element: ElementTree.Element,
        classes: set[str],
        matrix: Matrix,
        style: dict[str, str],
        emphasis: Emphasis,
        head: list[Box] | None,
    ) -> None:
        own: list[Box] = []  # boxes of this note's head; stems, flags and accidentals don't count
        is_note = "note" in classes
        for child in element:
            if "staff" in classes and child.tag == SVG + "path":
                self._staff_line(child, matrix)
            of_head = own if "notehead" in (child.get("class") or "").split() else None
            inner = of_head if is_note else head
            self.group(child, matrix, style, emphasis, inner)
        if is_note and own:
            left, top = min(b[0] for b in own), min(b[1] for b in own)
            right, bottom = max(b[2] for b in own), max(b[3] for b in own)
            self.out.notes.append(NotePlace(element.get("id", ""), left, right, (top + bottom) / 2))
        if "measure" in classes:
            xs = [
                x
                for staff in element
                if "staff" in (staff.get("class") or "").split()
                for x in self._line_ends(staff, matrix)
            ]
            if xs:
                self.out.bars.append(BarPlace(element.get("data-n", ""), min(xs), max(xs)))

    def _line_ends(self, staff: ElementTree.Element, matrix: Matrix) -> list[float]:
        ends: list[float] = []
        for child in staff:
            if child.tag == SVG + "path":
                left, _, right, _ = bounds(transformed(parse_path(child.get("d", "")), _scaled(matrix)))
                ends += [left, right]
        return ends

    def _staff_line(self, element: ElementTree.Element, matrix: Matrix) -> None:
        left, top, right, bottom = bounds(transformed(parse_path(element.get("d", "")), _scaled(matrix)))
        self.out.staff_lines.append((top + bottom) / 2)
        self.out.edges += [left, right]

    def _glyph(self, element: ElementTree.Element, matrix: Matrix, head: list[Box] | None) -> None:
        name = (element.get(HREF) or element.get("href") or "").removeprefix("#")
        glyph = self.glyphs.get(name)
        if glyph is None:
            raise BadNotation("This notation can't be engraved for print: a sign has no outline.", sign=name)
        shift: Matrix = (1, 0, 0, 1, float(element.get("x") or 0), float(element.get("y") or 0))
        matrix = product(matrix, shift)
        for path in glyph.iter(SVG + "path"):
            full = product(matrix, parse_transform(path.get("transform")))
            box = self._add(parse_path(path.get("d", "")), full, filled=True)
            if head is not None and box:
                head.append(box)

    def _shape(self, tag: str, element: ElementTree.Element, matrix: Matrix, style: dict[str, str]) -> None:
        def number(name: str) -> float:
            return float(element.get(name) or 0)

        if tag == "path":
            segments = parse_path(element.get("d", ""))
        elif tag in ("polygon", "polyline"):
            values = [float(v) for v in re.findall(r"-?[\d.]+", element.get("points", ""))]
            segments = [("L", x, y) for x, y in zip(values[::2], values[1::2], strict=True)]
            segments[0] = ("M", *segments[0][1:])
            if tag == "polygon":
                segments.append(("Z",))
        elif tag == "rect":
            x, y, w, h = number("x"), number("y"), number("width"), number("height")
            segments = [("M", x, y), ("L", x + w, y), ("L", x + w, y + h), ("L", x, y + h), ("Z",)]
        elif tag in ("ellipse", "circle"):
            radius = number("r")
            segments = ellipse(number("cx"), number("cy"), number("rx") or radius, number("ry") or radius)
        else:
            raise BadNotation("This notation can't be engraved for print: it uses an unknown drawing.", found=tag)
        # The engraver's own style sheet strokes every outline; one unit is the default width.
        stroke = 0.0 if style.get("stroke") == "none" else float(style.get("stroke-width") or 1)
        open_line = all(s[0] in ("M", "L") for s in segments) and len(segments) == 2
        filled = (
            style.get("fill") != "none" and style.get("fill-opacity") != "0" and not open_line and tag != "polyline"
        )
        dash = tuple(float(v) / UNITS_PER_SPACE for v in re.findall(r"[\d.]+", style.get("stroke-dasharray") or ""))
        self._add(segments, matrix, filled=filled, stroke=stroke / UNITS_PER_SPACE, dash=dash)

    def _add(
        self,
        segments: list[Segment],
        matrix: Matrix,
        *,
        filled: bool,
        stroke: float = 0.0,
        dash: tuple[float, ...] = (),
    ) -> Box | None:
        if not segments or (not filled and stroke == 0.0):
            return None
        placed = transformed(segments, _scaled(matrix))
        self.out.shapes.append(Shape(tuple(placed), filled, stroke, dash))
        left, top, right, bottom = bounds(placed)
        box = (left - stroke / 2, top - stroke / 2, right + stroke / 2, bottom + stroke / 2)
        self.out.boxes.append(box)
        return box

    def _text(self, element: ElementTree.Element, matrix: Matrix, emphasis: Emphasis) -> None:
        """One ``text`` element: runs of words and of music signs, laid out as one line per position."""
        anchor = element.get("text-anchor", "start")
        lines: list[tuple[float, float, str, list[tuple[str, float, bool, bool]]]] = []

        def gather(node: ElementTree.Element, size: float, bold: bool, italic: bool, align: str) -> None:
            size = float((node.get("font-size") or f"{size}px").removesuffix("px"))
            bold = {"bold": True, "normal": False}.get(node.get("font-weight", ""), bold)
            italic = {"italic": True, "normal": False}.get(node.get("font-style", ""), italic)
            align = node.get("text-anchor", align)
            if node.get("x") is not None:
                lines.append((float(node.get("x") or 0), float(node.get("y") or 0), align, []))
            if node.text and size > 0 and not (node.text.isspace() and "\n" in node.text):
                if not lines:
                    lines.append((0.0, 0.0, align, []))
                lines[-1][3].extend((piece, size, bold, italic) for piece in music_glyphs.split(node.text))
            for child in node:
                gather(child, size, bold, italic, align)

        gather(element, 0.0, emphasis[0], emphasis[1], anchor)
        for x, y, align, runs in lines:
            widths = music_glyphs.run_widths(runs)
            at = x - {"middle": sum(widths) / 2, "end": sum(widths)}.get(align, 0.0)
            if len(runs) == 1 and not music_glyphs.is_music(runs[0][0]):
                text, size, bold, italic = runs[0]
                self._word(x, y, text, size, align, bold, italic, matrix, widths[0])
                continue
            for (text, size, bold, italic), run_width in zip(runs, widths, strict=True):
                if music_glyphs.is_music(text):
                    for segments, placed in music_glyphs.outlines(text, size):
                        self._add(
                            segments, product(matrix, (placed[0], 0, 0, placed[1], at + placed[2], y)), filled=True
                        )
                elif text.strip():
                    self._word(at, y, text, size, "start", bold, italic, matrix, run_width)
                at += run_width

    def _word(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        align: str,
        bold: bool,
        italic: bool,
        matrix: Matrix,
        run_width: float,
    ) -> None:
        a, _, _, d, e, f = _scaled(matrix)
        px, py, height, w = a * x + e, d * y + f, d * size, a * run_width
        kind: Literal["start", "middle", "end"] = (
            "middle" if align == "middle" else "end" if align == "end" else "start"
        )
        self.out.words.append(
            Words(round(px, 4), round(py, 4), text, round(height, 4), kind, bold, italic, round(w, 4))
        )
        left = px - {"middle": w / 2, "end": w}.get(kind, 0.0)
        self.out.boxes.append((left, py - 0.75 * height, left + w, py + 0.25 * height))


def _scaled(matrix: Matrix) -> Matrix:
    return product((1 / UNITS_PER_SPACE, 0, 0, 1 / UNITS_PER_SPACE, 0, 0), matrix)


def placed_system(found: Collected) -> tuple[System, tuple[float, float]]:
    """The system with its top staff line at 0, and where (x, y) that line stood on the engraver's page."""
    if not found.staff_lines:
        raise BadNotation("This notation can't be engraved: a line of music has no staff.")
    top = min(found.staff_lines)

    def moved(segment: Segment) -> Segment:
        out = list(segment)
        for i in range(2, len(out), 2):
            out[i] = round(float(out[i]) - top, 4)
        return tuple(out)

    system = System(
        left=min(found.edges),
        right=max(found.edges),
        staff_bottom=round(max(found.staff_lines) - top, 4),
        ink_top=round(min(b[1] for b in found.boxes) - top, 4),
        ink_bottom=round(max(b[3] for b in found.boxes) - top, 4),
        shapes=tuple(
            Shape(tuple(moved(s) for s in shape.segments), shape.filled, shape.stroke_width, shape.dash)
            for shape in found.shapes
        ),
        words=tuple(
            Words(w.x, round(w.y - top, 4), w.text, w.size, w.anchor, w.bold, w.italic, w.width) for w in found.words
        ),
        notes=tuple(NotePlace(n.engraved_id, n.left, n.right, round(n.y - top, 4)) for n in found.notes),
        bars=tuple(found.bars),
    )
    return system, (0.0, top)

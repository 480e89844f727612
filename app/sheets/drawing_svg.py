"""A canvas that writes SVG, for what sheets draw with lines, paths and lines of text: the screen shows the same marks.

It answers to the few calls of the PDF canvas that the lanes use, with y upwards as there; the picture's top edge is
y = 0, so everything is drawn at negative y. Colours become the screen's own properties, which follow light and dark.
"""

from typing import Any
from xml.sax.saxutils import escape, quoteattr

from reportlab.lib.colors import Color

from app.sheets import palette

#: What the screen calls each colour of paper.
PROPERTIES: tuple[tuple[Color, str, str], ...] = (
    (palette.PAPER, "var(--paper)", "var(--paper)"),
    (palette.INK, "var(--ink)", "var(--ink)"),
    (palette.SOFT, "var(--soft)", "var(--soft)"),
    (palette.LINE, "var(--line)", "var(--line)"),
    (palette.GREY, "var(--edge)", "var(--soft)"),
    (palette.LOW, "var(--low)", "var(--low)"),
    (palette.HIGH, "var(--high)", "var(--high-text)"),
    (palette.NOTATION, "currentColor", "currentColor"),
)
_STROKES = {one.hexval(): stroke for one, stroke, _ in PROPERTIES}
_TEXTS = {one.hexval(): text for one, _, text in PROPERTIES}


class SvgPath:
    """A path being made."""

    def __init__(self) -> None:
        self.data: list[str] = []

    def moveTo(self, x: float, y: float) -> None:
        """Begin a stretch."""
        self.data.append(f"M{x:.2f} {-y:.2f}")

    def lineTo(self, x: float, y: float) -> None:
        """A straight line."""
        self.data.append(f"L{x:.2f} {-y:.2f}")

    def close(self) -> None:
        """Back to where the stretch began."""
        self.data.append("Z")


class SvgText:
    """A line of text being made."""

    def __init__(self, x: float, y: float) -> None:
        self.x, self.y = x, y
        self.colour, self.font, self.size = "var(--ink)", "", 0.0
        self.spans: list[str] = []

    def setFillColor(self, colour: Color) -> None:
        """The colour of what follows."""
        self.colour = _TEXTS[colour.hexval()]

    def setFont(self, name: str, size: float) -> None:
        """The face of what follows."""
        self.font, self.size = name, size

    def textOut(self, text: str) -> None:
        """Text at the end of the line."""
        family = "EB Garamond, serif" if self.font.startswith("EBGaramond") else "Inter, sans-serif"
        more = ' font-style="italic"' if "Italic" in self.font else ""
        more += ' font-weight="600"' if "SemiBold" in self.font else ""
        style = f'font-family="{family}" font-size="{self.size:.2f}" fill={quoteattr(self.colour)}{more}'
        self.spans.append(f"<tspan {style}>{escape(text)}</tspan>")


class SvgCanvas:
    """Gathers SVG elements; see the module's words."""

    def __init__(self) -> None:
        self.elements: list[str] = []
        self._stroke = self._fill = "var(--ink)"
        self._width = 1.0
        self._dash = ""
        self._join = ""

    def setStrokeColor(self, colour: Color) -> None:
        """Colour of lines."""
        self._stroke = _STROKES[colour.hexval()]

    def setFillColor(self, colour: Color) -> None:
        """Colour of filled paths."""
        self._fill = _STROKES[colour.hexval()]

    def setLineWidth(self, width: float) -> None:
        """Width of lines in points."""
        self._width = width

    def setDash(self, *lengths: float) -> None:
        """Dashes and gaps in points; nothing for a whole line."""
        self._dash = f' stroke-dasharray="{" ".join(f"{v:g}" for v in lengths)}"' if lengths else ""

    def setLineJoin(self, kind: int) -> None:
        """0: mitred, 1: round."""
        self._join = ' stroke-linejoin="round"' if kind == 1 else ""

    def line(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """One straight line."""
        self.elements.append(f'<path d="M{x0:.2f} {-y0:.2f}L{x1:.2f} {-y1:.2f}" fill="none"{self._stroked()}/>')

    def beginPath(self) -> SvgPath:
        """A path to be drawn by :meth:`drawPath`."""
        return SvgPath()

    def drawPath(self, path: SvgPath, *, stroke: int, fill: int) -> None:
        """Draw a path's outline, its inside or both."""
        look = self._stroked() if stroke else ""
        colour = quoteattr(self._fill) if fill else '"none"'
        self.elements.append(f'<path d="{"".join(path.data)}" fill={colour}{look}/>')

    def beginText(self, x: float, y: float) -> SvgText:
        """A line of text to be drawn by :meth:`drawText`."""
        return SvgText(x, y)

    def drawText(self, text: SvgText) -> None:
        """Draw a line of text."""
        self.elements.append(f'<text x="{text.x:.2f}" y="{-text.y:.2f}">{"".join(text.spans)}</text>')

    def _stroked(self) -> str:
        return f' stroke={quoteattr(self._stroke)} stroke-width="{self._width:g}"{self._dash}{self._join}'

    def as_canvas(self) -> Any:
        """Itself, for what is written for the PDF's canvas."""
        return self

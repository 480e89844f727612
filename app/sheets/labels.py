"""Small figures placed beside each other without touching: the weightiest first, the rest stay unprinted."""

from dataclasses import dataclass

from reportlab.lib.colors import Color
from reportlab.pdfgen.canvas import Canvas

from app.sheets import fonts, palette
from app.sheets.typography import Span, draw

GAP_PT = 2.0
WORDS_GAP_PT = 6.0  # between words, which would read as one sentence; our choice


@dataclass(frozen=True, slots=True)
class Label:
    """A figure that wants to stand centred at ``x`` (points)."""

    x: float
    text: str
    weight: float
    low: bool = False  # flat or early: colour only
    plain: bool = False  # neither: set in ink


@dataclass(frozen=True, slots=True)
class Placed:
    """A label with the row it got, 0 being nearest to the lane's line."""

    label: Label
    left: float
    row: int


def label_width(text: str) -> float:
    """Width of a lane's figure in points."""
    return fonts.width(text, "text", palette.LABEL_PT)


def draw_label(canvas: Canvas, x: float, y: float, text: str, colour: Color = palette.INK) -> None:
    """A lane's figure or words on clear paper: no bar line runs through them. ``x`` is the left edge."""
    size, left, right = palette.LABEL_PT, x - 0.8, x + label_width(text) + 0.8
    path = canvas.beginPath()
    path.moveTo(left, y - 0.22 * size)
    path.lineTo(right, y - 0.22 * size)
    path.lineTo(right, y + 0.78 * size)
    path.lineTo(left, y + 0.78 * size)
    path.close()
    canvas.setFillColor(palette.PAPER)
    canvas.drawPath(path, stroke=0, fill=1)
    draw(canvas, x, y, [Span(text, "text", colour)], size)


def _apart(left: float, right: float, other_left: float, other_right: float, words: bool) -> bool:
    gap = WORDS_GAP_PT if words else GAP_PT
    return left > other_right + gap or right < other_left - gap


def place(labels: list[Label], left: float, right: float, rows: int = 2) -> list[Placed]:
    """Give each label a row where it touches nobody; labels that fit in none are left out.

    ``left`` and ``right`` bound every label.
    """
    taken: list[list[tuple[float, float, bool]]] = [[] for _ in range(rows)]
    placed: list[Placed] = []
    for label in sorted(labels, key=lambda one: (-one.weight, one.x)):
        width = label_width(label.text)
        start = min(max(label.x - width / 2, left), max(left, right - width))
        for row, spans in enumerate(taken):
            if all(_apart(start, start + width, a, b, label.plain and words) for a, b, words in spans):
                spans.append((start, start + width, label.plain))
                placed.append(Placed(label, start, row))
                break
    return placed

"""Lines of text: spans with a face and a colour, wrapped to a width, drawn on a canvas. Sizes in points."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from reportlab.lib.colors import Color
from reportlab.pdfgen.canvas import Canvas

from app.sheets import fonts, palette
from app.sheets.fonts import Face


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of text in one face and colour."""

    text: str
    face: Face = "text"
    colour: Color = palette.INK


Line = tuple[Span, ...]


def line_width(line: Iterable[Span], size: float) -> float:
    """Width of one line in points."""
    return sum(fonts.width(s.text, s.face, size) for s in line)


def draw(
    canvas: Canvas,
    x: float,
    y: float,
    line: Sequence[Span],
    size: float,
    align: Literal["left", "right", "centre"] = "left",
) -> float:
    """Draw one line with its base line at ``y``; returns its width."""
    total = line_width(line, size)
    at = x - {"left": 0.0, "right": total, "centre": total / 2}[align]
    text = canvas.beginText(at, y)
    for span in line:
        text.setFillColor(span.colour)
        for name, piece in fonts.runs(span.text, span.face):
            text.setFont(name, size)
            text.textOut(piece)
    canvas.drawText(text)
    return total


def wrap(spans: Sequence[Span], size: float, width: float) -> list[Line]:
    """Break at spaces; a word longer than the line is broken after a hyphen, or where it must be. At least one line."""
    words: list[Line] = []  # a word may change face inside
    current: list[Span] = []
    for span in spans:
        pieces = _together(span.text.replace("\n", " ")).split(" ")
        for i, piece in enumerate(pieces):
            if i > 0:
                words.append(tuple(current))
                current = []
            if piece:
                current.append(Span(piece, span.face, span.colour))
    words.append(tuple(current))
    lines: list[Line] = []
    line: list[Span] = []
    used = 0.0
    for word in words:
        if not word:
            continue
        space = fonts.width(" ", word[0].face, size) if line else 0.0
        needed = line_width(word, size)
        if line and used + space + needed > width:
            lines.append(_merged(line))
            line, used, space = [], 0.0, 0.0
        if needed > width:
            for part in _broken(word, size, width):
                if line:
                    lines.append(_merged(line))
                line = list(part)
                used = line_width(part, size)
            continue
        if line:
            line.append(Span(" ", word[0].face, word[0].colour))
        line.extend(word)
        used += space + needed
    if line or not lines:
        lines.append(_merged(line))
    return lines


def shortened(text: str, face: Face, size: float, width: float) -> str:
    """The text, cut with an ellipsis when it is wider than ``width``."""
    if fonts.width(text, face, size) <= width:
        return text
    while text and fonts.width(text.rstrip() + "…", face, size) > width:
        text = text[:-1]
    return text.rstrip() + "…"


def fitted(text: str, face: Face, size: float, width: float, smallest: float) -> tuple[str, float]:
    """The text at the largest size down to ``smallest`` at which it fits; cut with an ellipsis if none does."""
    natural = fonts.width(text, face, size)
    if natural <= width:
        return text, size
    smaller = max(smallest, size * width / natural)
    return shortened(text, face, smaller, width), smaller


def _together(text: str) -> str:
    """Figures keep to their sign and bars to their number: no line ends between them."""
    return re.sub(r"(?<=\d) (?=%)|(?<=\bbar) (?=\d)|(?<=\bbars) (?=\d)", "\u00a0", text)


def _merged(line: Sequence[Span]) -> Line:
    out: list[Span] = []
    for span in line:
        if out and out[-1].face == span.face and out[-1].colour == span.colour:
            out[-1] = Span(out[-1].text + span.text, span.face, span.colour)
        else:
            out.append(span)
    return tuple(out)


def _broken(word: Line, size: float, width: float) -> list[Line]:
    parts: list[Line] = []
    line: list[Span] = []
    used = 0.0
    for span in word:
        start = 0
        for i, c in enumerate(span.text):
            w = fonts.width(c, span.face, size)
            if used + w > width and (line or i > start):
                at = span.text.rfind("-", start, i) + 1
                end = at if at > start else i
                if end > start:
                    line.append(Span(span.text[start:end], span.face, span.colour))
                parts.append(tuple(line))
                line, used, start = [], fonts.width(span.text[end:i], span.face, size), end
            used += w
        if start < len(span.text):
            line.append(Span(span.text[start:], span.face, span.colour))
    if line:
        parts.append(tuple(line))
    return parts

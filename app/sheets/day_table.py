"""The head and the tables that the printed pieces of the audition day share."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from app.sheets import palette
from app.sheets.day_models import DayHeading
from app.sheets.page import Sheet
from app.sheets.typography import Span, draw, fitted, shortened

ROW_PT = 19.0
SMALLEST_PT = 5.6


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its head, its share of the width, how its cells are set."""

    head: str
    share: float
    face: Literal["text", "bold"] = "text"
    size: float = palette.BODY_PT


def open_sheet(title: str, heading: DayHeading, caution: str, *, landscape: bool = False, warning: str = "") -> Sheet:
    """A sheet with its head drawn. ``warning`` stands in bold under the title, on every page."""
    sheet = Sheet(
        paper=heading.paper,
        landscape=landscape,
        title=f"{title}: {heading.audition}, {heading.round_name}",
        author=heading.organisation or heading.audition,
        subject=heading.held_on,
        language=heading.language,
        cautions=(caution,),
        name=f"{title} · {heading.round_name}",
    )
    sheet.on_new_page = lambda: _running_head(sheet, title, heading, warning)
    sheet.y -= palette.TITLE_PT
    sheet.bookmark(title, "top")
    used = draw(sheet.canvas, sheet.left, sheet.y, [Span(title, "title")], palette.TITLE_PT)
    line = " · ".join(t for t in (heading.organisation, heading.audition, heading.held_on) if t)
    text, size = fitted(line, "text", palette.BODY_PT, sheet.text_width - used - 20, SMALLEST_PT)
    draw(sheet.canvas, sheet.right, sheet.y, [Span(text, "text", palette.SOFT)], size, "right")
    sheet.y -= 11
    sheet.rule(strong=True)
    sheet.y -= 16
    name, size = fitted(heading.round_name, "bold", palette.BODY_PT + 1, sheet.text_width / 2, SMALLEST_PT)
    draw(sheet.canvas, sheet.left, sheet.y, [Span(name, "bold")], size)
    if warning:
        draw(sheet.canvas, sheet.right, sheet.y, [Span(warning, "bold")], palette.BODY_PT, "right")
    sheet.y -= 6
    return sheet


def draw_table(sheet: Sheet, columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> None:
    """A ruled table over as many pages as it takes, its heads on each."""
    edges = _edges(sheet, columns)
    _heads(sheet, columns, edges)
    for row in rows:
        if sheet.room < ROW_PT:
            sheet.new_page()
            _heads(sheet, columns, edges)
        sheet.y -= ROW_PT
        for at, (column, cell) in enumerate(zip(columns, row, strict=True)):
            width = edges[at + 1] - edges[at] - 8
            text, size = _whole_if_it_fits(cell, column, width)
            draw(sheet.canvas, edges[at], sheet.y + 6, [Span(text, column.face)], size)
        sheet.rule()


def box(sheet: Sheet, x: float, y: float, width: float, height: float) -> None:
    """An empty box to write in, its lower left corner at ``x``, ``y``."""
    sheet.canvas.setStrokeColor(palette.INK)
    sheet.canvas.setLineWidth(0.7)
    sheet.canvas.rect(x, y, width, height, stroke=1, fill=0)


def _whole_if_it_fits(cell: str, column: Column, width: float) -> tuple[str, float]:
    """A cell's text and size: smaller before it is cut."""
    text, size = fitted(cell, column.face, column.size, width, SMALLEST_PT)
    return (cell, size * 0.997) if size > SMALLEST_PT else (text, size)  # rounding must not cut what just fits


def _edges(sheet: Sheet, columns: Sequence[Column]) -> list[float]:
    whole = sum(column.share for column in columns)
    edges = [sheet.left]
    for column in columns:
        edges.append(edges[-1] + sheet.text_width * column.share / whole)
    return edges


def _heads(sheet: Sheet, columns: Sequence[Column], edges: Sequence[float]) -> None:
    sheet.y -= 18
    for at, column in enumerate(columns):
        text = shortened(column.head, "bold", palette.SMALL_PT, edges[at + 1] - edges[at] - 4)
        draw(sheet.canvas, edges[at], sheet.y, [Span(text, "bold", palette.SOFT)], palette.SMALL_PT)
    sheet.y -= 5
    sheet.rule()


def _running_head(sheet: Sheet, title: str, heading: DayHeading, warning: str) -> None:
    sheet.y -= palette.SMALL_PT + 4
    used = (
        draw(sheet.canvas, sheet.right, sheet.y, [Span(warning, "bold")], palette.SMALL_PT, "right") if warning else 0
    )
    text = shortened(
        f"{title} · {heading.audition} · {heading.round_name}", "bold", palette.SMALL_PT, sheet.text_width - used - 16
    )
    draw(sheet.canvas, sheet.left, sheet.y, [Span(text, "bold")], palette.SMALL_PT)
    sheet.y -= 6
    sheet.rule()

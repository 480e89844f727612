"""The head and the tables that the printed pieces of the audition day share."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from app.sheets import palette
from app.sheets.day_models import DayHeading
from app.sheets.page import Sheet
from app.sheets.typography import Line, Span, draw, fitted, shortened, wrap

ROW_PT = 19.0
SMALLEST_PT = 5.6
READABLE_PT = 7.6  # a cell that would be smaller goes over several lines; our choice
MOST_LINES = 3
CELL_LEADING = 1.22
HEADS_PT = 23.0


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


def draw_table(
    sheet: Sheet, columns: Sequence[Column], rows: Sequence[Sequence[str]], *, row_pt: float = ROW_PT
) -> None:
    """A ruled table over as many pages as it takes, its heads on each. A long cell takes several lines."""
    edges = _edges(sheet, columns)
    _heads(sheet, columns, edges)
    for row in rows:
        cells = [
            _cell(cell, column, edges[at + 1] - edges[at] - 8)
            for at, (column, cell) in enumerate(zip(columns, row, strict=True))
        ]
        height = max([row_pt, *(8 + len(lines) * size * CELL_LEADING for lines, size in cells if len(lines) > 1)])
        if sheet.room < height:
            sheet.new_page()
            _heads(sheet, columns, edges)
        for at, (lines, size) in enumerate(cells):
            leading = size * CELL_LEADING
            y = sheet.y - (height - leading * (len(lines) - 1)) / 2 - size * 0.35
            for line in lines:
                draw(sheet.canvas, edges[at], y, line, size)
                y -= leading
        sheet.y -= height
        sheet.rule(to_write_on=True)


def table_height(rows: int, *, row_pt: float = ROW_PT) -> float:
    """Height of a table whose cells take one line each."""
    return HEADS_PT + rows * row_pt


def box(sheet: Sheet, x: float, y: float, width: float, height: float) -> None:
    """An empty box to write in, its lower left corner at ``x``, ``y``."""
    sheet.canvas.setStrokeColor(palette.INK)
    sheet.canvas.setLineWidth(0.7)
    sheet.canvas.rect(x, y, width, height, stroke=1, fill=0)


def _cell(cell: str, column: Column, width: float) -> tuple[list[Line], float]:
    """A cell's lines and size: smaller, then over several lines, before it is cut."""
    text, size = fitted(cell, column.face, column.size, width, READABLE_PT)
    if text == cell or size > READABLE_PT:
        return [(Span(cell, column.face),)], size * (
            1.0 if size == column.size else 0.997
        )  # what just fits stays whole
    lines = wrap([Span(cell, column.face)], READABLE_PT, width)
    if len(lines) > MOST_LINES:
        rest = " ".join(span.text for line in lines[MOST_LINES - 1 :] for span in line)
        lines = [*lines[: MOST_LINES - 1], (Span(shortened(rest, column.face, READABLE_PT, width), column.face),)]
    return lines, READABLE_PT


def _edges(sheet: Sheet, columns: Sequence[Column]) -> list[float]:
    whole = sum(column.share for column in columns)
    edges = [sheet.left]
    for column in columns:
        edges.append(edges[-1] + sheet.text_width * column.share / whole)
    return edges


def _heads(sheet: Sheet, columns: Sequence[Column], edges: Sequence[float]) -> None:
    sheet.y -= HEADS_PT - 5
    for at, column in enumerate(columns):
        text = shortened(column.head, "bold", palette.SMALL_PT, edges[at + 1] - edges[at] - 4)
        draw(sheet.canvas, edges[at], sheet.y, [Span(text, "bold", palette.SOFT)], palette.SMALL_PT)
    sheet.y -= 5
    sheet.rule(to_write_on=True)


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

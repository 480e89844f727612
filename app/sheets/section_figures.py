"""Pictures of the section report, drawn alike on paper and screen. Lengths in points, y upwards from a top edge."""

from collections.abc import Sequence
from typing import Any

from app.judging.section import SectionBar, SectionTendency
from app.sheets import palette, wording
from app.sheets.drawing_svg import SvgCanvas
from app.sheets.typography import Span, draw

WIDTH = 500.0
ROW_PT = 15.0
NAME_PT = 42.0
FIGURES_PT = 190.0
MOST_CENTS = 40.0  # further off is drawn at the edge: the figure is printed
COLUMN_PT, COLUMN_HEIGHT_PT = 30.0, 46.0
BARS_A_LINE = 16
LINE_PT = COLUMN_HEIGHT_PT + 28.0


def tendencies_height(rows: Sequence[SectionTendency]) -> float:
    """Height of :func:`draw_tendencies`."""
    return ROW_PT * (len(rows) + 1)


def draw_tendencies(canvas: Any, x: float, top: float, rows: Sequence[SectionTendency], names: Sequence[str]) -> None:
    """A line for each pitch: the mean over players as a tick, its range as a bar; right of the middle is sharp."""
    middle = x + NAME_PT + (WIDTH - NAME_PT - FIGURES_PT) / 2
    scale = (WIDTH - NAME_PT - FIGURES_PT - 10) / 2 / MOST_CENTS
    y = top - ROW_PT + 4
    draw(canvas, middle - 6, y, [Span("flat", "text", palette.SOFT)], palette.SMALL_PT, "right")
    draw(canvas, middle + 6, y, [Span("sharp", "text", palette.SOFT)], palette.SMALL_PT)
    canvas.setStrokeColor(palette.LINE)
    canvas.setLineWidth(0.7)
    canvas.line(middle, top - ROW_PT, middle, top - tendencies_height(rows))
    for row, name in zip(rows, names, strict=True):
        y -= ROW_PT
        draw(canvas, x, y, [Span(name, "bold" if row.is_sure else "text")], palette.BODY_PT)
        colour = palette.GREY if not row.is_sure else palette.LOW if row.mean_cents < 0 else palette.HIGH
        canvas.setStrokeColor(colour)
        if row.low_cents is not None and row.high_cents is not None:
            canvas.setLineWidth(0.9)
            canvas.line(middle + _at(row.low_cents) * scale, y + 3, middle + _at(row.high_cents) * scale, y + 3)
        canvas.setLineWidth(2.4 if row.is_sure else 1.4)
        at = middle + _at(row.mean_cents) * scale
        canvas.line(at, y - 1, at, y + 7)
        draw(canvas, x + WIDTH - FIGURES_PT + 8, y, [Span(figures(row), "text", palette.SOFT)], palette.SMALL_PT)


def figures(row: SectionTendency) -> str:
    """A tendency in figures: "+12 cents (5 to 19), 8 players, 21 notes"."""
    between = (
        f" ({_signed(row.low_cents)} to {_signed(row.high_cents)})"
        if row.low_cents is not None and row.high_cents is not None
        else ""
    )
    players = "1 player" if row.players == 1 else f"{row.players} players"
    notes = "1 note" if row.notes == 1 else f"{row.notes} notes"
    return f"{_signed(row.mean_cents)} cents{between}, {players}, {notes}"


def _signed(cents: float) -> str:
    """Whole cents with their sign; a nought has none."""
    return wording.signed(round(cents))


def bars_height(bars: Sequence[SectionBar]) -> float:
    """Height of :func:`draw_bars`; nothing is drawn where nobody fell."""
    if not any(bar.fell for bar in bars):
        return 0.0
    return LINE_PT * -(-len(bars) // BARS_A_LINE)


def draw_bars(canvas: Any, x: float, top: float, bars: Sequence[SectionBar]) -> None:
    """A column for each bar: as high as the share of players who fell in it, their count above, the bar below."""
    if not any(bar.fell for bar in bars):
        return
    for place, bar in enumerate(bars):
        line, column = divmod(place, BARS_A_LINE)
        left = x + column * COLUMN_PT
        foot = top - line * LINE_PT - LINE_PT + 16
        height = COLUMN_HEIGHT_PT * bar.fell / max(1, bar.players)
        canvas.setStrokeColor(palette.LINE)
        canvas.setLineWidth(0.7)
        canvas.line(left + 3, foot, left + COLUMN_PT - 3, foot)
        if bar.fell:
            canvas.setStrokeColor(palette.GREY)
            canvas.setLineWidth(11.0)
            canvas.line(left + COLUMN_PT / 2, foot, left + COLUMN_PT / 2, foot + height)
            count = [Span(str(bar.fell), "bold")]
            draw(canvas, left + COLUMN_PT / 2, foot + height + 3, count, palette.SMALL_PT, "centre")
        number = [Span(bar.bar, "text", palette.SOFT)]
        draw(canvas, left + COLUMN_PT / 2, foot - 11, number, palette.SMALL_PT, "centre")


def as_svg(height: float, draw_into: Any) -> str:
    """What ``draw_into(canvas, x, top)`` draws, as SVG for the screen."""
    canvas = SvgCanvas()
    draw_into(canvas.as_canvas(), 0.0, 0.0)
    body = "".join(canvas.elements)
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:.1f}" role="img">{body}</svg>'


def _at(cents: float) -> float:
    return max(-MOST_CENTS, min(MOST_CENTS, cents))

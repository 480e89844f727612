"""Number slips: four by two on a page, to cut apart and hand out at the door."""

from collections.abc import Sequence

from app.sheets import cautions, palette
from app.sheets.day_models import DayHeading, Slip
from app.sheets.page import Sheet
from app.sheets.typography import Span, draw, fitted, wrap

COLUMNS, ROWS = 2, 4
NUMBER_PT = 58.0
NUMBER_SHARE = 0.44  # of a slip's width, for the number
FACT_PT = 13.0
NO_NAME = (
    "Keep this slip. In the recording room your number is all we need: please do not say your name or your school."
)


def render_slips(heading: DayHeading, slips: Sequence[Slip]) -> bytes:
    """The slips as PDF bytes, in the order given; dashed lines show where to cut."""
    sheet = Sheet(
        paper=heading.paper,
        title=f"Number slips: {heading.audition}, {heading.round_name}",
        author=heading.organisation or heading.audition,
        subject=heading.held_on,
        language=heading.language,
        cautions=(cautions.RESULT,),
        name=f"Number slips · {heading.round_name}",
    )
    top = sheet.y
    width, height = sheet.text_width / COLUMNS, (top - sheet.bottom) / ROWS
    for at, slip in enumerate(slips):
        place = at % (COLUMNS * ROWS)
        if at and not place:
            sheet.new_page()
        if not place:
            sheet.bookmark(f"From number {slip.blind_number}", f"slips-{at}")
            _cuts(sheet, top, width, height)
        row, column = divmod(place, COLUMNS)
        _slip(sheet, heading, slip, sheet.left + column * width, top - row * height, width, height)
    return sheet.finish()


def _slip(sheet: Sheet, heading: DayHeading, slip: Slip, x: float, top: float, width: float, height: float) -> None:
    canvas, inner = sheet.canvas, 12.0
    room = width - 2 * inner
    y = top - inner - palette.SMALL_PT
    line = " · ".join(t for t in (heading.audition, heading.round_name, heading.held_on) if t)
    text, size = fitted(line, "text", palette.SMALL_PT, room, 5.6)
    draw(canvas, x + inner, y, [Span(text, "text", palette.SOFT)], size)
    y -= NUMBER_PT * 0.86
    text, size = fitted(slip.blind_number, "title-bold", NUMBER_PT, room * NUMBER_SHARE - 8, 20.0)
    draw(canvas, x + inner, y, [Span(text, "title-bold")], size)
    facts = [
        ("Plays at", slip.plays_at),
        ("Warm-up from", slip.warm_up_at),
        ("Check-in by", slip.check_in_by),
        ("Room", slip.room),
    ]
    fact_y = top - inner - palette.SMALL_PT - 20
    for name, value in facts:
        if value:
            left = x + inner + room * NUMBER_SHARE
            label = draw(canvas, left, fact_y, [Span(f"{name}  ", "text", palette.SOFT)], palette.BODY_PT)
            text, size = fitted(value, "bold", FACT_PT, room * (1 - NUMBER_SHARE) - label, 7.0)
            draw(canvas, left + label, fact_y, [Span(text, "bold")], size)
            fact_y -= FACT_PT * 1.4
    y -= 15
    if slip.instrument:
        text, size = fitted(slip.instrument, "text", palette.BODY_PT, room, 6.0)
        draw(canvas, x + inner, y, [Span(text)], size)
    lines = wrap([Span(NO_NAME)], palette.BODY_PT, room)
    y = top - height + inner + palette.BODY_PT * palette.LEADING * (len(lines) - 1)
    for one in lines:
        draw(canvas, x + inner, y, one, palette.BODY_PT)
        y -= palette.BODY_PT * palette.LEADING


def _cuts(sheet: Sheet, top: float, width: float, height: float) -> None:
    """Dashed lines to cut along, each drawn once: two over each other would look solid."""
    canvas = sheet.canvas
    canvas.setStrokeColor(palette.GREY)
    canvas.setLineWidth(0.6)
    canvas.setDash(3, 3)
    for row in range(ROWS + 1):
        canvas.line(sheet.left, top - row * height, sheet.right, top - row * height)
    for column in range(COLUMNS + 1):
        canvas.line(sheet.left + column * width, top, sheet.left + column * width, top - ROWS * height)
    canvas.setDash()

"""Slips to cut apart: each student's private link as a code to scan and in letters, eight to the page."""

from collections.abc import Sequence
from dataclasses import dataclass

import segno
from reportlab.pdfgen.canvas import Canvas

from app.sheets import palette
from app.sheets.models import Paper
from app.sheets.page import Sheet
from app.sheets.typography import Span, draw, fitted, wrap

COLUMNS = 2
ROWS = 4
GAP_PT = 16.0
CODE_PT = 112.0  # a module of half a millimetre: read by a phone from the hand
QUIET_MODULES = 4  # ISO/IEC 18004 asks for 4
URL_PT = 7.4  # has to be read off and typed


@dataclass(frozen=True, slots=True)
class Slip:
    """What stands on one slip."""

    student: str
    blind_number: str
    url: str
    until: str  # "14 March 2027"


@dataclass(frozen=True, slots=True)
class SlipsModel:
    """Every slip of a round. Holds secrets: it is printed once and never kept."""

    audition: str
    organisation: str
    round_name: str
    slips: Sequence[Slip]
    paper: Paper = "letter"
    language: str = "en-US"


def render(model: SlipsModel) -> bytes:
    """The slips as PDF bytes, in the order given."""
    sheet = Sheet(
        paper=model.paper,
        title=f"Private links: {model.audition}, {model.round_name}",
        author=model.organisation or model.audition,
        subject=f"{model.audition}, {model.round_name}",
        language=model.language,
        cautions=("Cut apart and hand each slip to its student only: whoever holds it sees this student's results.",),
        name=f"{model.audition} · {model.round_name} · private links",
    )
    width = (sheet.text_width - GAP_PT * (COLUMNS - 1)) / COLUMNS
    height = (sheet.y - sheet.bottom) / ROWS
    top = sheet.y
    for number, slip in enumerate(model.slips):
        place = number % (COLUMNS * ROWS)
        if number and place == 0:
            sheet.new_page()
        if place == 0:
            sheet.bookmark(f"From number {slip.blind_number}", f"slips-{number}")
            _cuts(sheet, top, width, height)
        x = sheet.left + (place % COLUMNS) * (width + GAP_PT)
        _slip(sheet.canvas, model, slip, x, top - (place // COLUMNS) * height, width)
    return sheet.finish()


def _slip(canvas: Canvas, model: SlipsModel, slip: Slip, x: float, top: float, width: float) -> None:
    name, size = fitted(slip.student, "bold", palette.BODY_PT + 1, width, 7.0)
    draw(canvas, x, top - 18, [Span(name, "bold")], size)
    played = f"number {slip.blind_number} · {model.round_name} · {model.audition}"
    line, size = fitted(played, "text", palette.SMALL_PT, width, 6.0)
    draw(canvas, x, top - 29, [Span(line, "text", palette.SOFT)], size)
    _code(canvas, slip.url, x, top - 36 - CODE_PT)
    beside, y = x + CODE_PT + 8, top - 46
    text = (
        "Your sheet, your take and a practice room: scan the code, or type the address. It is yours alone, so keep it "
        f"to yourself; it works until {slip.until}. Lost it? Your section leader makes you a new one."
    )
    for words in wrap([Span(text)], palette.SMALL_PT, width - CODE_PT - 8):
        draw(canvas, beside, y, words, palette.SMALL_PT)
        y -= palette.SMALL_PT * palette.LEADING
    y -= 3
    for words in wrap([Span(slip.url, "text", palette.SOFT)], URL_PT, width - CODE_PT - 8):
        draw(canvas, beside, y, words, URL_PT)
        y -= URL_PT * 1.25


def _code(canvas: Canvas, text: str, x: float, y: float) -> None:
    """The code as one path of dark squares, with its quiet zone, in a square of ``CODE_PT``."""
    rows = [list(row) for row in segno.make(text, error="m", micro=False).matrix_iter(border=QUIET_MODULES)]
    module = CODE_PT / len(rows)
    path = canvas.beginPath()
    for down, row in enumerate(rows):
        for across, dark in enumerate(row):
            if dark:
                path.rect(x + across * module, y + CODE_PT - (down + 1) * module, module, module)
    canvas.setFillColor(palette.NOTATION)
    canvas.drawPath(path, stroke=0, fill=1)


def _cuts(sheet: Sheet, top: float, width: float, height: float) -> None:
    """Dashed lines to cut along."""
    canvas = sheet.canvas
    canvas.setStrokeColor(palette.GREY)
    canvas.setLineWidth(0.4)
    canvas.setDash(2, 3)
    for row in range(1, ROWS):
        canvas.line(sheet.left, top - row * height + 3, sheet.right, top - row * height + 3)
    middle = sheet.left + width + GAP_PT / 2
    canvas.line(middle, top, middle, top - ROWS * height + 8)
    canvas.setDash()

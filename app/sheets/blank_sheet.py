"""The blank adjudication sheet: for the day the network dies, with its boxes in the order they are typed in later."""

from app.sheets import cautions, palette
from app.sheets.day_models import BlankSheetModel
from app.sheets.day_table import box, open_sheet
from app.sheets.page import Sheet
from app.sheets.typography import Span, draw, fitted

BOX_W, BOX_H = 38.0, 22.0
ROW_PT = 28.0
REMARK_LINES = 3
REMARK_PT = 19.0
HOW = (
    "Write one whole mark from {low} to {high} into every box. Leave a box empty only when it can't be judged, and "
    "write the reason beside it. Write nothing but the number about who plays. Do not talk about marks before all "
    "sheets are in."
)


def render_blank_sheet(model: BlankSheetModel) -> bytes:
    """Blank sheets for every number as PDF bytes; the same model gives the same bytes."""
    sheet = open_sheet(
        "Adjudication sheets", model.heading, cautions.SCORE_SHEET[0], warning=f"Adjudicator {model.letter}"
    )
    sheet.paragraph([Span(HOW.format(low=model.low, high=model.high))])
    sheet.y -= 4
    for caption in model.captions:
        sheet.paragraph(
            [Span(f"{caption.name}: ", "bold"), Span("; ".join(caption.levels), "text", palette.SOFT)],
            size=palette.SMALL_PT,
        )
    height = 30 + 14 + ROW_PT * len(model.rows) + REMARK_PT * REMARK_LINES + 16
    for number, why_empty in model.numbers:
        sheet.ensure(46 if why_empty else height)
        _one(sheet, model, number, why_empty)
    return sheet.finish()


def _one(sheet: Sheet, model: BlankSheetModel, number: str, why_empty: str) -> None:
    sheet.y -= 14
    sheet.rule(strong=True)
    sheet.y -= 24
    sheet.bookmark(f"Number {number}", f"number-{number}", 1)
    canvas = sheet.canvas
    used = draw(canvas, sheet.left, sheet.y, [Span(number, "title-bold")], 24)
    draw(canvas, sheet.left + used + 10, sheet.y, [Span("number", "text", palette.SOFT)], palette.SMALL_PT)
    draw(canvas, sheet.right, sheet.y, [Span(f"Adjudicator {model.letter}", "bold")], palette.BODY_PT, "right")
    if why_empty:
        draw(canvas, sheet.left + 150, sheet.y, [Span(why_empty, "italic", palette.SOFT)], palette.BODY_PT)
        sheet.y -= 8
        return
    first = sheet.left + sheet.text_width * 0.34
    step = (sheet.right - first) / max(1, len(model.captions))
    sheet.y -= 13
    for at, caption in enumerate(model.captions):
        text, size = fitted(caption.name, "bold", palette.SMALL_PT, step - 6, 5.4)
        draw(canvas, first + at * step, sheet.y, [Span(text, "bold", palette.SOFT)], size)
    for row in model.rows:
        sheet.y -= ROW_PT
        text, size = fitted(row, "text", palette.BODY_PT, first - sheet.left - 10, 6.2)
        draw(canvas, sheet.left, sheet.y + 8, [Span(text)], size)
        for at in range(len(model.captions)):
            box(sheet, first + at * step, sheet.y, min(BOX_W, step - 6), BOX_H)
    for at in range(REMARK_LINES):
        sheet.y -= REMARK_PT
        label = "remarks, with bar" if at == 0 else ""
        used = draw(canvas, sheet.left, sheet.y + 2, [Span(label, "text", palette.SOFT)], palette.SMALL_PT)
        sheet.rule(to_write_on=True, x0=sheet.left + (used + 6 if label else 0))

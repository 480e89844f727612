"""The table of marks on a comment sheet: captions down, letters across, measured, merged, what earned it.

One piece: a single table with the descriptors beside the marks. Several pieces: the pieces stand side by side, each
caption's descriptor below its marks; where they don't fit side by side they stand below each other.
"""

from dataclasses import dataclass

from app.sheets import fonts, palette
from app.sheets.models import CaptionRow, CommentSheetModel, MarksBlock
from app.sheets.page import Sheet
from app.sheets.typography import Span, draw, fitted, shortened, wrap

SIZE = palette.BODY_PT
HEAD = palette.SMALL_PT
CAPTION_PT = 80.0
MEASURED_PT = 48.0
MERGED_PT = 40.0
ALL_PT = 40.0
WIDEST_LETTER_PT = 30.0
NARROWEST_LETTER_PT = 17.0
LEAST_EARNED_PT = 130.0
BLOCK_GAP_PT = 12.0
ROW_PT = 15.5
MISSING = "—"


@dataclass(frozen=True, slots=True)
class _Block:
    """Right edges of one block's columns."""

    left: float
    letters: tuple[float, ...]
    measured: float | None
    merged: float


def mark_text(mark: float | None, digits: int = 1) -> str:
    """A mark as printed; a missing one as a dash."""
    return MISSING if mark is None else f"{mark:.{digits}f}"


def own_mark_text(mark: float | None) -> str:
    """An adjudicator's mark: whole marks without a point."""
    return MISSING if mark is None else f"{mark:.0f}" if float(mark).is_integer() else f"{mark:.1f}"


def draw_marks(sheet: Sheet, model: CommentSheetModel) -> None:
    """Draw every block, the captions over all pieces, the total and the notes."""
    with_measured = any(row.measured is not None for block in model.blocks for row in block.rows)
    sheet.y -= 20
    sheet.bookmark("Marks", "marks", 1)
    if len(model.blocks) == 1:
        _single(sheet, model, with_measured)
    elif _side_width(model, with_measured) <= sheet.text_width:
        _side_by_side(sheet, model, with_measured)
    else:
        _stacked(sheet, model, with_measured)
    for note in model.notes:
        sheet.paragraph([Span(note, "text", palette.SOFT)], size=palette.SMALL_PT)


def _side_width(model: CommentSheetModel, with_measured: bool) -> float:
    one = NARROWEST_LETTER_PT * len(model.letters) + (MEASURED_PT if with_measured else 0.0) + MERGED_PT
    return CAPTION_PT + (one + BLOCK_GAP_PT) * len(model.blocks) + ALL_PT


def _edges(left: float, letters: int, letter_pt: float, with_measured: bool) -> _Block:
    rights = tuple(left + letter_pt * (i + 1) for i in range(letters))
    at = left + letter_pt * letters
    measured = at + MEASURED_PT if with_measured else None
    return _Block(left, rights, measured, (measured or at) + MERGED_PT)


def _letter_pt(room: float, letters: int) -> float:
    return min(WIDEST_LETTER_PT, max(NARROWEST_LETTER_PT, room / max(1, letters)))


def _single(sheet: Sheet, model: CommentSheetModel, with_measured: bool) -> None:
    fixed = CAPTION_PT + (MEASURED_PT if with_measured else 0.0) + MERGED_PT + 18
    room = sheet.text_width - fixed - LEAST_EARNED_PT
    block = _edges(sheet.left + CAPTION_PT, len(model.letters), _letter_pt(room, len(model.letters)), with_measured)
    earned = block.merged + 18
    _head(sheet, model, [block])
    draw(sheet.canvas, earned, sheet.y, [Span("what earned it", "bold", palette.SOFT)], HEAD)
    sheet.y -= 6
    sheet.rule()
    for row in model.blocks[0].rows:
        lines = wrap([Span(row.earned)], palette.SMALL_PT, sheet.right - earned) if row.earned else []
        height = max(ROW_PT, 6 + len(lines) * palette.SMALL_PT * 1.28)
        sheet.ensure(height)
        base = sheet.y - 11
        _name(sheet, row.name, base)
        _marks(sheet, row, block, base)
        for at, line in enumerate(lines):
            draw(sheet.canvas, earned, base - at * palette.SMALL_PT * 1.28, line, palette.SMALL_PT)
        sheet.y -= height
        sheet.rule()
    _total(sheet, model, block.merged)


def _side_by_side(sheet: Sheet, model: CommentSheetModel, with_measured: bool) -> None:
    letters, blocks = len(model.letters), len(model.blocks)
    spare = sheet.text_width - _side_width(model, with_measured)
    letter_pt = _letter_pt(NARROWEST_LETTER_PT * letters + spare / blocks, letters)
    width = letter_pt * letters + (MEASURED_PT if with_measured else 0.0) + MERGED_PT
    edges = [
        _edges(sheet.left + CAPTION_PT + (width + BLOCK_GAP_PT) * i, letters, letter_pt, with_measured)
        for i in range(blocks)
    ]
    for block, edge in zip(model.blocks, edges, strict=True):
        title, size = fitted(block.title, "title-italic", 11.5, width - 10, 8.0)
        draw(sheet.canvas, edge.merged, sheet.y, [Span(title, "title-italic")], size, "right")
        sheet.canvas.setStrokeColor(palette.LINE)
        sheet.canvas.setLineWidth(0.5)
        sheet.canvas.line(edge.left + 6, sheet.y - 4, edge.merged, sheet.y - 4)
    sheet.y -= 16
    _head(sheet, model, edges)
    draw(sheet.canvas, sheet.right, sheet.y, [Span("all", "bold", palette.SOFT)], HEAD, "right")
    sheet.y -= 6
    sheet.rule()
    for at, overall in enumerate(model.overall):
        lines = wrap([Span(overall.earned)], palette.SMALL_PT, sheet.text_width) if overall.earned else []
        height = ROW_PT + len(lines) * palette.SMALL_PT * 1.28 + (2 if lines else 0)
        sheet.ensure(height)
        base = sheet.y - 11
        _name(sheet, overall.name, base)
        for block, edge in zip(model.blocks, edges, strict=True):
            _marks(sheet, block.rows[at], edge, base)
        draw(sheet.canvas, sheet.right, base, [Span(mark_text(overall.merged), "bold")], SIZE, "right")
        for number, line in enumerate(lines):
            draw(sheet.canvas, sheet.left, base - 11 - number * palette.SMALL_PT * 1.28, line, palette.SMALL_PT)
        sheet.y -= height
        sheet.rule()
    _total(sheet, model, sheet.right)


def _stacked(sheet: Sheet, model: CommentSheetModel, with_measured: bool) -> None:
    letters = len(model.letters)
    fixed = CAPTION_PT + (MEASURED_PT if with_measured else 0.0) + MERGED_PT
    block = _edges(sheet.left + CAPTION_PT, letters, _letter_pt(sheet.text_width - fixed, letters), with_measured)
    _head(sheet, model, [block])
    sheet.y -= 6
    sheet.rule()
    for part in model.blocks:
        _block_title(sheet, part)
        for row in part.rows:
            sheet.ensure(ROW_PT)
            _name(sheet, row.name, sheet.y - 11)
            _marks(sheet, row, block, sheet.y - 11)
            sheet.y -= ROW_PT
            sheet.rule()
    sheet.ensure(90)
    sheet.y -= 16
    draw(sheet.canvas, sheet.left, sheet.y, [Span("all pieces", "title-italic")], 11.5)
    sheet.y -= 4
    for overall in model.overall:
        merged_x = sheet.left + CAPTION_PT + 30
        lines = wrap([Span(overall.earned)], palette.SMALL_PT, sheet.right - merged_x - 14) if overall.earned else []
        height = max(ROW_PT, 6 + len(lines) * palette.SMALL_PT * 1.28)
        sheet.ensure(height)
        base = sheet.y - 11
        _name(sheet, overall.name, base)
        draw(sheet.canvas, merged_x, base, [Span(mark_text(overall.merged), "bold")], SIZE, "right")
        for at, line in enumerate(lines):
            draw(sheet.canvas, merged_x + 14, base - at * palette.SMALL_PT * 1.28, line, palette.SMALL_PT)
        sheet.y -= height
        sheet.rule()
    _total(sheet, model, block.merged)


def _head(sheet: Sheet, model: CommentSheetModel, blocks: list[_Block]) -> None:
    soft = palette.SOFT
    draw(sheet.canvas, sheet.left, sheet.y, [Span("Caption", "bold", soft)], HEAD)
    for block in blocks:
        for x, letter in zip(block.letters, model.letters, strict=True):
            draw(sheet.canvas, x, sheet.y, [Span(letter, "bold", soft)], HEAD, "right")
        if block.measured is not None:
            draw(sheet.canvas, block.measured, sheet.y, [Span("measured", "bold", soft)], HEAD, "right")
        draw(sheet.canvas, block.merged, sheet.y, [Span("merged", "bold", soft)], HEAD, "right")


def _block_title(sheet: Sheet, block: MarksBlock) -> None:
    sheet.ensure(40)
    sheet.y -= 16
    title = shortened(block.title, "title-italic", 11.5, sheet.text_width)
    draw(sheet.canvas, sheet.left, sheet.y, [Span(title, "title-italic")], 11.5)
    sheet.y -= 4


def _name(sheet: Sheet, name: str, base: float) -> None:
    text, size = fitted(name, "bold", SIZE, CAPTION_PT - 2, 6.4)
    draw(sheet.canvas, sheet.left, base, [Span(text, "bold")], size)


def _marks(sheet: Sheet, row: CaptionRow, block: _Block, base: float) -> None:
    canvas = sheet.canvas
    for x, mark in zip(block.letters, row.marks, strict=True):
        colour = palette.SOFT if mark is None else palette.INK
        draw(canvas, x, base, [Span(own_mark_text(mark), "text", colour)], SIZE, "right")
    if block.measured is not None:
        draw(canvas, block.measured, base, [Span(mark_text(row.measured), "text", palette.SOFT)], SIZE, "right")
    draw(canvas, block.merged, base, [Span(mark_text(row.merged), "bold")], SIZE, "right")


def _total(sheet: Sheet, model: CommentSheetModel, right: float) -> None:
    if model.merged_total is None:
        return
    sheet.ensure(20)
    sheet.y -= 14
    label = f"All together, on the scale from {model.scale_low} to {model.scale_high}"
    width = fonts.width(label, "text", SIZE)
    draw(sheet.canvas, sheet.left, sheet.y, [Span(label, "text", palette.SOFT)], SIZE)
    x = max(right, sheet.left + width + 40)
    draw(sheet.canvas, x, sheet.y, [Span(mark_text(model.merged_total), "bold")], SIZE + 1, "right")
    sheet.y -= 4

"""The comment sheet: what one student takes home. Two pages by default, drawn from a frozen model."""

from collections.abc import Sequence
from dataclasses import replace

from app.sheets import fonts, palette
from app.sheets.engraved_part import NAME_COLUMN_PT, SYSTEM_GAP_PT, PlacedSystem, draw_system, lay_out, space_for
from app.sheets.marks_table import draw_marks
from app.sheets.models import CommentSheetModel, Exercise, PartOnSheet, RemarkLine, model_hash
from app.sheets.page import Sheet, text_height
from app.sheets.sound_trace import TraceLine, line_count, paper_lines
from app.sheets.typography import Span, draw, fitted, line_width, shortened, wrap
from app.sheets.wording import bars_text

DEFAULT_PAGES = 2
SMALLER = (0.94, 0.88, 0.82)  # of the full size, before lines of music are left out; our choice
CONTINUED_PT = 22.0  # height of the title repeated on a new page
HEADING_PT = 33.0  # height of a section's heading with the room above it


def render(model: CommentSheetModel) -> bytes:
    """The sheet as PDF bytes; the same model gives the same bytes."""
    digest = model_hash(model)
    sheet = Sheet(
        paper=model.paper,
        title=f"Comment sheet: {model.student}, number {model.blind_number}",
        author=model.organisation or model.audition,
        subject=f"{model.audition}, {model.round_name}, {model.held_on}",
        language=model.language,
        cautions=model.cautions,
        name=f"number {model.blind_number} · sheet {digest[:12]}",
    )
    sheet.on_new_page = lambda: _running_head(sheet, model)
    _title(sheet, model)
    _who(sheet, model)
    draw_marks(sheet, model)
    _practice(sheet, model)
    _progress(sheet, model)
    later = _remarks(sheet, model)
    _parts(sheet, model, DEFAULT_PAGES + (1 if later else 0))  # what goes on anyway need not leave music out
    if later:
        _all_remarks(sheet, later, "Remarks, continued")
    return sheet.finish()


def _title(sheet: Sheet, model: CommentSheetModel) -> None:
    sheet.y -= palette.TITLE_PT
    sheet.bookmark("Comment sheet", "top")
    used = draw(sheet.canvas, sheet.left, sheet.y, [Span("Comment sheet", "title")], palette.TITLE_PT)
    line = " · ".join(t for t in (model.organisation, model.audition, model.held_on) if t)
    text, size = fitted(line, "text", palette.BODY_PT, sheet.text_width - used - 20, 7.0)
    draw(sheet.canvas, sheet.right, sheet.y, [Span(text, "text", palette.SOFT)], size, "right")
    sheet.y -= 11
    sheet.rule(strong=True)


def _running_head(sheet: Sheet, model: CommentSheetModel) -> None:
    sheet.y -= palette.SMALL_PT + 4
    right = f"{model.audition} · {model.round_name} · number {model.blind_number}"
    right = shortened(right, "text", palette.SMALL_PT, sheet.text_width * 0.6)
    used = draw(sheet.canvas, sheet.right, sheet.y, [Span(right, "text", palette.SOFT)], palette.SMALL_PT, "right")
    name = shortened(model.student, "bold", palette.SMALL_PT, sheet.text_width - used - 16)
    draw(sheet.canvas, sheet.left, sheet.y, [Span(name, "bold")], palette.SMALL_PT)
    sheet.y -= 6
    sheet.rule()
    sheet.y -= 2


def _who(sheet: Sheet, model: CommentSheetModel) -> None:
    size = palette.BODY_PT + 1
    sheet.y -= 20
    played = f", {model.instrument}" if model.instrument else ""
    right = f"played as number {model.blind_number}, {model.round_name}"
    name = [Span(model.student, "bold"), Span(played)]
    right_width = fonts.width(right, "text", palette.BODY_PT)
    if line_width(name, size) + 20 + right_width <= sheet.text_width:
        draw(sheet.canvas, sheet.left, sheet.y, name, size)
        draw(sheet.canvas, sheet.right, sheet.y, [Span(right, "text", palette.SOFT)], palette.BODY_PT, "right")
    else:  # a long name gets lines of its own
        sheet.y += size * palette.LEADING
        sheet.paragraph(name, size=size)
        sheet.paragraph([Span(right, "text", palette.SOFT)])
    lacking = fonts.missing_characters(model.student)
    if lacking:
        note = "□ stands for a letter that this sheet's fonts do not have; the number above is what counts."
        sheet.paragraph([Span(note, "text", palette.SOFT)], size=palette.SMALL_PT)


def _practice(sheet: Sheet, model: CommentSheetModel) -> None:
    sheet.heading("Practise this first", "practice", keep_with=50)
    if not model.practice:
        reason = (
            model.why_no_practice or "The findings call for nothing in particular: play it for someone, and enjoy it."
        )
        sheet.paragraph([Span(reason)])
        return
    several = len({e.piece_title for e in model.practice}) > 1 or len(model.parts) > 1
    for number, exercise in enumerate(model.practice, start=1):
        spans = _exercise(exercise, several)
        sheet.ensure(text_height(spans, palette.BODY_PT, sheet.text_width - 16) + 3)
        sheet.y -= 3.5
        y = sheet.y - palette.BODY_PT * palette.LEADING
        draw(sheet.canvas, sheet.left, y, [Span(f"{number}.")], palette.BODY_PT)
        sheet.paragraph(spans, indent=16)


def _progress(sheet: Sheet, model: CommentSheetModel) -> None:
    """What changed since the last time: what it is compared with, then a line for each measure."""
    if not model.progress:
        return
    sheet.heading("Since the last mock audition", "progress", keep_with=50)
    sheet.paragraph([Span(model.progress[0], "text", palette.SOFT)], size=palette.SMALL_PT)
    for sentence in model.progress[1:]:
        _bullet(sheet, sentence)


def _exercise(exercise: Exercise, several: bool) -> list[Span]:
    where = ", ".join(t for t in (exercise.piece_title if several else "", exercise.where) if t)
    return [Span(exercise.title, "bold"), Span(f" ({where}). " if where else ". "), Span(exercise.text)]


def _remark(remark: RemarkLine, several: bool) -> list[Span]:
    where = ", ".join(
        t for t in (remark.piece_title if several else "", bars_text([remark.bar]) if remark.bar else "") if t
    )
    place = [Span(f" {where}: ", "text", palette.SOFT)] if where else [Span(" ")]
    return [Span(remark.letter, "bold"), *place, Span(remark.text)]


def _remarks(sheet: Sheet, model: CommentSheetModel) -> list[RemarkLine]:
    """The remarks that fit on the first page; returns the others."""
    sheet.heading("What the panel wrote", "remarks", keep_with=30)
    if not model.remarks:
        sheet.paragraph([Span("No adjudicator wrote a remark.", "text", palette.SOFT)])
        return []
    several = len(model.parts) > 1
    first_page = sheet.page
    for at, remark in enumerate(model.remarks):
        height = text_height(_remark(remark, several), palette.BODY_PT, sheet.text_width - 12) + 2
        more = at + 1 < len(model.remarks)
        if sheet.page > first_page or sheet.room < height + (12 if more else 0):
            note = "The other remarks stand at the end."
            if sheet.room >= 14:
                sheet.paragraph([Span(note, "text", palette.SOFT)], size=palette.SMALL_PT)
            return list(model.remarks[at:])
        _one_remark(sheet, remark, several)
    return []


def _one_remark(sheet: Sheet, remark: RemarkLine, several: bool) -> None:
    sheet.y -= 2
    for number, line in enumerate(wrap(_remark(remark, several), palette.BODY_PT, sheet.text_width - 12)):
        sheet.line(line, palette.BODY_PT, 0 if number == 0 else 12)


def _all_remarks(sheet: Sheet, remarks: list[RemarkLine], heading: str) -> None:
    sheet.heading(heading, "remarks-continued", keep_with=30)
    for remark in remarks:
        _one_remark(sheet, remark, True)


def _parts(sheet: Sheet, model: CommentSheetModel, pages: int) -> None:
    for number, part in enumerate(model.parts):
        _part(sheet, part, number, model, pages)


def _part(sheet: Sheet, part: PartOnSheet, number: int, model: CommentSheetModel, pages: int) -> None:
    sheet.heading(part.title, f"part-{number}", keep_with=_opening_height(sheet, part))
    if part.heading:
        # on the heading's own line, from the right
        text = shortened(part.heading, "text", palette.SMALL_PT, sheet.text_width * 0.55)
        draw(sheet.canvas, sheet.right, sheet.y + 7, [Span(text, "text", palette.SOFT)], palette.SMALL_PT, "right")
    for finding in part.findings:
        _bullet(sheet, finding.sentence)
    if part.why_no_findings is not None:
        sheet.paragraph([Span(f"No measurements: {part.why_no_findings}")])
    later = sum(_least_height(sheet, other) for other in model.parts[number + 1 :])
    most = None if model.detail else pages
    if part.trace is not None:
        _trace(sheet, part, later, most)
    if part.engraving is None:
        return
    scale, systems = _scaled(sheet, part, later, most)
    kept, left_out = _selected(sheet, systems, later + _caption_height(sheet, part), most)
    sheet.y -= 8
    for placed in kept:
        # a caption never stands alone on the next page
        needed = placed.height + (_caption_height(sheet, part) if placed is kept[-1] else 0.0)
        if sheet.room < needed:
            sheet.new_page()
            _continued(sheet, part)
        draw_system(sheet.canvas, part.engraving, placed, sheet.left + NAME_COLUMN_PT, sheet.y, scale)
        sheet.y -= placed.height
    sheet.y += SYSTEM_GAP_PT - 2
    caption = part.caption
    if left_out:
        bars = _bars_of(left_out)
        caption = f"{caption} Not printed here: {bars}; the sheet in detail has every line.".strip()
    if caption:
        sheet.paragraph([Span(caption, "text", palette.SOFT)], size=palette.SMALL_PT)


def _trace(sheet: Sheet, part: PartOnSheet, later: float, pages: int | None) -> None:
    """The picture of a take without notation: fewer and longer lines where that keeps it within ``pages``."""
    assert part.trace is not None
    after = later + _caption_height(sheet, part)
    full = line_count(part.trace)
    traced = paper_lines(part.trace, sheet.text_width, full)
    for count in range(full, 0, -1):
        fewer = paper_lines(part.trace, sheet.text_width, count)
        if pages is None or _fits(sheet, fewer, after, pages):
            traced = fewer
            break
    sheet.y -= 8
    for line in traced:
        if sheet.room < line.height + (_caption_height(sheet, part) if line is traced[-1] else 0.0):
            sheet.new_page()
            _continued(sheet, part)
        line.draw(sheet.canvas, sheet.left + NAME_COLUMN_PT, sheet.y)
        sheet.y -= line.height
    if part.caption:
        sheet.paragraph([Span(part.caption, "text", palette.SOFT)], size=palette.SMALL_PT)


def _continued(sheet: Sheet, part: PartOnSheet) -> None:
    """The part's title again where its music goes on to another page."""
    sheet.y -= 15
    title = shortened(part.title, "title-italic", 11.5, sheet.text_width)
    draw(sheet.canvas, sheet.left, sheet.y, [Span(title, "title-italic")], 11.5)
    sheet.y -= CONTINUED_PT - 15


def _bullet(sheet: Sheet, sentence: str) -> None:
    sheet.y -= 2
    lines = wrap([Span(sentence)], palette.BODY_PT, sheet.text_width - 12)
    for number, line in enumerate(lines):
        sheet.line(line, palette.BODY_PT, 12)
        if number == 0:
            draw(sheet.canvas, sheet.left + 2, sheet.y, [Span("–", "text", palette.SOFT)], palette.BODY_PT)


def _opening_height(sheet: Sheet, part: PartOnSheet) -> float:
    """Height of a part's sentences, which stay with the heading; its music may begin the next page."""
    text = sum(text_height([Span(f.sentence)], palette.BODY_PT, sheet.text_width - 12) + 2 for f in part.findings)
    if part.findings or part.engraving is None:
        return text + 14
    scale = space_for(part.engraving, sheet.text_width)
    return text + 12 + lay_out(part.engraving, part.marks, scale, short=part.short)[0].height


def _least_height(sheet: Sheet, part: PartOnSheet) -> float:
    """What a later part needs at least: heading, sentences, its highest line of music, its caption."""
    text = sum(text_height([Span(f.sentence)], palette.BODY_PT, sheet.text_width - 12) + 2 for f in part.findings)
    music = 0.0
    if part.engraving is not None:
        scale = space_for(part.engraving, sheet.text_width)
        systems = lay_out(part.engraving, part.marks, scale, short=part.short)
        music = sum(s.height for s in systems) if part.short else max(s.height for s in systems)
    elif part.trace is not None:
        music = paper_lines(part.trace, sheet.text_width, 1)[0].height
    return HEADING_PT + text + 8 + music + _caption_height(sheet, part)


def _caption_height(sheet: Sheet, part: PartOnSheet) -> float:
    if not part.caption:
        return 0.0
    return text_height([Span(part.caption)], palette.SMALL_PT, sheet.text_width)


def _scaled(sheet: Sheet, part: PartOnSheet, later: float, pages: int | None) -> tuple[float, list[PlacedSystem]]:
    """A part laid out at full size, or a little smaller where that keeps all of it within ``pages`` (None: any).

    Before lines of music are left out, the lines between notes are: sentences name what matters of them.
    """
    assert part.engraving is not None
    full = space_for(part.engraving, sheet.text_width)
    fewer = replace(part.marks, returns=(), chords=(), landings=()) if part.marks is not None else None
    for marks in (part.marks, fewer):
        for factor in (1.0, *SMALLER):
            systems = lay_out(part.engraving, marks, full * factor, short=part.short)
            if pages is None or _fits(sheet, systems, later + _caption_height(sheet, part), pages):
                return full * factor, systems
    return full, lay_out(part.engraving, part.marks, full, short=part.short)


def _selected(
    sheet: Sheet, systems: list[PlacedSystem], after: float, pages: int | None
) -> tuple[list[PlacedSystem], list[PlacedSystem]]:
    """The systems that fit into the sheet's pages, those with least to look at left out first; at least one."""
    if pages is None or _fits(sheet, systems, after, pages):
        return systems, []
    kept = list(systems)  # the caption grows by a line that says what is left out
    while len(kept) > 1 and not _fits(sheet, kept, after + palette.SMALL_PT * palette.LEADING, pages):
        kept.remove(min(kept, key=lambda s: (s.lanes.looks if s.lanes is not None else 0, -s.index)))
    indices = {s.index for s in kept}
    return kept, [s for s in systems if s.index not in indices]


def _fits(sheet: Sheet, systems: Sequence[PlacedSystem | TraceLine], after: float, pages: int) -> bool:
    """Whether the systems and what comes after them end on the last of ``pages``."""
    page, room = sheet.page, sheet.room - 8
    for placed in systems:
        if placed.height > room:
            page, room = page + 1, sheet.full_room - CONTINUED_PT
        room -= placed.height
    if after > room:
        page += 1
    return page <= max(pages, sheet.page)


def _bars_of(systems: list[PlacedSystem]) -> str:
    """Bar ranges of the systems left out: "bars 9 to 12 and 21 to 24"."""
    ranges: list[list[str]] = []
    last = -2
    for placed in systems:
        numbers = [b.number for b in placed.system.bars if b.number]
        if not numbers:
            continue
        if placed.index == last + 1 and ranges:
            ranges[-1][1] = numbers[-1]
        else:
            ranges.append([numbers[0], numbers[-1]])
        last = placed.index
    texts = [a if a == b else f"{a} to {b}" for a, b in ranges]
    return bars_text(texts) if len(texts) == 1 and "to" not in texts[0] else "bars " + " and ".join(texts)

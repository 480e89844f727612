"""The section report: what a leader rehearses next, from all takes of a round. No names and no numbers."""

from dataclasses import dataclass

from app.judging.section import SectionBar, SectionTendency
from app.sheets import palette, section_figures
from app.sheets.models import Paper
from app.sheets.page import Sheet
from app.sheets.typography import Span, draw

MOST_ROWS = 20  # of a stretch that is never torn; a group has stretches of nearly equal length
TITLE_PT = 22.0


@dataclass(frozen=True, slots=True)
class SectionPart:
    """A group of tendencies (one instrument) or of bars (one piece)."""

    title: str
    tendencies: tuple[SectionTendency, ...] = ()
    names: tuple[str, ...] = ()  # of the tendencies' pitches
    bars: tuple[SectionBar, ...] = ()
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class SectionReportModel:
    """Everything on the report."""

    audition: str
    round_name: str
    held_on: str
    takes: str  # how many takes it rests on, in words
    next_rehearsal: tuple[str, ...]
    pitch: tuple[SectionPart, ...]
    why_no_pitch: str  # stands in its place; empty where there is any
    pieces: tuple[SectionPart, ...]
    why_no_bars: str
    doubts: tuple[str, ...]
    cautions: tuple[str, ...]
    paper: Paper
    language: str


def render(model: SectionReportModel) -> bytes:
    """The report as PDF bytes; the same model gives the same bytes."""
    sheet = Sheet(
        paper=model.paper,
        title=f"Section report: {model.audition}, {model.round_name}",
        author=model.audition,
        subject=model.held_on,
        language=model.language,
        cautions=model.cautions,
        name=f"{model.audition} · {model.round_name} · {model.held_on}",
    )
    sheet.y -= palette.TITLE_PT
    sheet.bookmark("Section report", "top")
    draw(sheet.canvas, sheet.left, sheet.y, [Span("Section report", "title")], palette.TITLE_PT)
    sheet.y -= 11
    sheet.rule(strong=True)
    sheet.y -= 6
    sheet.on_new_page = lambda: _running_head(sheet, model)
    sheet.paragraph([Span(model.takes, "text", palette.SOFT)])
    sheet.heading("For the next rehearsal", "next", keep_with=40)
    for sentence in model.next_rehearsal:
        sheet.paragraph([Span("–  "), Span(sentence)])
    sheet.heading("Pitches across the section", "pitch", keep_with=90)
    _instead(sheet, model.why_no_pitch)
    for part in model.pitch:
        size = _stretch(len(part.tendencies))
        for start in range(0, len(part.tendencies), size):
            rows, names = part.tendencies[start : start + size], part.names[start : start + size]
            height = section_figures.tendencies_height(rows)
            sheet.ensure(height + (0 if start else TITLE_PT))  # a title stays with its figure
            if not start:
                sheet.y -= 4
                sheet.paragraph([Span(part.title, "bold")])
            section_figures.draw_tendencies(sheet.canvas, sheet.left, sheet.y, rows, names)
            sheet.y -= height
        sheet.paragraph([Span(part.sentence, "text", palette.SOFT)], size=palette.SMALL_PT)
    first = section_figures.bars_height(model.pieces[0].bars) if model.pieces else 0.0
    sheet.heading("Bars where most fell", "bars", keep_with=first + 50)
    _instead(sheet, model.why_no_bars)
    for part in model.pieces:
        height = section_figures.bars_height(part.bars)
        sheet.ensure(height + 20)
        sheet.y -= 4
        sheet.paragraph([Span(part.title, "bold")])
        if height:
            section_figures.draw_bars(sheet.canvas, sheet.left, sheet.y, part.bars)
        sheet.y -= height
        sheet.paragraph([Span(part.sentence, "text", palette.SOFT)], size=palette.SMALL_PT)
    sheet.heading("Where the panel was in doubt", "doubt", keep_with=40)
    for sentence in model.doubts:
        sheet.paragraph([Span("–  "), Span(sentence)])
    return sheet.finish()


def _instead(sheet: Sheet, why: str) -> None:
    if why:
        sheet.paragraph([Span(why, "text", palette.SOFT)])


def _stretch(rows: int) -> int:
    """Rows of one stretch, so that none is left alone on a page of its own."""
    stretches = -(-rows // MOST_ROWS)
    return max(1, -(-rows // max(1, stretches)))


def _running_head(sheet: Sheet, model: SectionReportModel) -> None:
    sheet.y -= palette.SMALL_PT + 4
    text = f"Section report · {model.audition} · {model.round_name}"
    draw(sheet.canvas, sheet.left, sheet.y, [Span(text, "bold")], palette.SMALL_PT)
    sheet.y -= 6
    sheet.rule()

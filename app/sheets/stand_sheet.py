"""Sight-reading on paper, for the music stand: a blind number and the notes, in the usual size or large. No name."""

from collections.abc import Callable
from dataclasses import dataclass

from app.domain.engraving import Engraving
from app.sheets.day_models import DayHeading
from app.sheets.engraved_part import draw_system, lay_out
from app.sheets.page import MARGIN_PT, Sheet
from app.sheets.typography import Span, draw, fitted

#: Points to the staff space: a staff of 7 mm, as printed parts have it; large 11.5 mm, somewhat more than A4 enlarged
#: to A3 gives (1.41 times, ISO 216). Both our choice.
SPACE_PT, LARGE_SPACE_PT = 4.9, 8.1
TEXT_PT, LARGE_TEXT_PT = 11.0, 18.0  # large print begins at 16 to 18 points (common practice)
NUMBER_PT = 40.0
SYSTEM_GAP_SPACES = 3.0  # between systems; our choice
RETURN_IT = "Leave this sheet on the stand. It goes back to the proctor, and nobody who waits may see it."


@dataclass(frozen=True, slots=True)
class StandSheetModel:
    """One candidate's sight-reading. ``heading`` gives paper and language; a blind number says whose it is."""

    heading: DayHeading
    blind_number: str
    title: str
    study: str  # the study time in words, "" when none was declared
    large: bool


def line_width(model: StandSheetModel) -> float:
    """Width of a full system in staff spaces: what the music has to be engraved for."""
    probe = _sheet(model)
    return (probe.text_width - 2.0) / _space(model)


def render_stand_sheet(model: StandSheetModel, music: Engraving) -> bytes:
    """The sheet as PDF bytes; ``music`` is engraved for :func:`line_width`. Equal input gives equal bytes."""
    sheet, space = _sheet(model), _space(model)
    size = LARGE_TEXT_PT if model.large else TEXT_PT
    sheet.on_new_page = _running_head(sheet, model, size)
    sheet.y -= NUMBER_PT * 0.8
    sheet.bookmark(model.title, "top")
    used = draw(sheet.canvas, sheet.left, sheet.y, [Span(model.blind_number, "title-bold")], NUMBER_PT)
    text, fits = fitted(model.title, "title", size * 1.3, sheet.text_width - used - 20, 8.0)
    draw(sheet.canvas, sheet.right, sheet.y, [Span(text, "title")], fits, "right")
    sheet.y -= 10
    sheet.rule(strong=True)
    sheet.y -= 4
    if model.study:
        sheet.paragraph([Span(model.study)], size=size)
    sheet.y -= size
    for placed in lay_out(music, None, space):
        height = placed.height + SYSTEM_GAP_SPACES * space
        sheet.ensure(height)
        draw_system(sheet.canvas, music, placed, sheet.left, sheet.y, space, number_pt=size * 0.8)
        sheet.y -= height
    return sheet.finish()


def _space(model: StandSheetModel) -> float:
    return LARGE_SPACE_PT if model.large else SPACE_PT


def _sheet(model: StandSheetModel) -> Sheet:
    heading = model.heading
    return Sheet(
        paper=heading.paper,
        title=f"{model.title}, number {model.blind_number}",
        author=heading.organisation or heading.audition,
        subject=heading.held_on,
        language=heading.language,
        cautions=(RETURN_IT,),
        name=f"{heading.audition} · {heading.round_name} · number {model.blind_number}",
    )


def _running_head(sheet: Sheet, model: StandSheetModel, size: float) -> Callable[[], None]:
    def head() -> None:
        sheet.y -= size
        draw(sheet.canvas, sheet.left, sheet.y, [Span(f"{model.blind_number} · {model.title}", "bold")], size)
        sheet.y -= MARGIN_PT / 3

    return head

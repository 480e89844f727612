"""A sheet of paper that fills from the top: margins, a cursor, page breaks, footers with page counts, PDF metadata."""

import io
from collections.abc import Callable, Sequence

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.pdfgen.canvas import Canvas

from app.sheets import fonts, palette
from app.sheets.models import Paper
from app.sheets.typography import Line, Span, draw, wrap

MARGIN_PT = 46.0
FOOTER_LOWEST = 28.0  # base line of the footer's last line above the paper's lower edge
FOOTER_SIZE = 6.9
FOOTER_LEADING = 8.8


class Sheet:
    """One document being drawn. ``y`` is the cursor: everything above it is taken."""

    def __init__(
        self,
        *,
        paper: Paper,
        title: str,
        author: str,
        subject: str,
        language: str,
        cautions: Sequence[str],
        name: str,
        landscape: bool = False,
    ) -> None:
        self.width, self.height = LETTER if paper == "letter" else A4
        if landscape:
            self.width, self.height = self.height, self.width
        self._buffer = io.BytesIO()
        # invariant: no clock and no random id in the file, so equal models give equal bytes
        self.canvas = Canvas(self._buffer, pagesize=(self.width, self.height), invariant=1, lang=language)
        self.canvas.setTitle(title)
        self.canvas.setAuthor(author)
        self.canvas.setSubject(subject)
        self.canvas.setCreator("Fairhearing")
        self.canvas.setProducer("Fairhearing")
        self.canvas.setViewerPreference("DisplayDocTitle", "true")
        self.left = MARGIN_PT
        self.right = self.width - MARGIN_PT
        self.y = self.height - MARGIN_PT + 6
        self.page = 1
        self.on_new_page: Callable[[], None] | None = None
        width = self.right - self.left
        self._cautions = [wrap([Span(t, "text", palette.SOFT)], FOOTER_SIZE, width) for t in cautions]
        lines = 1 + sum(len(block) for block in self._cautions)
        self._footer_name = name
        self._footer_top = FOOTER_LOWEST + FOOTER_LEADING * (lines - 1)
        self.bottom = self._footer_top + 18

    @property
    def text_width(self) -> float:
        """Width between the margins."""
        return float(self.right - self.left)

    @property
    def room(self) -> float:
        """Points left above the footer on this page."""
        return float(self.y - self.bottom)

    @property
    def full_room(self) -> float:
        """Points that a fresh page has below its running head."""
        return float(self.height - MARGIN_PT - 16 - self.bottom)

    def ensure(self, height: float) -> None:
        """Go to a new page unless ``height`` points are left."""
        if self.room < height:
            self.new_page()

    def new_page(self) -> None:
        """Finish this page and start another."""
        self._footer()
        self.canvas.showPage()
        self.page += 1
        self.y = self.height - MARGIN_PT + 6
        if self.on_new_page is not None:
            self.on_new_page()

    def bookmark(self, name: str, key: str, level: int = 0) -> None:
        """An entry of the outline that leads to the cursor."""
        self.canvas.bookmarkHorizontal(key, 0, min(self.height, self.y + 20))
        self.canvas.addOutlineEntry(name, key, level)

    def rule(
        self, *, strong: bool = False, to_write_on: bool = False, x0: float | None = None, x1: float | None = None
    ) -> None:
        """A hairline across the text at the cursor; one to write on is dark enough for any printer."""
        self.canvas.setStrokeColor(palette.INK if strong else palette.GREY if to_write_on else palette.LINE)
        self.canvas.setLineWidth(0.8 if strong else 0.6 if to_write_on else 0.5)
        self.canvas.line(self.left if x0 is None else x0, self.y, self.right if x1 is None else x1, self.y)

    def heading(self, text: str, key: str, *, keep_with: float = 40.0) -> None:
        """A section's heading with its bookmark; stays with at least ``keep_with`` points of what follows."""
        self.ensure(keep_with + 30)
        self.y -= 26
        self.bookmark(text, key)
        draw(self.canvas, self.left, self.y, [Span(text, "title")], palette.HEADING_PT)
        self.y -= 7

    def paragraph(
        self, spans: Sequence[Span], *, size: float = palette.BODY_PT, indent: float = 0.0, width: float | None = None
    ) -> None:
        """Wrapped text; breaks over pages between lines."""
        for line in wrap(spans, size, (self.text_width if width is None else width) - indent):
            self.line(line, size, indent)

    def line(self, line: Line, size: float, indent: float = 0.0) -> None:
        """One line of text under the cursor."""
        leading = size * palette.LEADING
        self.ensure(leading)
        self.y -= leading
        draw(self.canvas, self.left + indent, self.y, line, size)

    def finish(self) -> bytes:
        """Close the last page, write the page counts and return the PDF."""
        self._footer()
        self.canvas.showPage()
        for number in range(1, self.page + 1):
            self.canvas.beginForm(f"count-{number}", 0, 0, self.width, self.height)
            count = [Span(f"page {number} of {self.page}", "text", palette.SOFT)]
            draw(self.canvas, self.right, FOOTER_LOWEST, count, FOOTER_SIZE, "right")
            self.canvas.endForm()
        self.canvas.save()
        return self._buffer.getvalue()

    def _footer(self) -> None:
        canvas, y = self.canvas, self._footer_top
        canvas.setStrokeColor(palette.LINE)
        canvas.setLineWidth(0.5)
        canvas.line(self.left, y + 12, self.right, y + 12)
        for block in self._cautions:
            for line in block:
                draw(canvas, self.left, y, line, FOOTER_SIZE)
                y -= FOOTER_LEADING
        draw(canvas, self.left, FOOTER_LOWEST, [Span(self._footer_name, "text", palette.SOFT)], FOOTER_SIZE)
        # How many pages there are is known at the end only: a form that is defined then.
        canvas.doForm(f"count-{self.page}")


def text_height(spans: Sequence[Span], size: float, width: float) -> float:
    """Height that :meth:`Sheet.paragraph` will take."""
    fonts.font_name("text")
    return len(wrap(spans, size, width)) * size * palette.LEADING

"""The thin lanes under each system: what was left, what came back, pitch, time and level, aligned to the note heads.

Position carries the meaning (above the line sharp, left of the note's own line early); colour only supports it, and
whatever is coloured is also drawn thicker and has its figure printed, so a grey print loses nothing. Sizes in points.
"""

from reportlab.lib.colors import Color
from reportlab.pdfgen.canvas import Canvas

from app.domain.engraving import NotePlace, System
from app.sheets import brackets, palette
from app.sheets.brackets import ROW_PT
from app.sheets.labels import Label, Placed, draw_label, label_width, place
from app.sheets.models import HeadMark, PartMarks, PhraseMark
from app.sheets.typography import Span, draw
from app.sheets.wording import signed

POINTS_PER_CENT = 0.24  # 25 cents are 6 points; our choice
MOST_CENTS_PT = 11.0  # longer ticks are cut there: the figure is printed
POINTS_PER_MS = 0.085
MOST_MS_PT = 13.0
LEVEL_PT = 13.0
LEAST_LEVEL_RANGE_DB = 8.0  # a flat performance must look flat; our choice
FIGURE_PT = palette.LABEL_PT + 0.8  # height of a row of figures
GAP_PT = 3.0


class SystemLanes:
    """The lanes of one system: knows its height before anything is drawn."""

    def __init__(self, system: System, marks: PartMarks, scale: float, *, short: bool = False) -> None:
        self.scale = scale
        self.right = system.right * scale
        self.places: dict[str, NotePlace] = {n.engraved_id: n for n in system.notes}
        self.marks = marks
        here = [h for h in marks.heads if h.engraved_id in self.places]
        self.heads = sorted(here, key=lambda h: self.places[h.engraved_id].left)
        everything = PartMarks() if short else marks
        room = (self.places, scale, self.right)
        self.held = brackets.held_stretches(everything.held, *room)
        self.returns = brackets.return_stretches(everything.returns, *room)
        self.chords = brackets.chord_stretches(everything.chords, *room)
        self.landings = brackets.landing_stretches(everything.landings, *room)
        self.breaks = [] if short else [b for b in marks.breaks if b.after_engraved_id in self.places]
        # Unpitched percussion has no pitch to draw; its line is there where a stroke was left out.
        self.pitched = any(h.cents is not None for h in marks.heads)
        self.with_heads = self.pitched or any(h.status != "played" for h in self.heads)
        self.sharp, self.flat = self._pitch_labels()
        self.late = [] if short else self._time_labels()
        self.phrases = [] if short else self._phrases()
        self.with_time = not short and any(h.timing_ms is not None for h in self.heads)
        levels = [h for h in self.heads if h.level_db is not None]
        self.with_level = not short and len(levels) >= 2 and marks.level_low_db is not None
        self.height = sum(height for _, height in self._rows())

    @property
    def looks(self) -> int:
        """How many things in this system are worth a look (for choosing what to print)."""
        figures = sum(1 for h in self.heads if h.cents_look or h.timing_look or h.status != "played")
        marks = (self.held, self.returns, self.chords, self.landings, self.breaks)
        return figures + sum(len(some) for some in marks)

    def draw(self, canvas: Canvas, x: float, top: float) -> None:
        """Draw all lanes with the system's left edge at ``x`` and the first lane's upper edge at ``top``."""
        y = top
        for name, height in self._rows():
            y -= height
            if name == "held":
                self._name(canvas, x, y + 3.0, "held")
                brackets.draw_held(canvas, x, y, self.held)
            elif name == "again":
                self._name(canvas, x, y + 3.0, "again")
                brackets.draw_lines(canvas, x, y, self.returns, "up")
            elif name == "chord":
                self._name(canvas, x, y + 3.0, "chord")
                brackets.draw_lines(canvas, x, y, self.chords, "down")
            elif name == "land":
                self._name(canvas, x, y + 3.0, "land")
                brackets.draw_lines(canvas, x, y, self.landings, "up")
            elif name == "break":
                self._draw_breaks(canvas, x, y)
            elif name == "pitch":
                self._draw_pitch(canvas, x, y)
            elif name == "time":
                self._draw_time(canvas, x, y)
            elif name == "level":
                self._draw_level(canvas, x, y)

    def _rows(self) -> list[tuple[str, float]]:
        rows: list[tuple[str, float]] = []
        if self.breaks:
            rows.append(("break", ROW_PT))
        if self.held:
            rows.append(("held", ROW_PT * brackets.row_count(self.held)))
        if self.returns:
            rows.append(("again", ROW_PT * brackets.row_count(self.returns)))
        if self.landings:
            rows.append(("land", ROW_PT * brackets.row_count(self.landings)))
        if self.chords:
            rows.append(("chord", ROW_PT * brackets.row_count(self.chords)))
        if self.heads and self.with_heads:
            above = GAP_PT if rows else 0.0  # figures keep clear of the brackets
            rows.append(("pitch", above + self._pitch_up() + self._pitch_down() + GAP_PT))
        if self.with_time:
            rows.append(("time", 8.0 + FIGURE_PT * _rows_used(self.late) + GAP_PT))
        if self.with_level:
            rows.append(("level", LEVEL_PT + 8.5))
        return rows

    def _x(self, engraved_id: str) -> float:
        return self.places[engraved_id].centre * self.scale

    # -- breaks ---------------------------------------------------------------------------------------------------

    def _draw_breaks(self, canvas: Canvas, x: float, y: float) -> None:
        self._name(canvas, x, y + 3.0, "break")
        labels = []
        for b in self.breaks:
            at, width = self._x(b.after_engraved_id), label_width(b.text)
            fits = at + 9.5 + width <= self.right
            labels.append(Label(at + 9.5 + width / 2 if fits else at - 2.0 - width / 2, b.text, 1.0, plain=True))
        for b in self.breaks:
            at = x + self._x(b.after_engraved_id) + 2.0
            canvas.setStrokeColor(palette.INK)
            canvas.setLineWidth(0.9)
            canvas.line(at, y + 0.5, at + 2.0, y + 7.0)
            canvas.line(at + 2.4, y + 0.5, at + 4.4, y + 7.0)
        for placed in place(labels, 0.0, self.right, rows=1):
            draw_label(canvas, x + placed.left, y + 1.2, placed.label.text)

    # -- pitch ----------------------------------------------------------------------------------------------------

    def _pitch_labels(self) -> tuple[list[Placed], list[Placed]]:
        up: list[Label] = []
        down: list[Label] = []
        for h in self.heads:
            at = self._x(h.engraved_id)
            if h.status == "omitted":
                down.append(Label(at, "left out", 1000.0, plain=True))
            elif h.status == "wrong":
                down.append(Label(at, f"heard {h.heard}" if h.heard else "wrong", 999.0, plain=True))
            elif h.cents is not None and h.cents_look:
                figure = signed(h.cents)
                (up if h.cents > 0 else down).append(Label(at, figure, abs(h.cents), low=h.cents < 0))
        return place(up, 0.0, self.right), place(down, 0.0, self.right)

    def _pitch_up(self) -> float:
        return max([3.0] + [_cents_pt(h) for h in self.heads if (h.cents or 0) > 0]) + FIGURE_PT * _rows_used(
            self.sharp
        )

    def _pitch_down(self) -> float:
        ticks = [_cents_pt(h) for h in self.heads if (h.cents or 0) < 0]
        crosses = [3.0 for h in self.heads if h.status != "played"]
        return max([3.0, *ticks, *crosses]) + FIGURE_PT * _rows_used(self.flat)

    def _draw_pitch(self, canvas: Canvas, x: float, y: float) -> None:
        base = y + self._pitch_down() + GAP_PT
        self._line(canvas, x, base, "pitch" if self.pitched else "notes")
        highest = lowest = 3.0
        for h in self.heads:
            at = x + self._x(h.engraved_id)
            if h.status != "played":
                _cross(canvas, at, base)
            elif h.cents is not None:
                length = _cents_pt(h)
                colour = palette.GREY if not h.cents_look else palette.HIGH if h.cents > 0 else palette.LOW
                canvas.setStrokeColor(colour)
                canvas.setLineWidth(2.2 if h.cents_look else 0.8)
                canvas.line(at, base, at, base + (length if h.cents > 0 else -length))
                highest, lowest = (max(highest, length), lowest) if h.cents > 0 else (highest, max(lowest, length))
        for placed in self.sharp:
            self._figure(canvas, x, base + highest + 1.4 + FIGURE_PT * placed.row, placed)
        for placed in self.flat:
            self._figure(canvas, x, base - lowest - FIGURE_PT * (placed.row + 1) + 1.2, placed)

    # -- time -----------------------------------------------------------------------------------------------------

    def _time_labels(self) -> list[Placed]:
        labels = []
        for h in self.heads:
            if h.timing_ms is not None and h.timing_look:
                figure = f"{signed(h.timing_ms)} ms"
                at = self._x(h.engraved_id) + _ms_pt(h.timing_ms) / 2
                labels.append(Label(at, figure, abs(h.timing_ms), low=h.timing_ms < 0))
        return place(labels, 0.0, self.right)

    def _draw_time(self, canvas: Canvas, x: float, y: float) -> None:
        base = y + FIGURE_PT * _rows_used(self.late) + GAP_PT + 3.0
        self._line(canvas, x, base, "time")
        for h in self.heads:
            at = x + self._x(h.engraved_id)
            if h.timing_ms is None:
                continue
            canvas.setStrokeColor(palette.GREY)
            canvas.setLineWidth(0.5)
            canvas.line(at, base - 2.6, at, base + 2.6)
            colour = palette.GREY if not h.timing_look else palette.HIGH if h.timing_ms > 0 else palette.LOW
            canvas.setStrokeColor(colour)
            canvas.setLineWidth(2.6 if h.timing_look else 1.0)
            canvas.line(at, base, at + _ms_pt(h.timing_ms), base)
        for placed in self.late:
            self._figure(canvas, x, base - 3.2 - FIGURE_PT * (placed.row + 1) + 1.6, placed)

    # -- level ----------------------------------------------------------------------------------------------------

    def _phrases(self) -> list[PhraseMark]:
        return [
            p
            for p in self.marks.phrases
            if any(
                i in self.places
                for i in (p.start_engraved_id, p.end_engraved_id, p.peak_engraved_id, p.loudest_engraved_id)
            )
        ]

    def _draw_level(self, canvas: Canvas, x: float, y: float) -> None:
        low, high = self.marks.level_low_db or 0.0, self.marks.level_high_db or 0.0
        if high - low < LEAST_LEVEL_RANGE_DB:
            middle = (low + high) / 2
            low, high = middle - LEAST_LEVEL_RANGE_DB / 2, middle + LEAST_LEVEL_RANGE_DB / 2
        bottom = y + GAP_PT + 1.0
        self._name(canvas, x, bottom + LEVEL_PT / 2 - 2.0, "level")
        points = [
            (x + self._x(h.engraved_id), bottom + (h.level_db - low) / (high - low) * LEVEL_PT)
            for h in self.heads
            if h.level_db is not None
        ]
        path = canvas.beginPath()
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        canvas.setStrokeColor(palette.INK)
        canvas.setLineWidth(0.9)
        canvas.setLineJoin(1)
        canvas.drawPath(path, stroke=1, fill=0)
        heights = {
            h.engraved_id: point
            for h, point in zip((h for h in self.heads if h.level_db is not None), points, strict=True)
        }
        for phrase in self.phrases:
            peak = heights.get(phrase.peak_engraved_id or "")
            loudest = heights.get(phrase.loudest_engraved_id or "")
            if peak is not None:
                triangle(canvas, peak[0], peak[1] + 4.6, 3.1, filled=False)
            if loudest is not None:
                triangle(canvas, loudest[0], loudest[1] + 4.6, 1.9, filled=True)

    # -- shared ---------------------------------------------------------------------------------------------------

    def _name(self, canvas: Canvas, x: float, y: float, text: str) -> None:
        draw(canvas, x - 5.0, y, [Span(text, "italic", palette.SOFT)], palette.LABEL_PT, "right")

    def _line(self, canvas: Canvas, x: float, y: float, name: str) -> None:
        self._name(canvas, x, y - 2.0, name)
        canvas.setStrokeColor(palette.LINE)
        canvas.setLineWidth(0.5)
        canvas.line(x, y, x + self.right, y)

    def _figure(self, canvas: Canvas, x: float, y: float, placed: Placed) -> None:
        label = placed.label
        colour: Color = palette.INK if label.plain else palette.LOW if label.low else palette.HIGH
        draw_label(canvas, x + placed.left, y, label.text, colour)


def _rows_used(placed: list[Placed]) -> int:
    return max((p.row + 1 for p in placed), default=0)


def _cents_pt(head: HeadMark) -> float:
    return min(MOST_CENTS_PT, abs(head.cents or 0.0) * POINTS_PER_CENT)


def _ms_pt(milliseconds: float) -> float:
    length = min(MOST_MS_PT, abs(milliseconds) * POINTS_PER_MS)
    return length if milliseconds > 0 else -length


def _cross(canvas: Canvas, x: float, y: float) -> None:
    canvas.setStrokeColor(palette.INK)
    canvas.setLineWidth(0.9)
    canvas.line(x - 2.2, y - 2.2, x + 2.2, y + 2.2)
    canvas.line(x - 2.2, y + 2.2, x + 2.2, y - 2.2)


def triangle(canvas: Canvas, x: float, y: float, half: float, *, filled: bool) -> None:
    """A triangle that points down at what it stands over."""
    path = canvas.beginPath()
    path.moveTo(x - half, y + half)
    path.lineTo(x + half, y + half)
    path.lineTo(x, y - half * 0.6)
    path.close()
    canvas.setFillColor(palette.INK)
    canvas.setStrokeColor(palette.INK)
    canvas.setLineWidth(0.6)
    canvas.drawPath(path, stroke=0 if filled else 1, fill=1 if filled else 0)

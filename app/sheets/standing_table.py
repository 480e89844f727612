"""The ranked table of a score sheet: figures left, place intervals right, brackets around who can't be told apart."""

from dataclasses import dataclass

from app.sheets import fonts, palette
from app.sheets.marks_table import MISSING, mark_text
from app.sheets.models import ScoreSheetModel, StandingLine
from app.sheets.page import Sheet
from app.sheets.typography import Span, draw, fitted, shortened, wrap

ROW_PT = 16.0
HEAD_PT = 24.0
BRACKET_STEP_PT = 5.0
MOST_BRACKET_TRACKS = 4
SIZE = palette.BODY_PT
HEAD = palette.SMALL_PT
NAME_SMALLER = 7.4
NAME_SMALLEST = 6.2


@dataclass(frozen=True, slots=True)
class _Columns:
    """Edges in points from the paper's left."""

    place: float  # right edge
    number: float  # left
    name: float  # left
    name_width: float
    total: float  # right
    captions: tuple[float, ...]  # right
    letters: tuple[float, ...]  # right
    bracket: float
    plot_left: float
    plot_right: float
    chance: float  # right


class StandingTable:
    """Draws the table over as many pages as it takes, its header on each."""

    def __init__(self, sheet: Sheet, model: ScoreSheetModel) -> None:
        self.sheet = sheet
        self.model = model
        self.named = any(line.name for line in model.lines)
        self.with_chance = any(line.chance_of_seat is not None for line in model.lines)
        self.ranked = [line for line in model.lines if line.place_value is not None]
        self.tracks = self._bracket_tracks()
        self.columns = self._columns()

    def draw(self) -> None:
        """Header, rows, brackets; leaves the cursor below the explanation."""
        self._header()
        rows: list[tuple[StandingLine, float]] = []
        cut_drawn = self.model.seats is None
        for at, line in enumerate(self.model.lines):
            if self.sheet.room < ROW_PT:
                self._brackets(rows)
                rows = []
                self.sheet.new_page()
                self._header()
            self._row(line)
            rows.append((line, self.sheet.y + ROW_PT / 2 - 0.5))
            following = self.model.lines[at + 1] if at + 1 < len(self.model.lines) else None
            if not cut_drawn and self._is_cut(line, following):
                self._cut_line()
                cut_drawn = True
        self._brackets(rows)
        self._explanation()

    def _columns(self) -> _Columns:
        left, right = self.sheet.left, self.sheet.right
        place = left + 30
        number = place + 12
        widest = max((fonts.width(line.blind_number, "bold", SIZE) for line in self.model.lines), default=20.0)
        at = number + max(34.0, min(70.0, widest + 8))
        caption_pt, letter_pt = 45.0, 23.0
        captions, letters = len(self.model.caption_names), len(self.model.letters)
        chance_pt = 46.0 if self.with_chance else 0.0
        brackets = 10.0 + BRACKET_STEP_PT * max(1, len(self.tracks))
        fixed = at - left + 44 + caption_pt * captions + letter_pt * letters + brackets + chance_pt
        room = right - left - fixed
        longest = max((fonts.width(line.name or "", "text", SIZE) for line in self.model.lines), default=0.0) + 16
        name_width = min(longest, 180.0, max(84.0, room * 0.52)) if self.named else 0.0
        plot = room - name_width
        if plot < 90:  # many adjudicators: columns draw together before the plot gets too small to read
            short = 90 - plot
            caption_pt = max(38.0, caption_pt - short / max(1, captions + letters / 2))
            letter_pt = max(18.0, letter_pt - short / max(1, 2 * captions + letters))
        name = at
        total = name + name_width + 44
        caption_edges = tuple(total + caption_pt * (i + 1) for i in range(captions))
        last = caption_edges[-1] if caption_edges else total
        letter_edges = tuple(last + 4 + letter_pt * (i + 1) for i in range(letters))
        last = letter_edges[-1] if letter_edges else last
        bracket = last + 12
        plot_left = bracket + brackets
        return _Columns(
            place,
            number,
            name,
            name_width,
            total,
            caption_edges,
            letter_edges,
            bracket,
            plot_left,
            right - chance_pt - 4,
            right,
        )

    def _header(self) -> None:
        sheet, c = self.sheet, self.columns
        sheet.y -= HEAD_PT
        soft = palette.SOFT

        def right(x: float, text: str, width: float) -> None:
            draw(sheet.canvas, x, sheet.y, [Span(shortened(text, "bold", HEAD, width), "bold", soft)], HEAD, "right")

        right(c.place, "place", 40)
        draw(sheet.canvas, c.number, sheet.y, [Span("number", "bold", soft)], HEAD)
        if self.named:
            draw(sheet.canvas, c.name + 6, sheet.y, [Span("name", "bold", soft)], HEAD)
        right(c.total, "total", 40)
        step = c.captions[1] - c.captions[0] if len(c.captions) > 1 else 46.0
        for x, name in zip(c.captions, self.model.caption_names, strict=True):
            text, size = fitted(name.lower(), "bold", HEAD, step - 2.5, 5.4)
            draw(sheet.canvas, x, sheet.y, [Span(text, "bold", soft)], size, "right")
        for x, letter in zip(c.letters, self.model.letters, strict=True):
            right(x, letter, 24)
        for place in self._axis():
            draw(sheet.canvas, self._at(place), sheet.y, [Span(str(place), "text", soft)], palette.LABEL_PT, "centre")
        if self.with_chance:
            draw(sheet.canvas, c.chance, sheet.y + HEAD + 1, [Span("chance", "bold", soft)], HEAD, "right")
            right(c.chance, "of a seat", 50)
        sheet.y -= 5
        sheet.rule()

    def _row(self, line: StandingLine) -> None:
        sheet, c = self.sheet, self.columns
        sheet.y -= ROW_PT
        base = sheet.y + 4.4
        soft = palette.SOFT
        draw(sheet.canvas, c.place, base, [Span(line.place, "bold")], SIZE, "right")
        draw(sheet.canvas, c.number, base, [Span(line.blind_number, "bold")], SIZE)
        if self.named:
            self._name(line.name or "", c.name + 6, base, c.name_width - 8)
        draw(sheet.canvas, c.total, base, [Span(mark_text(line.total, 2), "bold")], SIZE, "right")
        for x, mark in zip(c.captions, line.captions, strict=True):
            draw(sheet.canvas, x, base, [Span(mark_text(mark, 1), "text", palette.INK)], SIZE, "right")
        for x, mark in zip(c.letters, line.adjudicators, strict=True):
            draw(sheet.canvas, x, base, [Span(mark_text(mark, 1), "text", soft)], palette.SMALL_PT, "right")
        if line.place_value is None:
            width = sheet.right - c.plot_left
            text, size = fitted(line.note or "no place", "italic", palette.SMALL_PT, width, 5.6)
            draw(sheet.canvas, c.plot_left, base, [Span(text, "italic", soft)], size)
        else:
            self._interval(line, sheet.y + ROW_PT / 2 - 0.5)
            if self.with_chance:
                draw(sheet.canvas, c.chance, base, [Span(_chance(line.chance_of_seat))], palette.SMALL_PT, "right")
        sheet.rule()

    def _name(self, name: str, x: float, base: float, width: float) -> None:
        """A name on one line, smaller if need be, else on two lines: cut only when those don't hold it."""
        canvas = self.sheet.canvas
        if fonts.width(name, "text", NAME_SMALLER) <= width:
            text, size = fitted(name, "text", SIZE, width, NAME_SMALLER)
            draw(canvas, x, base, [Span(text)], size)
            return
        lines = wrap([Span(name)], NAME_SMALLEST, width)
        second = "".join(span.text for line in lines[1:] for span in (Span(" "), *line)).strip()
        draw(canvas, x, base + 3.2, lines[0], NAME_SMALLEST)
        draw(canvas, x, base - 3.4, [Span(shortened(second, "text", NAME_SMALLEST, width))], NAME_SMALLEST)

    def _interval(self, line: StandingLine, y: float) -> None:
        canvas = self.sheet.canvas
        if line.place_low is not None and line.place_high is not None and line.place_high > line.place_low:
            canvas.setStrokeColor(palette.GREY)
            canvas.setLineWidth(3.0)
            canvas.setLineCap(1)
            canvas.line(self._at(line.place_low), y, self._at(line.place_high), y)
            canvas.setLineCap(0)
        canvas.setFillColor(palette.INK)
        canvas.circle(self._at(line.place_value or 1), y, 2.9, stroke=0, fill=1)

    def _at(self, place: float) -> float:
        most = max(2, len(self.ranked))
        c = self.columns
        return c.plot_left + 6 + (place - 1) / (most - 1) * (c.plot_right - c.plot_left - 12)

    def _axis(self) -> list[int]:
        """Places named above the plot: all while they fit, else 1 and round numbers."""
        most = max(1, len(self.ranked))
        room = self.columns.plot_right - self.columns.plot_left
        for step in (1, 2, 5, 10, 20, 50):
            places = [1, *range(step if step > 1 else 2, most + 1, step)]
            if room / max(1, len(places)) >= 13:
                return places
        return [1, most]

    def _is_cut(self, line: StandingLine, following: StandingLine | None) -> bool:
        if following is None or following.place_value is None:
            return False
        return line.seated and not following.seated

    def _cut_line(self) -> None:
        sheet = self.sheet
        sheet.canvas.setStrokeColor(palette.INK)
        sheet.canvas.setLineWidth(0.9)
        sheet.canvas.setDash(1.5, 2.2)
        sheet.canvas.line(sheet.left, sheet.y, sheet.right, sheet.y)
        sheet.canvas.setDash()
        count = sum(1 for line in self.model.lines if line.seated)
        text = f"{count} {'seat' if count == 1 else 'seats'} above"
        width = fonts.width(text, "text", palette.LABEL_PT)
        sheet.canvas.setFillColorRGB(1, 1, 1)
        sheet.canvas.rect(self.columns.plot_right - width - 6, sheet.y - 3.5, width + 4, 7, stroke=0, fill=1)
        at = self.columns.plot_right - 4
        draw(sheet.canvas, at, sheet.y - 2.3, [Span(text, "text", palette.INK)], palette.LABEL_PT, "right")

    def _bracket_tracks(self) -> list[list[tuple[str, ...]]]:
        """Brackets on as few tracks as their overlaps allow."""
        order = {line.blind_number: i for i, line in enumerate(self.model.lines)}
        tracks: list[list[tuple[str, ...]]] = []
        for bracket in self.model.brackets:
            rows = [order[number] for number in bracket if number in order]
            if len(rows) < 2:
                continue
            for track in tracks:
                taken = [order[n] for b in track for n in b if n in order]
                if not any(min(rows) <= row <= max(rows) for row in range(min(taken), max(taken) + 1)):
                    track.append(bracket)
                    break
            else:
                if len(tracks) < MOST_BRACKET_TRACKS:
                    tracks.append([bracket])
        return tracks

    def _brackets(self, rows: list[tuple[StandingLine, float]]) -> None:
        """Brackets over the rows of this page; open where they go on to another page."""
        here = {line.blind_number: y for line, y in rows}
        canvas = self.sheet.canvas
        canvas.setStrokeColor(palette.INK)
        canvas.setLineWidth(1.0)
        for track_at, track in enumerate(self.tracks):
            x = self.columns.bracket + BRACKET_STEP_PT * track_at
            for bracket in track:
                on_page = [here[n] for n in bracket if n in here]
                if not on_page:
                    continue
                top, bottom = max(on_page) + 4.5, min(on_page) - 4.5
                canvas.line(x, bottom, x, top)
                if bracket[0] in here:
                    canvas.line(x, top, x + 4, top)
                if bracket[-1] in here:
                    canvas.line(x, bottom, x + 4, bottom)

    def _explanation(self) -> None:
        text = "Dot: place. Bar: where the place may lie, nine times in ten, with another panel of this kind."
        if self.tracks:
            text += " Bracket: numbers that this panel can't tell apart."
        text += f" {MISSING} under a letter: recused or not scored. Letters: each adjudicator's own total."
        self.sheet.y -= 3
        self.sheet.paragraph([Span(text, "text", palette.SOFT)], size=palette.SMALL_PT)


def _chance(chance: float | None) -> str:
    if chance is None:
        return MISSING
    if chance >= 0.995:
        return "certain"
    if chance < 0.005:
        return MISSING
    return f"{chance * 100:.0f} %"

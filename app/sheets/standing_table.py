"""The ranked table of a score sheet: figures left, place intervals right, brackets around who can't be told apart."""

import itertools
from dataclasses import dataclass

from app.sheets import fonts, palette
from app.sheets.marks_table import MISSING, mark_text
from app.sheets.models import ScoreSheetModel, StandingLine
from app.sheets.page import Sheet
from app.sheets.typography import Line, Span, draw, fitted, shortened, wrap

ROW_PT = 16.0
HEAD_PT = 24.0
BRACKET_STEP_PT = 5.0
MOST_BRACKET_TRACKS = 4
SIZE = palette.BODY_PT
HEAD = palette.SMALL_PT
NAME_SMALLER = 7.6  # a name that is wider goes on over more lines, and its row grows
NAME_LEADING_PT = 8.6
CAPTION_PT = 32.0  # the least width of a caption's column where there is room; our choice
LETTER_PT, NARROW_LETTER_PT = 23.0, 18.0
RANGE_PT = 40.0  # "12 to 15"
LEAST_PLOT_PT = 90.0  # columns draw together before the plot gets too small to read; our choice


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
    range: float  # right
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
            if self.sheet.room < self._height(line):
                self._brackets(rows)
                rows = []
                self.sheet.new_page()
                self._header()
            rows.append((line, self._row(line)))
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
        widths = [max(CAPTION_PT, _head_width(name) + 9.0) for name in self.model.caption_names]
        letters, letter_pt = len(self.model.letters), LETTER_PT
        chance_pt = 46.0 if self.with_chance else 0.0
        brackets = 10.0 + BRACKET_STEP_PT * max(1, len(self.tracks))
        range_pt = self._range_pt()
        fixed = at - left + 44 + sum(widths) + letter_pt * letters + range_pt + brackets + chance_pt
        room = right - left - fixed
        longest = max((fonts.width(line.name or "", "text", SIZE) for line in self.model.lines), default=0.0) + 16
        name_width = min(longest, 180.0, max(84.0, room * 0.52)) if self.named else 0.0
        short = LEAST_PLOT_PT - (room - name_width)
        if short > 0 and letters:
            letter_pt = max(NARROW_LETTER_PT, letter_pt - short / letters)
            short -= (LETTER_PT - letter_pt) * letters
        if short > 0 and sum(widths) > 0:
            narrower = max(0.72, 1.0 - short / sum(widths))
            widths = [max(CAPTION_PT - 2.0, w * narrower) for w in widths]
        name = at
        total = name + name_width + 44
        caption_edges = tuple(total + sum(widths[: i + 1]) for i in range(len(widths)))
        last = caption_edges[-1] if caption_edges else total
        letter_edges = tuple(last + 4 + letter_pt * (i + 1) for i in range(letters))
        last = letter_edges[-1] if letter_edges else last
        bracket = last + range_pt + 10
        plot_left = bracket + brackets
        return _Columns(
            place,
            number,
            name,
            name_width,
            total,
            caption_edges,
            letter_edges,
            last + range_pt,
            bracket,
            plot_left,
            right - chance_pt - 4,
            right,
        )

    def _range_pt(self) -> float:
        """The width of "may lie": as ever, so that what was printed comes out again, but for places of four figures."""
        if len(self.ranked) < 1000 and not self.model.is_shared:
            return RANGE_PT
        widest = max((fonts.width(_range(line), "text", palette.SMALL_PT) for line in self.ranked), default=0.0)
        return max(RANGE_PT, widest + 6.0)

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
        rooms = [b - a - 4.5 for a, b in itertools.pairwise((c.total, *c.captions))]
        named = list(zip(c.captions, self.model.caption_names, rooms, strict=True))
        # one size for all of them: a caption set smaller than its neighbours would look less important
        size = max(5.4, HEAD * min((1.0, *(room / _head_width(name) for _, name, room in named))) * 0.999)
        for x, name, room in named:
            text = shortened(name.lower(), "bold", size, room)
            draw(sheet.canvas, x, sheet.y, [Span(text, "bold", soft)], size, "right")
        for x, letter in zip(c.letters, self.model.letters, strict=True):
            right(x, letter, 24)
        if self.ranked:
            right(c.range, "may lie", 40)
        for place in self._axis():
            draw(sheet.canvas, self._at(place), sheet.y, [Span(str(place), "text", soft)], palette.LABEL_PT, "centre")
        if self.with_chance:
            draw(sheet.canvas, c.chance, sheet.y + HEAD + 1, [Span("chance", "bold", soft)], HEAD, "right")
            right(c.chance, "of a seat", 50)
        sheet.y -= 5
        sheet.rule()

    def _height(self, line: StandingLine) -> float:
        return max(ROW_PT, NAME_LEADING_PT * len(self._name_lines(line)) + 4.0)

    def _row(self, line: StandingLine) -> float:
        """Draw a row; returns the height of its middle."""
        sheet, c = self.sheet, self.columns
        sheet.y -= self._height(line)
        middle: float = sheet.y + self._height(line) / 2 - 0.5
        base = middle - 3.1
        soft = palette.SOFT
        draw(sheet.canvas, c.place, base, [Span(line.place, "bold")], SIZE, "right")
        draw(sheet.canvas, c.number, base, [Span(line.blind_number, "bold")], SIZE)
        if self.named:
            self._name(line, middle)
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
            self._interval(line, middle)
            lies = [Span(_range(line), "text", soft)]
            draw(sheet.canvas, c.range, base, lies, palette.SMALL_PT, "right")
            if self.with_chance:
                draw(sheet.canvas, c.chance, base, [Span(_chance(line.chance_of_seat))], palette.SMALL_PT, "right")
        sheet.rule()
        return middle

    def _name_lines(self, line: StandingLine) -> list[Line]:
        """A name's lines where it needs several; none when it fits on one."""
        width = self.columns.name_width - 8
        if not line.name or fonts.width(line.name, "text", NAME_SMALLER) <= width:
            return []
        return wrap([Span(line.name)], NAME_SMALLER, width)

    def _name(self, line: StandingLine, middle: float) -> None:
        """A name on one line, a little smaller if need be, else whole on as many lines as it takes."""
        canvas, x = self.sheet.canvas, self.columns.name + 6
        lines = self._name_lines(line)
        if not lines:
            text, size = fitted(line.name or "", "text", SIZE, self.columns.name_width - 8, NAME_SMALLER)
            draw(canvas, x, middle - 3.1, [Span(text)], size)
        for at, one in enumerate(lines):
            base = middle - 2.6 + NAME_LEADING_PT * ((len(lines) - 1) / 2 - at)
            draw(canvas, x, base, one, NAME_SMALLER)

    def _interval(self, line: StandingLine, y: float) -> None:
        canvas = self.sheet.canvas
        if line.place_low is not None and line.place_high is not None and line.place_high > line.place_low:
            canvas.setStrokeColor(palette.GREY)
            canvas.setLineWidth(3.0)
            canvas.setLineCap(1)
            canvas.line(self._at(line.place_low), y, self._at(line.place_high), y)
            canvas.setLineCap(0)
        canvas.setFillColor(palette.INK)
        # smaller where places stand close, so that the bar still shows on both sides
        radius = min(2.9, max(1.6, self._at(2) - self._at(1)))
        canvas.circle(self._at(line.place_value or 1), y, radius, stroke=0, fill=1)

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
        text = "Dot: place. Bar and “may lie”: where it may lie, nine times in ten, with another panel of this kind."
        if self.tracks:
            text += " Bracket: numbers that this panel can't tell apart."
        if self.model.is_shared:
            text += (
                f" {MISSING} under 1, 2, 3: recused or not scored. 1, 2, 3: the own totals of those who heard the "
                "number, in the order of their letters."
            )
        else:
            text += f" {MISSING} under a letter: recused or not scored. Letters: each adjudicator's own total."
        self.sheet.y -= 3
        self.sheet.paragraph([Span(text, "text", palette.SOFT)], size=palette.SMALL_PT)


def _head_width(name: str) -> float:
    return fonts.width(name.lower(), "bold", HEAD)


def _range(line: StandingLine) -> str:
    """ "2 to 5", or the place alone where it can't lie anywhere else."""
    if line.place_low is None or line.place_high is None:
        return MISSING
    low, high = f"{line.place_low:.0f}", f"{line.place_high:.0f}"
    return low if low == high else f"{low} to {high}"


def _chance(chance: float | None) -> str:
    if chance is None:
        return MISSING
    if chance >= 0.995:
        return "certain"
    if chance < 0.005:
        return "under 1 %"
    return f"{chance * 100:.0f} %"

"""Brackets and lines of the lanes: held notes left early, notes that came back, chord figures. Sizes in points.

Placement first (rows in which nothing touches), drawing second; words stand beside their bracket, inside the system.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from reportlab.pdfgen.canvas import Canvas

from app.domain.engraving import NotePlace
from app.sheets import palette
from app.sheets.labels import draw_label, label_width
from app.sheets.models import ChordMark, HeldMark, LandingMark, ReturnMark

ROW_PT = 9.5
BESIDE_PT = 3.0  # from a bracket to its words
ARROW_PT = 18.0  # length of a line that comes from another system
Places = Mapping[str, NotePlace]


@dataclass(frozen=True, slots=True)
class Stretch:
    """A bracket or a line with its words, in points from the system's left edge."""

    row: int
    left: float
    reached: float  # held brackets: how far the note was held; others: the right end
    right: float
    text: str
    text_left: float
    open_left: bool = False


@dataclass
class Rows:
    """Rows filled from the first on; each holds spans that don't touch."""

    rows: list[list[tuple[float, float]]] = field(default_factory=list)

    def take(self, left: float, right: float) -> int:
        """The first row with room for this span, which is then taken."""
        for number, spans in enumerate(self.rows):
            if not any(left < b + 4 and right > a - 4 for a, b in spans):
                spans.append((left, right))
                return number
        self.rows.append([(left, right)])
        return len(self.rows) - 1


def held_stretches(held: Sequence[HeldMark], places: Places, scale: float, edge: float) -> tuple[Stretch, ...]:
    """Held notes from their head towards the next one; ``edge`` is the system's right end."""
    rows, out = Rows(), []
    for mark in held:
        if mark.engraved_id not in places:
            continue
        left = places[mark.engraved_id].left * scale
        following = places.get(mark.next_engraved_id or "")
        right = following.left * scale - 1.0 if following is not None else edge
        if right <= left + 4:  # a repeat leads back: the next note stands before this one
            right = edge
        text_left = _beside(left, right, mark.text, edge)
        row = rows.take(min(left, text_left), max(right, text_left + label_width(mark.text)))
        out.append(Stretch(row, left, left + (right - left) * mark.ratio, right, mark.text, text_left))
    return tuple(out)


def return_stretches(returns: Sequence[ReturnMark], places: Places, scale: float, edge: float) -> tuple[Stretch, ...]:
    """Lines to the second of two soundings, from the first or, when that stands elsewhere, from an arrow."""
    rows, out = Rows(), []
    for mark in returns:
        if mark.second_engraved_id not in places:
            continue
        end = places[mark.second_engraved_id].centre * scale
        first = places.get(mark.first_engraved_id)
        alone = first is None or first.centre * scale >= end
        text = mark.text_alone if alone else mark.text
        start = max(0.0, end - ARROW_PT) if first is None or alone else first.centre * scale
        text_left = _beside(start, end, text, edge)
        row = rows.take(min(start, text_left), max(end, text_left + label_width(text)))
        out.append(Stretch(row, start, end, end, text, text_left, open_left=alone))
    return tuple(out)


def landing_stretches(
    landings: Sequence[LandingMark], places: Places, scale: float, edge: float
) -> tuple[Stretch, ...]:
    """Lines from an ornament to the note it had to land on, or an arrow to that when the ornament stands elsewhere."""
    rows, out = Rows(), []
    for mark in landings:
        if mark.engraved_id not in places:
            continue
        end = places[mark.engraved_id].centre * scale
        ornament = places.get(mark.ornament_engraved_id or "")
        alone = ornament is None or ornament.centre * scale >= end
        start = max(0.0, end - ARROW_PT) if ornament is None or alone else ornament.centre * scale
        text_left = _beside(start, end, mark.text, edge)
        row = rows.take(min(start, text_left), max(end, text_left + label_width(mark.text)))
        out.append(Stretch(row, start, end, end, mark.text, text_left, open_left=alone))
    return tuple(out)


def chord_stretches(chords: Sequence[ChordMark], places: Places, scale: float, edge: float) -> tuple[Stretch, ...]:
    """Chord figures that begin in this system, cut at its end."""
    rows, out = Rows(), []
    for mark in chords:
        if mark.first_engraved_id not in places:
            continue
        left = places[mark.first_engraved_id].left * scale
        last = places.get(mark.last_engraved_id)
        right = last.right * scale if last is not None else edge
        text_left = _beside(left, right, mark.text, edge)
        row = rows.take(min(left, text_left), max(right, text_left + label_width(mark.text)))
        out.append(Stretch(row, left, right, right, mark.text, text_left))
    return tuple(out)


def row_count(stretches: Sequence[Stretch]) -> int:
    """Rows that the stretches take."""
    return max((s.row + 1 for s in stretches), default=0)


def draw_held(canvas: Canvas, x: float, y: float, stretches: Sequence[Stretch]) -> None:
    """Solid as far as the note was held, dashed from there to where it should have ended."""
    for one, base in _bases(stretches, y):
        canvas.setStrokeColor(palette.LOW)
        canvas.setLineWidth(1.5)
        canvas.line(x + one.left, base, x + one.reached, base)
        canvas.setLineWidth(0.7)
        canvas.line(x + one.left, base - 2.2, x + one.left, base + 2.2)
        canvas.line(x + one.reached, base - 3.0, x + one.reached, base + 3.0)
        canvas.setDash(1.2, 1.6)
        canvas.line(x + one.reached, base, x + one.right, base)
        canvas.setDash()
        canvas.line(x + one.right, base - 2.2, x + one.right, base + 2.2)
        draw_label(canvas, x + one.text_left, base - 2.3, one.text, palette.LOW)


def draw_lines(canvas: Canvas, x: float, y: float, stretches: Sequence[Stretch], ends: Literal["up", "down"]) -> None:
    """Thin lines whose ends point up to the notes (soundings) or down to the pitch lane (chord figures)."""
    tick = 3.0 if ends == "up" else -3.0
    for one, base in _bases(stretches, y):
        canvas.setStrokeColor(palette.INK)
        canvas.setLineWidth(0.6)
        canvas.line(x + one.left, base, x + one.right, base)
        canvas.line(x + one.right, base, x + one.right, base + tick)
        if one.open_left:
            canvas.line(x + one.left, base, x + one.left + 2.4, base + 1.6)
            canvas.line(x + one.left, base, x + one.left + 2.4, base - 1.6)
        else:
            canvas.line(x + one.left, base, x + one.left, base + tick)
        draw_label(canvas, x + one.text_left, base - 2.3, one.text)


def _bases(stretches: Sequence[Stretch], y: float) -> list[tuple[Stretch, float]]:
    rows = row_count(stretches)
    return [(one, y + ROW_PT * (rows - 1 - one.row) + 3.5) for one in stretches]


def _beside(left: float, right: float, text: str, edge: float) -> float:
    """Where the words begin: right of the bracket, else left of it, else as far right as the system goes."""
    width = label_width(text)
    if right + BESIDE_PT + width <= edge:
        return right + BESIDE_PT
    return left - width - BESIDE_PT if left >= width + BESIDE_PT else max(0.0, edge - width)

"""The picture of a take without notation: heard notes, pitch about the nearest semitone, loudness with its arcs.

Drawn alike on paper and screen, in lines of time. Position carries the meaning: above its line sharp, below flat;
whatever is coloured is also drawn thicker and has its figure printed. Sizes in points, y upwards.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from reportlab.lib.colors import Color
from reportlab.pdfgen.canvas import Canvas

from app.domain.findings import Findings
from app.sheets import palette
from app.sheets.drawing_svg import SvgCanvas
from app.sheets.labels import Label, Placed, draw_label, place
from app.sheets.lanes import triangle
from app.sheets.marked_picture import MarkedPicture, PlacedNote
from app.sheets.models import SoundTrace, TracedArc, TracedNote
from app.sheets.part_marks import sure_cents
from app.sheets.typography import Span, draw
from app.sheets.wording import clock_text, pitch_text, signed

# All lengths are our choices.
NAME_COLUMN_PT = 26.0  # as beside engraved music
MARGIN_PT = 6.0
MOST_NOTES_PT, MOST_SEMITONE_PT = 46.0, 3.2
POINTS_PER_CENT = 0.24  # as in the lanes under music
PITCH_PT = 12.0  # half a semitone: beyond it another semitone is nearer
LEVEL_PT = 16.0
LEAST_LEVEL_RANGE_DB = 8.0  # a flat performance must look flat
FIGURE_PT = palette.LABEL_PT + 0.8
AXIS_PT = 11.0
GAP_PT = 5.0
EDGE_SEC = 0.4  # of the take's time before the first note and after the last
PAPER_LINE_SEC = 20.0  # at most, where there is room
LEAST_LINE_SEC = 8.0  # what is shorter leaves the line's end empty
WIDE_PT, WIDE_LINE_SEC = 520.0, 14.0
NARROW_PT, NARROW_LINE_SEC = 230.0, 5.0


def sound_trace(findings: Findings) -> SoundTrace | None:
    """What the picture shows of findings without notation; None where nothing was measured."""
    trace = findings.pitch.get("trace")
    if findings.notated or not findings.usable or trace is None:
        return None
    notes = tuple(
        TracedNote(
            note_id=n.note_id,
            start_sec=round(n.onset_sec, 3),
            end_sec=round(n.offset_sec, 3),
            name=pitch_text(n.written_pitch),
            semitone=n.sounding_midi,
            cents=None if n.deviation_cents is None else round(n.deviation_cents, 1),
            look=sure_cents(n),
            level_db=None if n.level_db is None else round(n.level_db, 1),
        )
        for n in findings.notes
        if n.onset_sec is not None and n.offset_sec is not None
    )
    at = {n.note_id: n for n in notes}
    arcs = []
    for phrase in findings.musicianship.get("phrases", ()):
        points = tuple((at[i].start_sec, round(float(db), 1)) for i, db in phrase.get("arc", ()) if i in at)
        if points:
            end = at[phrase["end_note_id"]].end_sec
            arcs.append(TracedArc(points, end, phrase.get("loudest_note_id")))
    return SoundTrace(
        step_sec=float(trace["step_sec"]), semitones=tuple(trace["semitones"]), notes=notes, arcs=tuple(arcs)
    )


def line_count(trace: SoundTrace) -> int:
    """How many lines a sheet gives the take where there is room: enough for readable notes."""
    first, last = _span(trace)
    return max(1, -(-int(last - first) // int(PAPER_LINE_SEC)))


def paper_lines(trace: SoundTrace, width: float, count: int) -> list["TraceLine"]:
    """The take in ``count`` lines as a sheet prints them, ``width`` points wide with their names."""
    first, last = _span(trace)
    return lines(trace, width, max(LEAST_LINE_SEC, (last - first) / count + 0.001))


def lines(trace: SoundTrace, width: float, line_sec: float) -> list["TraceLine"]:
    """The whole take in lines of ``line_sec`` seconds; the last one is as long as what is left."""
    first, last = _span(trace)
    count = max(1, -(-int((last - first) * 1000) // int(line_sec * 1000)))
    scale = (width - NAME_COLUMN_PT) / line_sec
    return [TraceLine(trace, first + i * line_sec, min(last, first + (i + 1) * line_sec), scale) for i in range(count)]


def trace_picture(trace: SoundTrace, *, narrow: bool) -> MarkedPicture:
    """The lines one below the other for a screen, with the place of each note."""
    width, line_sec = (NARROW_PT, NARROW_LINE_SEC) if narrow else (WIDE_PT, WIDE_LINE_SEC)
    canvas = SvgCanvas()
    top = MARGIN_PT
    systems, placed = [], []
    for index, line in enumerate(lines(trace, width, line_sec)):
        line.draw(canvas.as_canvas(), NAME_COLUMN_PT, -top)
        systems.append((round(top, 2), round(top + line.height, 2)))
        for note in line.begun:
            left, right = line.x(note.start_sec), max(line.x(note.start_sec) + 2.0, line.x(note.end_sec))
            y = top + line.notes_height - line.note_y(note.semitone)
            placed.append(
                PlacedNote(
                    note.note_id, index, round(NAME_COLUMN_PT + left, 2), round(NAME_COLUMN_PT + right, 2), round(y, 2)
                )
            )
        top += line.height
    full, height = width + MARGIN_PT, round(top + MARGIN_PT, 2)
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {full:g} {height:.2f}" role="img">'
        f"{''.join(canvas.elements)}</svg>"
    )
    return MarkedPicture(svg, full, height, tuple(systems), tuple(placed))


def _span(trace: SoundTrace) -> tuple[float, float]:
    if not trace.notes:
        return 0.0, max(1.0, len(trace.semitones) * trace.step_sec)
    return max(0.0, trace.notes[0].start_sec - EDGE_SEC), trace.notes[-1].end_sec + EDGE_SEC


@dataclass(frozen=True, slots=True)
class _Scale:
    """What every line of a take is drawn on."""

    lowest: int
    semitone_pt: float
    notes_pt: float
    quietest_db: float
    db_pt: float


def _scale(trace: SoundTrace) -> _Scale:
    heard = [n.semitone for n in trace.notes] or [60]
    reach = max(heard) - min(heard) + 2
    step = min(MOST_SEMITONE_PT, MOST_NOTES_PT / reach)
    levels = [n.level_db for n in trace.notes if n.level_db is not None] or [0.0]
    low, high = min(levels), max(levels)
    if high - low < LEAST_LEVEL_RANGE_DB:
        low = (low + high - LEAST_LEVEL_RANGE_DB) / 2
        high = low + LEAST_LEVEL_RANGE_DB
    return _Scale(min(heard) - 1, step, reach * step, low, LEVEL_PT / (high - low))


class TraceLine:
    """One line of time: knows its height before anything is drawn."""

    def __init__(self, trace: SoundTrace, start_sec: float, end_sec: float, points_per_sec: float) -> None:
        self.trace, self.start, self.end, self.per_sec = trace, start_sec, end_sec, points_per_sec
        self.scale = _scale(trace)
        self.width = (end_sec - start_sec) * points_per_sec
        self.heard = [n for n in trace.notes if n.start_sec < end_sec and n.end_sec > start_sec]
        self.begun = [n for n in self.heard if start_sec <= n.start_sec < end_sec]
        self.sharp = self._figures([n for n in self.begun if n.look and (n.cents or 0.0) > 0])
        self.flat = self._figures([n for n in self.begun if n.look and (n.cents or 0.0) < 0])
        self.notes_height = self.scale.notes_pt + FIGURE_PT
        self.pitch_height = 2 * PITCH_PT + FIGURE_PT * (bool(self.sharp) + bool(self.flat)) + GAP_PT
        self.level_height = LEVEL_PT + 7.0 + GAP_PT
        self.height = self.notes_height + self.pitch_height + self.level_height + AXIS_PT + GAP_PT

    def x(self, sec: float) -> float:
        """Points from the line's left edge."""
        return min(max(sec, self.start), self.end) * self.per_sec - self.start * self.per_sec

    def note_y(self, semitone: float) -> float:
        """Points above the lower edge of the notes."""
        return (semitone - self.scale.lowest) * self.scale.semitone_pt

    def draw(self, canvas: Canvas, x: float, top: float) -> None:
        """Draw with the line's left edge at ``x`` and its upper edge at ``top``."""
        y = top - self.notes_height
        self._draw_notes(canvas, x, y)
        base = y - GAP_PT - PITCH_PT - (FIGURE_PT if self.sharp else 0.0)
        self._draw_pitch(canvas, x, base)
        y -= self.pitch_height + self.level_height
        self._draw_level(canvas, x, y)
        self._draw_axis(canvas, x, y - AXIS_PT)

    def _draw_notes(self, canvas: Canvas, x: float, y: float) -> None:
        _name(canvas, x, y + self.scale.notes_pt / 2 - 2.0, "notes")
        for note in self.heard:
            at = y + self.note_y(note.semitone)
            _stroke(canvas, palette.LINE, max(1.6, self.scale.semitone_pt))
            canvas.line(x + self.x(note.start_sec), at, x + self.x(note.end_sec), at)
        _stroke(canvas, palette.INK, 0.6)
        floor, ceiling = self.scale.lowest, self.scale.lowest + self.scale.notes_pt / self.scale.semitone_pt
        for stretch in self._stretches(self.start, self.end):
            inside = [(sec, v) for sec, v in stretch if floor <= v <= ceiling]
            _path(canvas, [(x + self.x(sec), y + self.note_y(v)) for sec, v in inside])
        names = [Label(self.x(n.start_sec) + 2.0, n.name, n.end_sec - n.start_sec, plain=True) for n in self.begun]
        height = {id(label): self.note_y(n.semitone) for label, n in zip(names, self.begun, strict=True)}
        for placed in place(names, 0.0, self.width, rows=1):
            draw_label(canvas, x + placed.left, y + height[id(placed.label)] + 3.2, placed.label.text, palette.SOFT)

    def _draw_pitch(self, canvas: Canvas, x: float, base: float) -> None:
        _name(canvas, x, base - 2.0, "pitch")
        _stroke(canvas, palette.LINE, 0.5)
        canvas.line(x, base, x + self.width, base)
        for note in self.heard:
            start, end = max(note.start_sec, self.start), min(note.end_sec, self.end)
            _stroke(canvas, palette.GREY, 0.6)
            for stretch in self._stretches(start, end):
                near = [(sec, 100.0 * (v - note.semitone)) for sec, v in stretch if abs(v - note.semitone) <= 0.5]
                _path(canvas, [(x + self.x(sec), base + _cents_pt(cents)) for sec, cents in near])
            if note.cents is None:
                continue
            colour = palette.INK if not note.look else palette.HIGH if note.cents > 0 else palette.LOW
            _stroke(canvas, colour, 2.2 if note.look else 1.0)
            at = base + _cents_pt(note.cents)
            canvas.line(x + self.x(start), at, x + self.x(end), at)
        for placed in self.sharp:
            draw_label(canvas, x + placed.left, base + PITCH_PT + 1.4, placed.label.text, palette.HIGH)
        for placed in self.flat:
            draw_label(canvas, x + placed.left, base - PITCH_PT - FIGURE_PT + 1.2, placed.label.text, palette.LOW)

    def _draw_level(self, canvas: Canvas, x: float, y: float) -> None:
        _name(canvas, x, y + LEVEL_PT / 2 - 2.0, "level")
        for arc in self.trace.arcs:
            self._draw_arc(canvas, x, y, arc)
        for note in self.heard:
            if note.level_db is None:
                continue
            _stroke(canvas, palette.INK, 1.1)
            at = y + self._level(note.level_db)
            canvas.line(x + self.x(note.start_sec), at, x + self.x(note.end_sec), at)
        loudest = {arc.loudest_note_id for arc in self.trace.arcs}
        for note in self.begun:
            if note.note_id in loudest and note.level_db is not None:
                middle = (self.x(note.start_sec) + self.x(note.end_sec)) / 2
                triangle(canvas, x + middle, y + self._level(note.level_db) + 3.4, 2.2, filled=True)

    def _draw_arc(self, canvas: Canvas, x: float, y: float, arc: TracedArc) -> None:
        ends = [sec for sec, _ in arc.points[1:]] + [arc.end_sec]
        if ends[-1] <= self.start or arc.points[0][0] >= self.end:
            return
        steps = []
        for (sec, db), end in zip(arc.points, ends, strict=True):
            if end > self.start and sec < self.end:
                steps += [(x + self.x(sec), y + self._level(db)), (x + self.x(end), y + self._level(db))]
        _stroke(canvas, palette.SOFT, 0.6)
        canvas.setDash(2.4, 1.6)
        _path(canvas, steps)
        canvas.setDash()

    def _draw_axis(self, canvas: Canvas, x: float, y: float) -> None:
        _stroke(canvas, palette.LINE, 0.5)
        canvas.line(x, y + AXIS_PT - 1.0, x + self.width, y + AXIS_PT - 1.0)
        every = next((step for step in (1, 2, 5, 10, 20, 30) if step * self.per_sec >= 34.0), 60)
        second = -(-int(self.start * 1000) // (every * 1000)) * every
        while second <= self.end:
            if second >= self.start:
                canvas.line(x + self.x(second), y + AXIS_PT - 1.0, x + self.x(second), y + AXIS_PT - 3.4)
                label = [Span(clock_text(second), "text", palette.SOFT)]
                draw(canvas, x + self.x(second), y + 1.0, label, palette.LABEL_PT, "centre")
            second += every

    def _level(self, db: float) -> float:
        return (db - self.scale.quietest_db) * self.scale.db_pt

    def _figures(self, notes: Sequence[TracedNote]) -> list[Placed]:
        labels = [
            Label(
                (self.x(n.start_sec) + self.x(n.end_sec)) / 2,
                signed(n.cents or 0.0),
                abs(n.cents or 0.0),
                low=(n.cents or 0.0) < 0,
            )
            for n in notes
        ]
        return place(labels, 0.0, self.width, rows=1)

    def _stretches(self, start_sec: float, end_sec: float) -> list[list[tuple[float, float]]]:
        """The trace between two moments, parted where no tone is sure."""
        step, values = self.trace.step_sec, self.trace.semitones
        found: list[list[tuple[float, float]]] = [[]]
        for i in range(max(0, -(-int(start_sec * 1e6) // int(step * 1e6))), min(len(values), int(end_sec / step) + 1)):
            value = values[i]
            if value is None or (found[-1] and abs(value - found[-1][-1][1]) > 1.0):
                found.append([])
            if value is not None:
                found[-1].append((i * step, value))
        return [one for one in found if len(one) > 1]


def _cents_pt(cents: float) -> float:
    return max(-PITCH_PT, min(PITCH_PT, cents * POINTS_PER_CENT))


def _stroke(canvas: Canvas, colour: Color, width: float) -> None:
    canvas.setStrokeColor(colour)
    canvas.setLineWidth(width)


def _path(canvas: Canvas, points: Sequence[tuple[float, float]]) -> None:
    if len(points) < 2:
        return
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for before, point in pairwise(points):
        if point != before:
            path.lineTo(*point)
    canvas.setLineJoin(1)
    canvas.drawPath(path, stroke=1, fill=0)


def _name(canvas: Canvas, x: float, y: float, text: str) -> None:
    draw(canvas, x - 5.0, y, [Span(text, "italic", palette.SOFT)], palette.LABEL_PT, "right")

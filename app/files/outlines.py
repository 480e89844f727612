"""SVG path data and transforms as absolute outlines (the subset that an engraver emits; anything else is refused)."""

import math
import re
from collections.abc import Iterator

from app.domain.engraving import Segment
from app.domain.errors import BadNotation

Matrix = tuple[float, float, float, float, float, float]

IDENTITY: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
# Control points of a quarter circle as one cubic curve: 4/3 (sqrt 2 - 1).
CIRCLE_HANDLE = 4.0 / 3.0 * (math.sqrt(2.0) - 1.0)

_TOKEN = re.compile(r"([MmLlHhVvCcSsQqTtZzAa])|([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)")
_STRAY = re.compile(r"[^MmLlHhVvCcSsQqTtZzAaEe\d.,+\-\s]")
_TRANSFORM = re.compile(r"(\w+)\s*\(([^)]*)\)")
_ARGUMENTS = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "Z": 0}


def product(first: Matrix, second: Matrix) -> Matrix:
    """The matrix that applies ``second`` and then ``first``."""
    a, b, c, d, e, f = first
    g, h, i, j, k, m = second
    return (a * g + c * h, b * g + d * h, a * i + c * j, b * i + d * j, a * k + c * m + e, b * k + d * m + f)


def parse_transform(text: str | None) -> Matrix:
    """An SVG transform attribute as a matrix."""
    matrix = IDENTITY
    for name, inside in _TRANSFORM.findall(text or ""):
        numbers = [float(n) for n in re.split(r"[\s,]+", inside.strip())]
        if name == "translate":
            step: Matrix = (1, 0, 0, 1, numbers[0], numbers[1] if len(numbers) > 1 else 0.0)
        elif name == "scale":
            step = (numbers[0], 0, 0, numbers[-1], 0, 0)
        elif name == "matrix" and len(numbers) == 6:
            step = (numbers[0], numbers[1], numbers[2], numbers[3], numbers[4], numbers[5])
        elif name == "rotate":
            turn = math.radians(numbers[0])
            step = (math.cos(turn), math.sin(turn), -math.sin(turn), math.cos(turn), 0, 0)
            if len(numbers) == 3:
                there: Matrix = (1, 0, 0, 1, numbers[1], numbers[2])
                step = product(product(there, step), (1, 0, 0, 1, -numbers[1], -numbers[2]))
        else:
            raise BadNotation(
                "This notation can't be engraved for print: it uses an unknown transformation.", found=name
            )
        matrix = product(matrix, step)
    return matrix


def _tokens(data: str) -> Iterator[tuple[str, list[float]]]:
    stray = _STRAY.search(data)
    if stray:
        raise _unknown_outline(stray[0])
    command = ""
    numbers: list[float] = []
    for letter, number in _TOKEN.findall(data):
        if letter:
            if command:
                yield command, numbers
            command, numbers = letter, []
        else:
            numbers.append(float(number))
    if command:
        yield command, numbers


def parse_path(data: str) -> list[Segment]:
    """Path data as absolute ``M``, ``L``, ``C`` and ``Z`` segments; quadratic curves are raised to cubic ones."""
    out: list[Segment] = []
    x = y = start_x = start_y = 0.0
    handle: tuple[float, float] | None = None  # last control point, for the smooth commands
    handle_of = ""
    for letter, numbers in _tokens(data):
        kind = letter.upper()
        if kind not in _ARGUMENTS:
            raise _unknown_outline(letter)
        count = _ARGUMENTS[kind]
        if kind == "Z":
            out.append(("Z",))
            x, y, handle = start_x, start_y, None
            continue
        for at in range(0, len(numbers), count):
            n = numbers[at : at + count]
            base_x, base_y = (x, y) if letter.islower() else (0.0, 0.0)
            if kind == "H":
                points = [(base_x + n[0], y)]
            elif kind == "V":
                points = [(x, base_y + n[0])]
            else:
                points = [(base_x + n[i], base_y + n[i + 1]) for i in range(0, count, 2)]
            # Extra pairs after a move are lines (SVG 1.1, 8.3.2).
            shape = "L" if kind in "HV" or (kind == "M" and at > 0) else kind
            mirrored = (2 * x - handle[0], 2 * y - handle[1]) if handle else (x, y)
            if shape in "ML":
                out.append((shape, *points[0]))
                handle = None
                if shape == "M":
                    start_x, start_y = points[0]
            elif shape in "CS":
                if shape == "S":
                    points.insert(0, mirrored if handle_of == "C" else (x, y))
                out.append(("C", *points[0], *points[1], *points[2]))
                handle, handle_of = points[1], "C"
            else:
                if shape == "T":
                    points.insert(0, mirrored if handle_of == "Q" else (x, y))
                (qx, qy), (ex, ey) = points
                one = (x + 2 / 3 * (qx - x), y + 2 / 3 * (qy - y))
                two = (ex + 2 / 3 * (qx - ex), ey + 2 / 3 * (qy - ey))
                out.append(("C", *one, *two, ex, ey))
                handle, handle_of = (qx, qy), "Q"
            x, y = points[-1]
    return out


def _unknown_outline(found: str) -> BadNotation:
    return BadNotation("This notation can't be engraved for print: it uses an unknown outline.", found=found)


def ellipse(cx: float, cy: float, rx: float, ry: float) -> list[Segment]:
    """An ellipse as four cubic curves."""
    hx, hy = rx * CIRCLE_HANDLE, ry * CIRCLE_HANDLE
    return [
        ("M", cx + rx, cy),
        ("C", cx + rx, cy + hy, cx + hx, cy + ry, cx, cy + ry),
        ("C", cx - hx, cy + ry, cx - rx, cy + hy, cx - rx, cy),
        ("C", cx - rx, cy - hy, cx - hx, cy - ry, cx, cy - ry),
        ("C", cx + hx, cy - ry, cx + rx, cy - hy, cx + rx, cy),
        ("Z",),
    ]


def transformed(segments: list[Segment], matrix: Matrix) -> list[Segment]:
    """The same outline after ``matrix``, rounded to a ten-thousandth so that equal sources give equal bytes."""
    a, b, c, d, e, f = matrix
    out: list[Segment] = []
    for segment in segments:
        moved: list[str | float] = [segment[0]]
        for i in range(1, len(segment), 2):
            x, y = float(segment[i]), float(segment[i + 1])
            moved += [round(a * x + c * y + e, 4), round(b * x + d * y + f, 4)]
        out.append(tuple(moved))
    return out


def bounds(segments: list[Segment] | tuple[Segment, ...]) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of the outline's curves (their extremes, not their control points)."""
    xs: list[float] = []
    ys: list[float] = []
    x = y = 0.0
    for segment in segments:
        if segment[0] == "C":
            p = [float(v) for v in segment[1:]]
            for values, start, c1, c2, end in ((xs, x, p[0], p[2], p[4]), (ys, y, p[1], p[3], p[5])):
                values.extend(_cubic_extremes(start, c1, c2, end))
            x, y = p[4], p[5]
        elif segment[0] in ("M", "L"):
            x, y = float(segment[1]), float(segment[2])
            xs.append(x)
            ys.append(y)
    return min(xs), min(ys), max(xs), max(ys)


def _cubic_extremes(start: float, c1: float, c2: float, end: float) -> list[float]:
    values = [start, end]
    a, b, c = -start + 3 * c1 - 3 * c2 + end, 2 * (start - 2 * c1 + c2), c1 - start
    if abs(a) < 1e-12:
        roots = [-c / b] if abs(b) > 1e-12 else []
    else:
        inside = b * b - 4 * a * c
        roots = [(-b + sign * math.sqrt(inside)) / (2 * a) for sign in (1, -1)] if inside >= 0 else []
    for t in roots:
        if 0 < t < 1:
            s = 1 - t
            values.append(s**3 * start + 3 * s * s * t * c1 + 3 * s * t * t * c2 + t**3 * end)
    return values

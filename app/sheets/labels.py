"""Small figures placed beside each other without touching: the weightiest first, the rest stay unprinted."""

from dataclasses import dataclass

from app.sheets import fonts, palette

GAP_PT = 2.0


@dataclass(frozen=True, slots=True)
class Label:
    """A figure that wants to stand centred at ``x`` (points)."""

    x: float
    text: str
    weight: float
    low: bool = False  # flat or early: colour only
    plain: bool = False  # neither: set in ink


@dataclass(frozen=True, slots=True)
class Placed:
    """A label with the row it got, 0 being nearest to the lane's line."""

    label: Label
    left: float
    row: int


def label_width(text: str) -> float:
    """Width of a lane's figure in points."""
    return fonts.width(text, "text", palette.LABEL_PT)


def place(labels: list[Label], left: float, right: float, rows: int = 2) -> list[Placed]:
    """Give each label a row where it touches nobody; labels that fit in none are left out.

    ``left`` and ``right`` bound every label.
    """
    taken: list[list[tuple[float, float]]] = [[] for _ in range(rows)]
    placed: list[Placed] = []
    for label in sorted(labels, key=lambda one: (-one.weight, one.x)):
        width = label_width(label.text)
        start = min(max(label.x - width / 2, left), max(left, right - width))
        for row, spans in enumerate(taken):
            if all(start > b + GAP_PT or start + width < a - GAP_PT for a, b in spans):
                spans.append((start, start + width))
                placed.append(Placed(label, start, row))
                break
    return placed

"""The picture of ``fairhearing panel --plot``: places with their intervals, brackets, the cut line, and severity.

Position carries the meaning; grey printing loses nothing.
"""

import io
from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from app.domain.standing import Standing, StandingRow
from app.judging.words import chance_text

INK, SOFT, LINE, PAPER = "#26241f", "#6d685c", "#ddd7ca", "#fffdf8"
BAR, LOW, HIGH = "#b9b2a3", "#2a5f9e", "#a8651a"
ROW_INCHES = 0.32
MOST_ROWS = 120  # our choice: beyond it a picture can't be read
MOST_TICKS = 15


def draw_panel(standing: Standing) -> bytes:
    """A PNG of the standing (placed candidates, at most the first :data:`MOST_ROWS`)."""
    rows = [row for row in standing.rows if row.place is not None][:MOST_ROWS]
    severity = {letter: value for letter, value in standing.severity.items() if value is not None}
    height = 1.7 + ROW_INCHES * max(len(rows), len(severity), 4)
    figure = Figure(figsize=(9.5, height), dpi=150, facecolor=PAPER)
    FigureCanvasAgg(figure)
    left, right = figure.subplots(1, 2, width_ratios=(3, 1.1))
    for axes in (left, right):
        axes.set_facecolor(PAPER)
        axes.tick_params(colors=SOFT, length=0, labelsize=8)
        for side in axes.spines.values():
            side.set_visible(False)
    _draw_places(left, rows, standing)
    _draw_severity(right, severity)
    figure.subplots_adjust(left=0.11, right=0.96, top=1 - 0.8 / height, bottom=0.55 / height, wspace=0.35)
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def _draw_places(axes: Any, rows: Sequence[StandingRow], standing: Standing) -> None:
    line = {row.blind_number: i for i, row in enumerate(rows)}
    for i, row in enumerate(rows):
        if row.place_low is not None and row.place_high is not None and row.place_high > row.place_low:
            axes.plot([row.place_low, row.place_high], [i, i], color=BAR, linewidth=4, solid_capstyle="round", zorder=2)
        axes.plot([row.place], [i], "o", color=INK, markersize=6, zorder=3)
        if row.chance_of_seat is not None:
            axes.annotate(
                chance_text(row.chance_of_seat), (1.0, i), xycoords=("axes fraction", "data"), ha="right", va="center",
                fontsize=8, color=INK,
            )  # fmt: skip
    last = max((row.place_high or row.place or 1) for row in rows) if rows else 1
    for depth, bracket in enumerate(standing.brackets):
        shown = [line[number] for number in bracket if number in line]
        if len(shown) > 1:
            x = 0.62 - 0.018 * last * (depth % 3)
            axes.plot([x, x], [min(shown), max(shown)], color=HIGH, linewidth=1.2, solid_capstyle="butt", zorder=1)
    if standing.seats is not None and 0 < standing.seats < len(rows):
        at = standing.seats - 0.5
        axes.axhline(at, color=SOFT, linewidth=0.8, linestyle=(0, (1, 3)))
        seats = f"{standing.seats} seat{'' if standing.seats == 1 else 's'}"
        axes.annotate(
            seats, (0.86, at), xycoords=("axes fraction", "data"), ha="right", va="bottom", fontsize=7, color=SOFT
        )
    room = 1.3 if standing.seats is not None else 1.03
    axes.set_xlim(0.45 - 0.036 * last, 0.5 + last * room)
    axes.set_ylim(max(len(rows), 1) - 0.4, -0.6)
    axes.set_yticks(range(len(rows)), [row.blind_number for row in rows], color=INK, fontsize=9)
    step = max(1, -(-last // MOST_TICKS))
    axes.set_xticks([p for p in range(1, last + 1) if p == 1 or p % step == 0])
    axes.xaxis.tick_top()
    axes.set_title("place, and where it may lie nine times in ten", loc="left", fontsize=9, color=SOFT, pad=18)
    if standing.seats is not None:
        axes.annotate(
            "chance of a seat", (1.0, 1.0), xycoords="axes fraction", xytext=(0, 6), textcoords="offset points",
            ha="right", fontsize=8, color=SOFT,
        )  # fmt: skip


def _draw_severity(axes: Any, severity: Mapping[str, float]) -> None:
    axes.set_title("severity: marks below the panel", loc="left", fontsize=9, color=SOFT, pad=18)
    axes.xaxis.tick_top()
    if not severity:
        axes.set_xticks([])
        axes.set_yticks([])
        axes.annotate("can't be told here", (0.0, 0.95), xycoords="axes fraction", fontsize=9, color=INK, va="top")
        return
    letters = sorted(severity, key=lambda letter: -severity[letter])
    reach = max(0.5, *(abs(v) for v in severity.values()))
    axes.axvline(0, color=LINE, linewidth=1)
    for i, letter in enumerate(letters):
        value = severity[letter]
        axes.plot([0, value], [i, i], color=BAR, linewidth=1.5, zorder=2)
        axes.plot([value], [i], "o", color=HIGH if value > 0 else LOW, markersize=6, zorder=3)
        axes.annotate(f"{value:+.2f}", (value, i), xytext=(9 if value >= 0 else -9, 0), textcoords="offset points",
                      ha="left" if value >= 0 else "right", va="center", fontsize=8, color=INK)  # fmt: skip
    axes.set_xlim(-2.1 * reach, 2.1 * reach)
    axes.set_ylim(len(letters) - 0.4, -0.6)
    axes.set_yticks(range(len(letters)), letters, color=INK, fontsize=9)
    axes.set_xticks([-reach, 0, reach], ["milder", "0", "stricter"])

"""A picture of one take: pitch over the notes, the tempo curve, loudness with the phrase arcs.

Position carries the meaning; the two hues only support it (blue: low or early, ochre: high or late).
"""

import io
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from app.domain.findings import Findings, MeasuredNote
from app.domain.piece import Piece
from app.listening.features import extract
from app.listening.loudness import k_energy

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK, SOFT, LINE, PAPER, LOW, HIGH, DEED = "#26241f", "#6d685c", "#ddd7ca", "#fffdf8", "#2a5f9e", "#a8651a", "#26324a"
WORTH_A_LOOK_CENTS, WORTH_A_LOOK_MS = 12.0, 40.0  # our choices
INCHES_PER_SEC, NARROWEST, WIDEST = 0.28, 9.0, 40.0
LOUDNESS_WINDOW_SEC = 0.1
AT_EDGE = ("data", "axes fraction")  # seconds across, share of the height up


def draw_take(
    samples: NDArray[np.float32], sample_rate: int, findings: Findings, piece: Piece | None, *, title: str = ""
) -> bytes:
    """PNG of one take. ``samples`` [n] mono at ``sample_rate`` Hz are the take the ``findings`` came from."""
    from matplotlib.figure import Figure

    duration = samples.shape[0] / sample_rate
    width = float(np.clip(duration * INCHES_PER_SEC, NARROWEST, WIDEST))
    # Without notation there is no tempo, and an empty frame would look like one that stood still.
    drums = piece is not None and all(note.unpitched for note in piece.notes)
    heights = (1.2, 1.6) if drums else (3.0, 1.2, 1.6) if findings.notated else (3.0, 1.6)
    figure = Figure(figsize=(width, 1.3 * sum(heights)), dpi=110, facecolor=PAPER, layout="constrained")
    axes = figure.subplots(len(heights), 1, sharex=True, height_ratios=heights)
    for one in axes:
        _plain(one)
    if not drums:
        _pitch(axes[0], samples, sample_rate, findings)
    if findings.notated:
        _tempo(axes[-2], findings)
    _loudness(axes[-1], samples, sample_rate, findings)
    for stop in findings.breaks:
        axes[0].annotate(stop.kind, (stop.at_sec, 1.0), xycoords=AT_EDGE, color=SOFT, fontsize=8, va="top")
    _bars(axes, findings)
    axes[0].set_xlim(0.0, duration)
    axes[-1].set_xlabel("seconds", color=SOFT)
    alone = "" if findings.notated else "without notation: cents from the nearest semitone at the take's own reference"
    name = " · ".join(part for part in (title, piece.title if piece else "", alone) if part)
    axes[0].set_title(_plain_text(name), loc="left", color=INK, fontsize=13)
    out = io.BytesIO()
    figure.savefig(out, format="png", facecolor=PAPER, metadata={"Software": None})
    return out.getvalue()


def _plain_text(text: str) -> str:
    """Dollar signs would start a formula."""
    return text.replace("$", r"\$")


def _plain(axes: "Axes") -> None:
    axes.set_facecolor(PAPER)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(LINE)
    axes.tick_params(colors=SOFT, labelsize=9)


def _pitch(axes: "Axes", samples: NDArray[np.float32], sample_rate: int, findings: Findings) -> None:
    features = extract(samples, sample_rate)
    with np.errstate(invalid="ignore", divide="ignore"):
        midi = 69.0 + 12.0 * np.log2(features.f0_hz / findings.a4_hz_used)
    axes.plot(features.times_sec, midi, color=INK, linewidth=0.9)
    heard = []
    for note in findings.notes:
        if note.onset_sec is None or note.offset_sec is None:
            continue
        heard.append(note.sounding_midi)
        axes.plot([note.onset_sec, note.offset_sec], [note.sounding_midi] * 2, color=LINE, linewidth=7, zorder=0)
        if note.status == "wrong":
            axes.annotate("wrong", (note.onset_sec, note.sounding_midi + 0.9), color=SOFT, fontsize=7)
        _cents(axes, note)
    for extra in findings.extra_notes:
        if extra.sounding_midi is not None:
            axes.annotate("extra", (extra.onset_sec, extra.sounding_midi + 0.9), color=SOFT, fontsize=7)
    if heard:
        axes.set_ylim(min(heard) - 3.0, max(heard) + 4.0)
        ticks = sorted(set(heard))
        names = {n.sounding_midi: n.written_pitch for n in findings.notes}
        axes.set_yticks(ticks[:: max(1, len(ticks) // 14)])
        axes.set_yticklabels([_plain_text(names[t]) for t in ticks[:: max(1, len(ticks) // 14)]])
    axes.set_ylabel("written pitch", color=SOFT)


def _cents(axes: "Axes", note: MeasuredNote) -> None:
    if note.deviation_cents is None or abs(note.deviation_cents) <= WORTH_A_LOOK_CENTS or note.onset_sec is None:
        return
    sharp = note.deviation_cents > 0
    axes.annotate(
        f"{note.deviation_cents:+.0f}".replace("-", "\N{MINUS SIGN}"),
        (note.onset_sec, (note.heard_midi or note.sounding_midi) + (1.0 if sharp else -1.8)),
        color=HIGH if sharp else LOW,
        fontsize=8,
    )


def _tempo(axes: "Axes", findings: Findings) -> None:
    curve = np.array(findings.rhythm.get("tempo_curve") or np.zeros((0, 2)), dtype=np.float64)
    if len(curve):
        axes.plot(curve[:, 0], curve[:, 1], color=INK, linewidth=1.2)
        margin = max(4.0, 0.15 * float(np.median(curve[:, 1])))
        axes.set_ylim(float(curve[:, 1].min()) - margin, float(curve[:, 1].max()) + margin)
    if findings.tempo_bpm_marked is not None and len(curve):
        axes.axhline(findings.tempo_bpm_marked, color=SOFT, linewidth=0.8, linestyle=(0, (4, 3)))
        axes.annotate("mark", (0.0, findings.tempo_bpm_marked), color=SOFT, fontsize=8, va="bottom")
    for note in findings.notes:
        if note.timing_ms is None or abs(note.timing_ms) <= WORTH_A_LOOK_MS or note.onset_sec is None:
            continue
        late = note.timing_ms > 0
        axes.annotate(
            f"{note.timing_ms:+.0f}".replace("-", "\N{MINUS SIGN}"),
            (note.onset_sec, 0.02),
            xycoords=AT_EDGE,
            color=HIGH if late else LOW,
            fontsize=8,
            ha="left" if late else "right",
        )
    axes.set_ylabel("tempo, ms off", color=SOFT)


def _loudness(axes: "Axes", samples: NDArray[np.float32], sample_rate: int, findings: Findings) -> None:
    energy = k_energy(samples, sample_rate)
    times = np.arange(0.0, samples.shape[0] / sample_rate, LOUDNESS_WINDOW_SEC / 4)
    level = energy.levels_db(times, LOUDNESS_WINDOW_SEC)
    axes.plot(times, level, color=LINE, linewidth=0.9)
    place: dict[str, MeasuredNote] = {note.note_id: note for note in findings.notes}
    known = [n for n in findings.notes if n.level_db is not None and n.onset_sec is not None]
    for note in known:
        ends = np.array([note.onset_sec, note.offset_sec], dtype=np.float64)
        axes.plot(ends, np.full(2, note.level_db, dtype=np.float64), color=INK, linewidth=1.4)
    for phrase in findings.musicianship.get("phrases", []):
        _arc(axes, phrase, place)
    if known:
        levels = [n.level_db for n in known if n.level_db is not None]
        axes.set_ylim(min(levels) - 8.0, max(levels) + 5.0)
    axes.set_ylabel("loudness, LUFS", color=SOFT)


def _arc(axes: "Axes", phrase: dict[str, Any], place: dict[str, MeasuredNote]) -> None:
    points = [(place[i].onset_sec, v) for i, v in phrase.get("arc", []) if place[i].onset_sec is not None]
    if len(points) > 1:
        x, y = zip(*points, strict=True)
        axes.plot(x, y, color=DEED, linewidth=1.4, linestyle=(0, (5, 2)), drawstyle="steps-post")
    loudest = place.get(phrase.get("loudest_note_id") or "")
    if loudest is not None and loudest.level_db is not None and loudest.onset_sec is not None:
        axes.annotate("▾", (loudest.onset_sec, loudest.level_db + 0.6), color=DEED, fontsize=10, ha="left")


def _bars(axes: "NDArray[Any]", findings: Findings) -> None:
    before = None
    for note in findings.notes:
        if note.onset_sec is None or note.grace or note.bar == before or not note.bar:
            continue
        before = note.bar
        for one in axes:
            one.axvline(note.onset_sec, color=LINE, linewidth=0.6, zorder=0)
        axes[-1].annotate(
            _plain_text(note.bar),
            (note.onset_sec, 0.99),
            xycoords=AT_EDGE,
            color=SOFT,
            fontsize=8,
            va="top",
        )

"""The rhythm family: timing, tempo, held notes, landings, trills, runs, articulation."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.domain.piece import Piece
from app.listening import robust
from app.listening.followed import Features, Followed
from app.listening.ornaments import landings, runs, trills
from app.listening.timing import HELD_FROM_BEATS, Timing

FloatArray = NDArray[np.float64]

# Our choices.
LEAST_NOTES = 4
LEAST_FOR_DRIFT, LEAST_DRIFT_SEC = 8, 15.0
RELEASE_DOUBT_SEC = 0.02  # one standard deviation of a note's end, from replicas
STACCATO = ("staccato", "staccatissimo")


def rhythm_family(
    piece: Piece,
    followed: Followed,
    features: Features,
    timing: Timing,
    doubts_sec: Sequence[float] | FloatArray,
) -> dict[str, Any]:
    """The ``rhythm`` dictionary of the findings. ``doubts_sec`` [n]: one standard deviation of each onset."""
    out = _summary(timing)
    judged = [float(doubts_sec[i]) for i, n in enumerate(timing.notes) if n.timing_sec is not None]
    out["timing_uncertainty_ms"] = 1000.0 * float(np.median(judged)) if judged else None
    out["against"] = "pulse" if timing.click is None else "click"
    out["click_phase"] = timing.click
    out.update(_tempo(piece, timing))
    out["held_notes"] = _held_notes(piece, followed, timing)
    out["landings"] = landings(piece, timing, doubts_sec)
    out["trills"] = trills(piece, followed, features)
    out["runs"] = runs(piece, timing)
    out["articulation"] = _articulation(piece, timing)
    return out


def fitted_tempo_bpm(piece: Piece, timing: Timing) -> float | None:
    """Beats per minute in the unit of the first metronome mark; None when no pulse can be fitted."""
    pulse = timing.pulse
    if pulse is None or not pulse.judged.any():
        return None
    step = np.clip(np.diff(pulse.beats, append=pulse.beats[-1] + 1.0), 0.05, 4.0)
    kept = pulse.judged
    beat = robust.weighted_median(pulse.beat_sec[kept], step[kept])
    return float(60.0 / beat * piece.bars[0].felt_beat_quarters / piece.tempo_marks[0].beat_unit_quarters)


def _summary(timing: Timing) -> dict[str, Any]:
    judged = [n for n in timing.notes if n.timing_sec is not None]
    keys = ("median_abs_ms", "p90_abs_ms", "median_abs_beats", "p90_abs_beats")
    if len(judged) < LEAST_NOTES:
        why = "too few notes were played in one stretch to fit a pulse"
        return {**dict.fromkeys(keys), "mean_ms": None, "notes_judged": len(judged), "why_null": why}
    off = np.array([n.timing_sec for n in judged], dtype=np.float64)
    beats = np.abs(off) / np.array([n.beat_sec for n in judged], dtype=np.float64)
    return {
        "median_abs_ms": float(1000.0 * np.median(np.abs(off))),
        "p90_abs_ms": float(1000.0 * np.percentile(np.abs(off), 90)),
        "median_abs_beats": float(np.median(beats)),
        "p90_abs_beats": float(np.percentile(beats, 90)),
        "mean_ms": float(1000.0 * off.mean()),
        "notes_judged": len(judged),
        "why_null": None,
    }


def _tempo(piece: Piece, timing: Timing) -> dict[str, Any]:
    """Steadiness, rush or drag, and the curve, one point a beat."""
    nothing: dict[str, Any] = {"steadiness_percent": None, "drift_percent_per_min": None, "tempo_curve": []}
    pulse = timing.pulse
    if pulse is None or not pulse.judged.any():
        return {**nothing, "why_no_drift": "too few notes were played in one stretch to fit a pulse"}
    unit = piece.bars[0].felt_beat_quarters / piece.tempo_marks[0].beat_unit_quarters
    chosen = _one_a_beat(pulse.beats, timing.free, pulse.judged)
    at, bpm = pulse.times_sec[chosen], 60.0 * unit / pulse.beat_sec[chosen]
    log_tempo = np.log(bpm)
    middle = float(np.median(log_tempo))
    drift, why = None, None
    trend = np.zeros(at.size)
    if chosen.size < LEAST_FOR_DRIFT:
        why = f"fewer than {LEAST_FOR_DRIFT} beats were played"
    elif at[-1] - at[0] < LEAST_DRIFT_SEC:
        why = f"less than {LEAST_DRIFT_SEC:.0f} seconds of playing"
    else:
        found = robust.slope(at / 60.0, 100.0 * log_tempo)
        drift = {"value": found.value, "low": found.low, "high": found.high}
        trend = (at - at.mean()) / 60.0 * found.value / 100.0
    return {
        "steadiness_percent": 100.0 * robust.spread(log_tempo - trend - middle) if chosen.size >= LEAST_NOTES else None,
        "drift_percent_per_min": drift,
        "why_no_drift": why,
        "tempo_curve": [[float(t), float(b)] for t, b in zip(at, bpm, strict=True)],
    }


def _one_a_beat(beats: FloatArray, free: NDArray[np.bool_], judged: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Places of onsets about a beat apart, starting anew after every break."""
    chosen = []
    last = -np.inf
    for k in range(beats.size):
        if k and free[k - 1]:
            last = -np.inf
        if judged[k] and beats[k] - last >= 0.99:
            chosen.append(k)
            last = beats[k]
    return np.array(chosen, dtype=np.intp)


def _held_notes(piece: Piece, followed: Followed, timing: Timing) -> list[dict[str, Any]]:
    """Notes of a beat or more against their notated length, in felt beats of their bar.

    ``until`` says what ended the note: ``next`` onset, or its own ``release`` before a rest or the end (less certain).
    A stroke of unpitched percussion dies away by itself, so it is not held.
    """
    out = []
    for i, note in enumerate(piece.notes):
        beats = note.length_quarters / piece.bars[note.bar_index].felt_beat_quarters
        when = timing.notes[i]
        if note.grace or note.unpitched or note.fermata or beats < HELD_FROM_BEATS or when.beat_sec is None:
            continue
        rest_after = _next_gap_quarters(piece, i) > 0.01
        if when.length_ratio is not None and not rest_after:
            ratio, doubt, until = when.length_ratio, when.length_uncertainty or 0.0, "next"
        elif when.sounding_ratio is not None:
            ratio, until = when.sounding_ratio, "release"
            doubt = float(np.hypot(when.length_uncertainty or 0.02, RELEASE_DOUBT_SEC / (beats * when.beat_sec)))
        else:
            continue
        out.append(
            {
                "note_id": note.note_id,
                "bar": note.bar,
                "written_pitch": note.written_pitch,
                "notated_beats": beats,
                "heard_beats": beats * ratio,
                "ratio": ratio,
                "lost_beats": beats * (1.0 - ratio),
                "uncertainty_ratio": doubt,
                "tied": note.tied,
                "until": until,
            }
        )
    return out


def _next_gap_quarters(piece: Piece, index: int) -> float:
    """Notated rest after a note, in quarters; endless after the last."""
    note = piece.notes[index]
    for later in piece.notes[index + 1 :]:
        if not later.grace:
            return later.onset_quarters - note.onset_quarters - note.length_quarters
    return float("inf")


def _articulation(piece: Piece, timing: Timing) -> dict[str, Any]:
    """Gaps before slurred and tongued notes, and how much of a staccato note sounds."""
    slurred: list[float] = []
    tongued: list[float] = []
    staccato: list[float] = []
    for i, note in enumerate(piece.notes[:-1]):
        when = timing.notes[i]
        short = any(a in STACCATO for a in note.articulations)
        if short and when.sounding_ratio is not None:
            staccato.append(when.sounding_ratio)
        if when.gap_sec is None or note.breath_after or short or note.grace:
            continue
        (slurred if piece.notes[i + 1].slurred_from_previous else tongued).append(1000.0 * when.gap_sec)
    return {
        "slurred_gap_ms": _median(slurred),
        "tongued_gap_ms": _median(tongued),
        "staccato_ratio": _median(staccato),
    }


def _median(values: list[float]) -> dict[str, Any]:
    return {"median": float(np.median(values)) if values else None, "count": len(values)}

"""The pitch family: the take's own reference, tendencies, drift, return notes, drone, vibrato, and the summary."""

from collections import defaultdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.domain.units import A4_HZ
from app.listening import robust
from app.listening.chords import chord_figures, pitch_class_of
from app.listening.heard import Heard
from app.listening.note_pitch import NotePitch

FloatArray = NDArray[np.float64]

# Our choices.
LEAST_NOTES = 4  # for a summary
LEAST_FOR_REFERENCE = 3
LEAST_KERNEL_CENTS, KERNEL_SHARE = 6.0, 0.9  # of the scatter: narrower errs more where nothing is sharp
REFERENCE_STEP_CENTS, REFERENCE_ROUNDS = 1.0, 8
LEAST_FOR_DRIFT, LEAST_DRIFT_SEC = 8, 20.0
FEWEST_HUNDREDTH_CENTS = 0.1  # an uncertainty below this is not believed
RETURN_UNCERTAINTY_CENTS = 6.0  # return notes less sure than this are left out
RETURN_NOTES_BETWEEN = 1


def fitted_reference(pitches: tuple[NotePitch, ...], lengths_sec: FloatArray) -> float | None:
    """The take's own A4 in Hz: where its notes lie closest together, long notes counting more (up to 1 s).

    That is the peak of their weighted density under a normal kernel. Against the weighted median: with a fifth of the
    notes 25 cents sharp and the rest scattering by 5 cents (10 cents) that is off by 1.6 (3.1) cents, this by 0.1
    (1.9), and without any both err alike (simulated, 90 notes). ``lengths_sec`` [n] follows ``pitches``. None when
    fewer than three notes have a pitch.
    """
    known = [i for i, p in enumerate(pitches) if p.cents is not None]
    if len(known) < LEAST_FOR_REFERENCE:
        return None
    cents = np.array([pitches[i].cents for i in known], dtype=np.float64)
    weights = np.clip(lengths_sec[known], 0.05, 1.0)
    return float(A4_HZ * 2.0 ** (_densest(cents, weights) / 1200.0))


def _densest(cents: FloatArray, weights: FloatArray) -> float:
    """Where ``cents`` [n] with positive ``weights`` [n] lie closest together."""
    middle = robust.weighted_median(cents, weights)
    scatter = robust.MAD_TO_SD * robust.weighted_median(np.abs(cents - middle), weights)
    width = max(LEAST_KERNEL_CENTS, KERNEL_SHARE * scatter)
    grid = np.arange(cents.min(), cents.max() + REFERENCE_STEP_CENTS, REFERENCE_STEP_CENTS)
    density = np.sum(weights * np.exp(-0.5 * ((grid[:, None] - cents[None, :]) / width) ** 2), axis=1)
    peak = float(grid[int(np.argmax(density))])
    for _ in range(REFERENCE_ROUNDS):  # to the very peak: the kernel's own mean there (mean shift)
        near = weights * np.exp(-0.5 * ((cents - peak) / width) ** 2)
        peak = float(np.sum(near * cents) / near.sum())
    return peak


def pitch_family(heard: Heard) -> dict[str, Any]:
    """The ``pitch`` dictionary of the findings."""
    judged = [
        i
        for i, (note, followed, pitch) in enumerate(heard.notes)
        if pitch.cents is not None and followed.status == "played" and not note.grace
    ]
    counted = _counted(heard, judged)
    out: dict[str, Any] = _summary(counted)
    out["temperament"] = heard.settings.temperament
    out["drift_cents_per_min"], out["why_no_drift"] = _drift(heard, judged)
    out["tendencies"] = _tendencies(heard, judged)
    out["return_notes"] = _return_notes(heard, judged)
    out["chord_figures"] = chord_figures(heard)
    out["drone"] = _drone(heard, judged)
    out["vibrato"] = _vibrato(heard, judged)
    spreads = [p.spread_cents for i in judged if (p := heard.pitches[i]).steadiness_cents is not None]
    out["median_spread_cents"] = float(np.median([s for s in spreads if s is not None])) if spreads else None
    return out


def _counted(heard: Heard, judged: list[int]) -> FloatArray:
    """Deviations [n] by the temperament that counts."""
    values = [heard.deviation_cents(i) for i in judged]
    deviations = np.array([v for v in values if v is not None], dtype=np.float64)
    tonic = heard.piece.tonic_written
    if heard.settings.temperament == "just" and tonic is not None:
        place = pitch_class_of(tonic)
        deviations = deviations - np.array(
            [heard.settings.just_offset_cents(heard.piece.notes[i].written_midi - place) for i in judged]
        )
    return deviations


def _summary(deviations: FloatArray) -> dict[str, Any]:
    keys = ("median_abs_cents", "p90_abs_cents", "mean_cents", "share_within_5", "share_within_10", "share_within_20")
    if deviations.size < LEAST_NOTES:
        why = "no note was long and steady enough to judge pitch"
        if deviations.size:
            why = f"only {deviations.size} notes were long and steady enough to judge pitch"
        return {**dict.fromkeys(keys), "notes_judged": int(deviations.size), "why_null": why}
    size = np.abs(deviations)
    return {
        "median_abs_cents": float(np.median(size)),
        "p90_abs_cents": float(np.percentile(size, 90)),
        "mean_cents": float(deviations.mean()),
        "share_within_5": float(np.mean(size <= 5.0)),
        "share_within_10": float(np.mean(size <= 10.0)),
        "share_within_20": float(np.mean(size <= 20.0)),
        "notes_judged": int(deviations.size),
        "why_null": None,
    }


def _drift(heard: Heard, judged: list[int]) -> tuple[dict[str, float] | None, str | None]:
    """Cents per minute by Theil and Sen, with the 95 % interval; None with a reason."""
    if len(judged) < LEAST_FOR_DRIFT:
        return None, f"fewer than {LEAST_FOR_DRIFT} notes with a pitch"
    onsets = np.array([heard.followed.notes[i].onset_sec for i in judged], dtype=np.float64)
    if onsets[-1] - onsets[0] < LEAST_DRIFT_SEC:
        return None, f"less than {LEAST_DRIFT_SEC:.0f} seconds of playing"
    cents = np.array([heard.pitches[i].cents for i in judged], dtype=np.float64)
    found = robust.slope(onsets / 60.0, cents)
    return {"value": found.value, "low": found.low, "high": found.high}, None


def _tendencies(heard: Heard, judged: list[int]) -> list[dict[str, Any]]:
    groups: dict[tuple[str, int], list[int]] = defaultdict(list)
    for i in judged:
        note = heard.piece.notes[i]
        groups[(note.written_pitch, note.sounding_midi)].append(i)
    out = []
    for (written, sounding), members in sorted(groups.items(), key=lambda item: (item[0][1], item[0][0])):
        values = np.array([heard.deviation_cents(i) for i in members], dtype=np.float64)
        own = np.array([heard.pitches[i].uncertainty_cents for i in members], dtype=np.float64)
        scatter = max(robust.spread(values), float(np.median(own)))
        out.append(
            {
                "written_pitch": written,
                "sounding_midi": sounding,
                "median_cents": float(np.median(values)),
                "count": len(members),
                "uncertainty_cents": max(
                    FEWEST_HUNDREDTH_CENTS, robust.MEDIAN_TO_MEAN_ERROR * scatter / float(np.sqrt(len(members)))
                ),
            }
        )
    return out


def _return_notes(heard: Heard, judged: list[int]) -> list[dict[str, Any]]:
    """Each written pitch against its own last sounding, when other notes lie between."""
    last: dict[str, int] = {}
    out = []
    for i in judged:
        note = heard.piece.notes[i]
        before = last.get(note.written_pitch)
        last[note.written_pitch] = i
        if before is None:
            continue
        between = sum(
            1
            for k in range(before + 1, i)
            if heard.followed.notes[k].status != "omitted" and heard.piece.notes[k].written_pitch != note.written_pitch
        )
        first, second = heard.pitches[before], heard.pitches[i]
        if between < RETURN_NOTES_BETWEEN or first.cents is None or second.cents is None:
            continue
        doubt = float(np.hypot(first.uncertainty_cents or 0.0, second.uncertainty_cents or 0.0))
        if doubt > RETURN_UNCERTAINTY_CENTS:
            continue
        end, start = heard.followed.notes[before].offset_sec, heard.followed.notes[i].onset_sec
        out.append(
            {
                "first_note_id": heard.piece.notes[before].note_id,
                "second_note_id": note.note_id,
                "written_pitch": note.written_pitch,
                "bar_first": heard.piece.notes[before].bar,
                "bar_second": note.bar,
                "cents": second.cents - first.cents,
                "uncertainty_cents": doubt,
                "notes_between": between,
                "sec_between": max(0.0, start - end) if start is not None and end is not None else None,
            }
        )
    return out


def _drone(heard: Heard, judged: list[int]) -> dict[str, Any] | None:
    """Every degree against just intervals over the tonic the leader marked; None when none is marked."""
    tonic = heard.piece.tonic_written
    if tonic is None:
        return None
    place = pitch_class_of(tonic)
    groups: dict[int, list[int]] = defaultdict(list)
    for i in judged:
        groups[(heard.piece.notes[i].written_midi - place) % 12].append(i)
    degrees = []
    for semitones, members in sorted(groups.items()):
        equal = np.array([heard.deviation_cents(i) for i in members], dtype=np.float64)
        degrees.append(
            {
                "semitones": semitones,
                "written_pitches": sorted({heard.piece.notes[i].written_pitch for i in members}),
                "equal_cents": float(np.median(equal)),
                "just_cents": float(np.median(equal)) - heard.settings.just_offset_cents(semitones),
                "count": len(members),
            }
        )
    return {"tonic_written": tonic, "minor_seventh": heard.settings.minor_seventh, "degrees": degrees}


def _vibrato(heard: Heard, judged: list[int]) -> dict[str, Any] | None:
    found = [heard.pitches[i] for i in judged if heard.pitches[i].vibrato_rate_hz is not None]
    if not found:
        return None
    return {
        "rate_hz": float(np.median([p.vibrato_rate_hz for p in found if p.vibrato_rate_hz is not None])),
        "extent_cents": float(np.median([p.vibrato_extent_cents for p in found if p.vibrato_extent_cents is not None])),
        "notes": len(found),
    }

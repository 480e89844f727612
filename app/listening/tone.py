"""The tone family: what can be measured of a tone without judging its beauty.

Harmonics-to-noise ratio after Boersma (1993); centroid of the harmonic amplitudes in units of the fundamental; attack
as the time from 10 to 90 % of the settled amplitude; noise share in the attack from the likeness of neighbouring
periods.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from app.domain.piece import Piece
from app.domain.units import midi_to_hz
from app.listening import robust
from app.listening.followed import Features, Followed
from app.listening.note_pitch import NotePitch

FloatArray = NDArray[np.float64]

# Our choices unless a source stands beside.
LONG_NOTE_SEC = 0.3
LEAST_LONG_NOTES = 3
FRAMES_PER_NOTE = 3
MOST_NOTES = 40  # enough for a median; keeps long takes quick
HNR_PERIODS = 6.0  # window in periods (Boersma 1993 uses 6 with a Hanning window for this measure)
HNR_CEILING_DB = 60.0  # windowing noise: beyond this nothing is told
HIGHEST_PARTIAL_HZ = 10000.0
MOST_PARTIALS = 40
ATTACK_WINDOW_SEC = 0.06
SILENCE_BEFORE_SEC = 0.03  # an attack is only read when the note before is gone
SILENCE_BEFORE_DB = 12.0
CRACK_WINDOW_SEC = 0.15
CRACK_LEAST_SEC = 0.03
CRACK_CENTS = 250.0
REGISTER_LEAST_SEMITONES = 9


def tone_family(
    samples: NDArray[np.float32],
    sample_rate: int,
    piece: Piece,
    followed: Followed,
    features: Features,
    pitches: Sequence[NotePitch],
    levels_db: Sequence[float | None],
) -> dict[str, Any]:
    """The ``tone`` dictionary of the findings. ``pitches`` and ``levels_db`` follow ``piece.notes``."""
    long_notes = [
        i
        for i, p in enumerate(pitches)
        if p.steady_start_sec is not None and p.steady_end_sec is not None and _length(followed, i) >= LONG_NOTE_SEC
    ]
    keys = ("hnr_db", "centroid_f0", "attack_ms", "attack_noise_share", "steadiness_cents", "steadiness_db")
    out: dict[str, Any] = dict.fromkeys(keys)
    out["uncertainty"] = dict.fromkeys(keys)
    out["register_evenness_db"], out["why_no_register"] = _register_evenness(piece, pitches, levels_db)
    out["cracked"] = _cracked(piece, followed, features)
    if len(long_notes) < LEAST_LONG_NOTES:
        return {**out, "why_null": f"fewer than {LEAST_LONG_NOTES} notes long enough to judge tone"}
    chosen = [long_notes[k] for k in np.unique(np.linspace(0, len(long_notes) - 1, MOST_NOTES).astype(int))]
    hnr, centroid, attack, noise, level_spread = [], [], [], [], []
    for i in chosen:
        p = pitches[i]
        assert p.steady_start_sec is not None
        assert p.steady_end_sec is not None
        for at in np.linspace(p.steady_start_sec, p.steady_end_sec, FRAMES_PER_NOTE + 2)[1:-1]:
            f0 = _f0_at(features, float(at))
            if f0 is None:
                continue
            value = hnr_db(samples, sample_rate, float(at), f0)
            if value is not None:
                hnr.append(value)
            middle = harmonic_centroid(samples, sample_rate, float(at), f0)
            if middle is not None:
                centroid.append(middle)
        level_spread.append(_level_spread(features, p))
        start = _clean_start(piece, followed, features, i)
        if start is not None:
            f0 = _f0_at(features, 0.5 * (p.steady_start_sec + p.steady_end_sec)) or midi_to_hz(
                piece.notes[i].sounding_midi
            )
            rise = attack_sec(samples, sample_rate, start, p.steady_start_sec, p.steady_end_sec, f0)
            if rise is not None:
                attack.append(1000.0 * rise)
            share = attack_noise_share(samples, sample_rate, start, f0)
            if share is not None:
                noise.append(share)
    steadiness = [p.steadiness_cents for i in chosen if (p := pitches[i]).steadiness_cents is not None]
    out["hnr_db"], out["centroid_f0"] = _median(hnr), _median(centroid)
    out["attack_ms"], out["attack_noise_share"] = _median(attack), _median(noise)
    out["why_no_attack"] = None if attack else "no long note starts from silence"
    out["steadiness_cents"] = _median([s for s in steadiness if s is not None])
    out["steadiness_db"] = _median(level_spread)
    out["uncertainty"] = {
        "hnr_db": robust.median_error(hnr, len(chosen)),
        "centroid_f0": robust.median_error(centroid, len(chosen)),
        "attack_ms": robust.median_error(attack),
        "attack_noise_share": robust.median_error(noise),
        "steadiness_cents": robust.median_error([s for s in steadiness if s is not None]),
        "steadiness_db": robust.median_error(level_spread),
    }
    out["notes_judged"] = len(chosen)
    return {**out, "why_null": None}


def hnr_db(samples: NDArray[np.floating], sample_rate: int, at_sec: float, f0_hz: float) -> float | None:
    """Harmonics-to-noise ratio in dB around a moment: 10 log10(r / (1 - r)) (Boersma 1993).

    r is the height of the autocorrelation at the period, after division by the window's own autocorrelation, read
    between the lags by its band-limited form. None at the edges of the take or without periodicity.
    """
    half = int(0.5 * HNR_PERIODS / f0_hz * sample_rate)
    middle = round(at_sec * sample_rate)
    if middle - half < 0 or middle + half >= samples.shape[0] or half < 16:
        return None
    frame = samples[middle - half : middle + half].astype(np.float64)
    window, window_power = _hanning(frame.size)
    size = 2 * (window_power.size - 1)
    power = np.abs(np.fft.rfft((frame - frame.mean()) * window, size)) ** 2
    if power.sum() <= 0.0:
        return None
    lags = sample_rate / f0_hz * (1.0 + np.linspace(-0.03, 0.03, 13))
    r = _likeness_at(power, window_power, size, lags)
    best = float(lags[int(np.argmax(r))])
    fine = best + np.linspace(-1.0, 1.0, 21) * (lags[1] - lags[0])
    top = float(_likeness_at(power, window_power, size, fine).max())
    if top <= 0.0:
        return None
    ceiling = 1.0 / (1.0 + 10.0 ** (-HNR_CEILING_DB / 10.0))
    top = min(top, ceiling)
    return float(10.0 * np.log10(top / (1.0 - top)))


@njit(cache=True, fastmath=True)
def _likeness_at(power, window_power, size, lags):  # type: ignore[no-untyped-def]
    """Normalised autocorrelation over that of its window at fractional ``lags`` [m] (samples).

    ``power`` and ``window_power`` are power spectra [size / 2 + 1], size a power of two. The cosines of a lag are the
    same in every stretch of bins but for the stretch's own turn, so each is made once.
    """
    bins = power.size - 1
    stretch = min(64, bins)
    turn_re, turn_im = np.empty(stretch), np.empty(stretch)
    out = np.empty(lags.size)
    total = window_total = 0.0
    for b in range(1, bins):
        total += power[b]
        window_total += window_power[b]
    total = 2.0 * total + power[0] + power[bins]
    window_total = 2.0 * window_total + window_power[0] + window_power[bins]
    for k in range(lags.size):
        angle = 2.0 * np.pi * lags[k] / size
        for m in range(stretch):
            turn_re[m], turn_im[m] = np.cos(angle * m), np.sin(angle * m)
        sound = window = 0.0
        for first in range(0, bins, stretch):
            p, q, r, s = 0.0, 0.0, 0.0, 0.0
            for m in range(stretch):
                p += power[first + m] * turn_re[m]
                q += power[first + m] * turn_im[m]
                r += window_power[first + m] * turn_re[m]
                s += window_power[first + m] * turn_im[m]
            x, y = np.cos(angle * first), np.sin(angle * first)
            sound += p * x - q * y
            window += r * x - s * y
        last = np.cos(angle * bins)
        sound = 2.0 * sound - power[0] + power[bins] * last
        window = 2.0 * window - window_power[0] + window_power[bins] * last
        out[k] = (sound / total) / (window / window_total)
    return out


@lru_cache(maxsize=64)  # notes of one pitch share a length
def _hanning(length: int) -> tuple[FloatArray, FloatArray]:
    """A Hanning window [length] and its power spectrum [size / 2 + 1], size a power of two at least twice as long."""
    window = np.hanning(length + 2)[1:-1]
    return window, np.abs(np.fft.rfft(window, 1 << int(np.ceil(np.log2(2 * length))))) ** 2


@lru_cache(maxsize=64)
def _blackman(length: int) -> FloatArray:
    """A Blackman window [length]."""
    return np.blackman(length)


def harmonic_centroid(samples: NDArray[np.floating], sample_rate: int, at_sec: float, f0_hz: float) -> float | None:
    """Centroid of the harmonic amplitudes in units of f0: sum of k A_k over sum of A_k, partials up to 10 kHz."""
    half = int(4.0 / f0_hz * sample_rate)
    middle = round(at_sec * sample_rate)
    if middle - half < 0 or middle + half >= samples.shape[0] or half < 16:
        return None
    frame = samples[middle - half : middle + half].astype(np.float64) * _blackman(2 * half)
    partials = np.arange(1, min(MOST_PARTIALS, int(min(HIGHEST_PARTIAL_HZ, 0.45 * sample_rate) / f0_hz)) + 1)
    if partials.size == 0:
        return None
    size = 1 << int(np.ceil(np.log2(8 * half)))  # four times as fine as the window, so a peak is read within 1 %
    spectrum = np.abs(np.fft.rfft(frame, size))
    bins = np.rint(partials * f0_hz * size / sample_rate).astype(int)
    amplitude = np.max([spectrum[np.clip(bins + k, 0, spectrum.size - 1)] for k in (-1, 0, 1)], axis=0)
    return float(np.sum(partials * amplitude) / np.sum(amplitude)) if amplitude.sum() > 0 else None


def attack_sec(
    samples: NDArray[np.floating],
    sample_rate: int,
    onset_sec: float,
    steady_start_sec: float,
    steady_end_sec: float,
    f0_hz: float,
) -> float | None:
    """Time from 10 to 90 % of the settled amplitude, in seconds; None when it is not reached from below 10 %."""
    settle = max(steady_start_sec, onset_sec + 0.08)
    begin = max(0, round((onset_sec - 0.08) * sample_rate))
    end = min(samples.shape[0], round(min(steady_end_sec, settle + 0.2) * sample_rate))
    width = max(1, round(max(0.004, 1.0 / f0_hz) * sample_rate))
    if end - begin < 4 * width:
        return None
    square = samples[begin:end].astype(np.float64) ** 2
    total = np.concatenate([[0.0], np.cumsum(square)])
    amplitude = np.sqrt(np.maximum(total[width:] - total[:-width], 0.0) / width)
    settled_from = max(0, round(settle * sample_rate) - begin - width // 2)
    if settled_from >= amplitude.size:
        return None
    settled = float(np.median(amplitude[settled_from:]))
    if settled <= 0.0:
        return None
    high = np.flatnonzero(amplitude >= 0.9 * settled)
    if high.size == 0:
        return None
    low = np.flatnonzero(amplitude[: high[0]] < 0.1 * settled)
    return float((high[0] - low[-1]) / sample_rate) if low.size else None


def attack_noise_share(samples: NDArray[np.floating], sample_rate: int, onset_sec: float, f0_hz: float) -> float | None:
    """Share of noise in the first 60 ms of a note, 0 to 1: 1 minus the likeness of each period to the next.

    Likeness is the normalised cross-correlation, which a growing amplitude does not lower; with equal noise in both
    periods it is signal over signal plus noise.
    """
    period = sample_rate / f0_hz
    lag, begin = round(period), max(0, round(onset_sec * sample_rate))
    frame = max(2 * lag, round(0.02 * sample_rate))
    end = begin + max(round(ATTACK_WINDOW_SEC * sample_rate), frame)
    if end + 2 * lag >= samples.shape[0]:
        return None
    shares, weights = [], []
    for a in range(begin, end - frame + 1, max(1, frame // 2)):
        first = samples[a : a + frame].astype(np.float64)
        best = 0.0
        for shift in range(lag - max(1, lag // 30), lag + max(1, lag // 30) + 2):
            second = samples[a + shift : a + shift + frame].astype(np.float64)
            norm = float(np.sqrt(first @ first * (second @ second)))
            if norm > 0.0:
                best = max(best, float(first @ second) / norm)
        shares.append(1.0 - best)
        weights.append(float(first @ first))
    return float(np.average(shares, weights=weights)) if sum(weights) > 0.0 else None


def _length(followed: Followed, index: int) -> float:
    note = followed.notes[index]
    return note.offset_sec - note.onset_sec if note.onset_sec is not None and note.offset_sec is not None else 0.0


def _f0_at(features: Features, at_sec: float) -> float | None:
    k = int(np.clip(round(at_sec / features.hop_sec), 0, features.f0_hz.size - 1))
    value = float(features.f0_hz[k])
    return value if np.isfinite(value) else None


def _level_spread(features: Features, pitch: NotePitch) -> float:
    """Spread of the level inside a note about its own straight line, in dB."""
    assert pitch.steady_start_sec is not None
    assert pitch.steady_end_sec is not None
    a, b = np.searchsorted(features.times_sec, [pitch.steady_start_sec, pitch.steady_end_sec])
    level = features.level_db[a:b]
    if level.size < 4:
        return 0.0
    at = np.arange(level.size, dtype=np.float64)
    line = np.polynomial.polynomial.polyval(at, np.polynomial.polynomial.polyfit(at, level, 1))
    return float(np.std(level - line))


def _clean_start(piece: Piece, followed: Followed, features: Features, index: int) -> float | None:
    """The onset of a note that starts from near silence; None after a slur or into a sounding room."""
    onset = followed.notes[index].onset_sec
    if onset is None or piece.notes[index].slurred_from_previous:
        return None
    a, b, c = np.searchsorted(features.times_sec, [onset - SILENCE_BEFORE_SEC, onset - 0.008, onset + 0.15])
    if b - a < 2 or c - b < 4:
        return None
    risen = float(np.max(features.level_db[b:c]) - np.min(features.level_db[a:b]))
    return onset if risen >= SILENCE_BEFORE_DB else None


def _register_evenness(
    piece: Piece, pitches: Sequence[NotePitch], levels_db: Sequence[float | None]
) -> tuple[float | None, str | None]:
    """Range in dB of the median level of low, middle and high notes, each note against its printed dynamic's median."""
    known = [i for i, v in enumerate(levels_db) if v is not None and not piece.notes[i].grace]
    if len(known) < 9:
        return None, "too few notes"
    midi = np.array([piece.notes[i].sounding_midi for i in known], dtype=np.float64)
    if midi.max() - midi.min() < REGISTER_LEAST_SEMITONES:
        return None, "the piece stays within one register"
    level = np.array([levels_db[i] for i in known], dtype=np.float64)
    for dynamic in {piece.notes[i].dynamic for i in known}:
        same = np.array([piece.notes[i].dynamic == dynamic for i in known])
        level[same] -= np.median(level[same])
    edges = midi.min() + (midi.max() - midi.min()) * np.array([1 / 3, 2 / 3])
    parts = [level[midi <= edges[0]], level[(midi > edges[0]) & (midi <= edges[1])], level[midi > edges[1]]]
    medians = [float(np.median(p)) for p in parts if p.size >= 2]
    return (max(medians) - min(medians), None) if len(medians) >= 2 else (None, "too few notes in each register")


def _cracked(piece: Piece, followed: Followed, features: Features) -> list[dict[str, Any]]:
    """Starts that sound another pitch, far from the note and from its neighbours, before the note itself."""
    out = []
    for i, (note, heard) in enumerate(zip(piece.notes, followed.notes, strict=True)):
        if heard.status != "played" or heard.onset_sec is None or heard.offset_sec is None or note.grace:
            continue
        if note.ornament is not None or note.unpitched or note.chord_sounding_midi or note.slurred_from_previous:
            continue
        if i and piece.notes[i - 1].grace:
            continue
        end = min(heard.onset_sec + CRACK_WINDOW_SEC, 0.5 * (heard.onset_sec + heard.offset_sec))
        a, b = np.searchsorted(features.times_sec, [heard.onset_sec + 0.01, end])
        with np.errstate(invalid="ignore"):
            midi = 69.0 + 12.0 * np.log2(features.f0_hz[a:b] / 440.0) - followed.tuning_cents / 100.0
        target = heard.heard_midi if heard.heard_midi is not None else note.sounding_midi
        away = np.isfinite(midi) & (np.abs(midi - target) * 100.0 > CRACK_CENTS) & (features.confidence[a:b] > 0.8)
        if i and piece.notes[i - 1].sounding_midi:
            away &= np.abs(midi - piece.notes[i - 1].sounding_midi) > 0.7  # the room still holds the note before
        if away.sum() * features.hop_sec < CRACK_LEAST_SEC:
            continue
        off = float(np.median(midi[away]) - target)
        word = "above" if off > 0 else "below"
        sec = away.sum() * features.hop_sec
        why = f"starts {abs(off):.0f} half steps {word} the note for {1000 * sec:.0f} ms"
        out.append({"note_id": note.note_id, "bar": note.bar, "why": why})
    return out


def _median(values: Sequence[float]) -> float | None:
    return float(np.median(values)) if len(values) else None

"""Performed notes -> samples: a plain additive wind or string tone in a small room.

Pitch is exact by construction (the phase is the running sum of the planned frequency), so cents, onsets and levels
that were planned are the truth. The voices are our own rough recipes, enough to tell the families apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve, lfilter

from app.domain.units import midi_to_hz
from app.material.performing import PerformedNote

SAMPLE_RATE_HZ = 44100
GLIDE_SEC = 0.02  # our choice: a slur's change of pitch
MEZZO_FORTE_RMS = 0.09  # our choice: full scale is 1

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Voice:
    """A recipe of partials. ``even`` scales even partials (a clarinet's are weak), ``rolloff`` is their fall."""

    rolloff: float
    even: float
    attack_sec: float
    release_sec: float
    breath: float  # share of noise in the tone
    partials: int = 18


VOICES: dict[str, Voice] = {  # our choice throughout
    "clarinet": Voice(rolloff=1.15, even=0.12, attack_sec=0.028, release_sec=0.035, breath=0.006),
    "flute": Voice(rolloff=2.0, even=0.9, attack_sec=0.045, release_sec=0.045, breath=0.02),
    "saxophone": Voice(rolloff=1.0, even=0.95, attack_sec=0.025, release_sec=0.035, breath=0.008),
    "double-reed": Voice(rolloff=0.7, even=1.0, attack_sec=0.022, release_sec=0.03, breath=0.004),
    "brass": Voice(rolloff=1.1, even=1.0, attack_sec=0.035, release_sec=0.04, breath=0.004),
    "strings": Voice(rolloff=0.9, even=0.95, attack_sec=0.055, release_sec=0.06, breath=0.008),
}


@dataclass(frozen=True, slots=True)
class Room:
    """An exponential-noise room: reverberation time and level of the room against the direct sound."""

    t60_sec: float = 0.4
    wet_db: float = -18.0


FAMILY_OF = {  # first word of an instrument key (the last for "bass-clarinet") -> voice
    "clarinet": "clarinet",
    "flute": "flute",
    "piccolo": "flute",
    "sax": "saxophone",
    "oboe": "double-reed",
    "horn": "brass",
    "english": "double-reed",
    "bassoon": "double-reed",
    "contrabassoon": "double-reed",
    "violin": "strings",
    "viola": "strings",
    "cello": "strings",
    "double": "strings",
}


def voice_for(instrument: str) -> Voice:
    """The recipe nearest to an instrument key such as ``clarinet-bb``; brass where none is nearer."""
    words = instrument.split("-")
    for word in (words[0], words[-1]):
        if word in FAMILY_OF:
            return VOICES[FAMILY_OF[word]]
    return VOICES["brass"]


def sound(
    notes: Sequence[PerformedNote],
    voice: Voice,
    rng: np.random.Generator,
    *,
    room: Room | None = None,
    noise_db: float | None = -60.0,
    tail_sec: float = 0.8,
    sample_rate_hz: int = SAMPLE_RATE_HZ,
) -> NDArray[np.float32]:
    """Samples [n] of a take, mono, within -1 and 1.

    ``noise_db`` is the level of the room's own noise against full scale; None leaves digital silence.
    """
    end = max(note.end_sec for note in notes) + tail_sec
    out = np.zeros(int(end * sample_rate_hz) + 1)
    for group in _slur_groups(notes):
        start = round(group[0].onset_sec * sample_rate_hz)
        tone = _tone(group, voice, rng, sample_rate_hz)
        stop = min(len(out), start + len(tone))
        out[start:stop] += tone[: stop - start]
    if room is not None:
        out = out + reverb(out, room, rng, sample_rate_hz)
    if noise_db is not None:
        hiss = lfilter([1.0], [1.0, -0.92], rng.standard_normal(len(out)))
        out += hiss / hiss.std() * 10 ** (noise_db / 20)
    peak = float(np.abs(out).max())
    if peak > 0.98:  # keep the planned levels unless the converter would clip
        out *= 0.98 / peak
    return out.astype(np.float32)


def _slur_groups(notes: Sequence[PerformedNote]) -> list[list[PerformedNote]]:
    groups: list[list[PerformedNote]] = []
    for note in sorted(notes, key=lambda n: n.onset_sec):
        if note.slurred and groups:
            groups[-1].append(note)
        else:
            groups.append([note])
    return groups


def _tone(group: Sequence[PerformedNote], voice: Voice, rng: np.random.Generator, rate: int) -> FloatArray:
    start = group[0].onset_sec
    body = round((group[-1].end_sec - start) * rate)
    release = int(voice.release_sec * rate)
    n = body + release
    pitch, level = _pitch_path(group, body, n, rate), _level_path(group, body, n, rate)
    hz = midi_to_hz(69.0) * 2.0 ** ((pitch - 69.0) / 12.0)
    phase = 2.0 * np.pi * np.cumsum(hz) / rate
    tone = np.zeros(n)
    power = np.zeros(n)
    bright = 1.0 + 0.03 * (level.mean() if n else 0.0)  # louder is a little brighter
    for k in range(1, voice.partials + 1):
        weight = k ** (-voice.rolloff / max(bright, 0.3)) * (voice.even if k % 2 == 0 else 1.0)
        audible = weight * (k * hz < min(9000.0, 0.42 * rate))
        tone += audible * np.sin(k * phase + 0.7 * k * k)
        power += audible**2 / 2.0
    breath = rng.standard_normal(n) * voice.breath
    tone = tone / np.sqrt(np.maximum(power, 1e-9)) + breath
    attack = max(1, min(int(voice.attack_sec * rate), n))
    shape = np.ones(n)
    shape[:attack] = np.sin(np.pi / 2 * np.arange(attack) / attack) ** 2
    shape[body:] = np.cos(np.pi / 2 * np.arange(n - body) / max(release, 1)) ** 2
    return np.asarray(tone * shape * MEZZO_FORTE_RMS * 10 ** (level / 20))


def _pitch_path(group: Sequence[PerformedNote], body: int, n: int, rate: int) -> FloatArray:
    """Fractional MIDI pitch per sample [n] with glides, vibrato, slopes and scoops."""
    path = np.zeros(n)
    edges = [round((note.onset_sec - group[0].onset_sec) * rate) for note in group] + [body]
    for note, a, b in zip(group, edges, edges[1:], strict=False):
        t = np.arange(max(b - a, 0)) / rate
        span = max(b - a, 1) / rate
        cents = note.cents + note.slope_cents * (t / span - 0.5)
        if note.vibrato_hz:
            cents = cents + note.vibrato_cents * np.sin(2 * np.pi * note.vibrato_hz * t) * np.clip(t / 0.15, 0, 1)
        if note.scoop_cents:
            cents = cents - note.scoop_cents * np.exp(-t / 0.04)
        path[a:b] = note.sounding_midi + cents / 100.0
    path[body:] = path[body - 1] if body else 0.0
    width = int(GLIDE_SEC * rate)
    plain = path.copy()
    for a in edges[1:-1]:
        lo, hi = max(0, a - width // 2), min(n, a + width // 2)
        ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(hi - lo) / max(hi - lo, 1))
        path[lo:hi] = plain[lo] * (1 - ramp) + plain[hi - 1] * ramp
    return path


def _level_path(group: Sequence[PerformedNote], body: int, n: int, rate: int) -> FloatArray:
    """Level in dB per sample [n]: each note at its own, joined smoothly."""
    level = np.zeros(n)
    edges = [round((note.onset_sec - group[0].onset_sec) * rate) for note in group] + [body]
    for note, a, b in zip(group, edges, edges[1:], strict=False):
        level[a:b] = note.level_db
    level[body:] = group[-1].level_db
    width = max(1, int(0.015 * rate))
    if len(group) > 1 and n > width:
        kernel = np.hanning(width + 2)[1:-1]
        padded = np.pad(level, (width // 2, width - 1 - width // 2), mode="edge")
        level = np.convolve(padded, kernel / kernel.sum(), "valid")
    return level


def reverb(dry: FloatArray, room: Room, rng: np.random.Generator, rate: int) -> FloatArray:
    """What the room adds to ``dry`` [n]: exponentially decaying noise, the first reflection after 8 ms."""
    n = int(room.t60_sec * 1.2 * rate)
    response = rng.standard_normal(n) * 10 ** (-3.0 * np.arange(n) / rate / room.t60_sec)
    response[: int(0.008 * rate)] = 0.0  # first reflection after 8 ms, our choice
    response /= np.sqrt(np.sum(response**2))
    wet = fftconvolve(dry, response)[: len(dry)]
    return np.asarray(10 ** (room.wet_db / 20) * wet)

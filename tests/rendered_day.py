"""A day on one handheld recorder, rendered coarsely with known truth: takes, talk, applause, tuning notes, silence.

Talk is a signal of our own: glottal pulses whose pitch wanders over half an octave, through three resonances that
change with every syllable, hissed consonants between. It says nothing, but its pitch moves as speech moves.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from plain_wav import encoded
from scipy.signal import lfilter

from app.domain.piece import Piece
from app.material.generating import generate
from app.material.performing import Plan, perform
from app.material.recipe import RHYTHMS, Recipe
from app.material.sounding import sound, voice_for

RATE_HZ = 22_050
ROOM_DB = -62.0


def scale(tonic: str, instrument: str = "clarinet-bb", octaves: int = 1, mode: str = "major") -> Piece:
    return generate(
        Recipe(
            kind="scale",
            tonic=tonic,
            mode=mode,
            octaves=octaves,
            rhythm=RHYTHMS["eighths"],
            tempo_bpm=96,
            instrument=instrument,
        )
    )


def arpeggio(tonic: str, instrument: str = "clarinet-bb") -> Piece:
    return generate(
        Recipe(
            kind="arpeggio",
            tonic=tonic,
            mode="minor",
            octaves=2,
            rhythm=RHYTHMS["eighths"],
            tempo_bpm=80,
            instrument=instrument,
        )
    )


@dataclass(frozen=True)
class Event:
    """Something planted: its kind, who and what when it is a take, and where it sounds."""

    kind: str  # take | false start | tuning | talk | applause
    start_sec: float
    end_sec: float
    candidate: str = ""
    piece: str = ""


@dataclass
class Day:
    """A recorder that runs."""

    rng: np.random.Generator
    parts: list[NDArray[np.float32]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    at: int = 0  # samples so far

    def quiet(self, seconds: float) -> None:
        self._add(np.zeros(round(seconds * RATE_HZ)))

    def take(
        self, candidate: str, name: str, piece: Piece, *, until: float = 1.0, instrument: str = "clarinet-bb"
    ) -> None:
        """A take; ``until`` less than 1 breaks it off after that share of its notes."""
        notes = perform(piece, Plan(tempo=float(self.rng.uniform(0.9, 1.1)), lead_sec=0.05), self.rng)
        notes = notes[: max(2, round(until * len(notes)))]
        samples = sound(notes, voice_for(instrument), self.rng, noise_db=None, tail_sec=0.1, sample_rate_hz=RATE_HZ)
        self._add(samples, Event("take" if until == 1.0 else "false start", 0, 0, candidate, name))

    def tuning(self, midi: int = 67, seconds: float = 1.6) -> None:
        t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
        tone = sum(np.sin(2 * np.pi * k * 440 * 2 ** ((midi - 69) / 12) * t) / k for k in (1, 3, 5))
        self._add(0.1 * tone * np.clip(np.minimum(t, seconds - t) * 15, 0, 1), Event("tuning", 0, 0))

    def talk(self, seconds: float) -> None:
        self._add(speech(seconds, self.rng), Event("talk", 0, 0))

    def applause(self, seconds: float) -> None:
        n = round(seconds * RATE_HZ)
        claps = (self.rng.random(n) < 60 / RATE_HZ) * self.rng.uniform(0.3, 1.0, n)
        shape = self.rng.standard_normal(400) * np.exp(-np.arange(400) / 90)
        self._add(0.08 * np.convolve(claps, shape)[:n], Event("applause", 0, 0))

    def drum(self, candidate: str, name: str, beats: tuple[float, ...], bpm: float = 100.0) -> None:
        """A snare drum: noise and a short ring that die away, a stroke after each of ``beats``."""
        t = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
        out = np.zeros(round((sum(beats) * 60.0 / bpm + 0.5) * RATE_HZ))
        at = 0.0
        for beat in beats:
            noise = self.rng.standard_normal(t.size) * np.exp(-t / 0.05)
            ring = np.sin(2 * np.pi * 190.0 * t) * np.exp(-t / 0.04)
            first = round(at * 60.0 / bpm * RATE_HZ)
            stop = min(out.size, first + t.size)
            out[first:stop] += (float(self.rng.uniform(0.1, 0.25)) * (0.6 * noise + 0.5 * ring))[: stop - first]
            at += beat
        self._add(out, Event("take", 0, 0, candidate, name))

    def wav(self) -> bytes:
        """The recording so far as a 16-bit WAV."""
        samples = np.clip(self.samples() * 32767, -32767, 32767).astype("<i2")
        return encoded(samples.tobytes(), RATE_HZ)

    def samples(self) -> NDArray[np.float32]:
        whole = np.concatenate(self.parts)
        return (whole + self.rng.standard_normal(whole.size) * 10 ** (ROOM_DB / 20)).astype(np.float32)

    def _add(self, samples: NDArray[np.float64], event: Event | None = None) -> None:
        start = self.at / RATE_HZ
        self.parts.append(np.asarray(samples, dtype=np.float32))
        self.at += len(samples)
        if event is not None:
            self.events.append(Event(event.kind, start, self.at / RATE_HZ, event.candidate, event.piece))


def speech(seconds: float, rng: np.random.Generator, middle_hz: float | None = None) -> NDArray[np.float64]:
    """Talk of a voice around ``middle_hz`` (drawn when None): four to six syllables a second in phrases."""
    middle = middle_hz or float(rng.uniform(105.0, 220.0))
    out = np.zeros(round(seconds * RATE_HZ))
    at, phrase_left = 0, 0
    lift = 0.0
    while at < len(out):
        if phrase_left == 0:
            phrase_left, lift = int(rng.integers(5, 12)), float(rng.uniform(2.0, 5.0))
            at += round(float(rng.uniform(0.15, 0.5)) * RATE_HZ)
        n = round(float(rng.uniform(0.11, 0.22)) * RATE_HZ)
        hiss = round(float(rng.uniform(0.03, 0.08)) * RATE_HZ)
        t = np.linspace(0.0, 1.0, n)
        bend = rng.normal(0.0, 2.5) * t + rng.normal(0.0, 2.0) * np.sin(np.pi * t)
        hz = middle * 2 ** ((lift + bend) / 12)
        phase = np.cumsum(hz) / RATE_HZ
        pulses = np.diff(np.floor(phase), prepend=0.0)
        voiced = pulses
        for formant, width in zip(rng.uniform([280, 900, 2200], [800, 2000, 3000]), (80, 110, 160), strict=True):
            radius = np.exp(-np.pi * width / RATE_HZ)
            voiced = lfilter([1.0], [1.0, -2 * radius * np.cos(2 * np.pi * formant / RATE_HZ), radius**2], voiced)
        voiced = voiced / (np.abs(voiced).max() + 1e-9) * np.sin(np.pi * t) ** 0.5
        noise = lfilter([1.0, -0.9], [1.0], rng.standard_normal(hiss)) * np.hanning(hiss) * 0.15
        for piece, loud in ((noise, 0.15), (voiced, float(rng.uniform(0.12, 0.25)))):
            stop = min(len(out), at + len(piece))
            out[at:stop] += loud * piece[: stop - at]
            at = stop
        lift -= 0.5
        phrase_left -= 1
    return out

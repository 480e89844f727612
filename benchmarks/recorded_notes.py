"""Takes joined from recorded single notes, with planted cents, onsets and levels: real sound, known truth.

The notes are files named like ``db2_f_rr1_cnd.flac`` (pitch class, octave, soft or loud), an octave below what sounds.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from app.domain.piece import Piece
from app.files.notation import read_notation
from app.listening.loudness import k_energy
from app.material.performing import PerformedNote, Plan, perform
from app.material.sounding import SAMPLE_RATE_HZ, Room, reverb
from app.material.transposing import for_instrument

PITCH_CLASSES = ("c", "db", "d", "eb", "e", "f", "gb", "g", "ab", "a", "bb", "b")
RELEASE_SEC = 0.03
TONGUED_GAP_SEC = 0.03  # recorded notes can't be slurred: every one has its attack
RISEN_SHARE = 0.1  # a note begins where it reaches a tenth of its early level, 20 dB down, as the measuring defines it
RMS = 0.09

Recorded = dict[int, NDArray[np.float64]]


def recorded_notes(folder: Path) -> Recorded:
    """{sounding MIDI: samples at 44,100 Hz} of the loud notes in ``folder``, each at one level."""
    out: Recorded = {}
    for path in sorted(folder.glob("*_f_*.flac")):
        word = path.name.split("_")[0]
        samples, rate = soundfile.read(path)
        mono = samples if samples.ndim == 1 else samples.mean(axis=1)
        tone = soxr.resample(mono, rate, SAMPLE_RATE_HZ)
        body = tone[int(0.1 * SAMPLE_RATE_HZ) : int(0.6 * SAMPLE_RATE_HZ)]
        out[12 * (int(word[-1]) + 2) + PITCH_CLASSES.index(word[:-1])] = tone * RMS / np.sqrt(np.mean(body**2))
    return out


def joined_take(
    notes: Recorded, page: Path, rng: np.random.Generator, room: Room | None
) -> tuple[Piece, dict[str, PerformedNote], NDArray[np.float32]]:
    """The piece, {note id: what sounded for it, at the moment it sounds} and samples of one take."""
    read = read_notation(page.read_bytes(), file_name=page.name, instrument="clarinet-bb")
    piece = for_instrument(read, "sax-alto")
    tongued = tuple(replace(n, slurred_from_previous=False) for n in piece.notes)
    piece = replace(piece, notes=tongued)
    plan = Plan(
        tempo=float(rng.uniform(0.7, 1.3)),
        rubato=0.05,
        tuning_cents=float(rng.uniform(-15, 15)),
        pitch_spread_cents=10.0,
        timing_spread_ms=8.0,
        level_spread_db=1.5,
    )
    played = sorted(perform(piece, plan, rng), key=lambda n: n.onset_sec)
    out = np.zeros(int((played[-1].end_sec + 1.5) * SAMPLE_RATE_HZ))
    truth: dict[str, PerformedNote] = {}
    for k, note in enumerate(played):
        until = played[k + 1].onset_sec - TONGUED_GAP_SEC if k + 1 < len(played) else note.end_sec
        tone = _played(notes, note, max(0.04, min(note.end_sec, until) - note.onset_sec))
        at = round(note.onset_sec * SAMPLE_RATE_HZ)
        out[at : at + tone.size] += tone
        if note.source_note_id and note.kind != "trill-inside":
            sounds = note.onset_sec + _silent_sec(tone)
            length = note.onset_sec + tone.size / SAMPLE_RATE_HZ - sounds
            truth[note.source_note_id] = replace(note, onset_sec=sounds, length_sec=length, level_db=_body_db(tone))
    if room is not None:
        out = out + reverb(out, room, rng, SAMPLE_RATE_HZ)
    return piece, truth, (0.7 * out / np.abs(out).max()).astype(np.float32)


def _played(notes: Recorded, note: PerformedNote, seconds: float) -> NDArray[np.float64]:
    """One recorded note at the planted cents and level, cut to ``seconds``."""
    moved = soxr.resample(notes[note.sounding_midi], SAMPLE_RATE_HZ * 2 ** (note.cents / 1200), SAMPLE_RATE_HZ)
    tone = moved[: round(seconds * SAMPLE_RATE_HZ)] * 10 ** (note.level_db / 20)
    release = min(round(RELEASE_SEC * SAMPLE_RATE_HZ), tone.size)
    tone[-release:] *= np.cos(np.pi / 2 * np.arange(release) / release)
    return np.asarray(tone)


def _body_db(tone: NDArray[np.float64]) -> float:
    """Level in dB of a cut note without its attack and release, K-weighted as the definition asks."""
    weighted = k_energy(tone.astype(np.float32), SAMPLE_RATE_HZ)
    seconds = tone.size / SAMPLE_RATE_HZ
    return weighted.level_db(min(0.07, 0.4 * seconds), max(seconds - 0.045, 0.8 * seconds))


def _silent_sec(tone: NDArray[np.float64]) -> float:
    """How long a note's file is silent before the note begins."""
    window = np.hanning(round(0.006 * SAMPLE_RATE_HZ))
    level = np.sqrt(np.convolve(tone**2, window / window.sum(), "same"))
    return float(np.argmax(level > RISEN_SHARE * level[: round(0.3 * SAMPLE_RATE_HZ)].max()) / SAMPLE_RATE_HZ)

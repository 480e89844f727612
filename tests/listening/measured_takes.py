"""Small pieces, followed takes and tones with known truth for the measuring tests."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from app.domain.piece import Bar, Ornament, Phrase, Piece, PieceNote, TempoMark
from app.listening.followed import Features, Followed, FollowedNote

HOP_SEC = 0.005
NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


def written(midi: int) -> str:
    return f"{NAMES[midi % 12]}{midi // 12 - 1}"


def piece_of(
    lengths: Sequence[float],
    midis: Sequence[int] | int = 69,
    *,
    bpm: float = 100.0,
    beats: int = 4,
    felt: float = 1.0,
    marks: Sequence[TempoMark] | None = None,
    phrases: Sequence[Phrase] = (),
    notes: dict[int, dict[str, object]] | None = None,
    names: Sequence[str] | None = None,
    rests: dict[int, float] | None = None,
) -> Piece:
    """A piece of notes of ``lengths`` quarters; ``rests`` follow the note with that index, ``notes`` change fields."""
    pitches = [midis] * len(lengths) if isinstance(midis, int) else list(midis)
    bar_quarters = beats * felt
    out = []
    at = 0.0
    for i, (length, midi) in enumerate(zip(lengths, pitches, strict=True)):
        bar = int(at / bar_quarters + 1e-9)
        fields = {
            "note_id": f"n{i + 1}",
            "bar": str(bar + 1),
            "bar_index": bar,
            "beat": 1.0 + (at - bar * bar_quarters) / felt,
            "onset_quarters": at,
            "length_quarters": float(length),
            "written_pitch": names[i] if names else written(midi),
            "written_midi": midi,
            "sounding_midi": midi,
            **((notes or {}).get(i, {})),
        }
        out.append(PieceNote(**fields))  # type: ignore[arg-type]
        at += length + (rests or {}).get(i, 0.0)
    count = max(1, int(np.ceil(at / bar_quarters - 1e-9)))
    bars = tuple(Bar(b, str(b + 1), b * bar_quarters, bar_quarters, beats, 4, felt) for b in range(count))
    tempo = tuple(marks) if marks else (TempoMark(0.0, 1.0, bpm),)
    return Piece("Test piece", "flute", 0, tuple(out), bars, tempo, tuple(phrases))


def etude() -> Piece:
    """Twelve bars of our own: a scale's pitches with held notes, so that every family has something to say."""
    lengths = [1.0, 0.5, 0.5, 2.0, 0.5, 0.5, 0.5, 0.5, 2.5, 0.5, 1.0] * 4
    midis = [62, 64, 66, 69, 67, 66, 64, 62, 71, 69, 66, 62, 66, 69, 74, 73, 71, 69, 67, 66, 64, 62]
    piece = piece_of(lengths, (midis * 3)[: len(lengths)], bpm=88)
    return replace(piece, instrument="clarinet-bb")


def followed_of(
    piece: Piece,
    onsets: Sequence[float | None],
    offsets: Sequence[float | None] | None = None,
    *,
    passes: Sequence[int] | None = None,
    breaks: Sequence[object] = (),
    heard: dict[int, int] | None = None,
) -> Followed:
    """A take followed without error; an onset of None is an omitted note."""
    if offsets is None:
        offsets = [*onsets[1:], None if onsets[-1] is None else onsets[-1] + 1.0]
    notes = []
    for i, note in enumerate(piece.notes):
        on, off = onsets[i], offsets[i]
        midi = (heard or {}).get(i, note.sounding_midi)
        status = "omitted" if on is None else "wrong" if midi != note.sounding_midi else "played"
        notes.append(
            FollowedNote(
                i, status, on, off if on is not None else None, None if on is None else midi, passes[i] if passes else 1
            )
        )
    known = [o for o in onsets if o is not None]
    return Followed(tuple(notes), (), (), tuple(breaks), 0.0, known[0], known[-1] + 1.0, True)  # type: ignore[arg-type]


def features_of(
    hz: NDArray[np.float64], *, confidence: float = 0.99, level_db: NDArray[np.float64] | float = -20.0
) -> Features:
    """Features with a given f0 [T] on a 5 ms grid."""
    n = hz.size
    return Features(
        hop_sec=HOP_SEC,
        times_sec=np.arange(n) * HOP_SEC,
        f0_hz=hz.astype(np.float64),
        confidence=np.full(n, confidence),
        level_db=np.broadcast_to(np.asarray(level_db, dtype=np.float64), (n,)).copy(),
        onset_strength=np.zeros(n),
        floor_db=-70.0,
    )


def contour(cents: NDArray[np.float64], midi: int = 69) -> NDArray[np.float64]:
    """Frequencies [T] of a contour in cents about a MIDI pitch at A4 = 440 Hz."""
    return np.asarray(440.0 * 2.0 ** ((midi - 69) / 12.0 + cents / 1200.0))


def harmonic_tone(
    hz: float,
    seconds: float,
    rate: int = 44100,
    *,
    partials: Sequence[float] = (1.0, 0.5, 0.33, 0.25, 0.2, 0.15),
    amplitude: float = 0.2,
) -> NDArray[np.float64]:
    """A steady harmonic tone [n] with partials of the given amplitudes."""
    t = np.arange(int(seconds * rate)) / rate
    tone = sum(a * np.sin(2 * np.pi * hz * (k + 1) * t + 0.7 * k * k) for k, a in enumerate(partials))
    return np.asarray(amplitude * tone)


TRILL_UP = Ornament("trill", (71,))

"""Following and measuring against general-purpose peers, on the same takes, in one run.

    python -m benchmarks.listening [--takes 6]

Takes are synthesised with known truth (``app.material``): an étude on several instruments in a room, with wrong and
left-out notes, a restart and a hesitation in every second one. Peers, all from librosa: YIN and pYIN (median over each
note's true span) for pitch, and dynamic time warping of chroma against the score's own rendering for onsets. Printed
are accuracies, and times as a ratio to the take's length and to ours.
"""

import argparse
import time
from collections.abc import Callable
from pathlib import Path

import librosa
import numpy as np

from app.domain.piece import Piece
from app.domain.units import midi_to_hz
from app.files.notation import read_notation
from app.listening.measuring import measure
from app.material.performing import PerformedNote, Plan, perform
from app.material.sounding import SAMPLE_RATE_HZ, Room, sound, voice_for
from app.material.transposing import for_instrument

ETUDE = Path(__file__).parents[1] / "seed_data" / "slack-water.musicxml"
INSTRUMENTS = ("clarinet-bb", "flute", "sax-alto", "oboe", "trumpet-bb", "bass-clarinet")
FAULTS = (
    {"kind": "wrong", "bar": "4", "beat": 2.5, "semitones": -1},
    {"kind": "wrong", "bar": "17", "beat": 2.0, "semitones": 1},
    {"kind": "omit", "bar": "10", "beat": 1.5},
    {"kind": "restart", "bar": "11", "beat": 2, "back_to": "10"},
    {"kind": "hesitation", "bar": "15", "beat": 1, "sec": 1.3},
)
NEAR_SEC = 0.05
PEER_RATE_HZ = 22050
PEER_HOP = 256


def a_take(k: int) -> tuple[Piece, dict[str, PerformedNote], np.ndarray]:
    """Piece, {note id: what sounded for it last} and samples of take number ``k``."""
    rng = np.random.default_rng(50_000 + k)
    instrument = INSTRUMENTS[k % len(INSTRUMENTS)]
    page = read_notation(ETUDE.read_bytes(), file_name=ETUDE.name, instrument="clarinet-bb")
    piece = for_instrument(page, instrument)
    plan = Plan(
        tempo=float(rng.uniform(0.7, 1.3)),
        rubato=0.05,
        tuning_cents=float(rng.uniform(-15, 15)),
        pitch_spread_cents=10.0,
        timing_spread_ms=8.0,
        faults=FAULTS if k % 2 else (),
    )
    notes = perform(piece, plan, rng)
    truth = {n.source_note_id: n for n in notes if n.source_note_id and n.kind != "trill-inside"}
    return piece, truth, sound(notes, voice_for(instrument), rng, room=Room(0.5, -16.0))


def chroma_onsets(piece: Piece, samples: np.ndarray) -> dict[str, float]:
    """Where chroma DTW against a straight rendering of the score puts every note."""
    rng = np.random.default_rng(0)
    straight = perform(piece, Plan(pitch_spread_cents=0.0, timing_spread_ms=0.0, level_spread_db=0.0), rng)
    reference = sound(straight, voice_for(piece.instrument), rng, noise_db=-60.0)
    a, b = (
        librosa.feature.chroma_stft(
            y=librosa.resample(y, orig_sr=SAMPLE_RATE_HZ, target_sr=PEER_RATE_HZ), sr=PEER_RATE_HZ, hop_length=PEER_HOP
        )
        for y in (reference, samples)
    )
    _, path = librosa.sequence.dtw(a, b)
    there, here = path[::-1].T * PEER_HOP / PEER_RATE_HZ
    return {
        n.source_note_id: float(np.interp(n.onset_sec, there, here))
        for n in straight
        if n.source_note_id and n.kind != "trill-inside"
    }


def peer_cents(track: Callable[..., np.ndarray], samples: np.ndarray, truth: dict[str, PerformedNote]) -> list[float]:
    """Errors in cents of a peer's track, by the median over the steady part of each note's true span."""
    y = librosa.resample(samples, orig_sr=SAMPLE_RATE_HZ, target_sr=PEER_RATE_HZ)
    f0 = track(y)
    at = np.arange(len(f0)) * PEER_HOP / PEER_RATE_HZ
    errors = []
    for note in truth.values():
        if note.length_sec < 0.2 or note.kind == "trill":
            continue
        inside = (at > note.onset_sec + 0.06) & (at < note.end_sec - 0.03) & np.isfinite(f0)
        if inside.any():
            true_hz = midi_to_hz(note.sounding_midi + note.cents / 100.0)
            errors.append(1200.0 * abs(float(np.log2(np.median(f0[inside]) / true_hz))))
    return errors


def yin(y: np.ndarray) -> np.ndarray:
    return librosa.yin(y, fmin=60, fmax=2200, sr=PEER_RATE_HZ, hop_length=PEER_HOP)


def pyin(y: np.ndarray) -> np.ndarray:
    return librosa.pyin(y, fmin=60, fmax=2200, sr=PEER_RATE_HZ, hop_length=PEER_HOP)[0]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--takes", type=int, default=6)
    count = parser.parse_args().takes
    near: dict[str, list[bool]] = {"ours": [], "chroma DTW": []}
    off_ms: dict[str, list[float]] = {"ours": [], "chroma DTW": []}
    cents: dict[str, list[float]] = {"ours": [], "YIN": [], "pYIN": []}
    spent: dict[str, float] = dict.fromkeys(("ours", "chroma DTW", "YIN", "pYIN"), 0.0)
    measure(a_take(0)[2], SAMPLE_RATE_HZ, a_take(0)[0])  # compile before the clock runs
    seconds = 0.0
    for k in range(count):
        piece, truth, samples = a_take(k)
        seconds += len(samples) / SAMPLE_RATE_HZ
        start = time.perf_counter()
        found = {n.note_id: n for n in measure(samples, SAMPLE_RATE_HZ, piece).notes}
        spent["ours"] += time.perf_counter() - start
        start = time.perf_counter()
        warped = chroma_onsets(piece, samples)
        spent["chroma DTW"] += time.perf_counter() - start
        for name, where in (("ours", {i: n.onset_sec for i, n in found.items()}), ("chroma DTW", warped)):
            for note_id, note in truth.items():
                at = where.get(note_id)
                near[name].append(at is not None and abs(at - note.onset_sec) <= NEAR_SEC)
                if at is not None and near[name][-1]:
                    off_ms[name].append(1000.0 * abs(at - note.onset_sec))
        for note_id, note in truth.items():
            heard = found[note_id].deviation_cents
            if note.kind == "note" and heard is not None:
                cents["ours"].append(abs(heard - note.cents))
        for name, track in (("YIN", yin), ("pYIN", pyin)):
            start = time.perf_counter()
            cents[name] += peer_cents(track, samples, truth)
            spent[name] += time.perf_counter() - start
    print(f"{count} takes, {seconds:.0f} s of playing, {len(near['ours'])} notes")
    print("\n| onsets | within 50 ms | median of those | x real time | time against ours |\n|---|---|---|---|---|")
    for name in near:
        row = f"{100 * np.mean(near[name]):.1f} % | {np.median(off_ms[name]):.1f} ms"
        print(f"| {name} | {row} | {seconds / spent[name]:.0f} | {spent[name] / spent['ours']:.2f} |")
    print("\n| note pitch | median error | 95th percentile | x real time | time against ours |\n|---|---|---|---|---|")
    for name in cents:
        row = f"{np.median(cents[name]):.2f} cents | {np.percentile(cents[name], 95):.2f} cents"
        print(f"| {name} | {row} | {seconds / spent[name]:.0f} | {spent[name] / spent['ours']:.2f} |")


if __name__ == "__main__":
    main()

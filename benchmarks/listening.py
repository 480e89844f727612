"""Following and measuring against general-purpose peers, on the same takes, in one run.

    python -m benchmarks.listening [--takes 6] [--sax FOLDER] [--bench FOLDER] [--soundfont FILE]
                                   [--only own|sax|rendered|steady]

Takes are synthesised with known truth (``app.material``): an étude on several instruments in a room, with wrong and
left-out notes, a restart and a hesitation in every second one. Peers, all from librosa: YIN and pYIN (median over each
note's true span) for pitch, and dynamic time warping of chroma against the score's own rendering for onsets. Printed
are accuracies, and times as a ratio to the take's length and to ours.

A last table has the same figures on real sound: takes joined from recorded alto saxophone notes with planted cents,
onsets and levels. The recordings are no part of this repository; they are looked for in ``--sax``, in the environment
variable FAIRHEARING_SAX_NOTES, and beside the repository in shared/bench/sax. When they are not there, that is said.

With ``--bench`` come takes rendered through a soundfont that nothing was tuned on: étude by étude on another
instrument, clean, dry, with faults, in noise, in a long room, then wind instruments dry and steady. The renderer is no
part of this repository either (``rendered_takes.py`` says what it needs); without the folder that is said.
"""

import argparse
import os
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
from benchmarks.recorded_notes import joined_take, recorded_notes
from benchmarks.rendered_table import print_tables
from benchmarks.rendered_takes import ROWS

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


def saxophone(folder: Path, count: int) -> None:
    """Print the table of takes joined from the recorded notes in ``folder``."""
    if not folder.is_dir():
        print(f"\nNot measured on real sound: no recorded saxophone notes in {folder}; name their folder with --sax.")
        return
    notes = recorded_notes(folder)
    print(
        f"\n{count} takes joined from {len(notes)} recorded notes of {folder.name} each, dry and in a room (T60 0.5 s)"
    )
    print("\n| takes | onsets within 50 / 20 ms, median | cents, median / p95: ours | YIN | level p95 |")
    print("|---|---|---|---|---|")
    for name, room in (("dry", None), ("in a room", Room(0.5, -16.0))):
        late: list[float] = []
        cents: dict[str, list[float]] = {"ours": [], "YIN": []}
        level: list[float] = []
        for k in range(count):
            piece, truth, samples = joined_take(notes, ETUDE, np.random.default_rng(70_000 + k), room)
            found = {n.note_id: n for n in measure(samples, SAMPLE_RATE_HZ, piece).notes}
            late += [abs(at - n.onset_sec) if (at := found[i].onset_sec) is not None else 9.0 for i, n in truth.items()]
            for note_id, note in truth.items():
                heard = found[note_id].deviation_cents
                if note.kind == "note" and heard is not None:
                    cents["ours"].append(abs(heard - note.cents))
            cents["YIN"] += peer_cents(yin, samples, truth)
            apart = np.array([v - n.level_db for i, n in truth.items() if (v := found[i].level_db) is not None])
            level += list(np.abs(apart - np.median(apart)))
        off = np.array(late)
        told = " | ".join(f"{np.median(c):.2f} / {np.percentile(c, 95):.2f}" for c in cents.values())
        print(
            f"| {name} | {100 * np.mean(off <= 0.05):.1f} / {100 * np.mean(off <= 0.02):.1f} %, "
            f"{1000 * np.median(off):.1f} ms | {told} | {np.percentile(level, 95):.1f} dB |"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--takes", type=int, default=6)
    beside = Path(__file__).parents[2] / "shared" / "bench" / "sax"
    parser.add_argument("--sax", type=Path, default=Path(os.environ.get("FAIRHEARING_SAX_NOTES", beside)))
    parser.add_argument("--bench", type=Path, help="folder of a renderer (render.py and genset.py)")
    parser.add_argument("--soundfont", type=Path, help="another soundfont (.sf2) for the renderer")
    parser.add_argument("--seed", type=int, default=1, help="of the rendered takes")
    parser.add_argument("--row", choices=tuple(ROWS), action="append", help="these rows of the rendered takes only")
    parser.add_argument(
        "--only",
        choices=("own", "sax", "rendered", "steady"),
        help="one part: our own synthesis, recorded notes, rendered takes, or rendered steady dry winds",
    )
    asked = parser.parse_args()
    if asked.only in (None, "own"):
        own_synthesis(asked.takes)
    if asked.only in (None, "sax"):
        saxophone(asked.sax, asked.takes)
    if asked.only in (None, "rendered", "steady"):
        rendered = [] if asked.only == "steady" else asked.row or list(ROWS)
        steady = [] if asked.only == "rendered" or asked.row else ["steady"]
        if asked.bench is None:
            print("\nNo rendered takes were measured: name the folder of their renderer with --bench.")
        else:
            print_tables(asked.bench, asked.takes, asked.seed, rendered + steady, asked.soundfont)


def own_synthesis(count: int) -> None:
    """Print the tables of takes of our own synthesis, ours and the peers."""
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

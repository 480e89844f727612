"""The table of rendered takes: what was measured against what the renderer knows, row by row."""

import resource
import time
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import librosa
import mir_eval
import numpy as np
from numpy.typing import NDArray

from app.domain.findings import Findings, MeasuredNote
from app.domain.piece import Piece
from app.domain.units import A4_HZ, midi_to_hz
from app.listening.features import extract
from app.listening.measuring import measure
from app.listening.note_pitch import measure_note
from benchmarks.rendered_takes import ROWS, Rendered, Renderer, last_times

NEAR_SEC, CLOSE_SEC = 0.05, 0.02
END_NEAR_SEC = 0.02
BREAK_NEAR_SEC = 0.6
LEVEL_LEAST_SEC = 0.1
OCTAVE_CENTS = 600.0
YIN_RATE_HZ, YIN_HOP = 22050, 256

Judged = tuple[Findings, float, float]  # findings, processor seconds, peak memory in MB so far


def judge(samples: NDArray[np.float32], sample_rate: int, piece: Piece) -> Judged:
    """Measure in a process that does nothing else, so that its memory and its processor time are the measuring's."""
    start = time.process_time()
    findings = measure(samples, sample_rate, piece)
    spent = time.process_time() - start
    return findings, spent, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@dataclass
class Counted:
    """Right, invented and missed."""

    right: int = 0
    invented: int = 0
    missed: int = 0

    def add(self, said: set[int], true: set[int]) -> None:
        """One take's, as sets."""
        self.right += len(said & true)
        self.invented += len(said - true)
        self.missed += len(true - said)

    @property
    def f1(self) -> str:
        """F1, or a dash where nothing was planted or said."""
        all_of = 2 * self.right + self.invented + self.missed
        return f"{2 * self.right / all_of:.2f}" if all_of else "-"

    def __str__(self) -> str:
        return f"{self.right} of {self.right + self.missed}, {self.invented} invented"


@dataclass
class Row:
    """Everything gathered over the takes of one row."""

    late: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))  # by the kind of note
    ends: list[float] = field(default_factory=list)
    cents: list[float] = field(default_factory=list)
    peer_cents: list[float] = field(default_factory=list)
    track_cents: list[float] = field(default_factory=list)
    definition_cents: list[float] = field(default_factory=list)
    octaves: int = 0
    level: list[float] = field(default_factory=list)
    wrong: Counted = field(default_factory=Counted)
    omitted: Counted = field(default_factory=Counted)
    restarts: Counted = field(default_factory=Counted)
    hesitations: Counted = field(default_factory=Counted)
    extra: int = 0
    scores: list[tuple[float, float]] = field(default_factory=list)  # mir_eval: onsets, notes
    sounding_sec: float = 0.0
    spent_sec: float = 0.0
    peak_mb: float = 0.0
    unusable: int = 0

    def add(self, take: Rendered, judged: Judged) -> None:
        """Take one measured take in."""
        findings, spent, peak = judged
        self.sounding_sec += len(take.samples) / take.sample_rate
        self.spent_sec += spent
        self.peak_mb = max(self.peak_mb, peak)
        self.unusable += not findings.usable
        found = {int(n.note_id[1:]): n for n in findings.notes}
        last = last_times(take.truth)
        for number, true in last.items():
            self._note(found.get(number), true, _before(take.truth, true), _after(take.truth, true))
        self._levels(found, last)
        self.wrong.add({i for i, n in found.items() if n.status == "wrong"}, take.wrong)
        self.omitted.add({i for i, n in found.items() if n.status == "omitted"}, take.omitted)
        self._breaks(findings, take)
        self.extra += len(findings.extra_notes)
        if not take.restarts:
            self.scores.append(mir_eval_scores(findings, take))

    def _note(self, heard: MeasuredNote | None, true: dict[str, Any], before: Any, after: Any) -> None:
        if true["slur"] and before is not None and before["pitch"] == true["pitch"]:
            return  # slurred to its own pitch: it has no audible start
        at = true["onset"] if true["slur"] else true["on20"]
        onset = heard.onset_sec if heard is not None else None
        self.late[true["tag"]].append(abs(onset - at) if onset is not None else float("inf"))
        if heard is None:
            return
        if heard.offset_sec is not None and true["tag"] != "grace" and not (after is not None and after["slur"]):
            self.ends.append(abs(heard.offset_sec - true["off20"]))
        if heard.heard_midi is not None and heard.heard_midi != true["pitch"]:
            self.octaves += (heard.heard_midi - true["pitch"]) % 12 == 0
        elif heard.deviation_cents is not None:
            off = abs(heard.deviation_cents - _true_cents(true))
            self.octaves += off > OCTAVE_CENTS
            self.cents.append(off)

    def _levels(self, found: dict[int, MeasuredNote], last: dict[int, dict[str, Any]]) -> None:
        apart = np.array(
            [
                level - true["db"]
                for number, true in last.items()
                if number in found
                and (level := found[number].level_db) is not None
                and true["offset"] - true["onset"] > LEVEL_LEAST_SEC
            ]
        )
        if apart.size:
            self.level += list(np.abs(apart - np.median(apart)))

    def _breaks(self, findings: Findings, take: Rendered) -> None:
        restarts = [(at - BREAK_NEAR_SEC, at + BREAK_NEAR_SEC) for at in take.restarts]
        hesitations = [(a, b + BREAK_NEAR_SEC) for a, b in take.hesitations]
        for kind, true, counted in (
            ("restart", restarts, self.restarts),
            ("hesitation", hesitations, self.hesitations),
        ):
            said = [b.at_sec for b in findings.breaks if b.kind == kind]
            right = sum(any(a <= at <= b for at in said) for a, b in true)
            counted.right += right
            counted.missed += len(true) - right
            counted.invented += len(said) - right

    def share(self, within_sec: float, *kinds: str) -> str:
        """Percent of the onsets of some kinds of note (none: of all) that lie within a time."""
        late = [v for kind, values in self.late.items() if not kinds or kind in kinds for v in values]
        return f"{100 * np.mean(np.array(late) <= within_sec):.1f}" if late else "-"

    @property
    def onsets(self) -> int:
        """How many onsets were judged."""
        return sum(map(len, self.late.values()))

    @property
    def median_late_ms(self) -> float:
        """Median of the onsets that were found."""
        late = np.array([v for values in self.late.values() for v in values])
        return 1000.0 * float(np.median(late[np.isfinite(late)]))


def mir_eval_scores(findings: Findings, take: Rendered) -> tuple[float, float]:
    """F-measures by mir_eval: onsets within 50 ms; notes within 50 ms, 50 cents and a fifth of their length."""
    true = [t for t in take.truth if t["tag"] != "trill_in"]
    heard = [n for n in findings.notes if n.onset_sec is not None and n.offset_sec is not None]
    reference = np.array([[t["onset"] if t["slur"] else t["on20"], t["off20"]] for t in true])
    reference[:, 1] = np.maximum(reference[:, 1], reference[:, 0] + 0.01)
    found = np.array([[n.onset_sec, max(n.offset_sec or 0.0, (n.onset_sec or 0.0) + 0.01)] for n in heard], float)
    onsets = mir_eval.onset.f_measure(np.sort(reference[:, 0]), np.sort(found[:, 0]), window=NEAR_SEC)[0]
    notes = mir_eval.transcription.precision_recall_f1_overlap(
        reference,
        np.array([t["f0"] for t in true]),
        found,
        np.array([midi_to_hz((n.heard_midi or n.sounding_midi) + (n.deviation_cents or 0.0) / 100.0) for n in heard]),
    )[2]
    return float(onsets), float(notes)


def yin_errors(take: Rendered) -> list[float]:
    """Errors in cents of librosa's YIN over the steady part of each note."""
    y = librosa.resample(take.samples, orig_sr=take.sample_rate, target_sr=YIN_RATE_HZ)
    f0 = librosa.yin(y, fmin=40, fmax=2400, sr=YIN_RATE_HZ, hop_length=YIN_HOP, frame_length=4096)
    return _errors_inside(take, np.arange(len(f0)) * YIN_HOP / YIN_RATE_HZ, f0)


def tracker_errors(take: Rendered) -> list[float]:
    """Errors in cents of our own track over the truth's own stretches: what is left without the choice of a stretch."""
    features = extract(take.samples, take.sample_rate)
    return _errors_inside(take, features.times_sec, features.f0_hz)


def definition_errors(take: Rendered) -> list[float]:
    """What our definition of a note's pitch, applied to the true contour, differs from the renderer's figure by."""
    features = extract(take.samples, take.sample_rate)
    errors = []
    for true in take.truth:
        inside = (features.times_sec >= true["onset"]) & (features.times_sec < true["offset"])
        contour = np.full(len(inside), np.nan)
        semitones = np.interp(features.times_sec[inside], true["f0_t"], true["f0_c"]) / 100.0
        contour[inside] = A4_HZ * 2.0 ** ((semitones - 69.0) / 12.0)
        exact = replace(features, f0_hz=contour, confidence=np.ones(len(inside)))
        found = measure_note(exact, true["on20"], true["off20"], true["pitch"], 0.0, slurred=true["slur"])
        if found.cents is not None:
            errors.append(abs(found.cents - _true_cents(true)))
    return errors


def _errors_inside(take: Rendered, at_sec: NDArray[np.float64], f0_hz: NDArray[np.float64]) -> list[float]:
    """The median of a track over the steady part of each note, against the median of the true contour there."""
    errors = []
    for true in take.truth:
        inside = f0_hz[(at_sec >= true["s0"]) & (at_sec <= true["s1"]) & np.isfinite(f0_hz)]
        if inside.size:
            errors.append(1200.0 * abs(float(np.log2(np.median(inside) / true["f0"]))))
    return errors


def print_tables(folder: Path, count: int, seed: int, rows: list[str], soundfont: Path | None = None) -> None:
    """Render ``count`` takes a row with the programs in ``folder``, measure them and print what came of it."""
    renderer = Renderer(folder, soundfont)
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        warm = renderer.steady(0, seed + 1)  # compile before the clock runs
        pool.submit(judge, warm.samples, warm.sample_rate, warm.piece).result()
        gathered: dict[str, Row] = {}
        for name in (one for one in ROWS if one in rows):
            gathered[name] = _row(pool, (renderer.etude(name, k, seed) for k in range(count)))
        steady = None
        if "steady" in rows:
            takes = [renderer.steady(k, seed) for k in range(count)]
            steady = _row(pool, iter(takes))
            for take in takes:
                steady.peer_cents += yin_errors(take)
                steady.track_cents += tracker_errors(take)
                steady.definition_cents += definition_errors(take)
    if gathered:
        _print_rendered(gathered, count, len(renderer.instruments), seed)
    if steady is not None:
        _print_steady(steady, count, len(renderer.winds), seed)


def _row(pool: ProcessPoolExecutor, takes: Iterator[Rendered]) -> Row:
    row = Row()
    for take in takes:
        row.add(take, pool.submit(judge, take.samples, take.sample_rate, take.piece).result())
    return row


def _print_rendered(gathered: dict[str, Row], count: int, instruments: int, seed: int) -> None:
    print(f"\n{count} rendered takes a row, {min(count, instruments)} instruments, seed {seed}")
    print(
        "\n| takes | onsets | within 50 / 20 ms, median | wrong F1 / left out F1 | note ends, median, within 20 ms | "
        "cents, median / p95 | level p95 |\n|---|---|---|---|---|---|---|"
    )
    for name, row in gathered.items():
        ends, cents = np.array(row.ends), np.array(row.cents)
        near, close = row.share(NEAR_SEC), row.share(CLOSE_SEC)
        print(
            f"| {name} | {row.onsets} | {near} / {close} %, {row.median_late_ms:.1f} ms | "
            f"{row.wrong.f1} / {row.omitted.f1} | {1000 * np.median(ends):.1f} ms, "
            f"{100 * np.mean(ends <= END_NEAR_SEC):.0f} % | {np.median(cents):.2f} / {np.percentile(cents, 95):.1f} | "
            f"{np.percentile(row.level, 95):.1f} dB |"
        )
    print(
        "\n| takes | repeated / graces / trills within 50 ms | restarts | hesitations | extra notes said (none "
        "planted) | mir_eval onsets / notes F | x real time (processor) | peak memory |\n"
        "|---|---|---|---|---|---|---|---|"
    )
    for name, row in gathered.items():
        kinds = " / ".join(row.share(NEAR_SEC, kind) for kind in ("rep", "grace", "trill"))
        scores = " / ".join(f"{v:.3f}" for v in np.mean(row.scores, axis=0)) if row.scores else "-"
        print(
            f"| {name} | {kinds} % | {row.restarts} | {row.hesitations} | {row.extra} | {scores} | "
            f"{row.sounding_sec / row.spent_sec:.0f} | {row.peak_mb:.0f} MB |"
        )
    unusable = sum(row.unusable for row in gathered.values())
    if unusable:
        print(f"\n{unusable} takes were refused as another piece.")


def _print_steady(row: Row, count: int, winds: int, seed: int) -> None:
    cents, peer, track = np.array(row.cents), np.array(row.peer_cents), np.array(row.track_cents)
    definition = np.array(row.definition_cents)
    print(f"\nSteady dry winds: {count} takes, {min(count, winds)} instruments, {row.onsets} notes, seed {seed}")
    print(
        "\n| note pitch | notes with a figure | median error | 95th percentile | octave errors |\n|---|---|---|---|---|"
    )
    for name, off, octaves in (
        ("ours, whole pipeline", cents, row.octaves),
        ("our definition applied to the true contour", definition, 0),
        ("our track alone, told where each note is steady", track, int(np.sum(track > OCTAVE_CENTS))),
        ("YIN (librosa), told the same", peer, int(np.sum(peer > OCTAVE_CENTS))),
    ):
        figures = f"{np.median(off):.2f} cents | {np.percentile(off, 95):.2f} cents"
        print(f"| {name} | {off.size} | {figures} | {octaves} |")


def _true_cents(true: dict[str, Any]) -> float:
    """Mean of the true contour over the steady part, in cents from the note's pitch."""
    inside = (true["f0_t"] >= true["s0"]) & (true["f0_t"] <= true["s1"])
    return float(np.mean(true["f0_c"][inside])) - 100.0 * true["pitch"] if inside.any() else float(true["cents"])


def _before(truth: list[dict[str, Any]], one: dict[str, Any]) -> dict[str, Any] | None:
    at = next(i for i, t in enumerate(truth) if t is one)
    return truth[at - 1] if at else None


def _after(truth: list[dict[str, Any]], one: dict[str, Any]) -> dict[str, Any] | None:
    at = next(i for i, t in enumerate(truth) if t is one)
    return truth[at + 1] if at + 1 < len(truth) else None

"""Takes rendered through a soundfont by a renderer that is no part of this repository, with the truth of every note.

The renderer is a folder with ``render.py`` and ``genset.py``; it needs Debian's packages fluidsynth and
fluid-soundfont-gm and the Python package pyfluidsynth, which is in no lock because another package of the tests would
begin to download when it finds it: name its folder in PYTHONPATH.
"""

import importlib
import sys
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.domain.piece import Bar, Ornament, Piece, PieceNote, TempoMark

BEAT_SEC = 60.0 / 96.0  # of the renderer's scores
RELEASE_MS = 40.0  # of a wind player's; the soundfont's own are up to three times as long
GRACE_SEC = 0.08
# More instruments than the renderer names: {name: (General MIDI program counted from 0, lowest, highest MIDI number)}.
MORE = {
    "bassoon": (70, 38, 64), "tuba": (58, 32, 56), "trombone": (57, 42, 68), "cello": (42, 40, 67),
    "tenorsax": (66, 46, 74), "englishhorn": (69, 55, 78), "viola": (41, 50, 79), "recorder": (74, 65, 88),
}  # fmt: skip
STRINGS = ("violin", "viola", "cello")
ROWS: dict[str, dict[str, Any]] = {
    "clean": {},
    "dry": {"reverb": None},
    "with faults": {"errors": True},
    "noise 20 dB under": {"snr": 20},
    "room 1.2 s at -6 dB": {"reverb": (1.2, -6)},
}
STEADY_NOTES, STEADY_BEATS = 100, 1.0
LEAST_PUT_IN_SEC = 0.7  # of the second that a hesitation puts in


@dataclass(frozen=True)
class Rendered:
    """One take: ``truth`` has a dictionary per note that sounds, in order of time."""

    instrument: str
    piece: Piece
    samples: NDArray[np.float32]
    sample_rate: int
    truth: list[dict[str, Any]]
    wrong: set[int]  # numbers of notes in the score
    omitted: set[int]
    restarts: tuple[float, ...]  # when
    hesitations: tuple[tuple[float, float], ...]  # between which moments


class Renderer:
    """The programs found in a folder; raises ``SystemExit`` with a sentence where something is missing.

    ``soundfont`` stands in for the renderer's own.
    """

    def __init__(self, folder: Path, soundfont: Path | None = None) -> None:
        for name in ("render.py", "genset.py"):
            if not (folder / name).is_file():
                raise SystemExit(f"There is no {name} in {folder}; name the renderer's folder with --bench.")
        sys.path.insert(0, str(folder))
        try:
            importlib.import_module("fluidsynth")
        except ImportError:
            raise SystemExit(
                "The renderer needs the Python package pyfluidsynth (and Debian's fluidsynth and fluid-soundfont-gm)."
            ) from None
        self._render: ModuleType = importlib.import_module("render")
        self._genset: ModuleType = importlib.import_module("genset")
        for name, (program, low, high) in MORE.items():
            self._render.PROG[name], self._render.COMFORT[name] = program, (low, high)
        if soundfont is not None:
            self._render.SF["fluid"] = str(soundfont)
        if not Path(self._render.SF["fluid"]).is_file():
            missing = self._render.SF["fluid"]
            raise SystemExit(f"There is no soundfont {missing}; install fluid-soundfont-gm or name one: --soundfont.")
        self.instruments: tuple[str, ...] = tuple(self._render.PROG)
        self.winds = tuple(name for name in self.instruments if name not in STRINGS)

    def _begin_anew(self) -> None:
        """Let the next take have a synthesiser of its own.

        A synthesiser goes on from the block of 64 samples, the dither and the voices that it stopped with, so that the
        same take sounded a little different after other ones: its starts by up to 0.8 ms, its pitches by up to a cent.
        """
        for synthesiser, _ in self._render._syn.values():
            synthesiser.delete()
        self._render._syn.clear()

    def etude(self, row: str, k: int, seed: int) -> Rendered:
        """Take ``k`` of a row of the table: another instrument each, everything else drawn from row, seed and ``k``.

        The same whatever was rendered before it.
        """
        self._begin_anew()
        instrument = self.instruments[(k + seed) % len(self.instruments)]
        number = 1000 * seed + 7 * k + sum(map(ord, row))
        made = self._genset.make(number, instrument, rel_ms=RELEASE_MS, **ROWS[row])
        take = made["take"]
        truth = sorted(take.truth, key=lambda t: t["onset"])
        last = last_times(truth)
        return Rendered(
            instrument,
            _piece(made["score"], instrument),
            take.audio,
            take.sr,
            truth,
            {i for i in made["wrong"] if i in last and last[i]["tag"] == "wrong"},
            {i for i in made["omit"] if i not in last},
            _restarts(truth),
            _hesitation(made["score"], truth) if ROWS[row].get("errors") else (),
        )

    def steady(self, k: int, seed: int) -> Rendered:
        """A wind instrument, dry, tongued, without vibrato: quarter notes of a random walk, each off by some cents."""
        self._begin_anew()
        instrument = self.winds[(k + seed) % len(self.winds)]
        rng = np.random.default_rng(500_000 + 1000 * seed + k)
        low, high = self._render.COMFORT[instrument]
        pitch, score, notes = (low + high) // 2, [], []
        tuning = float(rng.uniform(-15, 15))
        for i in range(STEADY_NOTES):
            pitch = int(np.clip(pitch + rng.choice([-7, -5, -4, -3, -2, -1, 1, 2, 3, 4, 5, 7]), low, high))
            score.append(
                {
                    "sid": i,
                    "pitch": pitch,
                    "on": i * BEAT_SEC,
                    "dur": BEAT_SEC,
                    "slur": False,
                    "kind": "note",
                    "bar": i // 4,
                }
            )
            cents, level = tuning + float(rng.normal(0, 10)), int(np.clip(rng.normal(80, 12), 45, 115))
            length = 0.9 * STEADY_BEATS * BEAT_SEC
            notes.append(self._render.Note(pitch, i * BEAT_SEC, length, cents=cents, vel=level, tag="note", sid=i))
        take = self._render.render(notes, self._render.PROG[instrument], seed=seed, rel_ms=RELEASE_MS)
        return Rendered(instrument, _piece(score, instrument), take.audio, take.sr, take.truth, set(), set(), (), ())


def last_times(truth: list[dict[str, Any]]) -> dict[int, dict[str, Any]]:
    """{number in the score: the last time it sounds}; after a restart that one counts."""
    return {t["sid"]: t for t in truth if t["tag"] != "trill_in"}


def _piece(score: list[dict[str, Any]], instrument: str) -> Piece:
    notes = []
    for s in score:
        at, length, grace = s["on"] / BEAT_SEC, s["dur"] / BEAT_SEC, s["kind"] == "grace"
        if grace:  # the renderer writes it where it sounds, a page where its main note stands
            at, length = at + GRACE_SEC / BEAT_SEC, 0.0
        notes.append(
            PieceNote(
                note_id=f"n{s['sid']}",
                bar=str(s["bar"] + 1),
                bar_index=s["bar"],
                beat=at - 4 * s["bar"] + 1,
                onset_quarters=round(at, 6),
                length_quarters=round(length, 6),
                written_pitch="C4",
                written_midi=s["pitch"],
                sounding_midi=s["pitch"],
                grace=grace,
                ornament=Ornament("trill", (s["pitch"] + 2,)) if s["kind"] == "trill" else None,
                slurred_from_previous=bool(s["slur"]),
            )
        )
    count = max(n.bar_index for n in notes) + 1
    bars = tuple(Bar(i, str(i + 1), 4.0 * i, 4.0, 4, 4, 1.0) for i in range(count))
    return Piece("", instrument, 0, tuple(notes), bars, (TempoMark(0.0, 1.0, 60.0 / BEAT_SEC),))


def _restarts(truth: list[dict[str, Any]]) -> tuple[float, ...]:
    """When a note sounds that stands no further in the score than the one before it, which only a restart does.

    The renderer's own note of it is some tens of milliseconds off, or a second where it waits before the next note.
    """
    notes = [t for t in truth if t["tag"] != "trill_in"]
    return tuple(float(after["onset"]) for before, after in pairwise(notes) if after["sid"] <= before["sid"])


def _hesitation(score: list[dict[str, Any]], truth: list[dict[str, Any]]) -> tuple[tuple[float, float], ...]:
    """Where a second was put in, which the renderer does not tell: the interval that is longest against its neighbours.

    Going back is none, and neither is the interval over a note that was left out.
    """
    sounding = [t for t in truth if t["tag"] not in ("trill_in", "grace")]
    spans = []
    for before, after in pairwise(sounding):
        notated = score[after["sid"]]["on"] - score[before["sid"]]["on"]
        if notated > 0:
            spans.append((before["onset"], after["onset"], notated))
    paces = np.array([(b - a) / notated for a, b, notated in spans])
    put_in = [
        (b - a) - notated * float(np.median(paces[max(0, i - 4) : i + 5])) for i, (a, b, notated) in enumerate(spans)
    ]
    most = int(np.argmax(put_in))
    return ((spans[most][0], spans[most][1]),) if put_in[most] >= LEAST_PUT_IN_SEC else ()

"""The faults that can be planted in a take, each a change to how its notes will be played.

``app.material.performing`` starts a draft, the faults of the plan change it here, and from it the notes are laid out.
Positions are written as a player would say them (bar, beat, written pitch).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.domain.errors import BadInput
from app.domain.piece import Piece, PieceNote


@dataclass(slots=True)
class Draft:
    """The changeable state faults work on: one entry per notated note, in quarters and seconds."""

    piece: Piece
    notes: list[PieceNote]
    cents: NDArray[np.float64]
    level_db: NDArray[np.float64]
    shift_sec: NDArray[np.float64]  # of this onset alone
    gain_quarters: NDArray[np.float64]  # time won (+) or lost (-) after this note, in quarters at the local tempo
    wait_sec: NDArray[np.float64]  # silence before this note
    hold_sec: NDArray[np.float64]  # this note is held longer, everything after waits
    semitones: NDArray[np.int64]
    omitted: NDArray[np.bool_]
    tempo_factor: NDArray[np.float64]  # local tempo over each note
    scoop: NDArray[np.float64]
    slope: NDArray[np.float64]
    extra_after: dict[int, list[tuple[int, float]]]  # index -> (semitones from the note, seconds)
    restarts: list[tuple[int, int, float]]  # (break off after index, go back to index, pause seconds)


def _at(draft: Draft, fault: dict[str, Any]) -> int:
    """Index of the note at the fault's ``bar`` and ``beat`` (first that is no grace note)."""
    bar, beat = str(fault["bar"]), float(fault.get("beat", 1.0))
    for i, note in enumerate(draft.notes):
        if note.bar == bar and abs(note.beat - beat) < 0.01 and not note.grace:
            return i
    raise BadInput(f"The plan names bar {bar}, beat {beat:g}, but no note starts there.")


def _in_bars(draft: Draft, fault: dict[str, Any]) -> list[int]:
    first, last = (str(b) for b in fault["bars"])
    numbers = [bar.number for bar in draft.piece.bars]
    if first not in numbers or last not in numbers:
        raise BadInput(f"The plan names bars {first} to {last}, which the piece does not have.")
    wanted = set(numbers[numbers.index(first) : len(numbers) - numbers[::-1].index(last)])
    return [i for i, note in enumerate(draft.notes) if note.bar in wanted]


def _pitch_off(draft: Draft, fault: dict[str, Any]) -> None:
    """Every sounding of one written pitch, or one note, lies off by ``cents``."""
    if "written" in fault:
        hits = [i for i, note in enumerate(draft.notes) if note.written_pitch == fault["written"]]
        if not hits:
            raise BadInput(f"The plan names the pitch {fault['written']}, which the piece does not have.")
    else:
        hits = [_at(draft, fault)]
    draft.cents[hits] += float(fault["cents"])


def _drift(draft: Draft, fault: dict[str, Any]) -> None:
    """Pitch drifts evenly by ``cents`` from the first note to the last."""
    at = np.array([note.onset_quarters for note in draft.notes])
    draft.cents += float(fault["cents"]) * (at - at[0]) / max(at[-1] - at[0], 1e-9)


def _scoop(draft: Draft, fault: dict[str, Any]) -> None:
    draft.scoop[_at(draft, fault)] = float(fault["cents"])


def _slope(draft: Draft, fault: dict[str, Any]) -> None:
    draft.slope[_at(draft, fault)] = float(fault["cents"])


def _wrong(draft: Draft, fault: dict[str, Any]) -> None:
    draft.semitones[_at(draft, fault)] = int(fault["semitones"])


def _omit(draft: Draft, fault: dict[str, Any]) -> None:
    draft.omitted[_at(draft, fault)] = True


def _extra(draft: Draft, fault: dict[str, Any]) -> None:
    """After the note a further one sounds, ``semitones`` away, in the second half of its time."""
    draft.extra_after.setdefault(_at(draft, fault), []).append(
        (int(fault["semitones"]), float(fault.get("share", 0.4)))
    )


def _short_hold(draft: Draft, fault: dict[str, Any]) -> None:
    """A held note gives up ``lost_beats`` (quarters): everything after it comes early."""
    draft.gain_quarters[_at(draft, fault)] -= float(fault["lost_beats"])


def _late(draft: Draft, fault: dict[str, Any]) -> None:
    """One onset comes late (or early, when negative) by ``ms``; the pulse goes on."""
    draft.shift_sec[_at(draft, fault)] += float(fault["ms"]) / 1000.0


def _tempo(draft: Draft, fault: dict[str, Any]) -> None:
    """The bars are played at ``factor`` times the tempo; 1.08 rushes."""
    draft.tempo_factor[_in_bars(draft, fault)] *= float(fault["factor"])


def _drag(draft: Draft, fault: dict[str, Any]) -> None:
    """Tempo changes evenly by ``percent`` from the first note to the last (negative drags)."""
    at = np.array([note.onset_quarters for note in draft.notes])
    draft.tempo_factor *= 1.0 + float(fault["percent"]) / 100.0 * (at - at[0]) / max(at[-1] - at[0], 1e-9)


def _uneven(draft: Draft, fault: dict[str, Any]) -> None:
    """Every second note of the bars comes late by ``ms``: a run that limps."""
    for k, i in enumerate(_in_bars(draft, fault)):
        draft.shift_sec[i] += (k % 2) * float(fault["ms"]) / 1000.0


def _hesitation(draft: Draft, fault: dict[str, Any]) -> None:
    """Before the note the playing stops for ``sec`` (or the note before is held, with ``held``)."""
    i = _at(draft, fault)
    if fault.get("held") and i > 0:
        draft.hold_sec[i - 1] += float(fault["sec"])
    else:
        draft.wait_sec[i] += float(fault["sec"])


def _restart(draft: Draft, fault: dict[str, Any]) -> None:
    """After the note at bar and beat the player breaks off and goes back to the start of bar ``back_to``."""
    back = _at(draft, {"bar": fault["back_to"], "beat": fault.get("back_to_beat", 1.0)})
    draft.restarts.append((_at(draft, fault), back, float(fault.get("pause_sec", 0.9))))


def _bump(draft: Draft, fault: dict[str, Any]) -> None:
    draft.level_db[_at(draft, fault)] += float(fault["db"])


def _flatten(draft: Draft, fault: dict[str, Any]) -> None:
    """The bars lose their loudness shape: everything at their mean."""
    hits = _in_bars(draft, fault)
    draft.level_db[hits] = float(np.mean(draft.level_db[hits]))


FAULTS: dict[str, Callable[[Draft, dict[str, Any]], None]] = {
    "pitch": _pitch_off,
    "drift": _drift,
    "scoop": _scoop,
    "slope": _slope,
    "wrong": _wrong,
    "omit": _omit,
    "extra": _extra,
    "short-hold": _short_hold,
    "late": _late,
    "tempo": _tempo,
    "tempo-change": _drag,
    "uneven": _uneven,
    "hesitation": _hesitation,
    "restart": _restart,
    "bump": _bump,
    "flat-shape": _flatten,
}

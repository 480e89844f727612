"""Tell a walk note by note: exact times, which pass of a bar counts, extra notes, and where the playing broke."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from app.domain.findings import Break, BreakKind, ExtraNote, NoteStatus
from app.domain.piece import Piece
from app.listening.course import Score
from app.listening.evidence import repeat_evidence
from app.listening.followed import Features, Followed, FollowedNote
from app.listening.refining import Sounded, refine
from app.listening.salience import LOWEST_MIDI
from app.listening.tails import only_lingers
from app.listening.walk import EXTRA, JUMP, NEXT, NOTE, PLAYED, START, Walk

HESITATION_RATIO = 1.35  # a slot this much longer than the pulse expects ...
HESITATION_SEC = 0.40  # ... and by so many seconds is a hesitation (our choice)
BREATH_SEC = 0.5  # more is allowed where a breath is printed


@dataclass(slots=True)
class _Pass:
    """Notes played in a row without going back: the first and last note it covers, and what sounded of them."""

    first: int
    last: int
    notes: dict[int, FollowedNote]


def tell(
    walk: Walk,
    score: Score,
    time_sec: NDArray[np.float64],
    quarter_sec: NDArray[np.float64],
    signal: NDArray[np.float32],
    features: Features,
    piece: Piece,
    tuning_cents: float,
) -> Followed:
    """The walk with exact times.

    ``time_sec`` [K] of the search's boundaries; ``quarter_sec`` [N] the pulse at each note; ``signal`` [n] at the
    internal rate.
    """
    sounded = [_sounded(walk, k, score, time_sec, piece) for k in range(len(walk.steps))]
    times = refine(signal, features, tuning_cents, sounded)
    again = repeat_evidence(features)
    passes: list[_Pass] = []
    extra: list[ExtraNote] = []
    breaks: list[Break] = []
    number = 1
    previous: int | None = None
    previous_onset = 0.0
    for k, (step, (onset, offset), thing) in enumerate(zip(walk.steps, times, sounded, strict=True)):
        if step.kind == EXTRA:
            extra.append(ExtraNote(onset, offset, round(thing.midi)))
            continue
        plain = not (piece.notes[step.note].grace or piece.notes[step.note].unpitched)
        if k and plain and step.status == PLAYED and step.entered not in (JUMP, START):
            same = round(sounded[k - 1].midi) == round(thing.midi)
            length = min(piece.notes[step.note].length_quarters, float(score.course.quarters[step.note]))
            expected = length * float(quarter_sec[step.note])
            silent = times[k + 1][0] - offset if k + 1 < len(times) else np.inf
            lingers = only_lingers(
                features, times[k - 1], (onset, offset), same, again=again, expected_sec=expected, silent_sec=silent
            )
            if lingers == "rest" and previous is not None and previous in passes[-1].notes:
                longer = replace(passes[-1].notes[previous], offset_sec=offset)
                passes[-1].notes[previous] = longer
            if lingers is not None:
                passes[-1].last = step.note
                continue
        kind: BreakKind | None = None
        if previous is not None:
            if step.entered == JUMP:
                kind = "restart" if step.note <= previous else "skip" if step.note > previous + 1 else "hesitation"
            elif _hesitated(previous, step.note, onset - previous_onset, piece, score, quarter_sec):
                kind = "hesitation"
            if kind is not None:
                breaks.append(Break(kind, onset, piece.notes[previous].bar, piece.notes[step.note].bar))
        if kind == "restart":
            number += 1
        if not passes or kind == "restart":
            passes.append(_Pass(step.note, step.note, {}))
        status: NoteStatus = "played" if step.status == PLAYED else "wrong"
        passes[-1].last = step.note
        passes[-1].notes[step.note] = FollowedNote(step.note, status, onset, offset, round(thing.midi), number)
        previous = step.note
        previous_onset = onset
    chosen = _counting_pass(passes, piece)
    notes = []
    for i in range(len(piece.notes)):
        which = chosen[i]
        here = None if which is None else passes[which].notes.get(i)
        notes.append(FollowedNote(i, "omitted") if here is None else here)
    earlier = tuple(note for k, one in enumerate(passes) for i, note in one.notes.items() if chosen[i] != k)
    return Followed(
        notes=tuple(notes),
        earlier=earlier,
        extra=tuple(extra),
        breaks=tuple(breaks),
        tuning_cents=tuning_cents,
        start_sec=min((t for t, _ in times), default=0.0),
        end_sec=max((t for _, t in times), default=0.0),
        usable=bool(walk.steps),
        warnings=() if walk.steps else ("Nothing of this piece is heard in the take.",),
    )


def _sounded(walk: Walk, k: int, score: Score, time_sec: NDArray[np.float64], piece: Piece) -> Sounded:
    step = walk.steps[k]
    course = score.course
    first = course.first_pitch_column
    plain = step.status == PLAYED and step.kind == NOTE
    midi = piece.notes[step.note].sounding_midi if plain else step.heard_column - first + LOWEST_MIDI
    return Sounded(
        onset_sec=float(time_sec[step.start]),
        slot_end_sec=float(time_sec[step.end]),
        midi=float(midi),
        slurred=step.kind == NOTE and bool(course.slurred[step.note]) and step.entered == NEXT,
        single=not plain or bool(course.column[step.note] >= first),
    )


def _counting_pass(passes: list[_Pass], piece: Piece) -> list[int | None]:
    """Which pass counts for each note: the last one that goes over it and on to the end of its bar.

    Where no pass reaches the end of the bar, the last one that goes over the note counts; where none goes over it,
    None.
    """
    bar_end: dict[int, int] = {}
    for i, note in enumerate(piece.notes):
        bar_end[note.bar_index] = i
    out: list[int | None] = []
    for i, note in enumerate(piece.notes):
        over = [k for k, one in enumerate(passes) if one.first <= i <= one.last]
        whole = [k for k in over if passes[k].last >= bar_end[note.bar_index]]
        out.append(whole[-1] if whole else over[-1] if over else None)
    return out


def _hesitated(
    before: int, after: int, length_sec: float, piece: Piece, score: Score, quarter_sec: NDArray[np.float64]
) -> bool:
    """Whether the time from note ``before`` to note ``after`` runs far past the pulse."""
    between = range(before, after)
    course = score.course
    if any(piece.notes[i].fermata for i in between):
        return False
    expected = float(sum(course.quarters[i] * quarter_sec[i] for i in between))
    allowed = HESITATION_SEC + float(sum(course.fixed_sec[i] for i in between))
    allowed += sum(BREATH_SEC for i in between if piece.notes[i].breath_after)
    return length_sec - expected > allowed and length_sec > HESITATION_RATIO * expected

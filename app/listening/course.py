"""The piece as the search needs it: evidence columns, expected lengths, likely places to begin again."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.piece import Piece, PieceNote
from app.listening.salience import HIGHEST_MIDI, LOWEST_MIDI, PITCHES
from app.listening.walk import Course

GRACE_SEC = 0.09  # how long a grace note mostly lasts, whatever the tempo (our choice, between 50 and 150 ms)
_GRACE_SPREAD = 0.6  # standard deviation of the log of its length
_FREE_SPREAD = 0.5  # fermatas, and notes after which a breath is printed
_FAINT = 7.0  # nats: a note that hardly sounds is rather left out (our choice) ...
_FAINT_GRACE = 1.0  # ... but a grace note may drown between its neighbours

SAME, ANY_OF, UNPITCHED = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Column:
    """One column of evidence: the semitones that may sound, or none for an unpitched note.

    ``mistaken`` are semitones that an ornament may be played with although others are written.
    """

    kind: int  # SAME: one semitone; ANY_OF: the best of several; UNPITCHED: any sound
    midi: tuple[int, ...]
    mistaken: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Score:
    """``course`` and the special columns it points to; ``quarter_sec`` [N] is the printed tempo at each note."""

    course: Course
    special: tuple[Column, ...]  # columns 0 .. len - 1; semitone columns follow
    quarter_sec: NDArray[np.float64]


def may_sound(note: PieceNote) -> tuple[int, ...]:
    """Sounding MIDI pitches that may be heard while the note lasts."""
    if note.chord_sounding_midi:
        return note.chord_sounding_midi
    if note.ornament is not None:
        return (note.sounding_midi, *note.ornament.sounding_midi)
    return (note.sounding_midi,)


def may_be_mistaken(note: PieceNote) -> tuple[int, ...]:
    """Sounding MIDI pitches of an ornament's other second: a half step in place of a whole one, or the other way.

    A sign above an ornament is easily overlooked, by players and by whoever typed the page; the ornament stands where
    it stands all the same.
    """
    if note.ornament is None or note.chord_sounding_midi:
        return ()
    written = may_sound(note)
    seconds = (other_second(midi - note.sounding_midi) for midi in note.ornament.sounding_midi)
    return tuple(m for step in seconds if step is not None and (m := note.sounding_midi + step) not in written)


def other_second(semitones: int) -> int | None:
    """A minor second for a major one and the other way, up or down; None for any other interval."""
    return {1: 2, 2: 1, -1: -2, -2: -1}.get(semitones)


def score_of(piece: Piece, *, shift_semitones: int, spread: float, quarter_sec: float | None = None) -> Score:
    """The piece for the search, all pitches moved by ``shift_semitones``.

    ``spread`` is the standard deviation of the log of a slot's length against the pulse; ``quarter_sec`` replaces
    the printed tempo.
    """
    notes = piece.notes
    special: dict[Column, int] = {}
    wanted: list[Column] = []
    for note in notes:
        pitches = tuple(_fold(p + shift_semitones) for p in may_sound(note))
        kind = UNPITCHED if note.unpitched else (SAME if len(set(pitches)) == 1 else ANY_OF)
        mistaken = tuple(_fold(p + shift_semitones) for p in may_be_mistaken(note)) if kind == ANY_OF else ()
        column = Column(kind, () if note.unpitched else pitches[:1] if kind == SAME else pitches, mistaken)
        wanted.append(column)
        if kind != SAME:
            special.setdefault(column, len(special))
    first = len(special)
    columns = [special[c] if c.kind != SAME else first + c.midi[0] - LOWEST_MIDI for c in wanted]
    onsets = np.array([n.onset_quarters for n in notes])
    grace = np.array([n.grace for n in notes], dtype=bool)
    end = max(piece.length_quarters, float(onsets[-1] + notes[-1].length_quarters))
    quarters = np.zeros(len(notes))
    taken = np.zeros(len(notes))
    for i in range(len(notes)):
        if grace[i]:
            continue
        following = i + 1
        while following < len(notes) and grace[following]:
            following += 1
        quarters[i] = (onsets[following] if following < len(notes) else end) - onsets[i]
        taken[i] = GRACE_SEC * (following - i - 1)
    quarters = np.where(~grace & (quarters <= 0), 1e-3, quarters)
    widths = np.full(len(notes), spread)
    widths[grace] = _GRACE_SPREAD
    for i, note in enumerate(notes):
        if not grace[i] and (note.fermata or note.breath_after):
            widths[i] = max(spread, _FREE_SPREAD)
    course = Course(
        column=np.array(columns, dtype=np.int32),
        quarters=quarters,
        fixed_sec=np.where(grace, GRACE_SEC, 0.0),
        taken_sec=taken,
        spread=widths,
        slurred=np.array([n.slurred_from_previous for n in notes], dtype=bool),
        entry=_entries(notes, onsets, quarters),
        pitched=np.array([not n.unpitched for n in notes], dtype=bool),
        faint=np.where(grace, _FAINT_GRACE, _FAINT),
        first_pitch_column=first,
        pitch_columns=PITCHES,
    )
    return Score(course, tuple(special), _printed_quarter_sec(piece, onsets, quarter_sec))


def _fold(midi: int) -> int:
    """Into the range that is looked at, by octaves."""
    while midi < LOWEST_MIDI:
        midi += 12
    while midi > HIGHEST_MIDI:
        midi -= 12
    return midi


def _entries(
    notes: tuple[PieceNote, ...], onsets: NDArray[np.float64], quarters: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Where a player would begin again: the first note of a bar, the note after a rest or a breath."""
    out = np.zeros(len(notes), dtype=bool)
    bar = None
    for i, note in enumerate(notes):
        rested = i > 0 and onsets[i] - (onsets[i - 1] + notes[i - 1].length_quarters) > 0.2 and not notes[i - 1].grace
        out[i] = note.bar_index != bar or rested or (i > 0 and notes[i - 1].breath_after)
        bar = note.bar_index
    out[0] = True
    return out


def _printed_quarter_sec(piece: Piece, onsets: NDArray[np.float64], quarter_sec: float | None) -> NDArray[np.float64]:
    """Seconds per quarter at each note by the metronome marks, or by one tempo in the proportions of the marks."""
    marks = sorted(piece.tempo_marks, key=lambda m: m.onset_quarters)
    places = np.array([m.onset_quarters for m in marks])
    seconds = np.array([m.quarter_sec for m in marks])
    which = np.clip(np.searchsorted(places, onsets + 1e-6, side="right") - 1, 0, len(marks) - 1)
    out = seconds[which]
    return out if quarter_sec is None else out * (quarter_sec / seconds[0])

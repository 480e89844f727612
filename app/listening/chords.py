"""Chord figures: consecutive notes that spell a triad or a seventh chord, read against just and equal intervals.

A figure is found in the written spelling: stacked thirds over a root. Just readings are taken over the root as it was
played (when its pitch is known), so a figure that is in tune with itself reads 0 whatever the take's reference.
"""

import re
from typing import Any

import numpy as np

from app.listening.heard import Heard

LONGEST_FIGURE_NOTES = 12  # our choice
LETTERS = "CDEFGAB"
SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
CHORDS = {  # semitones over the root by third, fifth and seventh
    (4, 7): "major",
    (3, 7): "minor",
    (3, 6): "diminished",
    (4, 8): "augmented",
    (4, 7, 10): "dominant seventh",
    (4, 7, 11): "major seventh",
    (3, 7, 10): "minor seventh",
    (3, 6, 10): "half-diminished seventh",
    (3, 6, 9): "diminished seventh",
}
# Just offsets of chord members that the table of scale degrees does not mean (our choice): the diminished fifth as two
# just minor thirds (36/25), the augmented fifth as two just major thirds (25/16), the diminished seventh as three minor
# thirds stacked (216/125).
CHORD_MEMBER_OFFSET_CENTS = {("third", 6): 31.28, ("third", 8): -27.37, ("seventh", 9): 46.92}
_NAME = re.compile(r"^([A-G])([#b]*)(-?\d+)?$")


def pitch_class_of(name: str) -> int:
    """Semitones above C of a written name with or without octave ("Bb4" or "F#"); 0 to 11."""
    letter, alter = split_name(name)
    return (SEMITONES[letter] + alter) % 12


def split_name(name: str) -> tuple[str, int]:
    """Letter and alteration (sharps positive) of a written name such as "Bb4"."""
    found = _NAME.match(name)
    if found is None:
        raise ValueError(f"{name!r} is not a written pitch")
    return found[1], found[2].count("#") - found[2].count("b")


def chord_of(names: list[str]) -> tuple[str, str] | None:
    """Root and quality of the triad or seventh chord that ``names`` spell in full; None when they spell none."""
    classes = sorted({split_name(name) for name in names})
    if not 3 <= len(classes) <= 4:
        return None
    for root in classes:
        steps: dict[int, int] = {}
        for letter, alter in classes:
            third = (LETTERS.index(letter) - LETTERS.index(root[0])) % 7
            steps[third] = (SEMITONES[letter] + alter - SEMITONES[root[0]] - root[1]) % 12
        wanted = (0, 2, 4) if len(classes) == 3 else (0, 2, 4, 6)
        if tuple(sorted(steps)) != wanted:
            continue
        quality = CHORDS.get(tuple(steps[k] for k in wanted[1:]))
        if quality is not None:
            accidental = "#" * root[1] if root[1] > 0 else "b" * -root[1]
            return f"{root[0]}{accidental}", quality
    return None


def find_figures(names: list[str], may_join: list[bool]) -> list[tuple[int, int]]:
    """First and last (exclusive) place of each chord figure in ``names``; they don't overlap, longer ones win.

    ``may_join[i]``: note i may belong to a figure together with the one before it.
    """
    found: list[tuple[int, int, int]] = []
    for start in range(len(names)):
        best = None
        for end in range(start + 3, min(len(names), start + LONGEST_FIGURE_NOTES) + 1):
            if not all(may_join[start + 1 : end]) or len({split_name(n) for n in names[start:end]}) > 4:
                break
            if not (_skips(names[start], names[start + 1]) and _skips(names[end - 2], names[end - 1])):
                continue  # a repeated note or a step into or out of the figure is no part of it
            if chord_of(names[start:end]) is not None:
                best = end
        if best is not None:
            found.append((start, best, best - start))
    chosen: list[tuple[int, int]] = []
    for start, end, _ in sorted(found, key=lambda f: (-f[2], f[0])):
        if all(end <= a or start >= b for a, b in chosen):
            chosen.append((start, end))
    return sorted(chosen)


def _skips(first: str, second: str) -> bool:
    """Whether two written pitches lie a third or more apart on the staff."""
    places = [LETTERS.index(name[0]) + 7 * int(name.lstrip("ABCDEFG#b")) for name in (first, second)]
    return abs(places[0] - places[1]) >= 2


def chord_figures(heard: Heard) -> list[dict[str, Any]]:
    """The chord figures of a take with each note's cents from equal and from just intonation."""
    places = [
        i
        for i, note in enumerate(heard.piece.notes)
        if not note.grace and not note.unpitched and not note.chord_sounding_midi
    ]
    names = [heard.piece.notes[i].written_pitch for i in places]
    may_join = [k > 0 and not _rest_between(heard, places[k - 1], places[k]) for k in range(len(places))]
    out = []
    for a, b in find_figures(names, may_join):
        figure = _figure(heard, places[a:b])
        if figure is not None:
            out.append(figure)
    return out


def _rest_between(heard: Heard, before: int, after: int) -> bool:
    first, second = heard.piece.notes[before], heard.piece.notes[after]
    return second.onset_quarters - first.onset_quarters - first.length_quarters > 0.01


def _figure(heard: Heard, members: list[int]) -> dict[str, Any] | None:
    chord = chord_of([heard.piece.notes[i].written_pitch for i in members])
    if chord is None:
        return None
    root, quality = chord
    place = pitch_class_of(root)
    played = {i: heard.deviation_cents(i) if heard.followed.notes[i].status == "played" else None for i in members}
    roots = [v for i, v in played.items() if v is not None and (heard.piece.notes[i].written_midi - place) % 12 == 0]
    known = [v for v in played.values() if v is not None]
    if len(known) < 2:
        return None
    over = float(np.mean(roots)) if roots else None
    notes = []
    for i in members:
        semitones = (heard.piece.notes[i].written_midi - place) % 12
        equal = played[i]
        just = None
        if equal is not None and over is not None:
            just = equal - over - _just_offset(heard, semitones, quality)
        notes.append(
            {
                "note_id": heard.piece.notes[i].note_id,
                "written_pitch": heard.piece.notes[i].written_pitch,
                "degree": {0: 1, 1: 2, 2: 2, 3: 3, 4: 3, 6: 5, 7: 5, 8: 5}.get(semitones, 7),
                "equal_cents": equal,
                "just_cents": just,
                "uncertainty_cents": heard.pitches[i].uncertainty_cents,
            }
        )
    return {
        "note_ids": [heard.piece.notes[i].note_id for i in members],
        "bar_first": heard.piece.notes[members[0]].bar,
        "bar_last": heard.piece.notes[members[-1]].bar,
        "name": f"{root} {quality}",
        "root_written": root,
        "quality": quality,
        "root_cents": over,
        "why_no_just": None if over is not None else "the root's pitch is not known",
        "notes": notes,
    }


def _just_offset(heard: Heard, semitones: int, quality: str) -> float:
    if quality == "augmented" and semitones == 8:
        return CHORD_MEMBER_OFFSET_CENTS[("third", 8)]
    if quality in ("diminished", "half-diminished seventh", "diminished seventh") and semitones == 6:
        return CHORD_MEMBER_OFFSET_CENTS[("third", 6)]
    if quality == "diminished seventh" and semitones == 9:
        return CHORD_MEMBER_OFFSET_CENTS[("seventh", 9)]
    return heard.settings.just_offset_cents(semitones)

"""One line out of several printed voices, or a sentence why there is none.

A take is followed along one line. A second voice is accepted where it only doubles the first, where both move together
(a double stop, followed as a chord) or where they take turns; two lines at once can't be followed.
"""

from collections.abc import Sequence
from dataclasses import replace

from app.domain.errors import BadNotation
from app.files.notation_notes import VoicedNote
from app.material.written import WrittenNote


def one_line(bars: Sequence[Sequence[VoicedNote]], numbers: Sequence[str]) -> tuple[tuple[WrittenNote, ...], ...]:
    """The notes of each bar as one line; ``numbers`` are the printed bar numbers for the sentence."""
    return tuple(_line(bar, number) for bar, number in zip(bars, numbers, strict=True))


def _line(bar: Sequence[VoicedNote], number: str) -> tuple[WrittenNote, ...]:
    voices: dict[tuple[int, str], list[VoicedNote]] = {}
    for one in sorted(bar, key=lambda voiced: voiced.place):
        voices.setdefault((one.staff, one.voice), []).append(one)
    if len(voices) < 2:
        return tuple(one.note for one in bar)
    names = sorted(voices, key=lambda name: (name[0], voices[name][0].place))
    line = list(voices[names[0]])
    for name in names[1:]:
        for voiced in voices[name]:
            line = _taken_in(line, voiced, number)
    return tuple(one.note for one in sorted(line, key=lambda v: (v.note.onset, v.note.grace is None, v.place)))


def _taken_in(line: list[VoicedNote], other: VoicedNote, number: str) -> list[VoicedNote]:
    note = other.note
    for i, one in enumerate(line):
        mine = one.note
        if (mine.onset, mine.length, mine.grace is None) == (note.onset, note.length, note.grace is None):
            if note.grace is not None and not set(note.pitches) <= set(mine.pitches):
                continue
            return [*line[:i], replace(one, note=_together(mine, note)), *line[i + 1 :]]
    for one in line:
        if one.note.onset < note.end and note.onset < one.note.end:
            where = "on two staves" if one.staff != other.staff else "in two voices"
            raise BadNotation(
                f"Bar {number} has two lines sounding at once, written {where}; a take is followed along one line, "
                "so take the other line out in the music program and export the part again.",
                bar=number,
            )
    return [*line, other]


def _together(one: WrittenNote, other: WrittenNote) -> WrittenNote:
    heads = dict(zip(one.pitches, one.head_ids, strict=True))
    doubled: list[str] = []
    for head, name in zip(other.pitches, other.head_ids, strict=True):
        if head in heads:
            doubled.append(name)
        else:
            heads[head] = name
    pitches = tuple(sorted(heads, key=lambda head: head.midi))
    return replace(
        one,
        pitches=pitches,
        head_ids=(*(heads[head] for head in pitches), *doubled),
        tie_from=one.tie_from and other.tie_from,
        tie_to=one.tie_to or other.tie_to,
        fermata=one.fermata or other.fermata,
        breath_after=one.breath_after or other.breath_after,
        ornament=one.ornament or other.ornament,
        slurs_begun=(*one.slurs_begun, *other.slurs_begun),
        slurs_ended=(*one.slurs_ended, *other.slurs_ended),
    )

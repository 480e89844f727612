"""How written notes are set: shown lengths, beams, tuplet brackets, printed accidentals. Common practice throughout."""

from collections.abc import Sequence
from fractions import Fraction

from app.material.laying_out import base_and_dots
from app.material.pitch_names import Pitch, key_alter
from app.material.written import WrittenBar, WrittenNote, felt_beat


class PrintedAccidentals:
    """Which accidentals stand in force inside one bar, by staff step."""

    def __init__(self, fifths: int) -> None:
        self._fifths = fifths
        self._in_force: dict[int, int] = {}

    def printed(self, one: Pitch, *, tied: bool) -> int | None:
        """The alteration to print before a head, None where key and bar say it already."""
        before = self._in_force.get(one.diatonic, key_alter(one.step, self._fifths))
        if tied:
            return None  # a tie over the barline carries its accidental with it, for this note only
        self._in_force[one.diatonic] = one.alter
        return None if before == one.alter else one.alter


def printed_length(note: WrittenNote) -> Fraction | None:
    """The plain length a head shows, its tuplet's ratio undone; None for a whole-bar rest no head shows."""
    if note.printed_length is not None:
        return note.printed_length
    if note.grace:
        return Fraction(1, 2)
    length = note.length if note.tuplet is None else note.length * note.tuplet[0] / note.tuplet[1]
    return None if note.is_rest and base_and_dots(length) is None else length


def _flags(note: WrittenNote) -> int:
    """How many beams a note can join: 1 for an eighth, 2 for a sixteenth."""
    printed = printed_length(note)
    if printed is None:
        return 0
    shown = base_and_dots(printed)
    return 0 if shown is None else max(0, (Fraction(1) / shown[0]).numerator.bit_length() - 1)


def beams(bar: WrittenBar) -> dict[int, list[str]]:
    """MusicXML's beam words per note index and level: short neighbours inside one felt beat are joined."""
    out: dict[int, list[str]] = {}
    beat = felt_beat(bar.beats, bar.beat_type)
    # In a pickup bar beats are counted from its end.
    offset = (-bar.length) % beat if bar.pickup else Fraction(0)
    group: list[int] = []

    def close() -> None:
        if len(group) > 1:
            flags = [_flags(bar.notes[i]) for i in group]
            for k, i in enumerate(group):
                out[i] = [_beam_word(flags, k, level) for level in range(1, flags[k] + 1)]
        group.clear()

    for wants_grace in (False, True):
        place: Fraction | None = None
        previous = -1
        for i, note in enumerate(bar.notes):
            if bool(note.grace) != wants_grace:
                if wants_grace:
                    close()
                continue
            if note.is_rest or _flags(note) == 0:
                close()
                place = None
                continue
            here = note.onset if wants_grace else Fraction((note.onset + offset) // beat)
            if here != place or (wants_grace and previous != i - 1):
                close()
            group.append(i)
            place, previous = here, i
        close()
    return out


def _beam_word(flags: Sequence[int], k: int, level: int) -> str:
    joins_before = k > 0 and flags[k - 1] >= level
    joins_after = k + 1 < len(flags) and flags[k + 1] >= level
    if joins_before and joins_after:
        return "continue"
    if joins_after:
        return "begin"
    if joins_before:
        return "end"
    return "backward hook" if k else "forward hook"


def tuplet_brackets(notes: Sequence[WrittenNote]) -> dict[int, str]:
    """ "start", "stop" or both per note index: a bracket closes once its notes fill a whole number of its unit."""
    out: dict[int, str] = {}
    members: list[int] = []
    filled = Fraction(0)
    for i, note in enumerate(notes):
        if note.grace:
            continue
        if note.tuplet is None or (members and notes[members[0]].tuplet != note.tuplet):
            members, filled = [], Fraction(0)
            if note.tuplet is None:
                continue
        members.append(i)
        filled += note.length
        shortest = min(notes[m].length for m in members)
        odd = filled.denominator
        if odd & (odd - 1) == 0 and filled >= note.tuplet[0] * shortest:
            out[members[0]] = "start"
            out[members[-1]] = "stop" if len(members) > 1 else "start stop"
            members, filled = [], Fraction(0)
    return out

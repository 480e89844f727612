"""Words of the trade for notes, places on the staff, bars, lengths and amounts, as a fourteen-year-old reads them."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from app.domain.engraving import Engraving
from app.domain.piece import Piece, PieceNote, TempoMark
from app.material.instruments import INSTRUMENTS
from app.material.pitch_names import Pitch, pitch, spelled

# The written pitch on the bottom line of each clef's staff, as steps above C0 (E4 is 30).
_BOTTOM_LINE = {"treble": 30, "alto": 24, "tenor": 22, "bass": 18, "percussion": 30}
_LINES = ("bottom line", "second line", "middle line", "fourth line", "top line")
_SPACES = ("bottom space", "second space", "third space", "top space")
_VALUES = {
    "american": {
        4.0: "whole note",
        2.0: "half note",
        1.0: "quarter",
        0.5: "eighth",
        0.25: "sixteenth",
        0.125: "thirty-second",
    },
    "british": {
        4.0: "semibreve",
        2.0: "minim",
        1.0: "crotchet",
        0.5: "quaver",
        0.25: "semiquaver",
        0.125: "demisemiquaver",
    },
}
_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def pitch_text(written: str) -> str:
    """A written pitch without its octave: "B♭"."""
    return (
        written.rstrip("-0123456789")
        .replace("bb", "𝄫")
        .replace("b", "♭")
        .replace("##", "𝄪")
        .replace("#", "♯")
        .replace("𝄫", "♭♭")
        .replace("𝄪", "♯♯")
    )


def spoken_class(name: str) -> str:
    """A pitch class as it is said: "B-flat"."""
    letter, rest = name[:1], name[1:]
    return letter + {"": "", "b": "-flat", "#": "-sharp", "bb": "-double-flat", "##": "-double-sharp"}.get(rest, rest)


@dataclass(frozen=True, slots=True)
class Style:
    """How things are called for this audition and this page."""

    note_names: str = "american"  # or "british"
    page_bottom_line: int | None = None  # steps above C0 of the page's bottom line; None: by the instrument's clef

    def bottom_line(self, piece: Piece) -> int:
        """The pitch on the bottom line of the page, as steps above C0."""
        return clef_bottom_line(piece.instrument) if self.page_bottom_line is None else self.page_bottom_line


AMERICAN = Style()


def clef_bottom_line(instrument: str) -> int:
    """The written pitch on the bottom line of an instrument's usual clef, as steps above C0."""
    played = INSTRUMENTS.get(instrument)
    return _BOTTOM_LINE[played.clef if played else "treble"]


def page_bottom_line(piece: Piece, engraving: Engraving) -> int | None:
    """The written pitch on the bottom line of an engraved page, read from where its notes stand; None without notes.

    Where the clef changes, the one most notes are written in.
    """
    heads = {n.engraved_id: (4.0 - n.y) * 2.0 for system in engraving.systems for n in system.notes}
    found: Counter[int] = Counter()
    for note in piece.notes:
        if note.engraved_ids and note.engraved_ids[0] in heads and not note.unpitched:
            found[pitch(note.written_pitch).diatonic - round(heads[note.engraved_ids[0]])] += 1
    return found.most_common(1)[0][0] if found else None


def on_the_staff(written: str, bottom_line: int) -> str:
    """Where the reader sees a written pitch: "on the middle line", "on the second ledger line above the staff"."""
    step = pitch(written).diatonic - bottom_line
    if 0 <= step <= 8:
        return f"on the {_LINES[step // 2]}" if step % 2 == 0 else f"in the {_SPACES[step // 2]}"
    if step == 9:
        return "just above the staff"
    if step == -1:
        return "just below the staff"
    away = step - 8 if step > 0 else -step
    side = "above" if step > 0 else "below"
    if away > 9:
        return f"far {side} the staff"
    ledger = ("first", "second", "third", "fourth")[(away // 2) - 1]
    if away % 2 == 0:
        return f"on the {ledger} ledger line {side} the staff"
    return f"just {'over' if step > 0 else 'under'} the {ledger} ledger line {side} the staff"


def note_text(written: str, bottom_line: int) -> str:
    """A note as it is found on the page: "B♭ on the middle line"."""
    return f"{pitch_text(written)} {on_the_staff(written, bottom_line)}"


def heard_text(heard_sounding_midi: int, piece: Piece, bar_fifths: int) -> str:
    """The written name of a pitch that was heard."""
    return (
        spelled(heard_sounding_midi - piece.transposition_semitones, bar_fifths)
        .pitch_class.replace("b", "♭")
        .replace("#", "♯")
    )


def sounding_class(written_class: str, piece: Piece) -> str:
    """What the instrument's written pitch class sounds as in concert pitch, spelled near it."""
    written = pitch(written_class + "4")
    steps = {-2: -1, -3: -2, 3: 2, -5: -3, -7: -4, -9: -5, -14: -8, -21: -12, 12: 7, -12: -7, 0: 0}.get(
        piece.transposition_semitones
    )
    if steps is None:
        return spelled(written.midi + piece.transposition_semitones, 0).pitch_class
    diatonic = written.diatonic + steps
    plain = Pitch(diatonic // 7, "CDEFGAB"[diatonic % 7])
    alter = written.midi + piece.transposition_semitones - plain.midi
    if abs(alter) > 1:
        return spelled(written.midi + piece.transposition_semitones, 0).pitch_class
    return Pitch(plain.octave, plain.step, alter).pitch_class


def class_semitone(name: str) -> int:
    """Semitones of a pitch class above C, 0 to 11."""
    return pitch(name + "4").midi % 12


def bars_text(bars: Iterable[str]) -> str:
    """ "bar 3", "bars 3, 7 and 12"; each bar once, in the order given."""
    seen = list(dict.fromkeys(b for b in bars if b))
    if not seen:
        return ""
    return f"bar {seen[0]}" if len(seen) == 1 else f"bars {and_list(seen)}"


def span_text(first: str, last: str) -> str:
    """ "bar 3" or "bars 3 to 5"."""
    return f"bar {first}" if first == last else f"bars {first} to {last}"


def and_list(words: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def amount(value: float, unit: str) -> str:
    """A whole figure with its unit: "1 cent", "12 cents", "8 ms"."""
    figure = f"{abs(value):.0f}"
    return f"{figure} {unit[:-1] if figure == '1' and unit.endswith('s') and unit != 'ms' else unit}"


def places_text(bars: Sequence[str], most: int = 5) -> str:
    """Bars for a sentence: "bar 3", "bars 3 and 7", and beyond ``most`` "bars 1, 3, 6, 7, 10 and two more"."""
    unique = list(dict.fromkeys(b for b in bars if b))
    if len(unique) <= most:
        return bars_text(unique)
    return f"bars {', '.join(unique[:most])} and {count_text(len(unique) - most)} more"


def range_text(values: Sequence[float]) -> str:
    """ "87 to 90", or "89" when both ends read the same."""
    low, high = f"{min(values):.0f}", f"{max(values):.0f}"
    return low if low == high else f"{low} to {high}"


def count_text(number: int) -> str:
    """Small numbers as words."""
    return _COUNTS[number] if 0 <= number < len(_COUNTS) else str(number)


def value_name(quarters: float, note_names: str) -> str:
    """A note value's name: 1.5 is "dotted quarter"."""
    names = _VALUES["british" if note_names == "british" else "american"]
    if quarters in names:
        return names[quarters]
    plain = quarters / 1.5
    if plain in names:
        return f"dotted {names[plain]}"
    return f"{quarters:g} quarters"


def tempo_text(mark: TempoMark, note_names: str) -> str:
    """A metronome mark in words: "dotted quarter = 52"."""
    return f"{value_name(mark.beat_unit_quarters, note_names)} = {mark.beats_per_minute:g}"


def part_of_beat(lost_quarters: float, note_names: str) -> str:
    """A length that was lost, to the nearest plain value: "about an eighth", "less than a sixteenth"."""
    for value in (4.0, 2.0, 1.0, 0.5, 0.25):
        if lost_quarters >= 0.75 * value:
            more = "about" if lost_quarters <= 1.4 * value else "more than"
            name = value_name(value, note_names)
            return f"{more} {'an' if name[0] in 'aeiou' else 'a'} {name}"
    return f"less than a {value_name(0.25, note_names)}"


def clock_text(sec: float) -> str:
    """A moment of a take as a player shows it: "1:05"."""
    whole = int(sec)
    return f"{whole // 60}:{whole % 60:02d}"


def signed(value: float, digits: int = 0) -> str:
    """A figure with its sign and a true minus."""
    text = f"{abs(value):.{digits}f}"
    if float(text) == 0:
        return text
    return ("+" if value > 0 else "−") + text


def sharp_or_flat(cents: float) -> str:
    """ "14 cents sharp"."""
    return f"{amount(cents, 'cents')} {'sharp' if cents > 0 else 'flat'}"


def early_or_late(milliseconds: float) -> str:
    """ "60 ms late"."""
    return f"{abs(milliseconds):.0f} ms {'late' if milliseconds > 0 else 'early'}"


def is_unpitched(piece: Piece) -> bool:
    """Whether the whole piece is unpitched percussion: rhythm and level are judged, nothing else."""
    return bool(piece.notes) and all(n.unpitched for n in piece.notes)


def begin_a_note(instrument: str) -> str:
    """What a player does to begin a note: "tongue", "bow", "strike"."""
    played = INSTRUMENTS.get(instrument)
    return {"strings": "bow", "percussion": "strike"}.get(played.family if played is not None else "", "tongue")


def named(note: PieceNote | None) -> str:
    """A note in the middle of a sentence: "the B♭", "the stroke" of unpitched percussion."""
    if note is None:
        return "a note"
    return "the stroke" if note.unpitched else f"the {pitch_text(note.written_pitch)}"


def notes_by_id(piece: Piece) -> dict[str, PieceNote]:
    """The piece's notes by their ids."""
    return {n.note_id: n for n in piece.notes}

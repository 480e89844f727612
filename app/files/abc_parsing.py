"""ABC text (standard 2.1) to bars: one tune, one line, with a sentence for everything that can't be read.

Why not a library: music21's ABC reader (10.5) drops grace notes, trills and dynamics and forgives what a typist must be
told; the tests compare both where it is strong. Two of the standard's choices are made here as printed music has them:
an accidental holds for its own octave until the barline, and it is carried over the barline by a tie.
"""

import re
from dataclasses import replace
from fractions import Fraction

from app.files import abc_fields
from app.files.abc_building import TuneBuilder
from app.files.abc_decorations import SHORTHANDS, sign_of
from app.files.abc_fields import FieldError
from app.files.abc_typed import Tune
from app.material.pitch_names import Pitch
from app.material.written import Direction

MOST_CHARACTERS = 60_000  # our choice: an étude of two pages has some 3,000
_FIELD = re.compile(r"^([A-Za-z+]):(?![|:])\s*(.*)$")
_INLINE = re.compile(r"\[([A-Za-z]):([^\]\n]*)\]")
_BARLINE = re.compile(r":*\[?\|+\]?:*|::+|\|\]|\[\|")
_ENDING = re.compile(r"\s*\[?(\d{1,2}(?:\s*[,-]\s*\d{1,2})*)(?=[^\d/]|$)")
_NOTE = re.compile(r"(\^\^|\^|__|_|=)?([A-Ga-g])([,']*)(\d*)(/+\d*|)")
_REST = re.compile(r"([zxZX])(\d*)(/+\d*|)")
_LENGTH = re.compile(r"(\d*)(/+\d*|)")
_TUPLET = re.compile(r"\((\d)(?::(\d*))?(?::(\d*))?")
_TUPLET_TIMES = {2: 3, 3: 2, 4: 3, 6: 2, 8: 3}


def parse(text: str) -> Tune:
    """Read ABC text. Never raises on what is typed: problems come back in words, with all bars that could be read."""
    return _Scanner(text).build.tune


class _Scanner:
    def __init__(self, text: str) -> None:
        self.build = TuneBuilder()
        self.voice: str | None = None
        self.in_head = True
        for number, line in enumerate(text[:MOST_CHARACTERS].splitlines(), start=1):
            self.build.line = number
            if not self.build.ended:
                self._line(line)
        self.build.finish()
        if len(text) > MOST_CHARACTERS:
            self.build.problem(f"The text is longer than {MOST_CHARACTERS} characters; only its beginning was read.")

    def _line(self, line: str) -> None:
        if line.lstrip().startswith("%"):
            return
        text = re.sub(r"(?<!\\)%.*$", "", line).rstrip().removesuffix("\\").rstrip()
        if not text.strip():
            return
        found = _FIELD.match(text.strip())
        if found:
            self._field(found[1], found[2].strip())
        else:
            self.in_head = False
            self._music(text)

    def _field(self, letter: str, value: str) -> None:
        try:
            if letter == "T":
                self.build.tune.title = self.build.tune.title or value
            elif letter == "C" and self.in_head:
                self.build.tune.composer = self.build.tune.composer or value
            elif letter == "X" and (self.build.tune.bars or self.build.bar):
                self.build.problem("A second tune begins here (X:); type one piece at a time.")
                self.build.ended = True
            elif letter == "M":
                self.build.metre = abc_fields.metre(value)
                if self.build.bar is not None and not self.build.bar.events:
                    self.build.bar.metre = self.build.metre
            elif letter == "L":
                self.build.unit = abc_fields.unit_length(value)
            elif letter == "Q":
                self.build.set_tempo(value)
            elif letter == "K":
                self.build.set_key(value)
            elif letter == "V":
                self._voice(value)
        except FieldError as error:
            self.build.problem(str(error))

    def _voice(self, value: str) -> None:
        name = value.split()[0] if value.split() else ""
        if self.voice is None or self.voice == name:
            self.voice = name
        elif self.build.tune.bars or self.build.bar is not None:
            self.build.problem(f"A second voice begins here (V:{name}); type one line only.")
            self.build.ended = True

    def _music(self, text: str) -> None:
        at = 0
        while at < len(text) and not self.build.ended:
            at = self._token(text, at)

    def _token(self, text: str, at: int) -> int:
        char = text[at]
        if char in " \t`$*y\\":
            return at + 1
        inline = _INLINE.match(text, at)
        if inline:
            self._field(inline[1], inline[2].strip())
            return inline.end()
        if char == '"':
            return self._quoted(text, at)
        if char in "!+":
            return self._decoration(text, at)
        if char == "[" and (ending := _ENDING.match(text, at)):
            return self._ending(ending)
        barline = _BARLINE.match(text, at)
        if barline and barline.group():
            self.build.barline(barline.group())
            ending = _ENDING.match(text, barline.end())
            return self._ending(ending) if ending else barline.end()
        if char == "{":
            self.build.grace = "acciaccatura" if text[at + 1 : at + 2] == "/" else "appoggiatura"
            return at + (2 if self.build.grace == "acciaccatura" else 1)
        if char == "}":
            if self.build.grace is None:
                self.build.problem("A “}” closes a grace note group that was not opened with “{”.")
            self.build.grace = None
            return at + 1
        if char == "(":
            return self._opened(text, at)
        if char == ")":
            self.build.close_slur()
            return at + 1
        if char == "[":
            return self._chord(text, at)
        if char in "<>":
            count = len(text[at:]) - len(text[at:].lstrip(char))
            self.build.break_rhythm(char, count)
            return at + count
        if char == "-":
            self.build.tie()
            return at + 1
        if char == "." and text[at + 1 : at + 2] == "|":
            return at + 1  # a dotted barline
        if char in SHORTHANDS:
            self.build.decorations.append(SHORTHANDS[char])
            return at + 1
        rest = _REST.match(text, at)
        if rest:
            self.build.rest(rest)
            return rest.end()
        note = _NOTE.match(text, at)
        if note:
            self.build.add([self.build.pitch(note)], self.build.length(note[4], note[5]))
            return note.end()
        self._unreadable(text, at)
        return at + 1

    def _unreadable(self, text: str, at: int) -> None:
        char = text[at]
        if char == "&":
            self.build.problem("Two voices in one bar (&) can't be followed; type one line only.")
            self.build.ended = True
        elif char in "^_=":
            self.build.problem(f"An accidental (“{char}”) stands before no note.")
        elif char.isdigit() or char == "/":
            self.build.problem(
                f"“{char}” stands where a note is expected; lengths come right behind their note, like C2."
            )
        elif char.isalpha():
            self.build.problem(
                f"“{char}” is not a note; notes are the letters A to G (a to g an octave higher), rests z."
            )
        else:
            self.build.problem(f"“{char}” can't be read here.")

    def _quoted(self, text: str, at: int) -> int:
        end = text.find('"', at + 1)
        if end < 0:
            self.build.problem('A text in quotes is not closed; end it with ".')
            return len(text)
        words = text[at + 1 : end]
        if words[:1] in ("^", "_", "<", ">", "@") and words[1:].strip():
            self.build.here().directions.append(Direction(self.build.onset(), "words", words[1:].strip()))
        return end + 1

    def _decoration(self, text: str, at: int) -> int:
        end = text.find(text[at], at + 1)
        name = text[at + 1 : end] if end > 0 else ""
        if end < 0 or (" " in name.strip() and sign_of(name) is None):
            self.build.problem(f"A sign between {text[at]} and {text[at]} is not closed, as in !trill!.")
            return at + 1
        self.build.decorate(name.strip())
        return end + 1

    def _ending(self, found: re.Match[str]) -> int:
        numbers: list[int] = []
        for first, last in re.findall(r"(\d+)(?:\s*-\s*(\d+))?", found[1]):
            numbers += range(int(first), int(last or first) + 1)
        self.build.ending = tuple(numbers)
        if self.build.bar is not None and not self.build.bar.events:
            self.build.bar.navigation = replace(self.build.bar.navigation, endings=self.build.ending)
        return found.end()

    def _opened(self, text: str, at: int) -> int:
        tuplet = _TUPLET.match(text, at)
        if tuplet is None:
            self.build.open_slur()
            return at + 1
        p = int(tuplet[1])
        q = int(tuplet[2]) if tuplet[2] else _TUPLET_TIMES.get(p, 3 if self._compound() else 2)
        notes = int(tuplet[3]) if tuplet[3] else p
        if p < 2 or q < 1 or notes < 1:
            self.build.problem(f"“{tuplet.group()}” is not a tuplet; write (3 before the three notes of a triplet.")
        elif self.build.tuplet is not None:
            self.build.problem(f"A tuplet begins before the one of {self.build.tuplet[0]} notes is full.")
        else:
            self.build.tuplet = (p, q, notes)
        return tuplet.end()

    def _compound(self) -> bool:
        return self.build.metre.beats % 3 == 0 and self.build.metre.beat_type >= 8

    def _chord(self, text: str, at: int) -> int:
        end = text.find("]", at)
        if end < 0:
            self.build.problem("A chord is not closed; end it with “]”.")
            return at + 1
        pitches: list[Pitch] = []
        inner: list[Fraction] = []
        tie = False
        place = at + 1
        while place < end:
            note = _NOTE.match(text, place)
            if note and note.end() <= end:
                pitches.append(self.build.pitch(note))
                inner.append(self.build.length(note[4], note[5]))
                place = note.end()
            elif text[place] == "-":
                tie, place = True, place + 1
            elif text[place] in " ()." or text[place] in SHORTHANDS:
                place += 1
            else:
                self.build.problem(f"“{text[place]}” can't be read inside a chord; write it like [CEG].")
                place += 1
        length = _LENGTH.match(text, end + 1)
        if length is None or not pitches:
            self.build.problem("A chord “[]” holds no note.")
            return end + 1
        factor = self.build.length(length[1], length[2]) / self.build.unit_length()
        self.build.add(sorted(set(pitches), key=lambda one: one.midi), max(inner) * factor)
        if tie:
            self.build.tie()
        return length.end()

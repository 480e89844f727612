"""Typed notes, signs and barlines put together into bars.

The scanner (:mod:`app.files.abc_parsing`) says what it reads; here is known what is still open: ties, slurs, tuplets,
broken rhythm, graces, accidentals up to the barline.
"""

import re
from dataclasses import replace
from fractions import Fraction

from app.files import abc_fields
from app.files.abc_decorations import (
    ARTICULATIONS,
    BREATHS,
    DYNAMICS,
    FERMATAS,
    HAIRPINS,
    IGNORED,
    ORNAMENTS,
    Sign,
    sign_of,
)
from app.files.abc_fields import Key, Metre
from app.files.abc_typed import Event, Problem, Tune, TypedBar
from app.material.pitch_names import Pitch
from app.material.written import Direction, GraceKind, Navigation, WrittenOrnament, WrittenTempo

MOST_BARS = 1_000  # our choice
_ALTERS = {"^^": 2, "^": 1, "=": 0, "_": -1, "__": -2}


class TuneBuilder:
    """One tune while it is read. Nothing raises but :class:`~app.files.abc_fields.FieldError` from fields."""

    def __init__(self) -> None:
        self.tune = Tune()
        self.line = 0  # being read, for problems
        self.metre = Metre()
        self.unit: Fraction | None = None
        self.key = Key()
        self.bar: TypedBar | None = None
        self.accidentals: dict[tuple[str, int], int] = {}
        self.tied: list[Pitch] = []
        self.tie_event: Event | None = None
        self.slur_count = 0
        self.open_slurs: list[tuple[int, int]] = []
        self.waiting_slurs: list[int] = []
        self.decorations: list[str] = []
        self.tuplet: tuple[int, int, int] | None = None  # p, q, notes still to come
        self.broken: Fraction | None = None
        self.grace: GraceKind | None = None
        self.ending: tuple[int, ...] = ()
        self.next_start = False
        self.pending_tempo: WrittenTempo | None = None
        self.pending_words = ""
        self.pending_clef = ""
        self.ended = False  # nothing more is read

    def problem(self, sentence: str) -> None:
        """Note something that can't be read, at the bar and line being read."""
        self.tune.problems.append(Problem(max(0, len(self.tune.bars) - 1), self.line, sentence))

    def set_key(self, value: str) -> None:
        """K: field, at once where a bar has not begun, else from the next."""
        self.key = abc_fields.key(value)
        self.pending_clef = self.key.clef or self.pending_clef
        if self.bar is not None and not self.bar.events:
            self.bar.key = self.key
            self.bar.clef = self.pending_clef or self.bar.clef
            self.pending_clef = ""

    def set_tempo(self, value: str) -> None:
        """Q: field: a mark at this place, or words where it gives no number."""
        tempo = abc_fields.tempo(value, self.unit_length())
        if tempo.beat_unit is None:
            if self.bar is None:
                self.pending_words = tempo.text
            else:
                self.bar.directions.append(Direction(self.onset(), "words", tempo.text))
            return
        mark = WrittenTempo(self.onset(), tempo.beat_unit, tempo.beats_per_minute, tempo.text)
        if self.bar is None:
            self.pending_tempo = mark
        else:
            self.bar.tempos.append(mark)

    def unit_length(self) -> Fraction:
        """The note length in force, in quarters."""
        return self.unit if self.unit is not None else abc_fields.default_unit(self.metre)

    def here(self) -> TypedBar:
        """The bar being read; begins one where none is open."""
        if self.bar is None:
            self.bar = TypedBar(self.metre, self.key, self.line, clef=self.pending_clef)
            self.pending_clef = ""
            if self.pending_tempo is not None:
                self.bar.tempos.append(replace(self.pending_tempo, onset=Fraction(0)))
                self.pending_tempo = None
            if self.pending_words:
                self.bar.directions.append(Direction(Fraction(0), "words", self.pending_words))
                self.pending_words = ""
            self.bar.navigation = Navigation(repeat_start=self.next_start, endings=self.ending)
            self.next_start = False
            self.tune.bars.append(self.bar)
            if len(self.tune.bars) > MOST_BARS:
                self.problem(f"There are more than {MOST_BARS} bars; only the first {MOST_BARS} were read.")
                self.ended = True
        return self.bar

    def onset(self) -> Fraction:
        """How far the bar being read is filled, in quarters."""
        return self.bar.length if self.bar is not None else Fraction(0)

    def barline(self, text: str) -> None:
        """A barline with its repeat dots ends the bar being read."""
        left, right = len(text) - len(text.lstrip(":")), len(text) - len(text.rstrip(":"))
        if set(text) == {":"}:
            left = right = max(1, len(text) // 2)
        last = self.bar or (self.tune.bars[-1] if self.tune.bars else None)
        if last is not None:
            if left:
                last.navigation = replace(last.navigation, repeat_end=left + 1)
            elif "||" in text or "|]" in text or "[|" in text:
                last.double = True
        closes_ending = left or right or "||" in text or "]" in text or "[|" in text
        if closes_ending:
            self.ending = ()
        if right:
            self.next_start = True
        if self.bar is not None:
            self._before_barline(self.bar)
            if self.grace is not None:
                self.problem("A grace note group is not closed before the barline; end it with “}”.")
                self.grace = None
            if self.broken is not None:
                self.problem("A broken rhythm sign (> or <) stands before a barline; it needs a note on both sides.")
                self.broken = None
            if self.tuplet is not None:
                self.problem(f"A tuplet ({self.tuplet[0]} lacks {self.tuplet[2]} of its notes before the barline.")
                self.tuplet = None
        self.bar = None
        self.accidentals = {}

    def _before_barline(self, bar: TypedBar) -> None:
        """Decorations that stand behind the bar's last note: breaths and hairpin ends belong to it."""
        event = self._last()
        for name in self.decorations:
            if name in BREATHS and event is not None:
                event.breath_after = True
            elif name in HAIRPINS:
                bar.directions.append(Direction(bar.length, "hairpin", "stop"))
            else:
                self.problem(f"The sign !{name}! stands before no note; write it right before its note.")
        self.decorations = []

    def finish(self) -> None:
        """The end of the text: whatever is still open is a problem."""
        if self.bar is not None:
            self._before_barline(self.bar)
        if self.grace is not None:
            self.problem("A grace note group is not closed; end it with “}”.")
        if self.broken is not None:
            self.problem("A broken rhythm sign (> or <) stands at the end; it needs a note on both sides.")
        if self.tuplet is not None:
            self.problem(f"A tuplet ({self.tuplet[0]} lacks {self.tuplet[2]} of its notes at the end.")
        for _, place in self.open_slurs:
            self.tune.problems.append(
                Problem(place, self.tune.bars[place].line, "A slur that begins here is never closed; end it with “)”.")
            )
        if self.tied:
            self.problem("A tie at the end leads to no note.")
        numbers = {number for number, _ in self.open_slurs}
        for typed in self.tune.bars:
            for event in typed.events:
                event.slurs_begun = [number for number in event.slurs_begun if number not in numbers]

    def pitch(self, found: re.Match[str]) -> Pitch:
        """The pitch of a matched note (accidental, letter, octave signs) in key and bar."""
        step = found[2].upper()
        octave = (5 if found[2].islower() else 4) + found[3].count("'") - found[3].count(",")
        if not 0 <= octave <= 9:
            self.problem(f"“{found.group()}” lies outside of what can be played.")
            octave = min(9, max(0, octave))
        if found[1]:
            self.accidentals[(step, octave)] = _ALTERS[found[1]]
            return Pitch(octave, step, _ALTERS[found[1]])
        for one in self.tied:
            if (one.step, one.octave) == (step, octave) and (step, octave) not in self.accidentals:
                return one  # a tie carries its accidental over the barline
        alter = self.accidentals.get((step, octave), self.key.alter(step))
        return Pitch(octave, step, alter)

    def length(self, times: str, over: str) -> Fraction:
        """A length in quarters from what stands behind a note ("3", "/2")."""
        length = self.unit_length() * int(times or 1)
        slashes = over.count("/")
        divisor = int(over.lstrip("/")) if over.lstrip("/") else 2**slashes
        if length == 0 or divisor == 0 or divisor & (divisor - 1) or len(times) > 3:
            self.problem(f"“{times}{over}” is not a length; write 2, 3, /2 or 3/2 behind the note.")
            return self.unit_length()
        return length / divisor

    def add(self, pitches: list[Pitch], length: Fraction) -> None:
        """A note, chord or rest (no pitch) of a length in quarters before tuplet and broken rhythm."""
        bar = self.here()
        event = Event(pitches, length, grace=self.grace)
        if self.grace is None:
            if self.tuplet is not None:
                p, q, left = self.tuplet
                event.length *= Fraction(q, p)
                event.tuplet = (p, q)
                self.tuplet = (p, q, left - 1) if left > 1 else None
            if self.broken is not None:
                event.length *= self.broken
                self.broken = None
            if self.tied:
                if event.pitches == self.tied:
                    event.tie_from = True
                else:
                    self.problem("A tie leads to a note of another pitch; use a slur ( ) for two different notes.")
                    if self.tie_event is not None:
                        self.tie_event.tie_to = False
                self.tied, self.tie_event = [], None
        if pitches:
            event.slurs_begun = list(self.waiting_slurs)
            place = max(0, len(self.tune.bars) - 1)
            self.open_slurs += [(number, place) for number in self.waiting_slurs]
            self.waiting_slurs = []
        if self.grace is None:
            bar.events.append(event)
            self._decorate(event, bar)
        elif pitches:
            bar.events.append(event)

    def rest(self, found: re.Match[str]) -> None:
        """A matched rest: of a length, or of whole bars."""
        if found[1] in "ZX":
            count = int(found[2] or 1)
            if not 1 <= count <= 200:
                self.problem(f"A rest of {count} bars is more than is read.")
                return
            for left in range(count, 0, -1):
                bar = self.here()
                if bar.events:
                    self.problem(f"A rest of whole bars (“{found.group()}”) must stand alone between barlines.")
                    return
                bar.events.append(Event([], bar.metre.length))
                if left > 1:
                    self.bar, self.accidentals = None, {}
            return
        self.add([], self.length(found[2], found[3]))

    def tie(self) -> None:
        """Tie the last note to the next."""
        event = self.bar.events[-1] if self.bar is not None and self.bar.events else None
        if event is None or not event.pitches or event.grace is not None:
            self.problem("A tie “-” must stand right behind its note.")
        else:
            event.tie_to = True
            self.tied, self.tie_event = list(event.pitches), event

    def break_rhythm(self, sign: str, count: int) -> None:
        """Lengthen the last note and shorten the next (">"), or the other way round ("<")."""
        event = self._last()
        part = Fraction(1, 2 ** min(count, 3))
        if event is None or self.bar is None or not self.bar.events or self.broken is not None or count > 3:
            self.problem("A broken rhythm sign (> or <) needs a note on both sides.")
            return
        first, second = (2 - part, part) if sign == ">" else (part, 2 - part)
        last = self.bar.events[-1] if self.bar.events[-1].grace is None else event
        last.length *= first
        self.broken = second

    def open_slur(self) -> None:
        """Begin a slur on the next note."""
        self.slur_count += 1
        self.waiting_slurs.append(self.slur_count)

    def close_slur(self) -> None:
        """End a slur on the last note."""
        event = self._last(graces=True)
        if self.waiting_slurs:
            self.waiting_slurs.pop()
            self.problem("A slur “()” holds no note.")
        elif not self.open_slurs or event is None:
            self.problem("A “)” closes a slur that was not opened with “(”.")
        else:
            # In (c d (e) f g) the first slur ends on the note where the second begins.
            reaching = [one for one in self.open_slurs if one[0] not in event.slurs_begun]
            closed = reaching[-1] if reaching else self.open_slurs[-1]
            self.open_slurs.remove(closed)
            if reaching:
                event.slurs_ended.append(closed[0])
            else:
                event.slurs_begun.remove(closed[0])  # a slur over one note says nothing

    def _last(self, *, graces: bool = False) -> Event | None:
        for bar in reversed(self.tune.bars[-2:]):
            for event in reversed(bar.events):
                if event.pitches and (graces or event.grace is None):
                    return event
        return None

    def decorate(self, name: str) -> None:
        """A sign between exclamation marks."""
        sign = sign_of(name)
        if name in HAIRPINS:
            # A hairpin ends behind the note its closing sign stands on.
            if HAIRPINS[name] == "stop":
                self.decorations.append(name)
            else:
                self.here().directions.append(Direction(self.onset(), "hairpin", HAIRPINS[name]))
        elif name in DYNAMICS:
            self.here().directions.append(Direction(self.onset(), "dynamic", name))
        elif sign is not None:
            self._sign(sign)
        elif name in ORNAMENTS or name in ARTICULATIONS or name in FERMATAS or name in BREATHS:
            self.decorations.append(name)
        elif name not in IGNORED:
            self.problem(f"The sign !{name}! is not known; it was left out.")

    def _sign(self, sign: Sign) -> None:
        bar = self.here()
        here = bar.navigation
        bar.navigation = replace(
            here,
            segno=here.segno or sign.segno,
            coda=here.coda or sign.coda,
            to_coda=here.to_coda or sign.to_coda,
            fine=here.fine or sign.fine,
            jump=sign.jump or here.jump,
        )

    def _decorate(self, event: Event, bar: TypedBar) -> None:
        for name in self.decorations:
            sign = sign_of(name)
            if sign is not None:
                self._sign(sign)
            elif name in HAIRPINS:
                bar.directions.append(Direction(bar.length, "hairpin", "stop"))
            elif name in ORNAMENTS:
                event.ornament = WrittenOrnament(ORNAMENTS[name])
            elif name in ARTICULATIONS:
                event.articulations.append(ARTICULATIONS[name])
            elif name in FERMATAS:
                event.fermata = True
            elif name in BREATHS:
                event.breath_after = True
        self.decorations = []

"""What stands around the notes of a MusicXML part, bar by bar: metre, key, clef, signs, directions, tempo.

The notes themselves are read by music21 (:mod:`app.files.notation_notes`). Read here is what that library leaves out or
keeps only loosely (tested against it): da capo, segno and their like, the place of hairpins, sound-only tempo, the
length a bar really holds. Positions are exact fractions of a quarter note from the start of the bar.
"""

import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass, field, replace
from fractions import Fraction

from app.domain.errors import BadNotation
from app.files.notation_parts import transposition_of
from app.material.written import Direction, Navigation, WrittenTempo, felt_beat

LONGEST_BAR = Fraction(64)  # our choice, in quarters: sixteen whole notes
SLOWEST_BPM, FASTEST_BPM = 5.0, 1000.0  # our choice: outside of it a tempo is a mistake of the file
MOST_DIVISIONS = 1_000_000  # our choice
_UNITS = {
    "breve": Fraction(8),
    "whole": Fraction(4),
    "half": Fraction(2),
    "quarter": Fraction(1),
    "eighth": Fraction(1, 2),
    "16th": Fraction(1, 4),
    "32nd": Fraction(1, 8),
    "64th": Fraction(1, 16),
}
_CLEFS = {"G2": "treble", "C3": "alto", "C4": "tenor", "F4": "bass"}
_DA_CAPO = re.compile(r"^\s*(d\.?\s?c\.?\b|da capo)", re.IGNORECASE)
_DAL_SEGNO = re.compile(r"^\s*(d\.?\s?s\.?\b|dal segno)", re.IGNORECASE)
_FINE = re.compile(r"^\s*fine\s*\.?\s*$", re.IGNORECASE)
_TO_CODA = re.compile(r"^\s*(to coda|al coda)\b", re.IGNORECASE)
_CODA = re.compile(r"^\s*coda\s*$", re.IGNORECASE)
_LOUDNESS_WORDS = re.compile(r"^\s*(cresc|dim|decresc)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class BarFacts:
    """One printed bar without its notes."""

    number: str
    length: Fraction
    beats: int
    beat_type: int
    fifths: int
    mode: str | None
    transposition_semitones: int
    clef: str
    implicit: bool
    directions: tuple[Direction, ...]
    tempos: tuple[WrittenTempo, ...]
    navigation: Navigation
    repeats_bars_before: bool = False  # a "same bar again" sign stands here instead of notes


@dataclass(slots=True)
class _State:
    """What carries over from bar to bar."""

    divisions: int = 1
    beats: int = 4
    beat_type: int = 4
    fifths: int = 0
    mode: str | None = None
    transposition: int = 0
    clef: str = ""
    quarter_bpm: float | None = None
    endings: tuple[int, ...] = ()
    free_metre: bool = False
    repeating: bool = False
    warnings: list[str] = field(default_factory=list)


@dataclass(slots=True)
class _Signs:
    """Navigation signs of one bar while they are gathered."""

    navigation: Navigation = field(default_factory=Navigation)
    coda_signs: int = 0
    ending_stops: bool = False

    def add(self, **changes: object) -> None:
        self.navigation = replace(self.navigation, **changes)  # type: ignore[arg-type]


def read_facts(part: ET.Element) -> tuple[tuple[BarFacts, ...], tuple[str, ...]]:
    """The bars of a part element (of a partwise score) and sentences about what was left aside."""
    state = _State()
    out = []
    for place, measure in enumerate(part.findall("measure")):
        out.append(_bar(measure, place, state))
    return tuple(_settle_codas(out)), tuple(dict.fromkeys(state.warnings))


def _bar(measure: ET.Element, place: int, state: _State) -> BarFacts:
    signs = _Signs()
    directions: list[Direction] = []
    tempos: list[WrittenTempo] = []
    at = longest = Fraction(0)
    note_start = Fraction(0)
    clef_here = ""
    later: list[ET.Element] = []
    for child in measure:
        if child.tag == "attributes":
            if at == 0:
                clef_here = _attributes(child, state) or clef_here
            else:
                later.append(child)
                _divisions(child, state)
        elif child.tag in ("note", "backup", "forward"):
            length = _duration(child, state, place)
            if child.tag == "backup":
                at = max(Fraction(0), at - length)
            elif child.tag == "forward":
                at += length
            elif child.find("grace") is None:
                if child.find("chord") is None:
                    note_start = at
                    at += length
            else:
                note_start = at
            longest = max(longest, at)
            for mark in child.findall("notations/dynamics"):
                directions += [Direction(note_start, "dynamic", one) for one in _dynamics(mark)]
        elif child.tag in ("direction", "sound"):
            onset = max(Fraction(0), at + _offset(child, state))
            _direction(child, onset, state, signs, directions, tempos)
        elif child.tag == "barline":
            _barline(child, state, signs)
    if longest > LONGEST_BAR:
        raise BadNotation(
            f"Bar {measure.get('number', place + 1)} holds {float(longest):g} quarter notes; check the file.",
            bar=measure.get("number"),
        )
    metre = Fraction(4 * state.beats, state.beat_type)
    length = longest if longest > 0 else metre
    beats, beat_type = state.beats, state.beat_type
    if state.free_metre:
        beats, beat_type = max(1, round(length)), 4
    facts = BarFacts(
        number=measure.get("number") or str(place + 1),
        length=length,
        beats=beats,
        beat_type=beat_type,
        fifths=state.fifths,
        mode=state.mode,
        transposition_semitones=state.transposition,
        clef=clef_here or (state.clef if place == 0 else ""),
        implicit=measure.get("implicit") == "yes",
        directions=tuple(directions),
        tempos=tuple(tempos),
        navigation=replace(signs.navigation, endings=state.endings),
        repeats_bars_before=state.repeating,
    )
    if signs.ending_stops:
        state.endings = ()
    for child in later:
        _attributes(child, state)
    return facts


def _attributes(element: ET.Element, state: _State) -> str:
    """Take a bar's attributes into the state; returns the clef printed here."""
    _divisions(element, state)
    for time in element.findall("time")[:1]:
        _time(time, state)
    for key in element.findall("key")[:1]:
        fifths = _whole(key.findtext("fifths"))
        if fifths is None:
            fifths = sum(_whole(one.text) or 0 for one in key.findall("key-alter"))
        state.fifths = max(-7, min(7, fifths))
        mode = (key.findtext("mode") or "").strip().casefold()
        state.mode = mode if mode in ("major", "minor") else None
    if element.find("transpose") is not None:
        state.transposition = transposition_of(element.find("transpose"))
    for style in element.findall("measure-style/measure-repeat"):
        state.repeating = style.get("type") == "start"
        if state.repeating:
            state.warnings.append(
                "The page has “same bar again” signs; such bars are taken as rests, so write them out."
            )
    for clef in element.findall("clef")[:1]:
        name = _CLEFS.get(f"{clef.findtext('sign', '').strip()}{clef.findtext('line', '').strip()}", "")
        if clef.findtext("sign", "").strip() == "percussion":
            name = "percussion"
        if name == "treble" and _whole(clef.findtext("clef-octave-change")) == -1:
            name = "treble-8"
        state.clef = name
        return name
    return ""


def _divisions(element: ET.Element, state: _State) -> None:
    text = element.findtext("divisions")
    if text is None:
        return
    divisions = _whole(text)
    if divisions is None or not 1 <= divisions <= MOST_DIVISIONS:
        raise BadNotation("The notation file gives no usable note lengths (divisions); export it again.")
    state.divisions = divisions


def _time(time: ET.Element, state: _State) -> None:
    state.free_metre = time.find("senza-misura") is not None
    if state.free_metre:
        return
    beats = [_whole(one) for text in time.findall("beats") for one in (text.text or "").split("+")]
    types = [_whole(one.text) for one in time.findall("beat-type")]
    known = [one for one in beats if one is not None and 1 <= one <= 64]
    kinds = {one for one in types if one in (1, 2, 4, 8, 16, 32, 64)}
    if not known or len(known) != len(beats) or not kinds:
        raise BadNotation("The notation file has a time signature that can't be read; check it in the music program.")
    state.beat_type = max(one for one in kinds if one is not None)
    state.beats = sum(known)
    if len(types) == len(beats) and len(kinds) > 1:
        state.beats = sum(
            count * state.beat_type // kind for count, kind in zip(known, types, strict=True) if kind is not None
        )


def _duration(element: ET.Element, state: _State, place: int) -> Fraction:
    if element.find("grace") is not None:
        return Fraction(0)
    text = element.findtext("duration")
    try:
        value = Fraction(text.strip()) if text else Fraction(0)
    except (ValueError, ZeroDivisionError):
        value = Fraction(-1)
    length = value / state.divisions
    if value < 0 or length > LONGEST_BAR:
        raise BadNotation(f"A note in bar {place + 1} has a length that can't be read; export the file again.")
    return length


def _offset(element: ET.Element, state: _State) -> Fraction:
    try:
        return Fraction((element.findtext("offset") or "0").strip()) / state.divisions
    except (ValueError, ZeroDivisionError):
        return Fraction(0)


def _whole(text: str | None) -> int | None:
    try:
        return int(float((text or "").strip()))
    except (ValueError, OverflowError):
        return None


def _dynamics(element: ET.Element) -> list[str]:
    out = []
    for one in element:
        name = (one.text or "").strip() if one.tag == "other-dynamics" else one.tag
        if name:
            out.append(name)
    return out


def _direction(
    element: ET.Element,
    onset: Fraction,
    state: _State,
    signs: _Signs,
    directions: list[Direction],
    tempos: list[WrittenTempo],
) -> None:
    words: list[str] = []
    tempo: WrittenTempo | None = None
    sound = element if element.tag == "sound" else element.find("sound")
    for kind in element.findall("direction-type"):
        for sign in kind:
            if sign.tag == "dynamics":
                directions += [Direction(onset, "dynamic", one) for one in _dynamics(sign)]
            elif sign.tag == "wedge":
                name = sign.get("type", "")
                if name in ("crescendo", "diminuendo", "stop"):
                    directions.append(Direction(onset, "hairpin", name))
            elif sign.tag == "words" and (sign.text or "").strip():
                words.append(" ".join((sign.text or "").split()))
            elif sign.tag == "metronome":
                tempo = _metronome(sign, onset, state) or tempo
            elif sign.tag == "segno":
                signs.add(segno=True)
            elif sign.tag == "coda":
                if sound is not None and sound.get("tocoda"):
                    signs.add(to_coda=True)
                else:
                    signs.add(coda=True)
    text = " ".join(words)
    sounds = _navigation_sounds(sound, signs)
    if text and not sounds:
        _navigation_words(text, signs)
    played = _number_of(sound.get("tempo")) if sound is not None else None
    if tempo is None and played is not None and SLOWEST_BPM <= played <= FASTEST_BPM:
        unit = felt_beat(state.beats, state.beat_type)
        tempo = WrittenTempo(onset, unit, played / float(unit), printed=False)
    if tempo is not None:
        tempos.append(replace(tempo, text=text))
        state.quarter_bpm = tempo.beats_per_minute * float(tempo.beat_unit)
    elif text and _LOUDNESS_WORDS.match(text):
        directions.append(Direction(onset, "words", text))


def _navigation_sounds(sound: ET.Element | None, signs: _Signs) -> bool:
    if sound is None:
        return False
    found = False
    for attribute, changes in (
        ("dacapo", {"jump": "dacapo"}),
        ("dalsegno", {"jump": "dalsegno"}),
        ("fine", {"fine": True}),
        ("tocoda", {"to_coda": True}),
        ("segno", {"segno": True}),
        ("coda", {"coda": True}),
    ):
        if sound.get(attribute) not in (None, "", "no"):
            signs.add(**changes)
            found = True
    return found


def _navigation_words(text: str, signs: _Signs) -> None:
    if _DA_CAPO.match(text):
        signs.add(jump="dacapo")
    elif _DAL_SEGNO.match(text):
        signs.add(jump="dalsegno")
    elif _FINE.match(text):
        signs.add(fine=True)
    elif _TO_CODA.match(text):
        signs.add(to_coda=True, coda=False)
    elif _CODA.match(text):
        signs.add(coda=True)


def _metronome(element: ET.Element, onset: Fraction, state: _State) -> WrittenTempo | None:
    units: list[Fraction] = []
    for child in element:
        if child.tag == "beat-unit":
            units.append(_UNITS.get((child.text or "").strip(), Fraction(0)))
        elif child.tag == "beat-unit-dot" and units:
            units[-1] = units[-1] * Fraction(3, 2)
    if not units or 0 in units:
        return None
    per_minute = _number_of(element.findtext("per-minute"))
    if per_minute is not None and SLOWEST_BPM <= per_minute <= FASTEST_BPM:
        return WrittenTempo(onset, units[0], per_minute)
    if len(units) == 2 and state.quarter_bpm is not None:
        # "eighth = eighth", "quarter = dotted quarter": the new unit goes as the old one went.
        return WrittenTempo(onset, units[1], state.quarter_bpm / float(units[0]))
    return None


def _number_of(text: str | None) -> float | None:
    """The number in "72", "ca. 72" or, for "72-80", the middle of both."""
    found = [float(one) for one in re.findall(r"\d{1,4}(?:\.\d{1,4})?", text or "")]
    if not found:
        return None
    return sum(found[:2]) / len(found[:2])


def _barline(element: ET.Element, state: _State, signs: _Signs) -> None:
    for ending in element.findall("ending"):
        if ending.get("type") == "start":
            state.endings = _ending_numbers(ending.get("number") or ending.text or "")
        else:
            signs.ending_stops = True
    for repeat in element.findall("repeat"):
        if repeat.get("direction") == "forward":
            signs.add(repeat_start=True)
        else:
            times = _whole(repeat.get("times")) or 2
            signs.add(repeat_end=max(2, min(16, times)))
    if element.find("segno") is not None:
        signs.add(segno=True)
    if element.find("coda") is not None:
        signs.add(coda=True)


def _ending_numbers(text: str) -> tuple[int, ...]:
    out: list[int] = []
    for first, last in re.findall(r"(\d{1,2})(?:\s*\.?\s*-\s*(\d{1,2}))?", text):
        out += range(int(first), min(int(last or first), int(first) + 15) + 1)
    return tuple(out) or (1,)


def _settle_codas(bars: list[BarFacts]) -> list[BarFacts]:
    """Of two bare coda signs without a To Coda the first is where one leaves, the second where one arrives."""
    codas = [i for i, bar in enumerate(bars) if bar.navigation.coda]
    if len(codas) < 2 or any(bar.navigation.to_coda for bar in bars):
        return bars
    first = codas[0]
    bars[first] = replace(bars[first], navigation=replace(bars[first].navigation, coda=False, to_coda=True))
    return bars

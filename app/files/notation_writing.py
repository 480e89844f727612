"""MusicXML from our own pages: generated pieces, MIDI files and typed bars, so that they can be engraved.

What is written is MusicXML 4.0 "partwise", one part, every note head with its id, with beams, tuplet brackets and
printed accidentals worked out here.
"""

import xml.etree.ElementTree as ET
from collections.abc import Iterable, Sequence
from fractions import Fraction
from math import lcm

from app.domain.piece import Piece
from app.material.instruments import Instrument, instrument
from app.material.laying_out import base_and_dots, lay_out
from app.material.pitch_names import Pitch
from app.material.setting import PrintedAccidentals, beams, printed_length, tuplet_brackets
from app.material.written import Direction, WrittenBar, WrittenNote, WrittenPart, WrittenTempo

_TYPES = {
    Fraction(8): "breve",
    Fraction(4): "whole",
    Fraction(2): "half",
    Fraction(1): "quarter",
    Fraction(1, 2): "eighth",
    Fraction(1, 4): "16th",
    Fraction(1, 8): "32nd",
    Fraction(1, 16): "64th",
    Fraction(1, 32): "128th",
}
_ACCIDENTALS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
_CLEFS = {
    "treble": ("G", 2, 0),
    "treble-8": ("G", 2, -1),
    "alto": ("C", 3, 0),
    "tenor": ("C", 4, 0),
    "bass": ("F", 4, 0),
    "percussion": ("percussion", 0, 0),
}
_ORNAMENTS = {
    "trill": "trill-mark",
    "mordent": "mordent",
    "inverted-mordent": "inverted-mordent",
    "turn": "turn",
    "inverted-turn": "inverted-turn",
}
_ARTICULATIONS = {
    "staccato": "staccato",
    "staccatissimo": "staccatissimo",
    "tenuto": "tenuto",
    "accent": "accent",
    "marcato": "strong-accent",
}
_HAIRPINS = {"crescendo": "crescendo", "diminuendo": "diminuendo", "stop": "stop"}
_MOST_SLUR_NUMBERS = 16  # MusicXML's own limit


def to_musicxml(piece: Piece) -> bytes:
    """The piece as MusicXML, passes written out; note ids are the ``engraved_ids`` of the piece's notes."""
    return part_to_musicxml(lay_out(piece), instrument(piece.instrument))


def part_to_musicxml(part: WrittenPart, player: Instrument) -> bytes:
    """A written part as MusicXML, UTF-8 with declaration. Heads get their ``head_ids``; rests get none."""
    root = ET.Element("score-partwise", version="4.0")
    if part.title:
        ET.SubElement(ET.SubElement(root, "work"), "work-title").text = part.title
    if part.composer:
        ET.SubElement(ET.SubElement(root, "identification"), "creator", type="composer").text = part.composer
    listed = ET.SubElement(ET.SubElement(root, "part-list"), "score-part", id="P1")
    ET.SubElement(listed, "part-name").text = player.name
    written = ET.SubElement(root, "part", id="P1")
    divisions = lcm(1, *(one.length.denominator for bar in part.bars for one in bar.notes))
    divisions = lcm(divisions, *(one.onset.denominator for bar in part.bars for one in bar.directions))
    slurs = _SlurNumbers()
    before: WrittenBar | None = None
    for i, bar in enumerate(part.bars):
        after = part.bars[i + 1] if i + 1 < len(part.bars) else None
        written.append(_measure(bar, before, after, divisions, player, slurs))
        before = bar
    ET.indent(root)
    body: bytes = ET.tostring(root, encoding="utf-8")
    return b'<?xml version="1.0" encoding="UTF-8"?>\n' + body


class _SlurNumbers:
    """MusicXML numbers slurs 1 to 16 while they are open; ours count through the part."""

    def __init__(self) -> None:
        self._open: dict[int, int] = {}

    def begin(self, slur: int) -> int:
        free = next((n for n in range(1, _MOST_SLUR_NUMBERS + 1) if n not in self._open.values()), 1)
        self._open[slur] = free
        return free

    def end(self, slur: int) -> int | None:
        return self._open.pop(slur, None)


def _sub(parent: ET.Element, tag: str, text: object = None, **attributes: str) -> ET.Element:
    child = ET.SubElement(parent, tag, attributes)
    if text is not None:
        child.text = str(text)
    return child


def _measure(
    bar: WrittenBar,
    before: WrittenBar | None,
    after: WrittenBar | None,
    divisions: int,
    player: Instrument,
    slurs: _SlurNumbers,
) -> ET.Element:
    out = ET.Element("measure", number=bar.number)
    if bar.pickup:
        out.set("implicit", "yes")
    _left_barline(out, bar, before)
    _attributes(out, bar, before, divisions, player)
    if bar.navigation.segno:
        _sub(_sub(_sub(out, "direction", placement="above"), "direction-type"), "segno")
    if bar.navigation.coda:
        _sub(_sub(_sub(out, "direction", placement="above"), "direction-type"), "coda")
    signs: list[Direction | WrittenTempo] = [*bar.tempos, *bar.directions]
    signs.sort(key=lambda sign: sign.onset)
    beam_words = beams(bar)
    brackets = tuplet_brackets(bar.notes)
    accidentals = PrintedAccidentals(bar.fifths)
    for i, note in enumerate(bar.notes):
        while signs and signs[0].onset <= note.onset:
            out.append(_direction(signs.pop(0)))
        for element in _note(note, i, divisions, beam_words, brackets, accidentals, slurs):
            out.append(element)
    for sign in signs:
        out.append(_direction(sign))
    _right_navigation(out, bar)
    _right_barline(out, bar, after)
    return out


def _attributes(
    out: ET.Element, bar: WrittenBar, before: WrittenBar | None, divisions: int, player: Instrument
) -> None:
    attributes = ET.Element("attributes")
    if before is None:
        _sub(attributes, "divisions", divisions)
    if before is None or bar.fifths != before.fifths or bar.mode != before.mode:
        key = _sub(attributes, "key")
        _sub(key, "fifths", bar.fifths)
        if bar.mode:
            _sub(key, "mode", bar.mode)
    if before is None or (bar.beats, bar.beat_type) != (before.beats, before.beat_type):
        time = _sub(attributes, "time")
        _sub(time, "beats", bar.beats)
        _sub(time, "beat-type", bar.beat_type)
    clef = bar.clef or (player.clef if before is None else "")
    if clef:
        sign, line, octave = _CLEFS[clef]
        element = _sub(attributes, "clef")
        _sub(element, "sign", sign)
        if line:
            _sub(element, "line", line)
        if octave:
            _sub(element, "clef-octave-change", octave)
    if before is None and bar.transposition_semitones:
        octaves = player.written_octaves if player.transposition_semitones == bar.transposition_semitones else 0
        chromatic = bar.transposition_semitones - 12 * octaves
        transpose = _sub(attributes, "transpose")
        _sub(transpose, "diatonic", round(chromatic * 7 / 12))
        _sub(transpose, "chromatic", chromatic)
        if octaves:
            _sub(transpose, "octave-change", octaves)
    if len(attributes):
        out.append(attributes)


def _left_barline(out: ET.Element, bar: WrittenBar, before: WrittenBar | None) -> None:
    here = bar.navigation
    begins = bool(here.endings) and (before is None or before.navigation.endings != here.endings)
    if not (here.repeat_start or begins):
        return
    barline = _sub(out, "barline", location="left")
    if here.repeat_start:
        _sub(barline, "bar-style", "heavy-light")
    if begins:
        _sub(barline, "ending", number=",".join(map(str, here.endings)), type="start")
    if here.repeat_start:
        _sub(barline, "repeat", direction="forward")


def _right_navigation(out: ET.Element, bar: WrittenBar) -> None:
    here = bar.navigation
    for present, words, sound in (
        (here.fine, "Fine", {"fine": "yes"}),
        (here.to_coda, "To Coda", {"tocoda": "coda"}),
        (here.jump == "dacapo", "D.C.", {"dacapo": "yes"}),
        (here.jump == "dalsegno", "D.S.", {"dalsegno": "segno"}),
    ):
        if present:
            direction = _sub(out, "direction", placement="above")
            _sub(_sub(direction, "direction-type"), "words", words)
            _sub(direction, "sound", **sound)


def _right_barline(out: ET.Element, bar: WrittenBar, after: WrittenBar | None) -> None:
    here = bar.navigation
    ends = bool(here.endings) and (after is None or after.navigation.endings != here.endings)
    if not (here.repeat_end or ends or after is None or bar.barline):
        return
    barline = _sub(out, "barline", location="right")
    if here.repeat_end or after is None:
        _sub(barline, "bar-style", "light-heavy")
    elif bar.barline:
        _sub(barline, "bar-style", "light-light")
    if ends:
        kind = "stop" if here.repeat_end else "discontinue"
        _sub(barline, "ending", number=",".join(map(str, here.endings)), type=kind)
    if here.repeat_end:
        repeat = _sub(barline, "repeat", direction="backward")
        if here.repeat_end > 2:
            repeat.set("times", str(here.repeat_end))


def _direction(one: Direction | WrittenTempo) -> ET.Element:
    if isinstance(one, WrittenTempo):
        tempo = f"{float(one.beats_per_minute * one.beat_unit):g}"
        if not (one.printed or one.text):
            return ET.Element("sound", tempo=tempo)
        out = ET.Element("direction", placement="above")
        if one.text:
            _sub(_sub(out, "direction-type"), "words", one.text)
        if one.printed:
            metronome = _sub(_sub(out, "direction-type"), "metronome")
            base, dots = _type_and_dots(one.beat_unit)
            _sub(metronome, "beat-unit", base)
            for _ in range(dots):
                _sub(metronome, "beat-unit-dot")
            _sub(metronome, "per-minute", f"{one.beats_per_minute:g}")
        _sub(out, "sound", tempo=tempo)
        return out
    out = ET.Element("direction", placement="below" if one.kind in ("dynamic", "hairpin") else "above")
    kind = _sub(out, "direction-type")
    if one.kind == "dynamic":
        _sub(_sub(kind, "dynamics"), one.value)
    elif one.kind == "hairpin":
        _sub(kind, "wedge", type=_HAIRPINS[one.value])
    else:
        _sub(kind, "words", one.value)
    return out


def _type_and_dots(length: Fraction) -> tuple[str, int]:
    """Note type and dots of a plain printed length in quarters."""
    shown = base_and_dots(length)
    if shown is None:
        raise ValueError(f"no note head shows {length} quarters")
    return _TYPES[shown[0]], shown[1]


def _note(
    note: WrittenNote,
    index: int,
    divisions: int,
    beam_words: dict[int, list[str]],
    brackets: dict[int, str],
    accidentals: PrintedAccidentals,
    slurs: _SlurNumbers,
) -> Iterable[ET.Element]:
    printed = printed_length(note)
    whole_bar_rest = note.is_rest and printed is None
    base, dots = _type_and_dots(printed) if printed is not None else ("", 0)
    heads: Sequence[Pitch | None] = note.pitches or (None,)
    for k, head in enumerate(heads):
        out = ET.Element("note")
        if head is not None and k < len(note.head_ids):
            out.set("id", note.head_ids[k])
        if note.grace:
            grace = _sub(out, "grace")
            if note.grace == "acciaccatura":
                grace.set("slash", "yes")
        if k:
            _sub(out, "chord")
        if head is None:
            rest = _sub(out, "rest")
            if whole_bar_rest:
                rest.set("measure", "yes")
        elif note.unpitched:
            unpitched = _sub(out, "unpitched")
            _sub(unpitched, "display-step", head.step)
            _sub(unpitched, "display-octave", head.octave)
        else:
            element = _sub(out, "pitch")
            _sub(element, "step", head.step)
            if head.alter:
                _sub(element, "alter", head.alter)
            _sub(element, "octave", head.octave)
        if not note.grace:
            _sub(out, "duration", int(note.length * divisions))
        for kind in _ties(note, head):
            _sub(out, "tie", type=kind)
        _sub(out, "voice", 1)
        if base:
            _sub(out, "type", base)
            for _ in range(dots):
                _sub(out, "dot")
        if head is not None and not note.unpitched:
            alter = accidentals.printed(head, tied=note.tie_from)
            if alter is not None:
                _sub(out, "accidental", _ACCIDENTALS[alter])
        if note.tuplet is not None:
            ratio = _sub(out, "time-modification")
            _sub(ratio, "actual-notes", note.tuplet[0])
            _sub(ratio, "normal-notes", note.tuplet[1])
        if k == 0:
            for level, beam in enumerate(beam_words.get(index, ()), start=1):
                if beam:
                    _sub(out, "beam", beam, number=str(level))
        notations = _notations(note, head, k == 0, brackets.get(index), slurs)
        if notations is not None:
            out.append(notations)
        yield out


def _ties(note: WrittenNote, head: Pitch | None) -> list[str]:
    if head is None:
        return []
    return (["stop"] if note.tie_from else []) + (["start"] if note.tie_to else [])


def _notations(
    note: WrittenNote, head: Pitch | None, first: bool, bracket: str | None, slurs: _SlurNumbers
) -> ET.Element | None:
    out = ET.Element("notations")
    for kind in _ties(note, head):
        _sub(out, "tied", type=kind)
    if first:
        for slur in note.slurs_ended:
            number = slurs.end(slur)
            if number is not None:
                _sub(out, "slur", type="stop", number=str(number))
        for slur in note.slurs_begun:
            _sub(out, "slur", type="start", number=str(slurs.begin(slur)))
        for kind in (bracket or "").split():
            _sub(out, "tuplet", type=kind)
        if note.ornament is not None and note.ornament.kind in _ORNAMENTS:
            ornaments = _sub(out, "ornaments")
            _sub(ornaments, _ORNAMENTS[note.ornament.kind])
            if note.ornament.accidental_above is not None:
                _sub(ornaments, "accidental-mark", _ACCIDENTALS[note.ornament.accidental_above], placement="above")
            if note.ornament.accidental_below is not None:
                _sub(ornaments, "accidental-mark", _ACCIDENTALS[note.ornament.accidental_below], placement="below")
        signs = [_ARTICULATIONS[one] for one in note.articulations if one in _ARTICULATIONS]
        if signs or note.breath_after:
            articulations = _sub(out, "articulations")
            for sign in signs:
                _sub(articulations, sign)
            if note.breath_after:
                _sub(articulations, "breath-mark")
        if note.fermata:
            _sub(out, "fermata", type="upright")
    return out if len(out) else None

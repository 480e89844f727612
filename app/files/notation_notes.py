"""The notes of a one-part MusicXML score, read by music21.

Why music21: of the two well-kept readers for Python it imports in about 1 s where partitura takes 4 to 6, gives every
ornament's accidentals and both ends of every slur, and is BSD-licensed; partitura is the independent library our tests
compare with. It is imported on first use, never when the server starts. It does not keep ids, so the copy of the score
it reads carries each head's id as its only lyric.
"""

import threading
import warnings
import xml.etree.ElementTree as ET
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from app.domain.errors import BadNotation
from app.domain.piece import OrnamentKind
from app.files.notation_parts import serialised
from app.material.pitch_names import Pitch, spelled
from app.material.written import GraceKind, WrittenNote, WrittenOrnament

_FINEST = 65_535  # music21's own limit for denominators
_NOT_FOR_MUSIC21 = ("cue", "lyric", "play", "listen", "staff")
_ARTICULATIONS = {
    "Staccato": ("staccato",),
    "Spiccato": ("staccato",),
    "Staccatissimo": ("staccatissimo",),
    "Tenuto": ("tenuto",),
    "DetachedLegato": ("tenuto", "staccato"),
    "Accent": ("accent",),
    "StrongAccent": ("marcato",),
}
_BREATHS = ("BreathMark", "Caesura")
# music21 is not documented to be safe in threads, and the warnings filter it needs is global.
_ONE_AT_A_TIME = threading.Lock()


@dataclass(frozen=True, slots=True)
class VoicedNote:
    """A note or chord with the voice and staff it is printed in."""

    voice: str
    staff: int
    place: int  # order in the document
    note: WrittenNote


def read_notes(score: ET.Element) -> tuple[tuple[VoicedNote, ...], ...]:
    """The sounding notes of each bar of a one-part score whose notes carry ids; rests are left out."""
    heads = {note.get("id", ""): note for note in score.iter("note") if note.get("id", "").startswith("h")}
    chords = _chord_heads(score)
    places = {name: place for place, name in enumerate(heads)}
    parts = _parsed(serialised(_for_music21(score)))
    slurs_begun, slurs_ended = _slurs(parts)
    extended, tremolos = _extended(parts), _tremolo_partners(parts)
    out: dict[int, list[VoicedNote]] = defaultdict(list)
    for part in parts:
        for index, measure in enumerate(part.getElementsByClass("Measure")):
            for element in measure.recurse().notes:
                lyric = element.lyric
                if not lyric:
                    continue  # not a head of ours: music21 makes chord symbols notes, too
                name = lyric.split("\n")[0]
                head = heads[name]
                note = _written(
                    element,
                    onset=_exact(element.getOffsetInHierarchy(measure)),
                    head=head,
                    head_ids=chords[name],
                    bar=index,
                )
                note_id = id(element)
                ornament = note.ornament
                if ornament is None and note_id in extended:
                    ornament = WrittenOrnament("trill")
                if ornament is None and note_id in tremolos:
                    ornament = WrittenOrnament("tremolo", other=_pitches(tremolos[note_id], index)[-1])
                note = replace(
                    note,
                    slurs_begun=tuple(slurs_begun.get(note_id, ())),
                    slurs_ended=tuple(slurs_ended.get(note_id, ())),
                    ornament=ornament,
                )
                staff = head.findtext("staff", "1").strip()
                out[index].append(
                    VoicedNote(
                        voice=head.findtext("voice", "1").strip(),
                        staff=int(staff) if staff.isdecimal() else 1,
                        place=places[name],
                        note=note,
                    )
                )
    bars = len(score.findall("part/measure"))
    return tuple(
        tuple(sorted(out[i], key=lambda one: (one.note.onset, one.note.grace is None, one.place))) for i in range(bars)
    )


def _for_music21(score: ET.Element) -> ET.Element:
    """The score with each head's id as its lyric, cues silenced, and nothing music21 isn't asked to read."""
    out = ET.Element("score-partwise", score.attrib)
    listed = ET.SubElement(out, "part-list")
    for part in score.findall("part"):
        ET.SubElement(ET.SubElement(listed, "score-part", part.attrib), "part-name")
        bare = ET.SubElement(out, "part", part.attrib)
        for measure in part.findall("measure"):
            bar = ET.SubElement(bare, "measure", number=str(len(bare) + 1))
            for child in measure:
                if child.tag == "note":
                    bar.append(_note_for_music21(child))
                elif child.tag in ("backup", "forward"):
                    bar.append(child)
                elif child.tag == "attributes" and child.find("divisions") is not None:
                    ET.SubElement(ET.SubElement(bar, "attributes"), "divisions").text = child.findtext("divisions")
    return out


def _note_for_music21(note: ET.Element) -> ET.Element:
    out = ET.Element("note")
    for child in note:
        if note.find("cue") is not None and child.tag in ("pitch", "unpitched", "chord"):
            if child.tag != "chord":
                ET.SubElement(out, "rest")
            continue
        if child.tag not in _NOT_FOR_MUSIC21:
            out.append(child)
    if note.get("id", "").startswith("h"):
        ET.SubElement(ET.SubElement(out, "lyric"), "text").text = note.get("id")
    return out


def _chord_heads(score: ET.Element) -> dict[str, tuple[str, ...]]:
    """For the first head of each note or chord the ids of all its heads, in document order."""
    out: dict[str, list[str]] = {}
    first = ""
    for note in score.iter("note"):
        name = note.get("id", "")
        if not name.startswith("h"):
            continue
        if note.find("chord") is None or not first:
            first = name
            out[first] = []
        out[first].append(name)
    return {name: tuple(names) for name, names in out.items()}


def _parsed(xml: bytes) -> list[Any]:
    with _ONE_AT_A_TIME, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from music21 import converter

        try:
            score = converter.parseData(xml.decode(), format="musicxml")
        except Exception as error:
            # music21 raises whatever its parts raise; the file is at fault as far as anyone can tell.
            raise BadNotation(
                "The notation file can't be read as MusicXML; export it again from the music program.",
                reader=f"{type(error).__name__}: {error}"[:200],
            ) from error
        return list(score.parts) or [score]


def _exact(value: Any) -> Fraction:
    return Fraction(value).limit_denominator(_FINEST)


def _slurs(parts: Iterable[Any]) -> tuple[dict[int, list[int]], dict[int, list[int]]]:
    begun: dict[int, list[int]] = defaultdict(list)
    ended: dict[int, list[int]] = defaultdict(list)
    number = 0
    for part in parts:
        for slur in part.recurse().getElementsByClass("Slur"):
            first, last = slur.getFirst(), slur.getLast()
            if first is not None and last is not None and first is not last:
                number += 1
                begun[id(first)].append(number)
                ended[id(last)].append(number)
    return begun, ended


def _extended(parts: Iterable[Any]) -> set[int]:
    """Notes that a wavy line begins on: trills even where the sign itself is missing."""
    return {
        id(line.getFirst())
        for part in parts
        for line in part.recurse().getElementsByClass("TrillExtension")
        if line.getFirst() is not None
    }


def _tremolo_partners(parts: Iterable[Any]) -> dict[int, Any]:
    out = {}
    for part in parts:
        for pair in part.recurse().getElementsByClass("TremoloSpanner"):
            first, last = pair.getFirst(), pair.getLast()
            if first is not None and last is not None and first is not last:
                out[id(first)], out[id(last)] = last, first
    return out


def _written(element: Any, *, onset: Fraction, head: ET.Element, head_ids: tuple[str, ...], bar: int) -> WrittenNote:
    pitches = _pitches(element, bar)
    order = sorted(range(len(pitches)), key=lambda i: pitches[i].midi)
    ties = [one.tie for one in (element.notes if element.isChord else (element,))]
    kinds = [None if tie is None else tie.type for tie in ties]
    grace = head.find("grace")
    grace_kind: GraceKind | None = None
    if grace is not None:
        grace_kind = "acciaccatura" if grace.get("slash") == "yes" else "appoggiatura"
    names = {type(one).__name__ for one in element.articulations}
    tuplets = element.duration.tuplets
    return WrittenNote(
        onset=onset,
        length=Fraction(0) if grace_kind else _exact(element.duration.quarterLength),
        pitches=tuple(pitches[i] for i in order),
        head_ids=tuple(head_ids[i] for i in order) if len(head_ids) == len(order) else head_ids,
        grace=grace_kind,
        tie_from=all(kind in ("stop", "continue") for kind in kinds),
        tie_to=any(kind in ("start", "continue") for kind in kinds),
        articulations=tuple(sign for name, signs in _ARTICULATIONS.items() if name in names for sign in signs),
        ornament=_ornament(element),
        fermata=any(type(one).__name__ == "Fermata" for one in element.expressions),
        breath_after=any(name in names for name in _BREATHS),
        tuplet=(tuplets[0].numberNotesActual, tuplets[0].numberNotesNormal) if tuplets else None,
        unpitched=head.find("unpitched") is not None,
    )


def _pitches(element: Any, bar: int) -> tuple[Pitch, ...]:
    out = []
    for one in element.notes if element.isChord or hasattr(element, "notes") else (element,):
        if hasattr(one, "displayStep"):
            out.append(Pitch(int(one.displayOctave), str(one.displayStep)))
            continue
        alter = 0.0 if one.pitch.accidental is None else float(one.pitch.accidental.alter)
        if alter != round(alter):
            raise BadNotation(
                f"There is a quarter tone in bar {bar + 1}; only the twelve semitones can be followed.", bar_place=bar
            )
        if not -1 <= one.pitch.implicitOctave <= 9:
            raise BadNotation(f"A note in bar {bar + 1} lies outside of what can be played; check the file.")
        if abs(alter) > 2:
            out.append(spelled(int(one.pitch.midi), 0))
        else:
            out.append(Pitch(int(one.pitch.implicitOctave), str(one.pitch.step), int(alter)))
    return tuple(out)


def _ornament(element: Any) -> WrittenOrnament | None:
    for one in element.expressions:
        kinds = [cls.__name__ for cls in type(one).__mro__]
        above, below = _alter(one, "upperAccidental"), _alter(one, "lowerAccidental")
        single = _alter(one, "accidental")
        kind: OrnamentKind
        if "InvertedMordent" in kinds:
            return WrittenOrnament("inverted-mordent", accidental_above=single)
        if "Mordent" in kinds:
            return WrittenOrnament("mordent", accidental_below=single)
        if "Turn" in kinds:
            kind = "inverted-turn" if "InvertedTurn" in kinds else "turn"
            return WrittenOrnament(kind, accidental_above=above, accidental_below=below)
        if "Trill" in kinds:
            return WrittenOrnament("trill", accidental_above=single)
        if "Tremolo" in kinds:
            return WrittenOrnament("tremolo")
    return None


def _alter(one: Any, name: str) -> int | None:
    accidental = getattr(one, name, None)
    return None if accidental is None else round(float(accidental.alter))

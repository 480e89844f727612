"""The parts of a MusicXML score, and the one-part score that is read and engraved.

:func:`one_part` is the only place where ids are given to note heads: ``h<k>`` in document order, so that the reading
of a file and its engraving name the same heads.
"""

import copy
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass

from app.domain.errors import BadNotation
from app.files.notation_safety import NOT_NOTATION
from app.material.instruments import instrument_called

MOST_NOTES = 12_000  # our choice, in the part that is read: an étude has some hundreds
_PLAIN_NUMBER = re.compile(r"^\d{1,6}[A-Za-z]?$")
_PAGE_ONLY = ("defaults", "credit")  # layout and page texts of the program that made the file


@dataclass(frozen=True, slots=True)
class PartInfo:
    """One part of a file, to choose from."""

    index: int
    name: str
    notes: int
    unpitched: bool
    instrument: str | None  # key of the instrument the file means, None when it can't be told
    staves: int = 1


def partwise(root: ET.Element) -> ET.Element:
    """The score with parts outside and measures inside; :class:`BadNotation` when it is no score."""
    if root.tag == "score-partwise":
        return root
    if root.tag != "score-timewise":
        sentence = "This file is a collection that only names other files; hand in one score of it."
        raise BadNotation(sentence if root.tag == "opus" else NOT_NOTATION)
    out = ET.Element("score-partwise", root.attrib)
    out.extend(child for child in root if child.tag != "measure")
    parts: dict[str, ET.Element] = {}
    for measure in root.findall("measure"):
        for part in measure.findall("part"):
            name = part.get("id", "")
            if name not in parts:
                parts[name] = ET.SubElement(out, "part", id=name)
            turned = ET.SubElement(parts[name], "measure", measure.attrib)
            turned.extend(part)
    return out


def parts_of(score: ET.Element) -> tuple[PartInfo, ...]:
    """What parts a partwise score has, in its order."""
    listed = {one.get("id", ""): one for one in score.iter("score-part")}
    out = []
    for index, part in enumerate(score.findall("part")):
        entry = listed.get(part.get("id", ""))
        name = _name(entry) or f"Part {index + 1}"
        sounding = [note for note in part.iter("note") if note.find("rest") is None]
        unpitched = bool(sounding) and all(note.find("unpitched") is not None for note in sounding)
        texts = [one.text or "" for one in part.iter("staves")]
        staves = max((int(text) for text in texts if text.isdecimal() and len(text) < 3), default=1)
        out.append(
            PartInfo(
                index=index,
                name=name,
                notes=len(sounding),
                unpitched=unpitched,
                instrument=_instrument(entry, name, part),
                staves=staves,
            )
        )
    return tuple(out)


def choose_part(parts: tuple[PartInfo, ...], wanted: str | int | None) -> PartInfo:
    """The part asked for by index or name, or the only one that can be meant."""
    if not any(one.notes for one in parts):
        raise BadNotation("There is no note in this file; check that the right score was exported.")
    names = ", ".join(f"{one.index + 1} “{one.name}”" for one in parts)
    facts = [{"index": one.index, "name": one.name, "notes": one.notes} for one in parts]
    if wanted is not None and wanted != "":
        for one in parts:
            if wanted in (one.index, str(one.index)) or str(wanted).strip().casefold() == one.name.casefold():
                if not one.notes:
                    raise BadNotation(f"The part “{one.name}” has no note; choose one of: {names}.", parts=facts)
                return one
        raise BadNotation(f"There is no part “{wanted}” in this file; choose one of: {names}.", parts=facts)
    with_notes = [one for one in parts if one.notes]
    pitched = [one for one in with_notes if not one.unpitched]
    if len(with_notes) == 1:
        return with_notes[0]
    if len(pitched) == 1:
        return pitched[0]
    raise BadNotation(f"This file has {len(parts)} parts; choose the one that is played: {names}.", parts=facts)


def one_part(score: ET.Element, info: PartInfo) -> ET.Element:
    """A copy of the score with this part alone, page layout taken off, and an id on every note."""
    part = score.findall("part")[info.index]
    if info.notes > MOST_NOTES:
        raise BadNotation(f"The part “{info.name}” has {info.notes} notes; {MOST_NOTES} is the most that is read.")
    out = ET.Element("score-partwise", {"version": score.get("version", "4.0")})
    for child in score:
        if child.tag in ("part", *_PAGE_ONLY):
            continue
        if child.tag == "part-list":
            kept = ET.SubElement(out, "part-list")
            kept.extend(
                copy.deepcopy(one) for one in child if one.get("id") == part.get("id") and one.tag == "score-part"
            )
            if not len(kept):
                ET.SubElement(ET.SubElement(kept, "score-part", id=part.get("id", "P1")), "part-name").text = info.name
        else:
            out.append(copy.deepcopy(child))
    alone = copy.deepcopy(part)
    out.append(alone)
    heads = others = 0
    number = "0"
    for place, measure in enumerate(alone.findall("measure"), start=1):
        # Bars without a printed number of their own (the second half of a split bar) carry the one before.
        printed = (measure.get("number") or str(place)).strip()
        number = printed if _PLAIN_NUMBER.match(printed) else number
        measure.set("number", number)
        for element in measure.iter():
            if element.tag != "instrument":  # an instrument's id refers to the part list
                element.attrib.pop("id", None)
        for note in measure.iter("note"):
            if note.find("rest") is None and note.find("cue") is None:
                heads += 1
                note.set("id", f"h{heads}")
            else:
                others += 1
                note.set("id", f"r{others}")
    return out


def serialised(root: ET.Element) -> bytes:
    """An element tree as UTF-8 XML with its declaration."""
    body: bytes = ET.tostring(root, encoding="utf-8")
    return b'<?xml version="1.0" encoding="UTF-8"?>\n' + body


def _name(entry: ET.Element | None) -> str:
    if entry is None:
        return ""
    for tag in ("part-name", "score-instrument/instrument-name"):
        text = " ".join((entry.findtext(tag) or "").split())
        if text and text.casefold() not in ("musicxml part", "part"):
            return text
    return ""


def _instrument(entry: ET.Element | None, name: str, part: ET.Element) -> str | None:
    shift = transposition_of(next(part.iter("transpose"), None))
    texts = [name]
    if entry is not None:
        texts += [one.text or "" for one in entry.iter("instrument-name")]
        texts += [(one.text or "").replace(".", " ") for one in entry.iter("instrument-sound")]
    for text in texts:
        found = instrument_called(text, shift if part.find(".//transpose") is not None else None)
        if found is not None:
            return found
    return instrument_called("", shift)


def transposition_of(transpose: ET.Element | None) -> int:
    """Sounding minus written in semitones of a MusicXML ``transpose`` element, octave change included."""
    if transpose is None:
        return 0
    try:
        chromatic = round(float(transpose.findtext("chromatic") or 0))
        return chromatic + 12 * round(float(transpose.findtext("octave-change") or 0))
    except (ValueError, OverflowError):
        raise BadNotation(
            "The part's transposition is not a number; check its instrument in the music program."
        ) from None

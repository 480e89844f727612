"""Bytes of a notation file to an element tree, with nothing a hostile file could make of it.

XML: no entity may be declared (neither "billion laughs" nor a file read from this machine), nothing is fetched, depth
and size are capped. Compressed MusicXML: entries, unpacked size and nesting are capped before anything is unpacked.
"""

import io
import xml.etree.ElementTree as ET
import zipfile
import zlib
from xml.parsers import expat

from app.domain.errors import BadNotation, TooLarge

MOST_BYTES = 8 * 1024 * 1024  # our choice: a long étude is 1 MB of MusicXML at most
MOST_UNPACKED_BYTES = 24 * 1024 * 1024  # our choice
MOST_ENTRIES = 200  # our choice: entries of a compressed file, pictures included
MOST_DEPTH = 40  # MusicXML itself nests about 12 deep
_MUSIC_SUFFIXES = (".musicxml", ".xml")

NOT_NOTATION = "This is not a notation file; export MusicXML (.musicxml or .mxl) or a MIDI file from the music program."


class _Refused(Exception):
    """Raised inside expat's handlers; never leaves this module."""


def kind_of(data: bytes) -> str:
    """ "mxl", "midi" or "musicxml" by content; :class:`BadNotation` when it is none of them."""
    if not data.strip(b"\x00\t\r\n "):
        raise BadNotation("The notation file is empty; export it again from the music program.")
    if len(data) > MOST_BYTES:
        raise TooLarge(
            f"The notation file has {len(data) / 1048576:.0f} MB; {MOST_BYTES // 1048576} MB is the most that is read.",
            bytes=len(data),
        )
    if data[:4] == b"MThd" or (data[:4] == b"RIFF" and data[8:12] == b"RMID"):
        return "midi"
    if data[:2] == b"PK":
        return "mxl"
    head = data[:400].lstrip(b"\xef\xbb\xbf \t\r\n")
    if head[:1] == b"<" or data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "musicxml"
    raise BadNotation(NOT_NOTATION)


def tree_of(data: bytes) -> ET.Element:
    """The root element of a plain or compressed MusicXML file, namespaces taken off its tags."""
    xml = _unpacked(data) if kind_of(data) == "mxl" else data
    root = _parsed(xml)
    for element in root.iter():
        if isinstance(element.tag, str) and element.tag.startswith("{"):
            element.tag = element.tag.partition("}")[2]
    return root


def _parsed(xml: bytes) -> ET.Element:
    depth = 0

    def opened(_name: str, _attributes: object) -> None:
        nonlocal depth
        depth += 1
        if depth > MOST_DEPTH:
            raise _Refused("is nested too deeply")

    def closed(_name: str) -> None:
        nonlocal depth
        depth -= 1

    def entity(*_declared: object) -> None:
        raise _Refused("declares entities, which notation never needs")

    checker = expat.ParserCreate()
    checker.StartElementHandler = opened
    checker.EndElementHandler = closed
    checker.EntityDeclHandler = entity
    checker.ExternalEntityRefHandler = lambda *_reference: 1  # the DTD a MusicXML file names is never fetched
    try:
        checker.Parse(xml, True)
        return ET.fromstring(xml)
    except _Refused as refusal:
        raise BadNotation(f"The notation file was refused: it {refusal}; export it again.") from None
    except (expat.ExpatError, ET.ParseError, LookupError, ValueError) as error:
        line = getattr(error, "lineno", None) or getattr(error, "position", (None,))[0]
        place = f" at line {line}" if line else ""
        raise BadNotation(
            f"The notation file is damaged{place} and can't be read; export it again from the music program.", line=line
        ) from error


def _unpacked(data: bytes) -> bytes:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            if len(entries) > MOST_ENTRIES or sum(one.file_size for one in entries) > MOST_UNPACKED_BYTES:
                raise TooLarge("The compressed notation file unpacks to more than is read; export plain MusicXML.")
            return _read(archive, _score_name(archive))
    except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError, ValueError, KeyError) as error:
        raise BadNotation(
            "The compressed notation file is damaged or encrypted; export it again from the music program."
        ) from error


def _read(archive: zipfile.ZipFile, name: str) -> bytes:
    with archive.open(name) as entry:
        data = entry.read(MOST_UNPACKED_BYTES + 1)
    if len(data) > MOST_UNPACKED_BYTES:
        raise TooLarge("The compressed notation file unpacks to more than is read; export plain MusicXML.")
    return data


def _score_name(archive: zipfile.ZipFile) -> str:
    """The score inside a compressed file: what META-INF/container.xml names, else the first XML beside it."""
    names = archive.namelist()
    if "META-INF/container.xml" in names:
        for element in _parsed(_read(archive, "META-INF/container.xml")).iter():
            if element.tag.rpartition("}")[2] == "rootfile":
                path = element.get("full-path", "")
                kind = element.get("media-type", "application/vnd.recordare.musicxml+xml")
                if path in names and "musicxml" in kind:
                    return path
    for name in names:
        if name.lower().endswith(_MUSIC_SUFFIXES) and not name.startswith("META-INF"):
            return name
    raise BadNotation("There is no score inside the compressed file; export it as MusicXML (.musicxml or .mxl).")

"""A piece's row to what is played and to what is engraved. Nothing here touches the database.

Reading notation takes a moment, so readings are kept in this process by the hash of what they were made from; the row
keeps the source as handed in, and a changed choice or mark makes another reading.
"""

import functools
import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from app.db import models
from app.domain.errors import BadNotation, FairhearingError
from app.domain.piece import Piece, TempoMark
from app.files.abc_text import DEFAULT_INSTRUMENT, check_abc, read_abc
from app.files.checks import Length
from app.files.notation import prepared_musicxml, read_notation
from app.files.notation_writing import to_musicxml
from app.material.excerpting import excerpt
from app.material.generating import generate
from app.material.marking import apply_marks
from app.material.recipe import recipe_from
from app.material.sight_reading import sight_reading
from app.material.sight_recipe import sight_recipe_from
from app.material.transposing import for_instrument

_ABC_FIELD = re.compile(rb"^(X|K):", re.MULTILINE)
UNTYPED = "untyped"  # kind of a piece that nobody has typed in
KEPT_READINGS = 128  # our choice: some auditions' pieces on several instruments
_UNIT_WORDS = {
    0.125: "thirty-second",
    0.25: "sixteenth",
    0.5: "eighth",
    0.75: "dotted eighth",
    1.0: "quarter",
    1.5: "dotted quarter",
    2.0: "half",
    3.0: "dotted half",
    4.0: "whole",
    6.0: "dotted whole",
}


def has_notation(row: models.Piece) -> bool:
    """Whether there is notation to read, print and follow; a piece known only by its title has none."""
    return row.kind != UNTYPED


def load_piece(row: models.Piece, instrument: str | None = None) -> Piece:
    """What a candidate on ``instrument`` (None: the page's own) has to play: read, cut to the excerpt, marked, moved.

    Raises ``BadNotation`` or ``BadInput`` when the row can't be read.
    """
    return _loaded(
        row.source_format,
        row.source,
        row.instrument,
        row.title,
        _frozen(row.options),
        _frozen(row.leader_marks),
        instrument or row.instrument,
    )


def length_of(row: models.Piece) -> Length | None:
    """How long the excerpt takes as printed; None where nothing is printed that could be read."""
    try:
        piece = load_piece(row)
    except FairhearingError:
        return None
    return Length(piece.length_sec, assumed=piece.tempo_assumed)


def piece_from_file(
    data: bytes, *, file_name: str = "", part: str | None = None, instrument: str | None = None
) -> Piece:
    """The piece in a file handed in outside of any audition: MusicXML, MIDI, ABC text or a recipe as JSON.

    ``instrument`` is the instrument whose page it is; without it the file's own, for ABC text the B-flat clarinet.
    """
    head = data.lstrip(b"\xef\xbb\xbf \t\r\n")[:4096]
    if head.startswith(b"{"):
        return _generated(_recipe(data), instrument)
    if file_name.casefold().endswith(".abc") or _ABC_FIELD.search(head):
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            raise BadNotation("The ABC text is not in UTF-8; save it again as UTF-8.") from None
        return read_abc(text, instrument=instrument or DEFAULT_INSTRUMENT)
    return read_notation(data, file_name=file_name, part=part, instrument=instrument)


def _recipe(data: bytes) -> dict[str, Any]:
    try:
        values = json.loads(data)
    except ValueError:
        raise BadNotation('The recipe is not valid JSON; write it like {"kind": "scale", "tonic": "Bb"}.') from None
    if not isinstance(values, dict):
        raise BadNotation("The recipe must be one JSON object with kind, tonic and mode.")
    return values


def _generated(values: Mapping[str, Any], instrument: str | None) -> Piece:
    moved = {**values, "instrument": instrument} if instrument else values
    if values.get("kind") == "sight-reading":
        return sight_reading(sight_recipe_from(moved))
    return generate(recipe_from(moved))


def whole_piece(row: models.Piece) -> Piece:
    """The page read from beginning to end, without excerpt and marks."""
    return _read(row.source_format, row.source, row.instrument, row.title, _frozen(row.options))


def musicxml_of(row: models.Piece) -> bytes:
    """The whole page as one-part MusicXML whose note ids are the ``engraved_ids`` of :func:`load_piece`."""
    return _page(row.source_format, row.source, row.instrument, _frozen(row.options))


def excerpt_bars(row: models.Piece) -> tuple[str | None, str | None]:
    """First and last bar that are heard, None: from the beginning or to the end."""
    return row.options.get("first_bar") or None, row.options.get("last_bar") or None


def reading_hash(row: models.Piece, instrument: str | None = None) -> str:
    """sha256 of everything :func:`load_piece` depends on: another hash, another reading."""
    digest = hashlib.sha256(row.source)
    words = (row.source_format, row.instrument, instrument or row.instrument)
    digest.update(json.dumps([words, row.options, row.leader_marks], sort_keys=True).encode())
    return digest.hexdigest()


def tempo_text(mark: TempoMark, *, assumed: bool) -> str:
    """A metronome mark in words: "Andante, dotted quarter = 54"."""
    unit = _UNIT_WORDS.get(mark.beat_unit_quarters, f"{mark.beat_unit_quarters:g} quarters")
    number = f"{unit} = {mark.beats_per_minute:g}"
    words = f"{mark.text}, {number}" if mark.text else number
    return f"{words} (assumed: none is printed)" if assumed else words


def _frozen(values: Mapping[str, Any]) -> str:
    return json.dumps(values, sort_keys=True)


@functools.lru_cache(maxsize=KEPT_READINGS)
def _loaded(
    source_format: str, source: bytes, page: str, title: str, options: str, marks: str, instrument: str
) -> Piece:
    chosen = json.loads(options)
    piece = excerpt(
        _read(source_format, source, page, title, options),
        chosen.get("first_bar") or None,
        chosen.get("last_bar") or None,
    )
    return for_instrument(apply_marks(piece, json.loads(marks)), instrument)


@functools.lru_cache(maxsize=KEPT_READINGS)
def _read(source_format: str, source: bytes, page: str, title: str, options: str) -> Piece:
    chosen = json.loads(options)
    repeats = chosen.get("repeats", True) is not False
    if source_format == "abc":
        return read_abc(source.decode(), instrument=page, title=title, repeats=repeats)
    if source_format == "recipe":
        return replace(_generated(json.loads(source), page), title=title)
    if source_format in ("musicxml", "mxl", "midi"):
        piece = read_notation(source, part=chosen.get("part"), instrument=page, repeats=repeats)
        return replace(piece, title=title)
    raise BadNotation("This piece has no notation; type it in or hand in a file to have it measured against the page.")


@functools.lru_cache(maxsize=KEPT_READINGS)
def _page(source_format: str, source: bytes, page: str, options: str) -> bytes:
    if source_format == "abc":
        return check_abc(source.decode(), instrument=page, engraved=False).musicxml
    if source_format == "recipe":
        return to_musicxml(_read(source_format, source, page, "", options))
    if source_format in ("musicxml", "mxl", "midi"):
        return prepared_musicxml(source, json.loads(options).get("part"), instrument=page)
    raise BadNotation("This piece has no notation to engrave; type it in or hand in a file.")

"""The engraver's fonts: outlines of music signs that stand inside text (the note of a metronome mark), widths of words.

The engraver sets words by the metrics of a Times; a drawer with another font keeps to the widths given here.
"""

import functools
from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree

from app.domain.engraving import Segment
from app.domain.errors import BadNotation
from app.files.outlines import parse_path, parse_transform, product, transformed

FONT = "Leipzig"  # the engraver's default; OFL
FONT_UNITS = 1000.0  # to the em, as in every SMuFL font
SIGN_GAP = 0.06  # ems between two music signs (a note and its dot), where the engraver sets a word's space; our choice
OTHER_ADVANCE = 0.6  # ems, for characters that the metrics lack; our choice


def is_music(text: str) -> bool:
    """Whether every character lies in the private area that SMuFL assigns."""
    return bool(text) and all("\ue000" <= c <= "\uf8ff" for c in text)


def split(text: str) -> list[str]:
    """The text cut where words turn into music signs and back."""
    pieces: list[str] = []
    for c in text:
        if pieces and is_music(c) == is_music(pieces[-1]):
            pieces[-1] += c
        else:
            pieces.append(c)
    return pieces


def run_width(text: str, size: float, bold: bool = False, italic: bool = False) -> float:
    """Advance of a run, music signs or words, in the unit of ``size``."""
    if is_music(text):
        return sum(_glyph(c)[1] for c in text) * size / FONT_UNITS
    metrics = _word_advances(bold, italic)
    return sum(metrics.get(" " if c == "\xa0" else c, OTHER_ADVANCE) for c in text) * size


def run_widths(runs: Sequence[tuple[str, float, bool, bool]]) -> list[float]:
    """Advances of the runs of one line, each (text, size, bold, italic).

    A word's space between two music signs is narrowed: a dot stands close to its note.
    """
    widths = [run_width(*run) for run in runs]
    for at in range(1, len(runs) - 1):
        text, size = runs[at][:2]
        if not text.strip() and is_music(runs[at - 1][0]) and is_music(runs[at + 1][0]):
            widths[at] = SIGN_GAP * size
    return widths


def outlines(text: str, size: float) -> list[tuple[list[Segment], tuple[float, float, float]]]:
    """Each sign's outline in font units with its scale in x, its scale in y and its shift in x."""
    found = []
    at = 0.0
    scale = size / FONT_UNITS
    for c in text:
        segments, advance = _glyph(c)
        found.append((segments, (scale, scale, at)))
        at += advance * scale
    return found


@functools.cache
def _directory() -> Path:
    import verovio

    return Path(str(verovio.__file__)).parent / "data"


@functools.cache
def _advances() -> dict[str, float]:
    root = ElementTree.parse(_directory() / f"{FONT}.xml").getroot()
    return {g.get("c", ""): float(g.get("h-a-x") or 0) for g in root.iter() if g.tag.endswith("g")}


@functools.cache
def _word_advances(bold: bool, italic: bool) -> dict[str, float]:
    """Advances in ems of the face the engraver sets words by."""
    name = "Times" + ("-bold" if bold else "") + ("-italic" if italic else "")
    root = ElementTree.parse(_directory() / "text" / f"{name}.xml").getroot()
    units = float(root.get("units-per-em") or 2048)
    found: dict[str, float] = {}
    for g in root.iter("g"):
        # A few letters ("A") carry no advance: their box stands in for it.
        advance = float(g.get("h-a-x") or 0) or float(g.get("x") or 0) + float(g.get("w") or 0)
        found[chr(int(g.get("c", "0"), 16))] = advance / units
    return found


@functools.cache
def _glyph(character: str) -> tuple[list[Segment], float]:
    code = f"{ord(character):04X}"
    file = next(iter(sorted((_directory() / FONT).glob(f"{code}*.xml"))), None)
    if file is None:
        raise BadNotation("This notation can't be engraved for print: a music sign has no outline.", sign=code)
    segments: list[Segment] = []
    for path in ElementTree.parse(file).getroot().iter():
        if path.tag.endswith("path"):
            segments += transformed(
                parse_path(path.get("d", "")), product((1, 0, 0, 1, 0, 0), parse_transform(path.get("transform")))
            )
    return segments, _advances().get(code, 0.0)

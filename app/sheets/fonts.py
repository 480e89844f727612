"""Embedded fonts and what stands in for characters they lack.

Latin, Greek and Cyrillic come from Inter and EB Garamond (both OFL, in ``fonts/``); Chinese, Japanese and Korean from
the PDF standard's CID fonts, which readers map to their own. A character that none of them has is printed as an empty
square, so that nothing disappears unseen.
"""

import functools
import unicodedata
from pathlib import Path
from typing import Literal

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.cidfonts import UnicodeCIDFont
from reportlab.pdfbase.ttfonts import TTFont

Face = Literal["title", "title-italic", "title-bold", "text", "bold", "italic"]

_FILES: dict[str, str] = {
    "title": "EBGaramond-Regular",
    "title-italic": "EBGaramond-Italic",
    "title-bold": "EBGaramond-SemiBold",
    "text": "Inter-Regular",
    "bold": "Inter-SemiBold",
    "italic": "Inter-Italic",
}
_JAPANESE, _KOREAN, _CHINESE = "HeiseiKakuGo-W5", "HYGothic-Medium", "STSong-Light"
MISSING = "□"


@functools.cache
def _registered() -> dict[str, frozenset[int]]:
    """Registers every font once; returns the code points of each embedded one."""
    folder = Path(__file__).parent / "fonts"
    covered: dict[str, frozenset[int]] = {}
    for name in _FILES.values():
        font = TTFont(name, str(folder / f"{name}.ttf"))
        pdfmetrics.registerFont(font)
        covered[name] = frozenset(font.face.charToGlyph)
    for name in (_JAPANESE, _KOREAN, _CHINESE):
        pdfmetrics.registerFont(UnicodeCIDFont(name))
    return covered


def font_name(face: Face) -> str:
    """The PDF name of a face; registers the fonts on first use."""
    _registered()
    return _FILES[face]


def has(character: str, face: Face = "text") -> bool:
    """Whether an embedded face has this character."""
    return ord(character) in _registered()[_FILES[face]]


@functools.lru_cache(maxsize=20000)
def runs(text: str, face: Face) -> tuple[tuple[str, str], ...]:
    """The text in Unicode's composed form, cut into (font name, piece) so that every character has a glyph."""
    text = unicodedata.normalize("NFC", text)
    covered = _registered()
    han = _han_font(text)
    pieces: list[list[str]] = []
    for c in text:
        if c in "\t\n\r":
            c = " "
        if unicodedata.category(c) in ("Cf", "Cc"):
            continue
        name = _FILES[face]
        if ord(c) not in covered[name]:
            if ord(c) in covered["Inter-Regular"]:
                name = "Inter-SemiBold" if face in ("bold", "title-bold") else "Inter-Regular"
            elif _is_east_asian(c):
                name = han
            elif c == "\u2011":  # non-breaking hyphen
                c = "-"
            else:
                name, c = "Inter-Regular", MISSING
        if pieces and pieces[-1][0] == name:
            pieces[-1][1] += c
        else:
            pieces.append([name, c])
    return tuple((name, piece) for name, piece in pieces)


def missing_characters(text: str) -> str:
    """The characters of ``text`` that no font of the sheets has, each once."""
    covered = _registered()["Inter-Regular"]
    composed = unicodedata.normalize("NFC", text)
    return "".join(
        dict.fromkeys(
            c
            for c in composed
            if ord(c) not in covered and not _is_east_asian(c) and unicodedata.category(c) not in ("Cf", "Cc")
        )
    )


@functools.lru_cache(maxsize=50000)
def width(text: str, face: Face, size: float) -> float:
    """Advance width of ``text`` in points."""
    return float(sum(pdfmetrics.stringWidth(piece, name, size) for name, piece in runs(text, face)))


def _is_east_asian(c: str) -> bool:
    code = ord(c)
    return (
        0x1100 <= code <= 0x11FF
        or 0x2E80 <= code <= 0x9FFF
        or 0xAC00 <= code <= 0xD7A3
        or 0xF900 <= code <= 0xFAFF
        or 0xFF00 <= code <= 0xFFEF
    )


def _han_font(text: str) -> str:
    """Han characters look different by language: kana make it Japanese, hangul Korean, otherwise Chinese."""
    if any(0x3040 <= ord(c) <= 0x30FF for c in text):
        return _JAPANESE
    if any(0xAC00 <= ord(c) <= 0xD7A3 or 0x1100 <= ord(c) <= 0x11FF for c in text):
        return _KOREAN
    return _CHINESE

"""The browser's picture: the engraver's own elements with presentation attributes only.

A strict content policy strips ``style`` elements and attributes, so their rules are written out; music signs inside
text become paths, so no music font has to be served. Colours are ``currentColor``: the page decides.
"""

import copy
from xml.etree import ElementTree

from app.domain.engraving import System
from app.files import music_glyphs
from app.files.engraving_walk import HREF, SVG, UNITS_PER_SPACE
from app.files.outlines import transformed

EDGE = 0.3  # staff spaces right of the last bar line, so that its whole width is in the picture
LAST_LATIN = 0x24F  # end of Latin Extended-B
BAR_NUMBER_DROP = 2.0  # staff spaces below the lowest ink; our choice
TEXT_FONT = "Times New Roman, Times, Liberation Serif, serif"  # the metrics words are placed by

_KEPT = frozenset(
    (
        *("id", "class", "data-n", "d", "points", "x", "y", "x1", "y1", "x2", "y2", "cx", "cy", "r", "rx", "ry"),
        *("width", "height", "transform", "stroke", "stroke-width", "stroke-linecap", "stroke-linejoin"),
        *(
            "stroke-dasharray",
            "fill",
            "fill-rule",
            "fill-opacity",
            "text-anchor",
            "font-size",
            "font-style",
            "font-weight",
        ),
    )
)
_STROKED = ("path", "polygon", "polyline", "ellipse", "rect", "circle")


def bake(
    elements: list[ElementTree.Element],
    definitions: dict[str, ElementTree.Element],
    systems: list[System],
    origins: list[tuple[float, float]],
    width: float,
    gap: float,
) -> tuple[str, list[float]]:
    """One SVG with all systems below each other (viewBox in staff spaces) and each system's top staff line in it."""
    ElementTree.register_namespace("", SVG[1:-1])
    used: set[str] = set()
    tops: list[float] = []
    groups: list[ElementTree.Element] = []
    at = 1.0
    for element, system, (_, page_top) in zip(elements, systems, origins, strict=True):
        top = at - system.ink_top
        tops.append(round(top, 4))
        group = ElementTree.Element(
            SVG + "g",
            {
                "class": "placed-system",
                "transform": f"translate(0 {top - page_top:.4f}) scale({1 / UNITS_PER_SPACE:.8f})",
            },
        )
        group.append(_clean(element, used))
        groups.append(group)
        lowest = max(system.ink_bottom, system.staff_bottom)
        groups.append(_bar_numbers(system, top + lowest + BAR_NUMBER_DROP))
        at = top + lowest + BAR_NUMBER_DROP + gap
    height = at - gap + 1.0
    root = ElementTree.Element(
        SVG + "svg",
        {
            "viewBox": f"0 0 {width + EDGE:g} {height:.2f}",
            "fill": "currentColor",
            "font-family": TEXT_FONT,
            "role": "img",
        },
    )
    defs = ElementTree.SubElement(root, SVG + "defs")
    for name in sorted(used):
        glyph = copy.deepcopy(definitions[name])
        for part in glyph.iter():
            part.attrib.pop("style", None)
        defs.append(glyph)
    root.extend(groups)
    return ElementTree.tostring(root, encoding="unicode"), tops


def _bar_numbers(system: System, y: float) -> ElementTree.Element:
    """Every bar's number below its bar line, where no note can meet it."""
    group = ElementTree.Element(SVG + "g", {"class": "bar-numbers", "font-style": "italic", "font-size": "1.5"})
    for bar in system.bars:
        number = ElementTree.SubElement(group, SVG + "text", {"x": f"{bar.left + 0.2:.2f}", "y": f"{y:.2f}"})
        number.text = bar.number
    return group


def _clean(
    element: ElementTree.Element, used: set[str], emphasis: tuple[bool, bool] = (False, False)
) -> ElementTree.Element:
    tag = element.tag.removeprefix(SVG)
    classes = set((element.get("class") or "").split())
    out = ElementTree.Element(element.tag, {k: v for k, v in element.attrib.items() if k in _KEPT})
    # Only note heads are looked up by id; other ids are the engraver's own and could clash on a page.
    if "id" in out.attrib and not classes & {"note", "rest", "measure"}:
        del out.attrib["id"]
    if tag == "use":
        name = (element.get(HREF) or element.get("href") or "").removeprefix("#")
        used.add(name)
        out.set("href", "#" + name)
    if tag in _STROKED and out.get("stroke") is None:
        out.set("stroke", "currentColor")
    bold, italic = emphasis
    if classes & {"ending", "fing", "reh", "tempo"}:
        out.set("font-weight", "bold")
        bold = True
    if classes & {"dir", "dynam"}:
        out.set("font-style", "italic")
        italic = True
    if tag == "text":
        return _text(element, out, (bold, italic))
    for child in element:
        if child.tag.removeprefix(SVG) in ("desc", "title", "style"):
            continue
        if not {"placeholder", "mNum"} & set((child.get("class") or "").split()):
            out.append(_clean(child, used, (bold, italic)))
    return out


def _text(element: ElementTree.Element, out: ElementTree.Element, emphasis: tuple[bool, bool]) -> ElementTree.Element:
    """A text element; when it holds music signs, a group of paths and texts placed beside each other."""
    runs: list[tuple[str, float]] = []

    def gather(node: ElementTree.Element, size: float) -> None:
        size = float((node.get("font-size") or f"{size}px").removesuffix("px"))
        if node.text and size > 0 and not (node.text.isspace() and "\n" in node.text):
            runs.extend((piece, size) for piece in music_glyphs.split(node.text))
        for child in node:
            gather(child, size)

    gather(element, 0.0)
    bold, italic = out.get("font-weight") == "bold" or emphasis[0], out.get("font-style") == "italic" or emphasis[1]
    if not any(music_glyphs.is_music(text) for text, _ in runs):
        _copy_text(element, out)
        if len(runs) == 1:
            text, size = runs[0]
            out.attrib.update(_fitted(text, music_glyphs.run_width(text, size, bold, italic)))
        return out
    group = ElementTree.Element(SVG + "g")
    for name in ("font-weight", "font-style"):
        if out.get(name):
            group.set(name, out.attrib[name])
    x, y = float(element.get("x") or 0), float(element.get("y") or 0)
    widths = music_glyphs.run_widths([(text, size, bold, italic) for text, size in runs])
    at = x - {"middle": sum(widths) / 2, "end": sum(widths)}.get(element.get("text-anchor", "start"), 0.0)
    for (text, size), run_width in zip(runs, widths, strict=True):
        if music_glyphs.is_music(text):
            for segments, (sx, sy, shift) in music_glyphs.outlines(text, size):
                placed = transformed(segments, (sx, 0, 0, sy, at + shift, y))
                data = " ".join(str(s[0]) + " ".join(f"{float(v):.1f}" for v in s[1:]) for s in placed)
                ElementTree.SubElement(group, SVG + "path", {"d": data})
        elif text.strip():
            word = ElementTree.SubElement(
                group,
                SVG + "text",
                {"x": f"{at:.1f}", "y": f"{y:g}", "font-size": f"{size:g}", **_fitted(text, run_width)},
            )
            word.text = text
        at += run_width
    return group


def _fitted(text: str, width: float) -> dict[str, str]:
    """A word keeps to the room it was given: many devices have no Times, and wider letters would cover the next sign.

    Only Latin words: of others the metrics know no width.
    """
    if not text.strip() or any(ord(c) > LAST_LATIN for c in text):
        return {}
    return {"textLength": f"{width:.1f}", "lengthAdjust": "spacingAndGlyphs"}


def _copy_text(source: ElementTree.Element, target: ElementTree.Element) -> None:
    target.text = source.text if source.text and not source.text.isspace() else None
    for child in source:
        copied = ElementTree.SubElement(
            target, child.tag, {k: v for k, v in child.attrib.items() if k in _KEPT and k != "id"}
        )
        if child.get("font-size"):
            copied.set("font-size", child.attrib["font-size"].removesuffix("px"))
        _copy_text(child, copied)

"""MusicXML to engraved shapes: the one place that knows the engraver (Verovio, loaded on first use).

Note heads keep the ``id`` attributes of the MusicXML, so measurements find their notes. Text in the engraver's
music font becomes outlines: neither PDF nor browser needs that font. Every outline it draws is kept or refused in
words; nothing is dropped silently.
"""

import functools
import hashlib
import itertools
import json
import math
import threading
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from app.domain.engraving import Engraving, System
from app.domain.errors import BadNotation
from app.files.baking import bake
from app.files.engraving_walk import SVG, UNITS_PER_SPACE, Walk, placed_system
from app.files.outlines import IDENTITY, bounds, parse_path

DEFAULT_WIDTH = 100.0  # staff spaces: a staff of 7 mm across a Letter page less its margins; our choice
LOOSENING = 1.2  # room for the figures below the notes; our choice
LAYOUT_VERSION = 3  # raise it when equal sources come out differently
SYSTEM_GAP = 3.0  # staff spaces between systems in the browser's picture; our choice
MAX_BARS = 1200  # our choice: far beyond any excerpt, keeps a request bounded

_lock = threading.Lock()  # the engraver keeps global state


def engrave(
    musicxml: bytes,
    *,
    width: float = DEFAULT_WIDTH,
    first_bar: str | None = None,
    last_bar: str | None = None,
) -> Engraving:
    """Engrave a one-part MusicXML document.

    ``width`` is the width of a full system in staff spaces; ``first_bar`` and ``last_bar`` are printed bar numbers.
    Raises :class:`BadNotation` when the document can't be engraved or lacks those bars.
    """
    return _engrave(musicxml, width, first_bar, last_bar)


@functools.lru_cache(maxsize=64)
def _engrave(musicxml: bytes, width: float, first_bar: str | None, last_bar: str | None) -> Engraving:
    root, measure_range = _prepared(musicxml, first_bar, last_bar)
    pages, version = _render(root, measure_range, width)
    systems: list[System] = []
    elements: list[ElementTree.Element] = []
    tops: list[tuple[float, float]] = []
    definitions: dict[str, ElementTree.Element] = {}
    for page in pages:
        glyphs = {g.get("id", ""): g for d in page.iter(SVG + "defs") for g in d}
        definitions.update(glyphs)
        margin = next((g for g in page.iter(SVG + "g") if g.get("class") == "page-margin"), None)
        if margin is None:
            raise BadNotation("This notation can't be engraved: the engraver returned an empty page.")
        for element in margin:
            if (element.get("class") or "").split()[:1] != ["system"]:
                continue
            walk = Walk(glyphs)
            walk.group(element, IDENTITY, {}, (False, False), None)
            system, origin = placed_system(walk.out)
            systems.append(system)
            elements.append(element)
            tops.append(origin)
    if not systems:
        raise BadNotation("This notation can't be engraved: no bar of music was found in it.")
    svg, svg_tops = bake(elements, definitions, systems, tops, width, SYSTEM_GAP)
    digest = hashlib.sha256(
        json.dumps([hashlib.sha256(musicxml).hexdigest(), width, first_bar, last_bar, LAYOUT_VERSION, version]).encode()
    ).hexdigest()
    return Engraving(width=width, systems=tuple(systems), svg=svg, svg_tops=tuple(svg_tops), digest=digest)


def _prepared(
    musicxml: bytes, first_bar: str | None, last_bar: str | None
) -> tuple[ElementTree.Element, tuple[int, int]]:
    """The document without part names (they would indent the first system), and the first and last bar's places."""
    try:
        root = ElementTree.fromstring(musicxml)
    except ElementTree.ParseError as error:
        raise BadNotation(f"This MusicXML can't be engraved: it is not well-formed XML ({error}).") from error
    parts = root.findall("part")
    if root.tag != "score-partwise" or len(parts) != 1:
        raise BadNotation(
            f"Engraving needs one part in a score-partwise document; this one is {root.tag} with {len(parts)} parts.",
            parts=len(parts),
        )
    for name in ("part-name", "part-abbreviation"):
        for element in root.iter(name):
            element.text = ""
    for listed in root.iter("score-part"):
        for name in ("part-name-display", "part-abbreviation-display"):
            for element in listed.findall(name):
                listed.remove(element)
    numbers = [measure.get("number", "") for measure in parts[0].findall("measure")]
    if len(numbers) > MAX_BARS:
        raise BadNotation(
            f"Only {MAX_BARS} bars can be engraved at once; this part has {len(numbers)}: choose an excerpt."
        )
    for measure in parts[0].findall("measure"):
        for hint in measure.findall("print"):  # the file's own line breaks suit another page
            measure.remove(hint)
    start = 0 if first_bar is None else _index(numbers, first_bar, 0)
    end = len(numbers) - 1 if last_bar is None else _index(numbers, last_bar, start)
    return root, (start, end)


def _index(numbers: list[str], wanted: str, start: int) -> int:
    try:
        return numbers.index(wanted, start)
    except ValueError:
        there = f"{numbers[0]} to {numbers[-1]}" if numbers else "none"
        raise BadNotation(f"There is no bar {wanted} to engrave; this part has bars {there}.", bar=wanted) from None


def _render(root: ElementTree.Element, bars: tuple[int, int], width: float) -> tuple[list[ElementTree.Element], str]:
    """The engraver's pages, with bars shared evenly among the systems (no last system with a single bar)."""
    import verovio  # a tenth of a second to load, only wanted when something is engraved

    options: dict[str, Any] = {
        "pageHeight": 60000,  # the engraver's largest: one page holds most parts
        "pageMarginLeft": 0,
        "pageMarginRight": 0,
        "pageMarginTop": 0,
        "pageMarginBottom": 0,
        "scale": 100,
        "header": "none",
        "footer": "none",
        "svgViewBox": True,
        "adjustPageHeight": True,
        "mnumInterval": 0,  # bar numbers are set below the staff, where no note can meet them
        "smuflTextFont": "none",
        "svgAdditionalAttribute": ["measure@n"],
        "xmlIdSeed": 1,  # equal documents give equal pictures
    }
    measures = root.findall("part")[0].findall("measure")
    with _lock:
        verovio.enableLog(verovio.LOG_OFF)
        # The engraver remembers where its fonts are for each thread by itself; importing it sets that in one only.
        verovio.setDefaultResourcePath(str(Path(str(verovio.__file__)).parent / "data"))
        toolkit = verovio.toolkit()
        whole = bars == (0, len(measures) - 1)

        def load(more: dict[str, Any]) -> list[ElementTree.Element]:
            toolkit.setOptions(options | more)
            if not whole:
                toolkit.select({"measureRange": f"{bars[0] + 1}-{bars[1] + 1}"})
            if not toolkit.loadData(ElementTree.tostring(root, encoding="unicode")):
                raise BadNotation("This MusicXML can't be engraved: the engraver did not understand it.")
            return [ElementTree.fromstring(toolkit.renderToSVG(n)) for n in range(1, toolkit.getPageCount() + 1)]

        strip = load({"breaks": "none", "pageWidth": 100000})
        natural = [w for page in strip for w in _bar_widths(page)]
        for at in system_starts(natural, width):
            if bars[0] + at <= bars[1]:
                measures[bars[0] + at].insert(0, ElementTree.Element("print", {"new-system": "yes"}))
        pages = load({"breaks": "encoded", "pageWidth": round(width * UNITS_PER_SPACE / 10)})
        return pages, str(toolkit.getVersion())


def _bar_widths(page: ElementTree.Element) -> list[float]:
    """Natural widths of the bars of an unbroken line, in staff spaces."""
    widths = []
    for measure in page.iter(SVG + "g"):
        if "measure" in (measure.get("class") or "").split():
            ends = [x for staff in measure if "staff" in (staff.get("class") or "").split() for x in _line_ends(staff)]
            widths.append((max(ends) - min(ends)) / UNITS_PER_SPACE if ends else 0.0)
    return widths


def _line_ends(staff: ElementTree.Element) -> list[float]:
    ends: list[float] = []
    for child in staff:
        if child.tag == SVG + "path":
            left, _, right, _ = bounds(parse_path(child.get("d", "")))
            ends += [left, right]
    return ends


def system_starts(natural: list[float], width: float) -> list[int]:
    """The bars (0-based, without the first) that begin a new system.

    Natural widths are loosened by :data:`LOOSENING`; the fewest systems that hold them are filled as evenly as whole
    bars allow (least sum of squared fillings, by dynamic programming).
    """
    loose = [w * LOOSENING for w in natural]
    count = max(1, math.ceil(sum(loose) / width - 0.05))
    while count <= len(loose):
        best: list[list[tuple[float, int] | None]] = [[None] * (len(loose) + 1) for _ in range(count + 1)]
        best[0][0] = (0.0, 0)
        sums = [0.0, *itertools.accumulate(loose)]
        for k in range(1, count + 1):
            for end in range(k, len(loose) + 1):
                for start in range(k - 1, end):
                    before = best[k - 1][start]
                    filling = sums[end] - sums[start]
                    # One bar may be wider than a system; more than one may not.
                    if before is None or (filling > width * LOOSENING and end - start > 1):
                        continue
                    cost = before[0] + filling * filling
                    here = best[k][end]
                    if here is None or cost < here[0]:
                        best[k][end] = (cost, start)
        if best[count][len(loose)] is not None:
            starts: list[int] = []
            end = len(loose)
            for k in range(count, 1, -1):
                cell = best[k][end]
                assert cell is not None
                end = cell[1]
                starts.append(end)
            return starts[::-1]
        count += 1
    return list(range(1, len(natural)))

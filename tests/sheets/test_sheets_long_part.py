"""A long marked part over several pages: each page of the printed sheet against a browser's drawing of the same page.

Both come from one model: what is printed by way of the PDF's canvas and poppler, and the same systems at the same
places as the screen's SVG in Chromium, with the lanes' own fonts. Compared picture by picture, lanes included.
"""

import os
import shutil
import subprocess
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from long_part import long_marks, long_part
from PIL import Image, ImageFilter
from reportlab.lib.colors import Color
from sheet_reading import outside, pages_of, require

from app.domain.engraving import Engraving, Words
from app.files.engraving import engrave
from app.sheets import comment_sheet, engraved_part, fonts, palette
from app.sheets.drawing_svg import PROPERTIES
from app.sheets.marked_picture import Spot, drawn
from app.sheets.models import CommentSheetModel

WIDTH_PT, HEIGHT_PT = 612.0, 792.0  # Letter
PIXELS_PER_PT = 2.0
FINER = 2  # drawn finer and made smaller, so that no rounding to pixels of either drawer counts
BLUR_PT = 0.75  # about a sixth of a staff space
MOST_PLACE, MOST_MEAN = 0.30, 0.005  # of full black: smoothing of edges differs between the two
FACES = {
    "Inter": (("Regular", "normal", 400), ("SemiBold", "normal", 600), ("Italic", "italic", 400)),
    "EBGaramond": (("Regular", "normal", 400), ("Italic", "italic", 400)),
}

Ink = npt.NDArray[np.float64]


@dataclass
class Page:
    """What stands on one page of the sheet, noted while it is drawn."""

    spots: list[Spot]
    scale: float


@dataclass
class Both:
    """Every page that holds music, printed and on screen, as ink from 0 to 1, and where a look is compared."""

    numbers: list[int]
    printed: list[Ink]
    shown: list[Ink]
    compared: list[npt.NDArray[np.bool_]]

    def differences(self) -> list[Ink]:
        return [
            np.where(where, np.abs(a - b), 0.0)
            for a, b, where in zip(self.printed, self.shown, self.compared, strict=True)
        ]


def _engraved() -> Engraving:
    return engrave(long_part(), width=118.0)


def _printed(
    comment: CommentSheetModel, engraving: Engraving, patch: pytest.MonkeyPatch
) -> tuple[bytes, dict[int, Page]]:
    """The sheet in detail, with the places of its systems by page number."""
    pages: dict[int, Page] = {}

    def noting(canvas: Any, music: Engraving, placed: Any, x: float, top: float, scale: float) -> None:
        page = pages.setdefault(canvas.getPageNumber(), Page([], scale))
        assert page.scale == scale
        page.spots.append(Spot(placed, x, HEIGHT_PT - top))
        engraved_part.draw_system(canvas, music, placed, x, top, scale)

    marks = long_marks([n.engraved_id for system in engraving.systems for n in system.notes])
    part = replace(comment.parts[0], engraving=engraving, marks=marks)
    patch.setattr(comment_sheet, "draw_system", noting)
    return comment_sheet.render(replace(comment, parts=(part,), detail=True)), pages


def _chromium() -> str:
    named = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    return named if named is not None else require("chromium")


def _css(colour: Color) -> str:
    return "#" + colour.hexval()[2:]


def _html(engraving: Engraving, pages: dict[int, Page]) -> str:
    """The pages below each other, in the colours and fonts of the print."""
    folder = Path(fonts.__file__).parent / "fonts"
    faces = "".join(
        f"@font-face{{font-family:'{family.replace('EBG', 'EB G')}';font-style:{style};font-weight:{weight};"
        f"src:url('{(folder / f'{family}-{name}.ttf').as_uri()}')}}"
        for family, each in FACES.items()
        for name, style, weight in each
    )
    names = {value[4:-1]: _css(colour) for colour, *used in PROPERTIES for value in used if value.startswith("var(")}
    # the print has one grey where the screen tells text from lines
    variables = ";".join(f"{name}:{value}" for name, value in {**names, "--soft": _css(palette.SOFT)}.items())
    width, height = WIDTH_PT * PIXELS_PER_PT, HEIGHT_PT * PIXELS_PER_PT
    pictures = "".join(
        drawn(engraving, page.spots, page.scale, WIDTH_PT, HEIGHT_PT).replace(
            "<svg ", f'<svg style="display:block" width="{width:g}" height="{height:g}" ', 1
        )
        for page in pages.values()
    )
    page = "body{margin:0;background:#fff;color:#000}"
    return f'<meta charset="utf-8"><style>{faces}:root{{{variables}}}{page}</style>{pictures}'


def _shown(engraving: Engraving, pages: dict[int, Page], folder: Path) -> list[Ink]:
    html, shot = folder / "pages.html", folder / "pages.png"
    html.write_text(_html(engraving, pages), encoding="utf-8")
    width, height = round(WIDTH_PT * PIXELS_PER_PT), round(HEIGHT_PT * PIXELS_PER_PT)
    command = [
        *(_chromium(), "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"),
        *("--allow-file-access-from-files", f"--force-device-scale-factor={FINER}"),
        *(f"--user-data-dir={folder / 'profile'}", f"--window-size={width},{height * len(pages)}"),
        *("--virtual-time-budget=60000", f"--screenshot={shot}", html.as_uri()),
    ]
    subprocess.run(command, check=True, timeout=300, capture_output=True)
    whole = Image.open(shot).convert("L")
    return [
        _ink(whole.crop((0, FINER * height * at, FINER * width, FINER * height * (at + 1)))) for at in range(len(pages))
    ]


def _papers(pdf: bytes, numbers: list[int], folder: Path) -> list[Ink]:
    source = folder / "sheet.pdf"
    source.write_bytes(pdf)
    command = [
        require("pdftoppm"),
        "-r",
        f"{72 * PIXELS_PER_PT * FINER:g}",
        "-gray",
        "-png",
        str(source),
        str(folder / "page"),
    ]
    subprocess.run(command, check=True, timeout=300)
    return [_ink(Image.open(folder / f"page-{number}.png").convert("L")) for number in numbers]


def _ink(image: Image.Image) -> Ink:
    size = (round(WIDTH_PT * PIXELS_PER_PT), round(HEIGHT_PT * PIXELS_PER_PT))
    soft = image.resize(size, Image.Resampling.LANCZOS).filter(ImageFilter.GaussianBlur(BLUR_PT * PIXELS_PER_PT))
    return 1.0 - np.asarray(soft, dtype=np.float64) / 255.0


def _compared(page: Page) -> npt.NDArray[np.bool_]:
    """The systems and their lanes, without the engraver's own words: a browser sets them in another font."""
    mask = np.zeros((round(HEIGHT_PT * PIXELS_PER_PT), round(WIDTH_PT * PIXELS_PER_PT)), dtype=bool)
    for spot in page.spots:
        mask[round(spot.top * PIXELS_PER_PT) : round((spot.top + spot.placed.height) * PIXELS_PER_PT)] = True
    for spot in page.spots:
        for word in spot.placed.system.words:
            left, top, right, bottom = (round(v * PIXELS_PER_PT) for v in _word_box(spot, word, page.scale))
            mask[top:bottom, left:right] = False
    return mask


def _word_box(spot: Spot, word: Words, scale: float) -> tuple[float, float, float, float]:
    left = word.x - {"middle": word.width / 2, "end": word.width}.get(word.anchor, 0.0)
    x, y = spot.x, spot.staff_top(scale)
    return (
        *(x + (left - 0.7) * scale, y + (word.y - word.size) * scale),
        *(x + (left + word.width + 0.7) * scale, y + (word.y + 0.4 * word.size) * scale),
    )


@pytest.mark.browser
@pytest.mark.slow
def test_every_page_of_a_long_marked_part_is_the_browsers_picture(comment: CommentSheetModel, tmp_path: Path) -> None:
    engraving = _engraved()
    with pytest.MonkeyPatch.context() as patch:
        pdf, pages = _printed(comment, engraving, patch)
    assert outside(pdf) == []
    assert len(pages) >= 4
    assert [s.placed.index for page in pages.values() for s in page.spots] == list(range(len(engraving.systems)))
    both = Both(
        list(pages),
        _papers(pdf, list(pages), tmp_path),
        _shown(engraving, pages, tmp_path),
        [_compared(page) for page in pages.values()],
    )
    for number, difference in zip(both.numbers, both.differences(), strict=True):
        assert difference.max() < MOST_PLACE, (number, np.unravel_index(difference.argmax(), difference.shape))
        assert difference.mean() < MOST_MEAN, number

    # The tolerance is narrow enough: a note head, or a lane's figure, that one drawer left out would be seen.
    page, ink = pages[both.numbers[1]], both.printed[1]
    spot = page.spots[0]
    head, lanes = spot.placed.system.notes[2], spot.placed.lanes
    assert lanes is not None
    label = lanes.sharp[0]
    middle = spot.x + label.left + 3.0
    column = np.abs(both.printed[1][:, round(middle * PIXELS_PER_PT)])
    lowest = round((spot.staff_top(page.scale) + 8 * page.scale) * PIXELS_PER_PT)
    figure = lowest + int(column[lowest : lowest + 60].argmax())
    places = {
        "head": (spot.staff_top(page.scale) + head.y * page.scale, spot.x + head.centre * page.scale),
        "figure": (figure / PIXELS_PER_PT, middle),
    }
    for name, (y, x) in places.items():
        without = both.shown[1].copy()
        row, at = round(y * PIXELS_PER_PT), round(x * PIXELS_PER_PT)
        without[row - 5 : row + 5, at - 6 : at + 6] = 0.0
        assert np.abs(without - ink).max() >= MOST_PLACE, name


def test_every_bar_of_the_long_part_is_numbered_in_order(comment: CommentSheetModel) -> None:
    with pytest.MonkeyPatch.context() as patch:
        pdf, pages = _printed(comment, _engraved(), patch)
    bars = [b.number for page in pages.values() for s in page.spots for b in s.placed.system.bars]
    assert bars == [str(n) for n in range(1, len(bars) + 1)]
    texts = pages_of(pdf)
    for number, page in pages.items():
        words = texts[number - 1].split()
        assert all(b.number in words for s in page.spots for b in s.placed.system.bars)

"""Two drawers, one picture: the PDF's music against a browser's rendering of the same engraving."""

import io
import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, ImageFilter
from reportlab.pdfgen.canvas import Canvas
from sheet_reading import picture, require

from app.files.engraving import engrave
from app.sheets import fonts
from app.sheets.engraved_part import draw_system, lay_out

FEATURES = Path(__file__).parents[1] / "files" / "fixtures" / "engraving-features.musicxml"
PIXELS_PER_SPACE = 8.0
POINTS_PER_SPACE = 6.0
FINER = 3  # drawn finer and made smaller, so that no rounding to pixels of either drawer counts


def chromium() -> str:
    named = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    return named if named is not None else require("chromium")


@pytest.mark.browser
@pytest.mark.slow
def test_pdf_and_browser_draw_the_same_notation(tmp_path: Path) -> None:
    engraved = engrave(FEATURES.read_bytes())
    page_height = 14.0 * POINTS_PER_SPACE  # of one system, plenty
    for index, (placed, svg_top) in enumerate(
        zip(lay_out(engraved, None, POINTS_PER_SPACE), engraved.svg_tops, strict=True)
    ):
        system = placed.system
        high, low = -system.ink_top + 1.0, max(system.ink_bottom, 4.0) + 0.3  # spaces above and below the top line
        page_height = (high + low) * POINTS_PER_SPACE
        out = io.BytesIO()
        fonts.font_name("text")
        canvas = Canvas(out, pagesize=(engraved.width * POINTS_PER_SPACE, page_height), invariant=1)
        top = page_height - (high + system.ink_top) * POINTS_PER_SPACE
        draw_system(canvas, engraved, placed, 0.0, top, POINTS_PER_SPACE)
        canvas.save()
        folder = tmp_path / str(index)
        folder.mkdir()
        printed = picture(out.getvalue(), folder, dpi=round(72 * FINER * PIXELS_PER_SPACE / POINTS_PER_SPACE))

        width, height = round(engraved.width * PIXELS_PER_SPACE), round((high + low) * PIXELS_PER_SPACE)
        box = f"0 {svg_top - high:.4f} {engraved.width:g} {high + low:.4f}"
        svg = engraved.svg.replace("<svg ", f'<svg width="{width}" height="{height}" ', 1)
        svg = svg[: svg.index('viewBox="')] + f'viewBox="{box}"' + svg[svg.index('"', svg.index('viewBox="') + 9) + 1 :]
        html = folder / "page.html"
        html.write_text(f'<meta charset="utf-8"><body style="margin:0;background:#fff">{svg}', encoding="utf-8")
        shot = folder / "shot.png"
        command = [
            chromium(),
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--hide-scrollbars",
            f"--force-device-scale-factor={FINER}",
            f"--user-data-dir={folder / 'profile'}",
        ]
        size = f"--window-size={max(500, width)},{max(200, height)}"
        subprocess.run(
            [*command, size, f"--screenshot={shot}", html.as_uri()], check=True, timeout=60, capture_output=True
        )
        shown = Image.open(shot).convert("L").crop((0, 0, FINER * width, FINER * height))
        # words are set in other fonts there, so only what is neither word nor bar number is compared
        words = _word_mask(system.words, width, height, high)
        difference = np.abs(_soft(printed, width, height) - _soft(shown, width, height))
        difference[words] = 0.0
        assert difference.max() < 0.32, f"system {index + 1} differs"
        assert difference.mean() < 0.01


def _soft(image: Image.Image, width: int, height: int) -> npt.NDArray[np.float64]:
    """Ink from 0 to 1, blurred by about a quarter of a staff space: what the eye sees at reading distance."""
    same = image.resize((width, height), Image.Resampling.LANCZOS)
    return 1.0 - np.asarray(same.filter(ImageFilter.GaussianBlur(PIXELS_PER_SPACE / 3)), dtype=np.float64) / 255.0


def _word_mask(words: object, width: int, height: int, high: float) -> npt.NDArray[np.bool_]:
    mask = np.zeros((height, width), dtype=bool)
    for word in words:  # type: ignore[attr-defined]
        left = word.x - {"middle": word.width / 2, "end": word.width}.get(word.anchor, 0.0)
        x0, x1 = int((left - 1) * PIXELS_PER_SPACE), int((left + word.width + 1) * PIXELS_PER_SPACE)
        y0 = int((word.y + high - word.size) * PIXELS_PER_SPACE)
        y1 = int((word.y + high + 0.5 * word.size) * PIXELS_PER_SPACE)
        mask[max(0, y0) : max(0, y1), max(0, x0) : max(0, x1)] = True
    return mask

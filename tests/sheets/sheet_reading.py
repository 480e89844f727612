"""Readers for the PDFs that tests make."""

import io
import os
import shutil
import subprocess
from pathlib import Path

import pdfplumber
import pypdf
import pytest
from PIL import Image


def require(program: str) -> str:
    """A program's path; without it the test is skipped here and fails in CI."""
    found = shutil.which(program)
    if found is None:
        reason = f"{program} is not installed here"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    return found


def pages_of(pdf: bytes) -> list[str]:
    """The text of every page."""
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def text_of(pdf: bytes) -> str:
    """All text with single spaces, no matter where lines end."""
    return " ".join(" ".join(pages_of(pdf)).replace("\u00a0", " ").split())


def open_pdf(pdf: bytes) -> pdfplumber.PDF:
    return pdfplumber.open(io.BytesIO(pdf))


def picture(pdf: bytes, folder: Path, *, dpi: int = 60, page: int = 1) -> Image.Image:
    """One page as a grey picture."""
    program = require("pdftoppm")
    source = folder / "sheet.pdf"
    source.write_bytes(pdf)
    target = folder / f"sheet-{dpi}-{page}"
    command = [program, "-r", str(dpi), "-f", str(page), "-l", str(page), "-gray", "-singlefile", "-png"]
    subprocess.run([*command, str(source), str(target)], check=True, timeout=60)
    return Image.open(f"{target}.png").convert("L")


def outside(pdf: bytes, *, margin: float = 40.0) -> list[str]:
    """Everything that reaches over the margins or below the footer: texts and lines, with their page."""
    found = []
    with open_pdf(pdf) as document:
        for number, page in enumerate(document.pages, start=1):
            for kind in ("chars", "lines", "curves", "rects"):
                for item in getattr(page, kind):
                    inside = item["x0"] >= margin and item["x1"] <= page.width - margin
                    if not inside or item["top"] < 20 or item["bottom"] > page.height - 20:
                        found.append(f"page {number}: {item.get('text', kind)} at {item['x0']:.0f}, {item['top']:.0f}")
    return found

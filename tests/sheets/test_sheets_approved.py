"""Sheets as pictures against pictures that somebody has looked at and approved.

After a change that moves ink on purpose: run with ``APPROVE=1``, look at every picture in ``approved/``, commit them.
"""

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, ImageFilter
from sheet_examples import LETTERS, captions, heard_sheet, score_sheet
from sheet_reading import picture

from app.sheets import comment_sheet, private_links
from app.sheets import score_sheet as score
from app.sheets.models import CommentSheetModel, LandingMark, MarksBlock
from app.sheets.private_links import Slip, SlipsModel

APPROVED = Path(__file__).parent / "approved"
DPI = 50
MOST_MEAN = 0.004  # of full black, over the page: other versions of the drawer smooth edges differently
DRAWN = ("comment-1", "comment-2", "progress-1", "progress-2", "nine-1", "heard-2", "score-1", "slips-1")
MOST_PLACE = 0.12  # blurred: one word elsewhere is more


def _progress(comment: CommentSheetModel) -> CommentSheetModel:
    landing = LandingMark("n20", "n21", "+62 ms after the trill")
    part = comment.parts[0]
    assert part.marks is not None
    parts = (replace(part, marks=replace(part.marks, landings=(landing,))), *comment.parts[1:])
    lines = (
        "Against First round of Spring mock, 14 March 2026, the same music. A change smaller than its doubt is no "
        "change.",
        "Distance from the pitch: 6.2 cents now, 9.8 then (a change counts from 1.9): closer.",
        "Distance from the pulse: 3.0 % of a beat now, 3.1 then (a change counts from 0.8): no change.",
    )
    return replace(comment, parts=parts, progress=lines, paper="a4")


def _nine(comment: CommentSheetModel) -> CommentSheetModel:
    """Nine adjudicators, no remark, a long name; CID fonts are the reader's own, so none is in an approved picture."""
    return replace(
        comment,
        letters=tuple(LETTERS),
        blocks=(MarksBlock("Evening Ferry", captions(9, recused=4)),),
        remarks=(),
        student="Ἀριάδνη Wolkenstein-Trostburg-Neuhaus von und zu Hohenfels am Unteren Weiher",
    )


def _slips() -> bytes:
    made = [
        Slip(f"Student Number-{n}", str(10 + n), f"https://mock.example/student.html#{n:043d}", "14 March 2027")
        for n in range(9)
    ]
    return private_links.render(SlipsModel("Autumn mock audition", "Tern Valley Honour Winds", "First round", made))


def _draw(name: str, comment: CommentSheetModel) -> bytes:
    if name.startswith("comment-"):
        return comment_sheet.render(comment)
    if name.startswith("progress"):
        return comment_sheet.render(_progress(comment))
    if name == "heard-2":
        return comment_sheet.render(heard_sheet(comment))
    if name == "nine-1":
        return comment_sheet.render(_nine(comment))
    if name == "score-1":
        return score.render(score_sheet(count=14, adjudicators=5))
    return _slips()


@pytest.mark.parametrize(
    "name", ["comment-1", "comment-2", "progress-1", "progress-2", "nine-1", "heard-2", "score-1", "slips-1"]
)
def test_the_sheet_looks_as_approved(name: str, comment: CommentSheetModel, tmp_path: Path) -> None:
    drawn = picture(_draw(name, comment), tmp_path, dpi=DPI, page=int(name[-1]))
    target = APPROVED / f"{name}.png"
    if os.environ.get("APPROVE") == "1":
        APPROVED.mkdir(exist_ok=True)
        drawn.save(target, optimize=True)
    assert target.exists(), f"nobody has approved {name}: run with APPROVE=1 and look at it"
    approved = Image.open(target).convert("L")
    assert drawn.size == approved.size
    difference = np.abs(_ink(drawn) - _ink(approved))
    assert difference.mean() < MOST_MEAN
    assert difference.max() < MOST_PLACE


def test_a_moved_line_would_be_seen(comment: CommentSheetModel, tmp_path: Path) -> None:
    approved = Image.open(APPROVED / "comment-1.png").convert("L")
    drawn = picture(comment_sheet.render(replace(comment, held_on="22 November 2026")), tmp_path, dpi=DPI)
    other = picture(comment_sheet.render(replace(comment, practice=comment.practice[:2])), tmp_path, dpi=DPI)
    assert np.abs(_ink(drawn) - _ink(approved)).max() >= MOST_PLACE
    assert np.abs(_ink(other) - _ink(approved)).mean() >= MOST_MEAN


def _ink(image: Image.Image) -> npt.NDArray[np.float64]:
    """Ink from 0 to 1, blurred so that no pixel's rounding counts."""
    soft = image.filter(ImageFilter.GaussianBlur(0.8))
    return 1.0 - np.asarray(soft, dtype=np.float64) / 255.0

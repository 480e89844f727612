"""The lanes: each figure stands under its own note, to the side that means it, and nothing needs its colour."""

import io
import itertools
from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pdfplumber.page import Page
from reportlab.pdfgen.canvas import Canvas
from sheet_examples import part_marks
from sheet_reading import open_pdf

from app.domain.engraving import Engraving
from app.sheets import fonts, palette
from app.sheets.engraved_part import draw_system, lay_out
from app.sheets.labels import GAP_PT, WORDS_GAP_PT, Label, label_width, place
from app.sheets.models import HeadMark, PartMarks

SCALE = 4.8
LEFT, TOP = 60.0, 700.0
HEIGHT = 792.0
THICK = 2.0  # ticks worth a look are thicker than this, ordinary ones thinner


@pytest.fixture
def page(engraving: Engraving) -> Iterator[Page]:
    """The first system with its lanes, drawn alone."""
    with open_pdf(drawn(engraving, part_marks())) as document:
        yield document.pages[0]


def drawn(engraving: Engraving, marks: PartMarks, *, short: bool = False) -> bytes:
    fonts.font_name("text")
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(612, HEIGHT), invariant=1)
    placed = lay_out(engraving, marks, SCALE, short=short)[0]
    draw_system(canvas, engraving, placed, LEFT, TOP, SCALE)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def note_x(engraving: Engraving, engraved_id: str) -> float:
    found = next(n for s in engraving.systems for n in s.notes if n.engraved_id == engraved_id)
    return LEFT + found.centre * SCALE


def word(page: Page, text: str) -> dict[str, float]:
    found = [w for w in page.extract_words() if w["text"] == text]
    assert len(found) == 1, (text, found)
    return found[0]


def lane_y(page: Page, name: str) -> float:
    found = word(page, name)
    return (found["top"] + found["bottom"]) / 2


def test_a_sharp_note_rises_above_its_lane_and_a_flat_one_falls(page: Page, engraving: Engraving) -> None:
    middle = lane_y(page, "pitch")
    sharp, flat = word(page, "+24"), word(page, "−18")
    assert (sharp["x0"] + sharp["x1"]) / 2 == pytest.approx(note_x(engraving, "n3"), abs=0.6)
    assert (flat["x0"] + flat["x1"]) / 2 == pytest.approx(note_x(engraving, "n6"), abs=0.6)
    assert sharp["bottom"] < middle < flat["top"]
    thick = [line for line in page.lines if line["linewidth"] > THICK and line["x0"] == pytest.approx(line["x1"])]
    up, down = sorted(thick, key=lambda line: line["top"])
    assert up["x0"] == pytest.approx(note_x(engraving, "n3"), abs=0.05)
    assert down["x0"] == pytest.approx(note_x(engraving, "n6"), abs=0.05)
    assert up["bottom"] == pytest.approx(down["top"], abs=0.1)  # both start from the lane's line
    assert up["height"] > down["height"]  # 24 cents against 18


def test_a_late_note_lies_right_of_its_own_line(page: Page, engraving: Engraving) -> None:
    thick = [line for line in page.lines if line["linewidth"] > THICK and line["width"] > 1]
    assert len(thick) == 1
    assert thick[0]["x0"] == pytest.approx(note_x(engraving, "n9"), abs=0.05)
    assert thick[0]["x1"] > thick[0]["x0"] + 3
    assert word(page, "+62")["top"] > lane_y(page, "time")


def test_what_was_left_out_or_wrong_is_said_in_words(page: Page, engraving: Engraving) -> None:
    text = page.extract_text()
    assert "left out" in text
    assert "heard F♯" in text
    crosses = [line for line in page.lines if abs(line["x0"] + line["x1"] - 2 * note_x(engraving, "n10")) < 0.2]
    assert len([c for c in crosses if c["width"] == pytest.approx(4.4, abs=0.1)]) == 2


def test_brackets_lines_and_breaks_begin_at_their_notes(page: Page, engraving: Engraving) -> None:
    assert "about an eighth short" in page.extract_text()
    assert "back to bar 3" in page.extract_text()
    assert "D minor: F −32 cents just, −16 equal" in page.extract_text()
    heads = {n.engraved_id: n for s in engraving.systems for n in s.notes}
    left, right = LEFT + heads["n13"].left * SCALE, LEFT + heads["n14"].left * SCALE - 1
    held = [line for line in page.lines if line["linewidth"] == pytest.approx(1.5)]
    assert len(held) == 1
    assert held[0]["x0"] == pytest.approx(left, abs=0.1)
    assert (held[0]["x1"] - left) / (right - left) == pytest.approx(0.75, abs=0.01)
    returned = [line for line in page.lines if line["linewidth"] == pytest.approx(0.6) and line["width"] > 20]
    assert (returned[0]["x0"], returned[0]["x1"]) == pytest.approx(
        (note_x(engraving, "n1"), note_x(engraving, "n8")), abs=0.1
    )


def test_words_and_figures_stand_on_clear_paper(page: Page) -> None:
    """Bar lines go through the lanes; none goes through a word."""
    white = [
        c for c in (*page.rects, *page.curves) if c["fill"] and c["non_stroking_color"] in ((1.0, 1.0, 1.0), (1, 1, 1))
    ]
    lines = [one for one in page.lines if one["linewidth"] == pytest.approx(0.35)]
    assert len(lines) >= 4
    words = [w for w in page.extract_words() if w["text"] in ("+24", "−18", "+62", "short", "just,", "cents")]
    assert len(words) >= 6
    for word in words:
        middle = (word["top"] + word["bottom"]) / 2
        under = [
            c
            for c in white
            if c["x0"] <= word["x0"] + 0.1 and c["x1"] >= word["x1"] - 0.1 and c["top"] < middle < c["bottom"]
        ]
        assert under, word


def test_two_words_beside_each_other_are_not_read_as_one_sentence() -> None:
    apart = (label_width("left out") + label_width("heard F♯")) / 2  # of their middles when they touch
    for gap, rows in ((GAP_PT + 1.0, [0, 1]), (WORDS_GAP_PT + 1.0, [0, 0])):
        words = [Label(100.0, "left out", 2.0, plain=True), Label(100.0 + apart + gap, "heard F♯", 1.0, plain=True)]
        assert [p.row for p in place(words, 0.0, 400.0)] == rows


def test_a_return_from_another_line_of_music_says_its_bar(engraving: Engraving) -> None:
    assert len(engraving.systems) > 1
    placed = lay_out(engraving, part_marks(), SCALE)
    texts = [[one.text for one in p.lanes.returns] for p in placed if p.lanes is not None]
    assert texts[0] == ["E +14 cents"]
    assert ["G −15 cents since bar 1"] in texts[1:]


def test_lanes_stay_below_the_lowest_ink(engraving: Engraving, page: Page) -> None:
    lowest_ink = HEIGHT - TOP + (engraving.systems[0].ink_bottom - engraving.systems[0].ink_top) * SCALE
    lanes = [
        w
        for w in page.extract_words()
        if w["text"] in ("pitch", "time", "level", "held", "again", "break", "chord", "+24")
    ]
    assert len(lanes) == 8
    assert min(w["top"] for w in lanes) > lowest_ink


def test_the_short_form_has_the_pitch_lane_only(engraving: Engraving) -> None:
    with open_pdf(drawn(engraving, part_marks(), short=True)) as document:
        text = document.pages[0].extract_text()
    assert "pitch" in text
    assert not any(name in text for name in ("time", "level", "held", "again", "break", "chord"))


def test_no_measurement_means_no_lane(engraving: Engraving) -> None:
    silent = replace(part_marks(), heads=(), held=(), returns=(), chords=(), phrases=(), breaks=(), level_low_db=None)
    placed = lay_out(engraving, silent, SCALE)[0]
    assert placed.lanes is not None
    assert placed.lanes.height == 0


def test_figures_that_would_touch_are_left_out_by_weight(engraving: Engraving) -> None:
    heads = tuple(HeadMark(f"n{n}", "played", cents=30.0 + n, cents_look=True) for n in range(1, 49))
    marks = PartMarks(heads=heads)
    placed = lay_out(engraving, marks, 1.2)[0].lanes  # so small that not every figure has room
    assert placed is not None
    rows: dict[int, list[tuple[float, float]]] = {}
    for one in placed.sharp:
        rows.setdefault(one.row, []).append((one.left, one.left + label_width(one.label.text)))
    assert 0 < len(placed.sharp) < len(placed.heads)
    for spans in rows.values():
        spans.sort()
        assert all(b[0] >= a[1] for a, b in itertools.pairwise(spans))


@given(
    xs=st.lists(st.floats(0, 400), min_size=1, max_size=60),
    texts=st.lists(st.sampled_from(["+9", "+24", "−118", "left out"]), min_size=60, max_size=60),
)
def test_no_two_figures_ever_touch(xs: list[float], texts: list[str]) -> None:
    labels = [Label(x, text, float(i)) for i, (x, text) in enumerate(zip(xs, texts, strict=False))]
    placed = place(labels, 0.0, 420.0)
    heaviest = max(labels, key=lambda one: one.weight)
    assert any(p.label == heaviest for p in placed)
    for row in {p.row for p in placed}:
        spans = sorted((p.left, p.left + label_width(p.label.text)) for p in placed if p.row == row)
        assert all(b[0] - a[1] >= GAP_PT - 1e-6 for a, b in itertools.pairwise(spans))
        assert spans[0][0] >= 0
        assert spans[-1][1] <= 420.0 + 1e-6


def luminance(colour: object) -> float:
    """Relative luminance (WCAG 2.1)."""
    parts = [getattr(colour, name) for name in ("red", "green", "blue")]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("name", ["INK", "SOFT", "LOW", "HIGH"])
def test_text_colours_reach_the_contrast_for_small_print(name: str) -> None:
    # WCAG 2.1, 1.4.3: 4.5 to 1 on white
    assert 1.05 / (luminance(getattr(palette, name)) + 0.05) >= 4.5


def test_grey_printing_keeps_looks_apart_from_the_ordinary() -> None:
    ordinary = luminance(palette.GREY)
    assert luminance(palette.LOW) < ordinary
    assert luminance(palette.HIGH) < ordinary

"""The score sheet read back out of its PDF."""

import io
from dataclasses import replace

import pypdf
import pytest
from sheet_examples import score_sheet
from sheet_reading import open_pdf, outside, pages_of, text_of

from app.sheets.models import model_hash
from app.sheets.score_sheet import render


def test_it_says_all_that_the_leader_defends() -> None:
    model = score_sheet()
    text = text_of(render(model))
    for wanted in (
        *("Score sheet", "First round", "8 ranked", "4 adjudicators", "3 seats", "opened 21 November 2026, 16:40 UTC"),
        *(
            "Number 101 leads",
            "Ranked by the mean",
            "The panel agrees well",
            "5 cents give 10",
            "listen again to bar 3",
        ),
        *("has not sent a sheet", "9f" * 32, "ab" * 32, "cd" * 32, "Adjudicator A", "Section leader", "absent"),
        *("no official score", "consent", model_hash(model)[:12], "3 seats above", "certain"),
    ):
        assert wanted in text, wanted


def test_by_numbers_no_name_is_on_it() -> None:
    text = text_of(render(score_sheet(named=False)))
    assert "sealed: numbers only" in text
    assert "Student" not in text
    assert "name" not in text.replace("names", "").split("How this was ranked")[0]
    assert "101" in text


@pytest.mark.parametrize("count", [1, 2, 8, 25, 60])
@pytest.mark.parametrize("adjudicators", [1, 9])
@pytest.mark.parametrize("named", [True, False])
def test_any_round_stays_on_the_paper(count: int, adjudicators: int, named: bool) -> None:
    pdf = render(score_sheet(count, adjudicators, named=named))
    assert outside(pdf) == []
    text = text_of(pdf)
    assert all(str(101 + 3 * n) in text for n in range(count))


def test_sixty_candidates_repeat_the_header_on_every_page_of_the_table() -> None:
    pages = pages_of(render(score_sheet(60)))
    table = [p for p in pages if any(f"\n{n}\n" in p or f" {n} " in p.replace("\n", " ") for n in range(101, 281, 3))]
    assert len(table) >= 3
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in page
    for page in table[:3]:
        assert "place" in page
        assert "musicianship" in page
    assert "Score sheet · Autumn mock audition · First round" in pages[1]


def test_intervals_and_dots_stand_at_their_places() -> None:
    with open_pdf(render(score_sheet(8))) as document:
        page = document.pages[0]
        words = page.extract_words()
        head = next(w for w in words if w["text"] == "place")
        axis = {
            w["text"]: (w["x0"] + w["x1"]) / 2
            for w in words
            if w["text"].isdigit() and abs(w["top"] - head["top"]) < 3 and w["x0"] > head["x1"]
        }
        rows = {w["text"]: (w["top"] + w["bottom"]) / 2 for w in words if w["text"] in ("101", "104", "113")}
        dots = [c for c in page.curves if c["fill"] and abs(c["width"] - 5.8) < 0.1]
        bars = [line for line in page.lines if line["linewidth"] == 3]
    assert list(axis) == [str(n) for n in range(1, 9)]

    def dot_of(number: str) -> float:
        return next((c["x0"] + c["x1"]) / 2 for c in dots if abs((c["top"] + c["bottom"]) / 2 - rows[number]) < 3)

    assert dot_of("101") == pytest.approx(axis["1"], abs=0.5)
    assert dot_of("104") == pytest.approx(axis["2"], abs=0.5)
    bar = next(b for b in bars if abs((b["top"] + b["bottom"]) / 2 - rows["113"]) < 3)
    assert (bar["x0"], bar["x1"]) == pytest.approx((axis["3"], axis["7"]), abs=0.6)


def test_a_bracket_spans_those_who_cant_be_told_apart() -> None:
    model = score_sheet(8)
    with open_pdf(render(model)) as document:
        page = document.pages[0]
        words = page.extract_words()
        rows = {w["text"]: (w["top"] + w["bottom"]) / 2 for w in words if w["text"] in ("104", "107", "110", "113")}
        brackets = [
            line for line in page.lines if line["linewidth"] == 1 and line["width"] < 0.1 and line["height"] > 20
        ]
    assert model.brackets == (("104", "107", "110"),)
    assert len(brackets) == 1
    assert brackets[0]["top"] < rows["104"] < rows["110"] < brackets[0]["bottom"] < rows["113"]
    without = replace(model, brackets=())
    with open_pdf(render(without)) as document:
        assert not [line for line in document.pages[0].lines if line["linewidth"] == 1 and line["height"] > 20]


def test_overlapping_brackets_stand_beside_each_other() -> None:
    model = replace(score_sheet(8), brackets=(("101", "104", "107"), ("104", "107", "110"), ("116", "119")))
    with open_pdf(render(model)) as document:
        tall = [line for line in document.pages[0].lines if line["linewidth"] == 1 and line["height"] > 15]
    assert len(tall) == 3
    assert len({round(line["x0"], 1) for line in tall}) == 2


def test_equal_models_give_equal_bytes() -> None:
    assert render(score_sheet(12)) == render(score_sheet(12))
    assert render(score_sheet(12)) != render(score_sheet(12, named=False))


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_it_lies_on_its_side_on_both_papers(paper: str) -> None:
    pdf = render(replace(score_sheet(), paper=paper))
    box = pypdf.PdfReader(io.BytesIO(pdf)).pages[0].mediabox
    assert box.width > box.height
    assert outside(pdf) == []


@pytest.mark.parametrize("adjudicators", [4, 9])
def test_a_very_long_name_is_set_whole_in_a_row_that_grows(adjudicators: int) -> None:
    model = score_sheet(30, adjudicators)
    long = "Maximiliana Alexandrina Wolkenstein-Trostburg-Neuhaus von und zu Hohenfels am Unteren Weiher der Jüngere"
    lines = tuple(replace(line, name=long) if at % 3 == 0 else line for at, line in enumerate(model.lines))
    pdf = render(replace(model, lines=lines))
    assert outside(pdf) == []
    text = text_of(pdf).replace("- ", "-")
    assert text.count(long) == 11
    with open_pdf(pdf) as document:
        sizes = {round(c["size"], 1) for page in document.pages for c in page.chars}
    assert min(sizes) >= 5.4  # nothing is made so small that it can't be read


def test_where_a_place_may_lie_stands_there_in_figures() -> None:
    """A plot of sixty places can't be read to one place; the figures can."""
    with open_pdf(render(score_sheet(60, 9))) as document:
        page = document.pages[0]
        words = page.extract_words()
        head = next(w for w in words if w["text"] == "lie")
        row = next((w["top"] + w["bottom"]) / 2 for w in words if w["text"] == "113")
        beside = [
            w
            for w in words
            if abs((w["top"] + w["bottom"]) / 2 - row) < 3 and head["x0"] - 32 < w["x0"] < head["x1"] + 2
        ]
        bars = [
            line for line in page.lines if line["linewidth"] == 3 and abs((line["top"] + line["bottom"]) / 2 - row) < 3
        ]
        dots = [c for c in page.curves if c["fill"] and abs((c["top"] + c["bottom"]) / 2 - row) < 3]
    assert [w["text"] for w in beside] == ["3", "to", "7"]
    # and the bar, whose round ends reach half its width further, still shows on both sides of its dot
    assert bars[0]["x0"] - 1.5 < dots[0]["x0"] - 1.0
    assert bars[0]["x1"] + 1.5 > dots[0]["x1"] + 1.0
    assert "under 1 %" in text_of(render(score_sheet(60, 9)))


@pytest.mark.parametrize("count", range(8, 40, 2))
def test_signatures_never_stand_on_a_page_of_their_own(count: int) -> None:
    model = score_sheet(count, 5)
    pages = [" ".join(page.split()) for page in pages_of(render(model))]
    signed = next(page for page in pages if "Signed for this sheet" in page)
    assert "To check the draw and the result" in signed
    assert f"Signed for this sheet, {model_hash(model)[:12]}, of First round:" in signed
    assert "Adjudicator A" in signed
    assert "Section leader" in signed


@pytest.mark.parametrize(("adjudicators", "rows"), [(2, 1), (4, 1), (9, 3)])
def test_signatures_stand_in_one_row_while_their_lines_are_long_enough(adjudicators: int, rows: int) -> None:
    with open_pdf(render(score_sheet(6, adjudicators))) as pdf:
        words = [w for page in pdf.pages for w in page.extract_words() if w["text"] in ("Adjudicator", "leader")]
        lowest = [round(w["top"]) for w in words][-adjudicators - 1 :]
    assert len(set(lowest)) == rows


def test_an_unopened_round_without_sheets_prints() -> None:
    empty = replace(score_sheet(1), lines=(), brackets=(), agreement_sentence="", sentences=("No sheet was sent yet.",))
    pdf = render(empty)
    assert "No sheet was sent yet." in text_of(pdf)
    assert outside(pdf) == []

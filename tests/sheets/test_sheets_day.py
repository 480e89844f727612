"""The day's printed pieces: everything is on the page, names only where they belong, equal input gives equal bytes."""

import io
import re
from dataclasses import replace

import pypdf
import pytest
from day_examples import BLANK, DOOR, HEADING, NAMES, NOTES, ROOMS, SCRIPT, SLIPS

from app.files.engraving import engrave
from app.files.notation_writing import to_musicxml
from app.judging.section import SectionBar, SectionTendency
from app.material.sight_reading import sight_reading
from app.material.sight_recipe import sight_recipe_from
from app.sheets.blank_sheet import render_blank_sheet
from app.sheets.certificate import CertificateModel, DestroyedLine
from app.sheets.certificate import render as render_certificate
from app.sheets.day_sheets import render_door_list, render_schedule, render_script
from app.sheets.section_report import SectionPart, SectionReportModel
from app.sheets.section_report import render as render_section
from app.sheets.slips import render_slips
from app.sheets.stand_sheet import StandSheetModel, line_width, render_stand_sheet


def pages(pdf: bytes) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def test_every_slip_is_there_and_none_has_a_name() -> None:
    found = pages(render_slips(HEADING, SLIPS))
    assert len(found) == 2
    assert all(slip.blind_number in " ".join(found) for slip in SLIPS)
    assert sum(page.count("your number is all we need") for page in found) == len(SLIPS)


def test_the_door_list_says_on_every_page_for_whom_it_is() -> None:
    found = pages(render_door_list(HEADING, DOOR))
    assert len(found) > 1
    assert all("for the proctor's eyes only" in page for page in found)
    text = " ".join(found)
    assert "…" not in text  # a name that is cut is no name
    for name in NAMES:
        assert name in text
    assert " ".join(found).count("50 % more time") == 6


def test_the_schedule_has_every_room_and_no_name() -> None:
    found = pages(render_schedule(HEADING, ROOMS, NOTES))
    assert [("Choir room" in page, "Stage" in page) for page in found] == [(True, False), (False, True)]
    text = " ".join(found)
    for wanted in ("Choir room", "Stage", "Meal: 12:00", "Numbers only"):
        assert wanted in text


def test_the_script_is_word_by_word_and_the_material_in_order() -> None:
    text = " ".join(pages(render_script(SCRIPT)))
    for sentence in (*SCRIPT.sentences, *SCRIPT.declared, "Study time: 30 seconds"):
        assert sentence in text
    assert text.index("Scale in D") < text.index("Étude") < text.index("Sight-reading")


def test_a_blank_sheet_has_a_block_for_every_number() -> None:
    text = " ".join(pages(render_blank_sheet(BLANK)))
    assert text.count("remarks, with bar") == 4
    assert "recused: leave empty" in text
    assert text.count("Adjudicator B") >= 5
    assert "from 1 to 10" in text


@pytest.mark.parametrize("paper", ["letter", "a4"])
@pytest.mark.parametrize("takes", range(1, 24))
def test_no_signature_stands_alone_on_a_page(paper, takes) -> None:
    line = DestroyedLine("a" * 32, "First round", "17", "Étude", "14 March 2026", 61.0, 5, "b" * 64, "c" * 64, "", 1)
    model = CertificateModel(
        audition="Spring mock", organisation="", held_on="14 March 2026", made="1 June 2026", made_by="Ines, leader",
        reason="retention date", retention_until=None, one_student=False, lines=(line,) * takes, kept=("marks",),
        audit_hash="d" * 64, certificate_id="e" * 32, cautions=(), paper=paper,
    )  # fmt: skip
    found = pages(render_certificate(model))
    assert "What is kept" in found[-1]
    assert "Section leader" in found[-1]
    assert " ".join(found).count("as received b") == takes


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_sight_reading_for_the_stand_is_large_where_it_should_be(paper) -> None:
    recipe = sight_recipe_from({"tonic": "G", "bars": 16, "instrument": "clarinet-bb", "seed": "x"})
    music = to_musicxml(sight_reading(recipe))
    found_sizes = []
    for large in (False, True):
        model = StandSheetModel(replace(HEADING, paper=paper), "37", "Sight-reading", "Study time: 45 s.", large)
        engraved = engrave(music, width=line_width(model))
        pdf = render_stand_sheet(model, engraved)
        assert pdf == render_stand_sheet(model, engraved)
        found = pages(pdf)
        assert all("37" in page for page in found)
        text = " ".join(found)
        assert [str(bar) in text for bar in range(1, 17)] == [True] * 16
        found_sizes.append((len(engraved.systems), max(_sizes(pdf))))
    (systems, largest), (large_systems, large_largest) = found_sizes
    assert large_systems > systems  # the same notes on more lines: the staff is larger
    assert large_largest > 1.5 * largest


@pytest.mark.parametrize("pitches", [1, 19, 20, 21, 33, 41])
def test_the_section_report_tears_no_title_from_its_figure_and_leaves_no_row_alone(pitches) -> None:
    rows = tuple(SectionTendency("flute", f"P{n}x", 60 + n, 3.0 - n / 10, -1.0, 7.0, "", 8, 20) for n in range(pitches))
    parts = tuple(
        SectionPart(
            title=f"Instrument {k}", tendencies=rows, names=tuple(r.written_pitch for r in rows), sentence="So."
        )
        for k in range(4)
    )
    bars = SectionPart(title="Étude", bars=tuple(SectionBar("Étude", str(n), 8, 0, 0, 0, 0, 0) for n in range(20)))
    model = SectionReportModel(
        audition="Spring mock", round_name="First round", held_on="14 March 2026", takes="8 takes",
        next_rehearsal=("Nothing.",), pitch=parts, why_no_pitch="", pieces=(bars,),
        why_no_bars="", doubts=("None.",), cautions=("A mock result.",),
        paper="a4", language="en-US",
    )  # fmt: skip
    found = pages(render_section(model))
    for page in found:
        for title in re.findall(r"Instrument \d", page):
            assert "P0x" in page[page.index(title) :]
        if pitches > 1:
            assert len(re.findall(r"P\d+x", page)) != 1
    assert [" ".join(found).count(f"P{n}x") for n in range(pitches)] == [4] * pitches


def _sizes(pdf: bytes) -> list[float]:
    """Sizes of the words on the pages, in points, but for the number at the head."""
    sizes: list[float] = []
    for page in pypdf.PdfReader(io.BytesIO(pdf)).pages:
        page.extract_text(visitor_text=lambda text, cm, tm, font, size: sizes.append(size) if text.strip() else None)
    return [size for size in sizes if size < 40]


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_the_same_input_gives_the_same_bytes(paper) -> None:
    heading = replace(HEADING, paper=paper)
    for make in (
        lambda: render_slips(heading, SLIPS),
        lambda: render_door_list(heading, DOOR),
        lambda: render_schedule(heading, ROOMS, NOTES),
        lambda: render_script(replace(SCRIPT, heading=heading)),
        lambda: render_blank_sheet(replace(BLANK, heading=heading)),
    ):
        assert make() == make()

"""The day's printed pieces: everything is on the page, names only where they belong, equal input gives equal bytes."""

import io
from dataclasses import replace

import pypdf
import pytest
from day_examples import BLANK, DOOR, HEADING, NAMES, NOTES, ROOMS, SCRIPT, SLIPS

from app.sheets.blank_sheet import render_blank_sheet
from app.sheets.day_sheets import render_door_list, render_schedule, render_script
from app.sheets.slips import render_slips


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
    for name in NAMES[:3]:
        assert name in " ".join(found)
    assert " ".join(found).count("50 % more time") == 6


def test_the_schedule_has_every_room_and_no_name() -> None:
    text = " ".join(pages(render_schedule(HEADING, ROOMS, NOTES)))
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

"""Workbooks made to hurt: entities, links to the outside, and a cell so far out that its neighbours take hours."""

import io
import zipfile
from pathlib import Path

import pytest

from app.domain.errors import BadInput, TooLarge
from app.files.marks_table import MOST_COLUMNS, read_marks, write_xlsx

ROWS = [["candidate", "adjudicator", "caption", "mark"], ["27", "A", "tone", 6], ["31", "A", "tone", 7]]
SHEET = "xl/worksheets/sheet1.xml"


def changed(**parts: bytes | str) -> bytes:
    """A sound workbook with some of its parts replaced or added."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(write_xlsx({"marks": ROWS}))) as sound, zipfile.ZipFile(out, "w") as archive:
        for name in sound.namelist():
            if name not in parts:
                archive.writestr(name, sound.read(name))
        for name, data in parts.items():
            archive.writestr(name, data)
    return out.getvalue()


def part(name: str) -> str:
    with zipfile.ZipFile(io.BytesIO(write_xlsx({"marks": ROWS}))) as sound:
        return sound.read(name).decode()


def with_entities(entities: str, used: str) -> bytes:
    body = part(SHEET)
    assert "tone" in body
    doctype = f"<?xml version='1.0'?><!DOCTYPE worksheet [{entities}]>"
    return changed(**{SHEET: doctype + body.replace("tone", used)})


def test_the_sound_workbook_is_read() -> None:
    assert [m.mark for m in read_marks(changed()).marks] == [6, 7]


def test_no_file_of_this_machine_and_no_address_is_read_through_an_entity(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("Ada Sample")
    for address in (secret.as_uri(), "http://127.0.0.1:9/x"):
        with pytest.raises(BadInput, match="can't be read as an XLSX workbook") as refusal:
            read_marks(with_entities(f'<!ENTITY x SYSTEM "{address}">', "&x;"))
        assert "Ada" not in refusal.value.sentence


def test_a_billion_laughs_are_a_sentence() -> None:
    entities = '<!ENTITY a "' + "ha" * 50 + '">'
    for before, name in zip("abcdefghi", "bcdefghij", strict=True):
        entities += f'<!ENTITY {name} "' + f"&{before};" * 10 + '">'
    with pytest.raises(BadInput, match="can't be read as an XLSX workbook"):
        read_marks(with_entities(entities, "&j;"))


def test_links_to_other_workbooks_lead_nowhere() -> None:
    link = '<externalLink xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"/>'
    away = (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" '
        'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/externalLinkPath" '
        'Target="http://127.0.0.1:9/other.xlsx" TargetMode="External"/></Relationships>'
    )
    names = {
        "xl/externalLinks/externalLink1.xml": link,
        "xl/externalLinks/_rels/externalLink1.xml.rels": away,
        "xl/_rels/workbook.xml.rels": part("xl/_rels/workbook.xml.rels").replace(
            "</Relationships>",
            '<Relationship Id="rId99" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/'
            'externalLink" Target="externalLinks/externalLink1.xml"/></Relationships>',
        ),
    }
    assert len(read_marks(changed(**names)).marks) == 2


@pytest.mark.parametrize("place", ["XFD1048576", "A1048576", "XFD1"])
def test_a_cell_at_the_end_of_the_world_costs_no_hours(place: str) -> None:
    """Readers give every empty cell before it: 17 thousand million for the last one of a sheet."""
    row = place.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
    far = f'<row r="{row}"><c r="{place}"><v>1</v></c></row></sheetData>' if row != "1" else "</sheetData>"
    sheet = part(SHEET).replace("</sheetData>", far)
    corner = f"{place.removesuffix(row)}{max(3, int(row))}"
    sheet = sheet.replace('<dimension ref="A1:D3"', f'<dimension ref="A1:{corner}"')
    assert f'"A1:{corner}"' in sheet
    if row == "1":
        assert len(read_marks(changed(**{SHEET: sheet})).marks) == 2
    else:
        with pytest.raises(TooLarge, match="more than 200000 rows"):
            read_marks(changed(**{SHEET: sheet}))


def test_columns_beyond_those_read_are_passed_over() -> None:
    wide = [[*row, *[""] * MOST_COLUMNS, "x"] for row in ROWS]
    assert len(read_marks(write_xlsx({"marks": wide})).marks) == 2

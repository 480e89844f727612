"""What holds for every PDF the project makes: title, author, language, bookmarks, open fonts, the right CID font."""

import io
from collections.abc import Callable
from dataclasses import replace

import pypdf
import pytest
from day_examples import BLANK, DOOR, HEADING, NOTES, ROOMS, SCRIPT, SLIPS
from sheet_examples import score_sheet
from sheet_reading import text_of

from app.sheets import certificate, comment_sheet, private_links, section_report
from app.sheets import score_sheet as score
from app.sheets.blank_sheet import render_blank_sheet
from app.sheets.certificate import CertificateModel, DestroyedLine
from app.sheets.day_sheets import render_door_list, render_schedule, render_script
from app.sheets.models import CommentSheetModel
from app.sheets.private_links import Slip, SlipsModel
from app.sheets.section_report import SectionReportModel
from app.sheets.slips import render_slips

LINE = DestroyedLine(
    take_id="1" * 32, round_name="First round", blind_number="27", piece="Evening Ferry", received="14 March 2026",
    duration_sec=61.0, size_bytes=5_000_000, sha256="ab" * 32, playback_sha256="cd" * 32, note="", shared=0,
)  # fmt: skip
DESTROYED = CertificateModel(
    audition="Spring mock audition", organisation="Tall Pines Band", held_on="14 March 2026", made="1 May 2026",
    made_by="the section leader", reason="its date had come", retention_until="30 April 2026", one_student=False,
    lines=(LINE,), kept=("Marks and measurements.",), audit_hash="ef" * 32, certificate_id="9" * 32,
    cautions=("School policy and local law come first.",), paper="letter",
)  # fmt: skip
REPORT = SectionReportModel(
    audition="Spring mock audition", round_name="First round", held_on="14 March 2026", takes="Six takes of one piece.",
    next_rehearsal=("Tune the high F.",), pitch=(), why_no_pitch="No take.", pieces=(), why_no_bars="No take.",
    doubts=("None.",), cautions=("A practice aid.",),
    paper="letter", language="en-US",
)  # fmt: skip
LINKS = SlipsModel(
    "Spring mock audition", "Tall Pines Band", "First round",
    [Slip("Mira Okonjo-Lind", "27", "https://mock.example/student.html#0", "14 March 2027")],
)  # fmt: skip

# Of every kind: how it is made, its title, one of its bookmarks.
EVERY: dict[str, tuple[Callable[[CommentSheetModel], bytes], str, str]] = {
    "comment sheet": (comment_sheet.render, "Comment sheet: Mira Okonjo-Lind, number 27", "Practise this first"),
    "score sheet": (lambda _: score.render(score_sheet()), "Score sheet: Autumn mock audition", "How this was ranked"),
    "certificate": (lambda _: certificate.render(DESTROYED), "Certificate of destruction", "What is kept"),
    "section report": (lambda _: section_report.render(REPORT), "Section report", "Bars where most fell"),
    "private links": (lambda _: private_links.render(LINKS), "Private links", "From number 27"),
    "number slips": (lambda _: render_slips(HEADING, SLIPS), "Number slips", "From number 10"),
    "door list": (lambda _: render_door_list(HEADING, DOOR), "Door list", "Door list"),
    "schedule": (lambda _: render_schedule(HEADING, ROOMS, NOTES), "Schedule", "Stage"),
    "script": (lambda _: render_script(SCRIPT), "Proctor's script", "Material, in this order"),
    "blank sheets": (lambda _: render_blank_sheet(BLANK), "Adjudication sheets", "Number 24"),
}


def bookmarks(reader: pypdf.PdfReader) -> list[str]:
    def flat(entries: list[object]) -> list[str]:
        return [t for e in entries for t in (flat(e) if isinstance(e, list) else [str(e.title)])]  # type: ignore[attr-defined]

    return flat(list(reader.outline))


@pytest.mark.parametrize("kind", list(EVERY))
def test_every_pdf_is_titled_bookmarked_and_says_its_language(comment: CommentSheetModel, kind: str) -> None:
    make, title, bookmark = EVERY[kind]
    pdf = make(comment)
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    assert reader.metadata is not None
    assert (reader.metadata.title or "").startswith(title)
    assert reader.metadata.author
    root = reader.trailer["/Root"]
    assert root["/Lang"] == "en-US"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert bookmark in bookmarks(reader)
    assert f"page 1 of {len(reader.pages)}" in text_of(pdf)
    assert make(comment) == pdf  # equal bytes, no clock in them
    for page in reader.pages:
        for font in page["/Resources"].get("/Font", {}).values():
            described = font.get_object()
            # besides embedded fonts only the drawing library's own entry for a font that no text uses
            assert "/FontFile2" in described.get("/FontDescriptor", {}) or described["/BaseFont"] == "/Helvetica"


def test_a_british_sheet_says_so(comment: CommentSheetModel) -> None:
    british = comment_sheet.render(replace(comment, language="en-GB"))
    assert pypdf.PdfReader(io.BytesIO(british)).trailer["/Root"]["/Lang"] == "en-GB"


# Adobe's character collections by script: GB1 simplified Chinese, Japan1, Korea1 (the PDF standard's own CID fonts).
@pytest.mark.parametrize(
    ("name", "font", "encoding"),
    [
        ("林小雨", "STSong-Light", "UniGB-UCS2-H"),
        ("臺灣 鄭麗華", "STSong-Light", "UniGB-UCS2-H"),
        ("はやし あおい", "HeiseiKakuGo-W5", "UniJIS-UCS2-H"),
        ("林 あおい", "HeiseiKakuGo-W5", "UniJIS-UCS2-H"),  # kana say that the Han character is Japanese
        ("김하늘", "HYGothic-Medium", "UniKS-UCS2-H"),
        ("林 하늘", "HYGothic-Medium", "UniKS-UCS2-H"),
    ],
)
def test_east_asian_names_get_their_scripts_font_and_read_back(
    comment: CommentSheetModel, name: str, font: str, encoding: str
) -> None:
    pdf = comment_sheet.render(replace(comment, student=name))
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    composed = [f.get_object() for f in reader.pages[0]["/Resources"]["/Font"].values()]
    cid = {(f["/BaseFont"].lstrip("/"), f["/Encoding"].lstrip("/")) for f in composed if f["/Subtype"] == "/Type0"}
    assert cid == {(font, encoding)}
    assert name.replace(" ", "") in text_of(pdf).replace(" ", "")
    assert reader.metadata is not None
    assert name in (reader.metadata.title or "")


def test_a_latin_sheet_names_no_font_that_is_not_in_it(comment: CommentSheetModel) -> None:
    reader = pypdf.PdfReader(io.BytesIO(comment_sheet.render(comment)))
    used = {f.get_object()["/Subtype"] for page in reader.pages for f in page["/Resources"]["/Font"].values()}
    assert "/Type0" not in used


def test_one_recording_was_and_two_were_destroyed() -> None:
    one = text_of(certificate.render(DESTROYED))
    assert "1 recording of the audition" in one
    assert "was destroyed: as received" in one
    two = text_of(certificate.render(replace(DESTROYED, lines=(LINE, LINE))))
    assert "2 recordings of the audition" in two
    assert "were destroyed: as received" in two

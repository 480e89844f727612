"""The comment sheet read back out of its PDF: what is on it, that everything stays on the paper, edge cases."""

import io
import unicodedata
from dataclasses import replace

import pypdf
import pytest
from sheet_examples import LETTERS, captions, music
from sheet_reading import open_pdf, outside, pages_of, text_of

from app.files.engraving import engrave
from app.sheets.comment_sheet import render
from app.sheets.models import CommentSheetModel, MarksBlock, RemarkLine, model_hash

# "In the wood", as a long name in each script; no real person.
NAMES = [
    "Maximiliana Alexandrina Wolkenstein-Trostburg-Neuhaus von und zu Hohenfels am Unteren Weiher der Jüngere",
    "Łucja Brzęczyszczykiewicz-Żółć",
    "Ἀριάδνη Παπαδοπούλου",
    "Наталья Ёлкина-Подберёзовикова",
    "Đặng Thị Ngọc Ánh",
    "林小雨",
    "김하늘",
    "はやし あおい",
    "J\u0308o\u0308rg Mu\u0308ller",
]


def test_everything_a_student_needs_is_on_it(comment: CommentSheetModel) -> None:
    text = text_of(render(comment))
    for wanted in (
        *("Comment sheet", "Mira Okonjo-Lind", "clarinet in B♭", "number 27", "First round", "21 November 2026"),
        *("Tone", "Pitch", "Rhythm", "Musicianship", "measured", "merged", "6.8", "Evening Ferry (70 %)"),
        *("recused", "Let the long notes grow.", "Practise this first", "Bring F down", "Metronome on 152."),
        *("F on the top line lay 24 cents sharp", "no official score", "stop when something hurts"),
        *("page 1 of 2", model_hash(comment)[:12]),
    ):
        assert wanted in text, wanted


def test_it_has_two_pages_with_every_line_of_a_short_part(comment: CommentSheetModel) -> None:
    pdf = render(comment)
    assert len(pages_of(pdf)) == 2
    assert "Not printed here" not in text_of(pdf)


def test_equal_models_give_equal_bytes_and_others_don_t(comment: CommentSheetModel) -> None:
    assert render(comment) == render(comment)
    changed = replace(comment, held_on="22 November 2026")
    assert model_hash(changed) != model_hash(comment)
    assert render(changed) != render(comment)


def test_title_language_and_bookmarks_are_set(comment: CommentSheetModel) -> None:
    reader = pypdf.PdfReader(io.BytesIO(render(comment)))
    assert reader.metadata is not None
    assert reader.metadata.title == "Comment sheet: Mira Okonjo-Lind, number 27"
    assert reader.metadata.author == "Tern Valley Honour Winds"
    assert reader.trailer["/Root"]["/Lang"] == "en-US"
    outline = {
        entry.title: reader.get_destination_page_number(entry)
        for entry in reader.outline
        if not isinstance(entry, list)
    }
    assert outline["Practise this first"] == 0
    assert outline["D minor scale"] == 1


@pytest.mark.parametrize(("paper", "size"), [("letter", (612, 792)), ("a4", (595.28, 841.89))])
def test_it_fits_both_papers(comment: CommentSheetModel, paper: str, size: tuple[float, float]) -> None:
    pdf = render(replace(comment, paper=paper))
    box = pypdf.PdfReader(io.BytesIO(pdf)).pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(size, abs=0.01)
    assert outside(pdf) == []


def test_fonts_are_embedded_and_open(comment: CommentSheetModel) -> None:
    fonts = set()
    for page in pypdf.PdfReader(io.BytesIO(render(comment))).pages:
        for font in page["/Resources"]["/Font"].values():
            described = font.get_object()
            if "/FontDescriptor" in described:
                assert "/FontFile2" in described["/FontDescriptor"]
                fonts.add(described["/BaseFont"].split("+")[-1])
    assert {"Inter-Regular", "Inter-SemiBold", "EBGaramond-Regular"} <= fonts


@pytest.mark.parametrize("name", NAMES)
def test_names_in_any_script_stay_on_the_paper(comment: CommentSheetModel, name: str) -> None:
    pdf = render(replace(comment, student=name))
    assert outside(pdf) == []
    text = text_of(pdf)
    assert "□" not in text
    # the first page has the name whole (text of CID fonts comes back as its Unicode, composed)
    assert unicodedata.normalize("NFC", name).replace(" ", "") in text.replace(" ", "")


def test_a_letter_no_font_has_is_said(comment: CommentSheetModel) -> None:
    text = text_of(render(replace(comment, student="שלום Rivka")))
    assert "□□□□ Rivka" in text
    assert "the number above is what counts" in text


@pytest.mark.parametrize("adjudicators", [1, 2, 5, 9])
@pytest.mark.parametrize("pieces", [1, 2, 4])
def test_any_panel_and_number_of_pieces_fits(comment: CommentSheetModel, adjudicators: int, pieces: int) -> None:
    blocks = tuple(
        MarksBlock(f"Piece number {n} with quite a long title (25 %)", captions(adjudicators, recused=adjudicators - 1))
        for n in range(pieces)
    )
    pdf = render(replace(comment, letters=tuple(LETTERS[:adjudicators]), blocks=blocks))
    assert outside(pdf) == []
    text = text_of(pdf)
    assert text.count("—") >= pieces * 4  # the recused cells
    assert "Tone that carries across the room" in text


def test_marks_stand_under_their_letter(comment: CommentSheetModel) -> None:
    single = replace(comment, blocks=comment.blocks[:1])
    with open_pdf(render(single)) as document:
        words = document.pages[0].extract_words()
    head = next(w for w in words if w["text"] == "Caption")
    letters = {w["text"]: w["x1"] for w in words if abs(w["top"] - head["top"]) < 2 and w["text"] in ("A", "B", "C")}
    tone = next(w for w in words if w["text"] == "Tone")
    marks = [(w["x1"], w["text"]) for w in words if abs(w["top"] - tone["top"]) < 3 and w["text"] in ("5", "7", "—")]
    by_letter = {name: text for name, x in letters.items() for right, text in marks if abs(x - right) < 1.5}
    assert by_letter == {"A": "5", "B": "—", "C": "7"}


def test_no_remarks_is_said(comment: CommentSheetModel) -> None:
    assert "No adjudicator wrote a remark." in text_of(render(replace(comment, remarks=())))


def test_many_long_remarks_all_get_printed(comment: CommentSheetModel) -> None:
    remarks = tuple(
        RemarkLine("ABC"[n % 3], f"Remark {n}: " + "more air through the line, " * 12, "Evening Ferry", str(n + 1))
        for n in range(30)
    )
    pdf = render(replace(comment, remarks=remarks))
    text = text_of(pdf)
    assert all(f"Remark {n}:" in text for n in range(30))
    assert "stand at the end" in text
    assert outside(pdf) == []
    # the music comes before the remarks that did not fit
    last = next(i for i, page in enumerate(pages_of(pdf)) if "Remark 29" in page)
    music = next(i for i, page in enumerate(pages_of(pdf)) if "D minor scale bars" in " ".join(page.split()))
    assert music <= last


def test_remarks_that_go_on_to_another_page_cost_no_line_of_music(comment: CommentSheetModel) -> None:
    remarks = tuple(RemarkLine("A", "More air through the line. " * 8, "Evening Ferry", str(n)) for n in range(30))
    pdf = render(replace(comment, remarks=remarks))
    assert "Not printed here" not in text_of(pdf)
    assert outside(pdf) == []


def test_one_endless_word_breaks_instead_of_running_off(comment: CommentSheetModel) -> None:
    remark = RemarkLine("A", "B" * 400, "Evening Ferry", "1")
    pdf = render(replace(comment, remarks=(remark,)))
    assert outside(pdf) == []
    assert "".join(text_of(pdf).split()).count("B" * 60) >= 1


def test_without_measurements_the_reason_stands_there(comment: CommentSheetModel) -> None:
    silent = replace(
        comment.parts[0], marks=None, findings=(), caption="", why_no_findings="this take is not measured yet."
    )
    text = text_of(
        render(replace(comment, parts=(silent,), practice=(), why_no_practice="No take was measured, listen to it."))
    )
    assert "No measurements: this take is not measured yet." in text
    assert "No take was measured, listen to it." in text


def test_a_sheet_without_music_is_still_a_sheet(comment: CommentSheetModel) -> None:
    bare = replace(comment.parts[0], engraving=None, marks=None, findings=(), caption="")
    pdf = render(replace(comment, parts=(bare,)))
    assert "Evening Ferry" in text_of(pdf)
    assert outside(pdf) == []


def test_a_long_part_in_detail_is_printed_whole_over_several_pages(comment: CommentSheetModel) -> None:
    long = engrave(music(bars=150))
    part = replace(comment.parts[0], engraving=long)
    pdf = render(replace(comment, parts=(part,), detail=True))
    pages = pages_of(pdf)
    assert len(pages) >= 4
    assert outside(pdf) == []
    words = [w for page in pages for w in page.split()]
    assert [n for n in range(1, 151) if str(n) not in words] == []
    assert all("Evening Ferry" in page for page in pages[2:-1])
    shortened = text_of(render(replace(comment, parts=(part,))))
    assert "Not printed here: bars" in shortened


def test_progress_stands_on_the_first_page(comment: CommentSheetModel) -> None:
    lines = ("Against First round, 1 May 2026, the same music.", *(f"Measure {n}: no change." for n in range(4)))
    pdf = render(replace(comment, progress=lines))
    first = " ".join(pages_of(pdf)[0].split())
    assert "Since the last mock audition" in first
    assert all(line in first for line in lines)
    assert len(pages_of(pdf)) == 2
    assert outside(pdf) == []
    assert "Since the last" not in text_of(render(comment))


def test_no_page_holds_a_caption_alone(comment: CommentSheetModel) -> None:
    # remarks of every length push the music down line by line, over the page's edge
    for lines in range(0, 40, 2):
        remarks = tuple(RemarkLine("A", "More air.", "Evening Ferry", str(n)) for n in range(lines))
        last = pages_of(render(replace(comment, remarks=remarks, parts=comment.parts[:1])))[-1]
        if "Pitch: above the line sharp" in last:
            assert "level" in last, lines

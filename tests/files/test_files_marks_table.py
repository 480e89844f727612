"""Tables of marks in and out: what spreadsheets make of them, bad input by line, and no formulas."""

import contextlib
import io
import zipfile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

from app.domain.errors import BadInput, TooLarge
from app.domain.panel import MarksTable, PanelAdjudicator, PanelCandidate, PanelMark
from app.files import marks_table
from app.files.marks_table import guarded, marks_rows, read_marks, unguarded, write_csv, write_xlsx

PLAIN = "candidate,adjudicator,caption,mark\n31,A,tone,7\n31,B,tone,8\n08,A,tone,6\n08,B,tone,\n"


def marks(table):
    return {(m.candidate_id, m.adjudicator_id, m.caption): m.mark for m in table.marks}


def workbook(rows, title="Sheet"):
    book = Workbook()
    book.active.title = title
    for row in rows:
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_a_plain_table():
    table = read_marks(PLAIN.encode())
    assert [c.blind_number for c in table.candidates] == ["31", "08"]
    assert [a.letter for a in table.adjudicators] == ["A", "B"]
    assert (table.captions, table.piece_ids) == (("tone",), ("all",))
    assert marks(table) == {("31", "A", "tone"): 7, ("31", "B", "tone"): 8, ("08", "A", "tone"): 6}
    assert table.recusals == {("B", "08")}


@pytest.mark.parametrize(
    "data",
    [
        b"\xef\xbb\xbf" + PLAIN.encode(),
        PLAIN.replace(",", ";").encode(),
        PLAIN.replace(",", "\t").encode(),
        PLAIN.replace("\n", "\r\n").encode(),
        PLAIN.encode("utf-16"),
        ("\n\n" + PLAIN + "\n,,,\n").encode(),
        PLAIN.replace("candidate,adjudicator", "Candidate , ADJUDICATOR").encode(),
        PLAIN.replace("caption,mark", "caption,mark,note").replace(",7", ",7,sang well").encode(),
    ],
    ids=["byte-order mark", "semicolons", "tabs", "windows", "utf-16", "blank lines", "heading", "extra column"],
)
def test_the_same_table_however_it_was_saved(data):
    assert marks(read_marks(data)) == marks(read_marks(PLAIN.encode()))


def test_decimal_commas_and_columns_in_another_order():
    table = read_marks("mark;caption;candidate;adjudicator\n7,5;tone;Zoë;Ж\n".encode())
    assert marks(table) == {("Zoë", "Ж", "tone"): 7.5}


def test_without_a_caption_there_is_one():
    table = read_marks(b"candidate,adjudicator,mark\n1,A,7\n")
    assert table.captions == ("overall",)


def test_pieces_and_hearing_positions():
    heading = "candidate,adjudicator,piece,caption,mark,position\n"
    text = heading + "31,A,scale,tone,7,2\n08,A,scale,tone,6,1\n31,B,scale,tone,5,1\n08,B,scale,tone,5,1\n"
    table = read_marks(text.encode())
    assert table.piece_ids == ("scale",)
    assert table.hearing_positions[("A", "31")] == 2
    assert {c.blind_number: c.playing_order for c in table.candidates} == {"31": None, "08": 1}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("  \n \n", "is empty"),
        ("candidate,adjudicator,caption\n1,A,tone\n", "has no column 'mark'"),
        ("name,judge,caption,mark\n1,A,tone,3\n", "has no column 'candidate'"),
        ("candidate,adjudicator,mark,mark\n1,A,3,4\n", "column 'mark' twice"),
        ("candidate,adjudicator,caption,mark\n", "only its heading"),
        (PLAIN + "31,A,tone,9\n", "Line 6 repeats line 2: adjudicator A marks candidate 31 for tone twice"),
        (PLAIN + "44,A,tone,good\n", "Line 6: the mark 'good' is not a number"),
        (PLAIN + "44,A,tone,nan\n", "Line 6: the mark 'nan' is not a number"),
        (PLAIN + "44,A,tone,inf\n", "Line 6: the mark 'inf' is not a number"),
        (PLAIN + "44,A,tone,1_0\n", "Line 6: the mark '1_0' is not a number"),
        (PLAIN + ",A,tone,5\n", "Line 6 names no candidate"),
        (PLAIN + "44,,tone,5\n", "Line 6 names no adjudicator"),
        (PLAIN + '44,"A,tone,5\n', "stray quotation marks"),
        (PLAIN + f"{'x' * 200},A,tone,5\n", "the candidate is longer than 120"),
        ("candidate,adjudicator,caption,mark,position\n1,A,tone,5,0\n", "must be a whole number from 1"),
        ("candidate,adjudicator,caption,mark,position\n1,A,tone,5,1\n1,A,pitch,5,2\n", "another position"),
        ("candidate,adjudicator,piece,mark\n1,A,scale,5\n1,A,,5\n", "names a piece in some lines"),
    ],
)
def test_bad_tables_in_one_sentence(text, said):
    with pytest.raises(BadInput, match=said) as refused:
        read_marks(text.encode(), file_name="marks.csv")
    assert refused.value.sentence.endswith(".")


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"\x00\x01\x02\x03", "no text"),
        (b"candidate,\xff\xfe\xfa", "neither UTF-8 text nor an XLSX"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(50), "old XLS workbook"),
        (b"PK\x03\x04 and then nothing", "can't be read as an XLSX workbook"),
    ],
)
def test_files_that_are_no_table(data, said):
    with pytest.raises(BadInput, match=said):
        read_marks(data, file_name="marks")


def test_a_zip_that_is_no_workbook_and_one_that_unpacks_without_end(monkeypatch):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("readme.txt", "nothing here" * 1000)
    with pytest.raises(BadInput, match="can't be read as an XLSX"):
        read_marks(packed.getvalue())
    monkeypatch.setattr(marks_table, "LARGEST_UNPACKED_BYTES", 5000)
    with pytest.raises(TooLarge, match="unpacks to more than"):
        read_marks(packed.getvalue())


def test_limits_of_size_and_rows(monkeypatch):
    monkeypatch.setattr(marks_table, "MOST_ROWS", 3)
    with pytest.raises(TooLarge, match="more than 3 rows"):
        read_marks(PLAIN.encode())
    monkeypatch.setattr(marks_table, "LARGEST_BYTES", 20)
    with pytest.raises(TooLarge, match="larger than"):
        read_marks(PLAIN.encode())


def test_a_workbook_with_numbers_as_numbers():
    data = workbook(
        [
            ["candidate", "adjudicator", "caption", "mark"],
            [31, "A", "tone", 7],
            [31.0, "B", "tone", 7.5],
            [8, "A", "tone", None],
        ]
    )
    table = read_marks(data)
    assert marks(table) == {("31", "A", "tone"): 7, ("31", "B", "tone"): 7.5}
    assert table.recusals == {("A", "8")}


def test_the_sheet_with_the_marks_is_found_behind_another():
    data = write_xlsx(
        {
            "Standing": [["place", "candidate"], [1, "31"]],
            "Marks": [["candidate", "adjudicator", "mark"], ["31", "A", 7]],
        }
    )
    assert marks(read_marks(data)) == {("31", "A", "overall"): 7}


def whole_table():
    return MarksTable(
        candidates=(PanelCandidate("x", "31", 1), PanelCandidate("y", "08", 2)),
        adjudicators=(PanelAdjudicator("p", "A"), PanelAdjudicator("q", "B")),
        piece_ids=("p1", "p2"),
        captions=("tone", "pitch"),
        marks=tuple(
            PanelMark(c, a, p, caption, 5.0 + (c == "x") + 2 * (a == "p"))
            for c in "xy" for a in "pq" for p in ("p1", "p2") for caption in ("tone", "pitch")
            if (a, c) != ("q", "y")
        ),
        recusals=frozenset({("q", "y")}),
    )  # fmt: skip


@pytest.mark.parametrize("write", [write_csv, lambda rows: write_xlsx({"Marks": rows})], ids=["csv", "xlsx"])
def test_what_is_written_reads_back_the_same(write):
    table = read_marks(write(marks_rows(whole_table(), {"p1": "Étude", "p2": "=Scale"}, {"tone": "Tone"})))
    assert table.piece_ids == ("Étude", "=Scale")
    assert table.captions == ("Tone", "pitch")
    assert table.recusals == {("B", "08")}
    assert {c.blind_number: c.playing_order for c in table.candidates} == {"31": 1, "08": 2}
    given = {(m.candidate_id, m.adjudicator_id, m.piece_id, m.caption): m.mark for m in table.marks}
    assert given[("31", "A", "=Scale", "pitch")] == 8
    assert len(given) == 12


def test_a_mark_before_a_recusal_is_not_written():
    from dataclasses import replace

    rows = marks_rows(replace(whole_table(), recusals=frozenset({("p", "x")})))
    assert all(row[4] is None for row in rows if row[0] == "31" and row[1] == "A")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_text_that_looks_like_a_formula_is_written_as_text(text):
    data = write_csv([["name"], [text]]).decode("utf-8-sig")
    assert data.splitlines()[1].lstrip('"').startswith("'")
    cell = load_workbook(io.BytesIO(write_xlsx({"S": [[text]]}))).active["A1"]
    assert cell.data_type == "s"
    assert not isinstance(cell.value, (int, float))


def test_numbers_stay_numbers():
    assert write_csv([[-1.5, 7, None, "7"]]).decode("utf-8-sig") == "-1.5,7,,7\r\n"
    cell = load_workbook(io.BytesIO(write_xlsx({"S": [[-1.5]]}))).active["A1"]
    assert (cell.data_type, cell.value) == ("n", -1.5)


@given(st.text(max_size=12))
def test_guarding_can_be_undone(text):
    assert unguarded(guarded(text)) == text or text.startswith("'")
    assert not guarded(text).startswith(("=", "+", "-", "@", "\t", "\r"))


@settings(deadline=None, max_examples=40)
@given(
    st.lists(
        st.text(alphabet=st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=10),
        min_size=1,
        max_size=6,
        unique=True,
    )
)
def test_names_in_any_script_survive(names):
    rows = [["candidate", "adjudicator", "mark"], *([name, "A", i + 1] for i, name in enumerate(names))]
    kept = [n for n in names if not n.startswith("'")]
    table = read_marks(write_csv(rows))
    assert [c.blind_number for c in table.candidates if c.blind_number in kept] == kept
    assert [c.blind_number for c in read_marks(write_xlsx({"M": rows})).candidates] == names


def test_random_bytes_give_a_sentence_or_a_table():
    rng = np.random.default_rng(0)
    for _ in range(200):
        data = rng.integers(0, 256, rng.integers(1, 200)).astype(np.uint8).tobytes()
        with contextlib.suppress(BadInput):
            assert read_marks(data).marks


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", " =1", "\t=1", "\r=1", "\n=1"])
def test_text_that_begins_like_a_formula_is_disarmed(text):
    assert guarded(text) == f"'{text}"
    assert guarded("Étude") == "Étude"

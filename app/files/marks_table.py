"""Tables of marks: CSV and XLSX, in and out.

One row per mark with the columns ``candidate, adjudicator, caption, mark``; ``caption`` may be left out when there is
only one, ``piece`` and ``position`` (the place in which that adjudicator heard the candidate, from 1) may be added.
An empty mark is a missing cell; an adjudicator all of whose marks for a candidate are empty is recused from that
candidate. Columns are found by name, in any order; others are ignored.

Files come from spreadsheets: a byte-order mark, semicolons with decimal commas and tabs are read. Text that a
spreadsheet would take for a formula is written so that it stays text, and reads back as it was.
"""

import csv
import io
import math
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from app.domain.errors import BadInput, TooLarge
from app.domain.panel import ALL_PIECES, MarksTable, PanelAdjudicator, PanelCandidate, PanelMark

LARGEST_BYTES = 5_000_000  # our choice: some 100,000 marks
LARGEST_UNPACKED_BYTES = 100_000_000  # our choice: against workbooks that unpack without end
MOST_ROWS = 200_000  # our choice
MOST_COLUMNS = 100  # our choice; a sheet may have 16,384, and each empty one costs time
LONGEST_TEXT = 120  # of a candidate, adjudicator, caption or piece; our choice

REQUIRED = ("candidate", "adjudicator", "mark")
OPTIONAL = ("caption", "piece", "position")
DEFAULT_CAPTION = "overall"

#: What spreadsheets take for the start of a formula (OWASP, CSV injection).
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")

Value = str | int | float | None


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    candidate: str
    adjudicator: str
    caption: str
    piece: str
    mark: float | None
    position: int | None


def read_marks(data: bytes, *, file_name: str = "") -> MarksTable:
    """A table of marks from the bytes of a CSV or XLSX file, told apart by content.

    Candidates' and adjudicators' names in the file serve as ids, blind numbers and letters, in order of appearance.
    Raises :class:`BadInput` with one sentence that names the line.
    """
    name = file_name or "The table"
    if not data.strip():
        raise BadInput(f"{name} is empty; it needs the columns candidate, adjudicator, caption and mark.")
    if len(data) > LARGEST_BYTES:
        raise TooLarge(f"{name} is larger than {LARGEST_BYTES // 1_000_000} MB; a table of marks never is.")
    if data[:4] == b"PK\x03\x04":
        lines = _xlsx_lines(data, name)
    elif data[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
        raise BadInput(f"{name} is an old XLS workbook; save it as XLSX or CSV.")
    else:
        lines = _csv_lines(data, name)
    return _table(_rows(lines, name), name)


def marks_rows(
    table: MarksTable, piece_titles: Mapping[str, str] | None = None, caption_names: Mapping[str, str] | None = None
) -> list[list[Value]]:
    """The table as rows with a heading, one per cell, recused and missing cells empty, ready to be written."""
    titles, names = piece_titles or {}, caption_names or {}
    given = {(m.candidate_id, m.adjudicator_id, m.piece_id, m.caption): m.mark for m in table.marks}
    several = table.piece_ids != (ALL_PIECES,)
    placed = bool(table.hearing_positions) or any(c.playing_order is not None for c in table.candidates)
    heading: list[Value] = ["candidate", "adjudicator", *(["piece"] if several else []), "caption", "mark"]
    rows = [heading + (["position"] if placed else [])]
    for c in table.candidates:
        for a in table.adjudicators:
            recused = (a.adjudicator_id, c.candidate_id) in table.recusals
            where = table.hearing_positions.get((a.adjudicator_id, c.candidate_id), c.playing_order)
            for p in table.piece_ids:
                for caption in table.captions:
                    mark = None if recused else given.get((c.candidate_id, a.adjudicator_id, p, caption))
                    piece: list[Value] = [titles.get(p, p)] if several else []
                    row = [c.blind_number, a.letter, *piece, names.get(caption, caption), _plain(mark)]
                    rows.append(row + ([where] if placed else []))
    return rows


def write_csv(rows: Iterable[Sequence[Value]]) -> bytes:
    """Rows as UTF-8 CSV with a byte-order mark (so that spreadsheets read names in any script) and guarded text."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    for row in rows:
        writer.writerow(["" if v is None else guarded(v) if isinstance(v, str) else v for v in row])
    return out.getvalue().encode("utf-8-sig")


def write_xlsx(sheets: Mapping[str, Iterable[Sequence[Value]]]) -> bytes:
    """A workbook with one sheet per entry, {title: rows}; text is stored as text, never as a formula."""
    from openpyxl import Workbook  # slow to import, and only who writes a workbook needs it

    book = Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(_sheet_title(title))
        for r, row in enumerate(rows, start=1):
            for c, value in enumerate(row, start=1):
                if value is None:
                    continue
                cell = sheet.cell(row=r, column=c)
                if isinstance(value, str):
                    cell.value = "".join(ch for ch in value if ch >= " " or ch in "\t\n")
                    cell.data_type = "s"  # a leading "=" would make it a formula
                else:
                    cell.value = value
        sheet.freeze_panes = "A2"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def guarded(text: str) -> str:
    """Text that a spreadsheet won't run: a leading apostrophe before anything that starts like a formula."""
    return "'" + text if _starts_formula(text.lstrip("'")) else text


def unguarded(text: str) -> str:
    """The inverse of :func:`guarded`."""
    return text[1:] if text[:1] == "'" and _starts_formula(text.lstrip("'")) else text


def _starts_formula(text: str) -> bool:
    """Some spreadsheets drop blanks before they look."""
    return text.lstrip(" ").startswith(FORMULA_STARTS)


def _csv_lines(data: bytes, name: str) -> list[tuple[int, list[Value]]]:
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        raise BadInput(f"{name} is neither UTF-8 text nor an XLSX workbook; save it as CSV in UTF-8.") from None
    if "\x00" in text:
        raise BadInput(f"{name} is no text; save it as CSV in UTF-8 or as XLSX.")
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max((",", ";", "\t"), key=first.count)
    out: list[tuple[int, list[Value]]] = []
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        for row in reader:
            if any(cell.strip() for cell in row):
                out.append((reader.line_num, [unguarded(cell.strip()) for cell in row]))
            if len(out) > MOST_ROWS:
                raise TooLarge(f"{name} has more than {MOST_ROWS} rows; split it.")
    except csv.Error:
        raise BadInput(f"{name} breaks off or has stray quotation marks near line {reader.line_num}.") from None
    return out


def _xlsx_lines(data: bytes, name: str) -> list[tuple[int, list[Value]]]:
    from openpyxl import load_workbook  # slow to import, and only who reads a workbook needs it

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            if sum(item.file_size for item in packed.infolist()) > LARGEST_UNPACKED_BYTES:
                raise TooLarge(
                    f"{name} unpacks to more than {LARGEST_UNPACKED_BYTES // 1_000_000} MB; it is no table of marks."
                )
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        out: list[tuple[int, list[Value]]] = []
        for sheet in book.worksheets:  # the first sheet that is a table of marks, else the last one looked at
            out = []
            for line, row in enumerate(sheet.iter_rows(values_only=True, max_col=MOST_COLUMNS), start=1):
                cells = [_xlsx_value(v) for v in row]
                if any(v not in (None, "") for v in cells):
                    out.append((line, cells))
                if line > MOST_ROWS:  # empty ones count: a cell far out brings a million of them
                    raise TooLarge(f"{name} has more than {MOST_ROWS} rows; split it.")
            if out and set(REQUIRED) <= {str(v).strip().casefold() for v in out[0][1]}:
                break
        book.close()
    except (zipfile.BadZipFile, KeyError, ValueError, IndexError, OSError, EOFError, SyntaxError, TypeError):
        raise BadInput(
            f"{name} can't be read as an XLSX workbook; open it in a spreadsheet and save it again."
        ) from None
    return out


def _xlsx_value(value: object) -> Value:
    if value is None or isinstance(value, bool):
        return None if value is None else str(value)
    if isinstance(value, (int, float)):
        return value
    return str(value).strip()


def _rows(lines: Sequence[tuple[int, Sequence[Value]]], name: str) -> list[_Row]:
    if not lines:
        raise BadInput(f"{name} is empty; it needs the columns candidate, adjudicator, caption and mark.")
    heading = ["" if v is None else str(v).strip().casefold() for v in lines[0][1]]
    for column in REQUIRED:
        if column not in heading:
            raise BadInput(
                f"{name} has no column '{column}'; its first line must name candidate, adjudicator, caption and mark."
            )
    for column in (*REQUIRED, *OPTIONAL):
        if heading.count(column) > 1:
            raise BadInput(f"{name} has the column '{column}' twice; keep one of them.")
    at = {column: heading.index(column) for column in (*REQUIRED, *OPTIONAL) if column in heading}
    rows = [_row(line, cells, at) for line, cells in lines[1:]]
    if not rows:
        raise BadInput(f"{name} holds only its heading; add one line per mark.")
    return rows


def _row(line: int, cells: Sequence[Value], at: Mapping[str, int]) -> _Row:
    def text(column: str, default: str = "") -> str:
        value = cells[at[column]] if column in at and at[column] < len(cells) else None
        if isinstance(value, float) and value.is_integer():
            value = int(value)  # a spreadsheet keeps the number 31 as 31.0
        found = default if value is None or value == "" else str(value)
        if len(found) > LONGEST_TEXT:
            raise BadInput(f"Line {line}: the {column} is longer than {LONGEST_TEXT} letters.")
        return found

    candidate, adjudicator = text("candidate"), text("adjudicator")
    if not candidate or not adjudicator:
        raise BadInput(
            f"Line {line} names no {'candidate' if not candidate else 'adjudicator'}; every mark needs both."
        )
    return _Row(
        line=line,
        candidate=candidate,
        adjudicator=adjudicator,
        caption=text("caption", DEFAULT_CAPTION),
        piece=text("piece", ALL_PIECES),
        mark=_number(text("mark"), line, "mark", "leave it empty for a recusal"),
        position=_position(text("position"), line),
    )


def _number(text: str, line: int, what: str, advice: str) -> float | None:
    if not text:
        return None
    plain = text.replace(",", ".") if text.count(",") == 1 and "." not in text else text
    try:
        value = float(plain)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or "_" in plain:
        raise BadInput(f"Line {line}: the {what} '{text}' is not a number; {advice}.")
    return value


def _position(text: str, line: int) -> int | None:
    value = _number(text, line, "position", "leave it empty when it isn't known")
    if value is None:
        return None
    if value < 1 or value != int(value):
        raise BadInput(f"Line {line}: the position '{text}' must be a whole number from 1.")
    return int(value)


def _table(rows: Sequence[_Row], name: str) -> MarksTable:
    seen: dict[tuple[str, str, str, str], int] = {}
    positions: dict[tuple[str, str], int] = {}
    for row in rows:
        cell = (row.candidate, row.adjudicator, row.piece, row.caption)
        if cell in seen:
            raise BadInput(
                f"Line {row.line} repeats line {seen[cell]}: adjudicator {row.adjudicator} marks candidate "
                f"{row.candidate} for {row.caption} twice; keep one of them."
            )
        seen[cell] = row.line
        pair = (row.adjudicator, row.candidate)
        if row.position is not None and positions.setdefault(pair, row.position) != row.position:
            raise BadInput(f"Line {row.line} gives candidate {row.candidate} another position than an earlier line.")
    candidates = list(dict.fromkeys(row.candidate for row in rows))
    adjudicators = list(dict.fromkeys(row.adjudicator for row in rows))
    pieces = tuple(dict.fromkeys(row.piece for row in rows))
    if ALL_PIECES in pieces and len(pieces) > 1:
        raise BadInput(f"{name} names a piece in some lines and none in others; name it everywhere or nowhere.")
    marked = {(row.adjudicator, row.candidate) for row in rows if row.mark is not None}
    listed = {(row.adjudicator, row.candidate) for row in rows}
    orders = {c: {positions.get((a, c)) for a in adjudicators if (a, c) in listed} for c in candidates}
    return MarksTable(
        candidates=tuple(
            PanelCandidate(c, c, next(iter(orders[c])) if len(orders[c]) == 1 else None) for c in candidates
        ),
        adjudicators=tuple(PanelAdjudicator(a, a) for a in adjudicators),
        piece_ids=pieces,
        captions=tuple(dict.fromkeys(row.caption for row in rows)),
        marks=tuple(
            PanelMark(row.candidate, row.adjudicator, row.piece, row.caption, row.mark)
            for row in rows
            if row.mark is not None
        ),
        recusals=frozenset(listed - marked),
        hearing_positions=positions,
    )


def _plain(mark: float | None) -> int | float | None:
    return int(mark) if mark is not None and mark == int(mark) else mark


def _sheet_title(title: str) -> str:
    return "".join("-" if ch in "[]:*?/\\" else ch for ch in title)[:31] or "Sheet"

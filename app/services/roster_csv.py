"""Reading a roster from a table a school office exports. Bytes in, rows and problems by line out; nothing is stored.

Takes UTF-8 with or without a byte-order mark, UTF-16 with one, and Windows-1252 as the last resort; comma, semicolon or
tab; quoted cells with line breaks. Names may be in any script.
"""

import codecs
import csv
import io
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from app.domain.errors import BadInput, FairhearingError, TooLarge
from app.domain.texts import alike, one_line

LARGEST_FILE = 8 * 2**20  # bytes; our choice, several times a state association
MOST_ROWS = 25_000  # our choice: a state association

#: {column: (what it holds, an example)}: what the parser takes and the screen explains, in this order.
COLUMNS = {
    "name": ("The student's name, in any script.", "Ada Finch"),
    "instrument": ("The instrument as in the list; a student on two instruments has two lines.", "Clarinet in B flat"),
    "school": ("Tells two students of one name apart.", "Northmere Academy"),
    "teacher": ("An adjudicator of this name is proposed as recused.", "R. Halloran"),
    "year": ("Year or grade.", "11"),
    "consent_on": ("The day consent to record was given; nobody is recorded before it is noted.", "2026-03-14"),
    "consent_by": ("Who gave it.", "parent"),
    "accommodation": ("What the proctor must know, in words; the panel never sees it.", "sits while playing"),
    "extra_time_percent": ("More study time and more time in the room, in percent; empty means none.", "50"),
    "enlarged_music": ("yes or no: sight-reading is printed large, the proctor is told.", "yes"),
}
EXPECTED = tuple(COLUMNS)
REQUIRED = ("name", "instrument")
MOST_EXTRA_PERCENT = 300  # our choice
_YES, _NO = ("yes", "y", "true", "1", "x"), ("no", "n", "false", "0", "")
# What offices call these columns; keys are in the form of ``_column_key``.
_ALSO_CALLED = {
    "student": "name", "student name": "name", "full name": "name", "pupil": "name",
    "school name": "school", "instructor": "teacher", "private teacher": "teacher", "director": "teacher",
    "grade": "year", "class": "year", "consent date": "consent_on", "consent on": "consent_on",
    "consent": "consent_on", "consent by": "consent_by", "guardian": "consent_by",
    "accommodations": "accommodation", "extra time": "extra_time_percent", "more time": "extra_time_percent",
    "extra time %": "extra_time_percent", "large print": "enlarged_music", "enlarged": "enlarged_music",
}  # fmt: skip
LONGEST = {"name": 160, "instrument": 80, "school": 160, "teacher": 160, "year": 20, "consent_by": 160,
           "accommodation": 300}  # fmt: skip
_DATE_FORMS = ("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%m/%d/%Y", "%d.%m.%Y")  # our choice: ISO, American, European dots


@dataclass(frozen=True, slots=True)
class RosterLine:
    """One student on one instrument, as written in a form or a table. ``instrument`` is not looked up yet."""

    name: str
    instrument: str
    school: str = ""
    teacher: str = ""
    year: str = ""
    consent_on: date | None = None
    consent_by: str = ""
    accommodation: str = ""
    extra_time_percent: int = 0
    enlarged_music: bool = False
    line: int = 0  # 1-based line of the table; 0 from a form


@dataclass(frozen=True, slots=True)
class RejectedLine:
    """A line that can't be used, and why."""

    line: int
    sentence: str


@dataclass(frozen=True, slots=True)
class ParsedRoster:
    """What a table holds."""

    lines: tuple[RosterLine, ...]
    rejected: tuple[RejectedLine, ...]
    ignored_columns: tuple[str, ...] = field(default=())


def parse_roster(data: bytes) -> ParsedRoster:
    """Read a roster table. Raises ``BadInput`` when it is no such table, ``TooLarge`` when it is too big."""
    if len(data) > LARGEST_FILE:
        raise TooLarge("This file is larger than 8 MB; a roster is a short table, so check that it is the right file.")
    text = _decode(data)
    separator, text = _separator(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=False)
    try:
        rows = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise BadInput(f"The table breaks off near line {reader.line_num}; save it again as CSV.") from error
    rows = [
        (end_line - sum(cell.count("\n") for cell in row), row) for end_line, row in rows if any(map(str.strip, row))
    ]
    if not rows:
        raise BadInput(f"The file holds no rows; expected are the columns {', '.join(EXPECTED)}.")
    columns, ignored = _columns(rows[0][1])
    if len(rows) == 1:
        raise BadInput("The file holds a heading but no students; add one line for each student.")
    if len(rows) - 1 > MOST_ROWS:
        raise TooLarge(f"The file holds more than {MOST_ROWS} students; split it.")
    good: list[RosterLine] = []
    bad: list[RejectedLine] = []
    seen: dict[tuple[str, str, str], int] = {}
    for line, cells in rows[1:]:
        try:
            parsed = _line(line, cells, columns, width=len(rows[0][1]))
            key = (alike(parsed.name), alike(parsed.school), alike(parsed.instrument))
            if key in seen:
                raise BadInput(f"This student stands on line {seen[key]} already with the same instrument.")
            seen[key] = line
            good.append(parsed)
        except FairhearingError as error:
            bad.append(RejectedLine(line, error.sentence))
    return ParsedRoster(tuple(good), tuple(bad), ignored)


def _decode(data: bytes) -> str:
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"%PDF")):
        raise BadInput("This is not a CSV table; open it in its program and save it as CSV.")
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    for encoding in ("utf-16",) if wide else ("utf-8-sig", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            break
        return text
    raise BadInput("This file is not text; save the table as CSV (UTF-8) and try again.")


def _separator(text: str) -> tuple[str, str]:
    """The separator and the text without the line ``sep=;`` that some programs put first."""
    first, _, rest = text.lstrip("\r\n").partition("\n")
    if first.strip().lower().startswith("sep=") and len(first.strip()) == len("sep=") + 1:
        # The empty line in its place keeps line numbers true.
        return first.strip()[-1], "\n" + rest
    heading = first
    if heading.count('"') % 2:  # a quoted heading with a line break: rare, look at all of it
        heading = text
    return max(",;\t", key=lambda c: _count_outside_quotes(heading, c)), text


def _count_outside_quotes(text: str, separator: str) -> int:
    return sum(part.count(separator) for part in text.split('"')[::2])


def _column_key(heading: str) -> str:
    return alike(heading.replace("_", " ").replace("-", " "))


def _columns(headings: list[str]) -> tuple[dict[str, int], tuple[str, ...]]:
    """Which column stands where, and the headings that mean nothing here."""
    places: dict[str, int] = {}
    ignored: list[str] = []
    known = {_column_key(name): name for name in EXPECTED} | _ALSO_CALLED
    for place, heading in enumerate(headings):
        name = known.get(_column_key(heading))
        if name is None:
            if heading.strip():
                ignored.append(heading.strip()[:40])
        elif name in places:
            raise BadInput(f'Two columns mean "{name}"; keep one of them.')
        else:
            places[name] = place
    missing = [name for name in REQUIRED if name not in places]
    if missing:
        raise BadInput(
            f"The first line lacks the column {' and the column '.join(missing)}; "
            f"expected are {', '.join(EXPECTED)} ({' and '.join(REQUIRED)} must be there).",
            missing=missing,
            expected=list(EXPECTED),
        )
    return places, tuple(ignored)


def _line(line: int, cells: list[str], columns: dict[str, int], *, width: int) -> RosterLine:
    if any(cell.strip() for cell in cells[width:]):
        raise BadInput(f"This line has {len(cells)} cells, the heading {width}; quote cells that hold separators.")

    def cell(name: str) -> str:
        place = columns.get(name)
        return cells[place] if place is not None and place < len(cells) else ""

    tidy: dict[str, Any] = {
        name: one_line(cell(name), what=name.replace("_", " "), longest=longest, required=name in REQUIRED)
        for name, longest in LONGEST.items()
    }
    return RosterLine(
        **tidy,
        consent_on=parse_date(cell("consent_on")),
        extra_time_percent=_percent(cell("extra_time_percent")),
        enlarged_music=_yes_or_no(cell("enlarged_music"), "enlarged_music"),
        line=line,
    )


def checked_extra_time(percent: int) -> int:
    """``percent`` more time, or ``BadInput`` when it is none that can be given."""
    if not 0 <= percent <= MOST_EXTRA_PERCENT:
        raise BadInput(f"Extra time is a share from 0 to {MOST_EXTRA_PERCENT} percent.")
    return percent


def _percent(text: str) -> int:
    tidy = text.strip().removesuffix("%").strip()
    if not tidy:
        return 0
    if not tidy.isascii() or not tidy.isdecimal() or len(tidy) > 4:
        raise BadInput(
            f'The extra time "{text.strip()[:20]}" is not a whole number of percent; write 50 for half more.'
        )
    return checked_extra_time(int(tidy))


def _yes_or_no(text: str, column: str) -> bool:
    tidy = alike(text)
    if tidy not in _YES + _NO:
        raise BadInput(f'The column {column} is answered by yes or no; "{text.strip()[:20]}" is neither.')
    return tidy in _YES


def parse_date(text: str) -> date | None:
    """A date as offices write it, or None for an empty cell; raises ``BadInput`` for anything else."""
    tidy = text.strip()
    if not tidy:
        return None
    for form in _DATE_FORMS:
        try:
            return datetime.strptime(tidy, form).date()
        except ValueError:
            continue
    raise BadInput(f'The consent date "{tidy[:20]}" is not a date; write it as 2026-03-14.')

"""The roster by form and from tables: encodings, separators, bad lines, duplicates, names in any script."""

import csv
import io
import unicodedata
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.domain.errors import BadInput, Duplicate, NotFound, TooLarge, WrongState
from app.services import draw, roster
from app.services.roster_csv import COLUMNS, EXPECTED, RosterLine, parse_date, parse_roster

pytestmark = pytest.mark.both_engines

GOOD = "name,instrument,school\nMira Sund,clarinet-bb,North\nJo Vale,Flute,South\n"


def _names(parsed) -> list[str]:
    return [line.name for line in parsed.lines]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_tables_are_read_whatever_program_wrote_them(encoding, separator, line_end):
    text = GOOD.replace("Mira Sund", "Mira Sündström").replace(",", separator).replace("\n", line_end)
    parsed = parse_roster(text.encode(encoding))
    assert _names(parsed) == ["Mira Sündström", "Jo Vale"]
    assert [line.school for line in parsed.lines] == ["North", "South"]
    assert parsed.rejected == ()


def test_the_line_that_names_the_separator_is_understood_and_line_numbers_stay_true():
    parsed = parse_roster(b"sep=;\r\nname;instrument\r\nMira;flute\r\n;flute\r\n")
    assert _names(parsed) == ["Mira"]
    assert [(r.line, r.sentence) for r in parsed.rejected] == [(4, "The name is missing; fill it in.")]


def test_headings_as_offices_write_them_and_columns_nobody_asked_for():
    parsed = parse_roster(
        b"Student Name;Phone;INSTRUMENT;Private Teacher;Consent Date\nMira;555;Flute;A. Brandt;3/14/2026\n"
    )
    line = parsed.lines[0]
    assert (line.name, line.teacher, line.consent_on) == ("Mira", "A. Brandt", date(2026, 3, 14))
    assert parsed.ignored_columns == ("Phone",)


@pytest.mark.parametrize("heading", ["first,last\na,b", "Mira Sund,flute\nJo Vale,oboe", "name\nMira"])
def test_wrong_columns_are_answered_with_the_expected_ones(heading):
    with pytest.raises(BadInput) as refusal:
        parse_roster(heading.encode())
    for column in EXPECTED:
        assert column in refusal.value.sentence


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "no rows"),
        (b"\n\n\r\n", "no rows"),
        (b"name,instrument\n", "no students"),
        (b"PK\x03\x04 a spreadsheet", "save it as CSV"),
        (b"\x00\x01\x02\x00", "not text"),
        (b"name,instrument\n\x00\x00,flute", "not text"),
        (b"name,instrument,Student\nA,flute,B", 'Two columns mean "name"'),
    ],
)
def test_what_is_no_roster_is_refused_in_a_sentence(data, said):
    with pytest.raises(BadInput, match=said):
        parse_roster(data)


def test_tables_of_absurd_size_are_refused():
    with pytest.raises(TooLarge):
        parse_roster(b"x" * (8 * 2**20 + 1))
    with pytest.raises(TooLarge):
        parse_roster(("name,instrument\n" + "".join(f"S{n},flute\n" for n in range(25_001))).encode())


def test_each_bad_line_is_named_with_its_reason():
    parsed = parse_roster(
        b"name,instrument,consent_on\n"
        b"Mira,flute,2026-03-14\n"
        b",flute,\n"
        b"Jo,flute,some day\n"
        b"\n"
        b"Mira,FLUTE,\n"
        b"Ada,flute,2026-01-01,a stray cell\n"
        b'"Two\nlines",flute,\n'
        b"Nu\xe2\x80\xaell,flute,\n"
    )
    assert _names(parsed) == ["Mira", "Two lines"]
    assert [r.line for r in parsed.rejected] == [3, 4, 6, 7, 10]
    assert "stands on line 2 already" in parsed.rejected[2].sentence


def test_accommodations_come_from_the_table_too_and_every_column_is_explained(scene):
    table = ",".join(COLUMNS) + "\n" + ",".join(example for _, example in COLUMNS.values()) + "\n"
    parsed = parse_roster((table + "Bo,flute,,,,,,,25 %,no\nCy,flute,,,,,,,,\n").encode())
    assert parsed.rejected == () == parsed.ignored_columns
    scene.do(roster.add_table, scene.audition_id, parsed, keep_good=False)
    found = {e.name: e for e in scene.look(roster.roster, scene.audition_id)}
    assert {name: (e.extra_time_percent, e.enlarged_music) for name, e in found.items()} == {
        "Ada Finch": (50, True),
        "Bo": (25, False),
        "Cy": (0, False),
    }
    assert found["Ada Finch"].accommodation == "sits while playing"
    assert all(holds.endswith(".") for holds, _ in COLUMNS.values())


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ("half,", "whole number of percent"),
        ("1.5,", "whole number of percent"),
        ("-5,", "whole number of percent"),
        ("301,", "from 0 to 300"),
        (",perhaps", "yes or no"),
    ],
)
def test_an_accommodation_nobody_can_read_rejects_its_line(cells, said):
    parsed = parse_roster(f"name,instrument,Extra time,Large print\nMira,flute,{cells}\nJo,flute,50%,Yes\n".encode())
    assert [(line.name, line.extra_time_percent, line.enlarged_music) for line in parsed.lines] == [("Jo", 50, True)]
    assert [r.line for r in parsed.rejected] == [2]
    assert said in parsed.rejected[0].sentence


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-03-14", date(2026, 3, 14)),
        ("14.3.2026", date(2026, 3, 14)),
        ("03/14/2026", date(2026, 3, 14)),
        (" ", None),
    ],
)
def test_dates_as_people_write_them(text, expected):
    assert parse_date(text) == expected


# Everything but controls, lone surrogates and marks that turn the reading direction.
LETTERS = st.characters(
    exclude_categories=["Cs", "Cc", "Zl", "Zp"],
    exclude_characters="\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069",
)


@settings(deadline=None)
@given(
    st.lists(st.text(LETTERS, min_size=1, max_size=40).filter(str.strip), min_size=1, max_size=8),
    st.sampled_from([",", ";", "\t"]),
)
def test_any_name_in_any_script_survives_the_table(names, separator):
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator)
    writer.writerow(["name", "instrument", "school"])
    for place, name in enumerate(names):
        writer.writerow([name, "flute", f"School {place}"])
    parsed = parse_roster(out.getvalue().encode())
    assert _names(parsed) == [" ".join(unicodedata.normalize("NFC", n).split()) for n in names]


@settings(deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_give_a_roster_or_one_sentence(data):
    try:
        parsed = parse_roster(data)
    except BadInput:
        return
    assert parsed.lines or parsed.rejected


@pytest.mark.parametrize(
    ("written", "key"),
    [
        ("clarinet-bb", "clarinet-bb"),
        ("Clarinet in B♭", "clarinet-bb"),
        ("B-flat clarinet", "clarinet-bb"),
        ("FLUTE", "flute"),
        ("alto saxophone", "sax-alto"),
        ("Bass Clarinet", "bass-clarinet"),
    ],
)
def test_instruments_are_known_by_key_and_by_name(written, key):
    assert roster.instrument_key(written) == key


def test_an_unknown_instrument_is_refused_with_examples():
    with pytest.raises(BadInput, match="piccolo, flute"):
        roster.instrument_key("nose whistle")


def test_with_bad_lines_nothing_is_added_unless_the_good_ones_are_kept(scene):
    table = parse_roster(b"name,instrument\nMira,flute\nJo,nose whistle\n,flute\n")
    reading = scene.do(roster.add_table, scene.audition_id, table, keep_good=False)
    assert (reading.added, [r.line for r in reading.rejected]) == (0, [3, 4])
    assert scene.look(roster.roster, scene.audition_id) == []
    reading = scene.do(roster.add_table, scene.audition_id, table, keep_good=True)
    assert (reading.added, [r.line for r in reading.rejected]) == (1, [3, 4])
    assert [e.name for e in scene.look(roster.roster, scene.audition_id)] == ["Mira"]


def test_the_same_table_again_adds_nobody_twice(scene):
    table = parse_roster(GOOD.encode())
    assert scene.do(roster.add_table, scene.audition_id, table, keep_good=True).added == 2
    again = scene.do(roster.add_table, scene.audition_id, table, keep_good=True)
    assert again.added == 0
    assert all("already" in r.sentence for r in again.rejected)
    assert len(scene.look(roster.roster, scene.audition_id)) == 2


def test_a_large_table_is_added_quickly(scene):
    rows = "".join(f"Student {n},flute,School {n % 7}\n" for n in range(1000))
    table = parse_roster(("name,instrument,school\n" + rows).encode())
    assert scene.do(roster.add_table, scene.audition_id, table, keep_good=False).added == 1000


def test_one_student_on_two_instruments_is_one_student(scene):
    scene.student("Mira Sund", "flute", school="North")
    scene.student("mira  sund", "oboe", school="NORTH")
    lines = scene.look(roster.roster, scene.audition_id)
    assert len({line.student_id for line in lines}) == 1
    with pytest.raises(Duplicate):
        scene.student("MIRA SUND", "Oboe", school="north")


def test_a_line_can_be_changed_and_removed_before_the_draw(scene):
    entry = scene.student("Mira Sund")
    changed = scene.do(roster.change, entry, {"name": "Mira Sünd", "teacher": "A. Brandt", "instrument": "oboe"})
    assert (changed.name, changed.teacher, changed.instrument) == ("Mira Sünd", "A. Brandt", "oboe")
    scene.do(roster.remove, entry)
    assert scene.look(roster.roster, scene.audition_id) == []
    with pytest.raises(NotFound):
        scene.do(roster.change, entry, {"name": "X"})


def test_a_drawn_line_can_only_be_withdrawn_and_its_candidate_follows(scene):
    entry = scene.student("Mira Sund")
    round_id = scene.drawn().id
    with pytest.raises(WrongState, match="withdraw"):
        scene.do(roster.remove, entry)
    with pytest.raises(WrongState, match="withdraw"):
        scene.do(roster.change, entry, {"instrument": "oboe"})
    scene.do(roster.change, entry, {"withdrawn": True})
    assert scene.look(draw.one_round, round_id).candidates[0].state == "withdrawn"
    scene.do(roster.change, entry, {"withdrawn": False})
    assert scene.look(draw.one_round, round_id).candidates[0].state == "expected"


def test_a_form_line_needs_a_name(scene):
    with pytest.raises(BadInput, match="name is missing"):
        scene.do(roster.add, scene.audition_id, RosterLine("  ", "flute"))

"""Notation files that can't be used: each is refused in one sentence that says what to do."""

import io
import struct
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from notation_pages import attributes, bar, n, page, part, score, transpose

from app.domain.errors import BadInput, BadNotation, FairhearingError, TooLarge
from app.files import notation_parts, notation_safety
from app.files.notation import list_parts, prepared_musicxml, read_notation

GOOD = page(n("C5", 48), n("D5", 48))
CONTAINER = (
    b'<?xml version="1.0"?><container><rootfiles><rootfile full-path="score/page.musicxml" '
    b'media-type="application/vnd.recordare.musicxml+xml"/></rootfiles></container>'
)


def zipped(*entries: tuple[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in entries:
            archive.writestr(name, content)
    return out.getvalue()


def refused(data: bytes, words: str, **choices: object) -> FairhearingError:
    with pytest.raises(BadInput, match=words) as caught:
        read_notation(data, **choices)  # type: ignore[arg-type]
    sentence = caught.value.sentence
    assert sentence[0].isupper()
    assert sentence.endswith((".", "”."))
    assert "\n" not in sentence
    return caught.value


@pytest.mark.parametrize("data", [b"", b"   \n\t ", b"\x00" * 40])
def test_empty(data: bytes) -> None:
    refused(data, "is empty; export it again")


@pytest.mark.parametrize("data", [b"%PDF-1.7 ...", b"ID3\x03", b"hello", b"\x89PNG\r\n", b"X:1\nK:C\nCDEF|"])
def test_no_notation_at_all(data: bytes) -> None:
    refused(data, "not a notation file")


def test_xml_that_is_no_score() -> None:
    refused(b"<html><body>404</body></html>", "not a notation file")
    refused(b"<opus><title>All of it</title></opus>", "a collection")


def test_malformed_xml_names_the_line() -> None:
    error = refused(GOOD[:-30], "is damaged at line")
    assert isinstance(error, BadNotation)
    refused(GOOD.replace(b"</measure>", b"</bar>", 1), "is damaged at line 1")
    refused(b'<?xml version="1.0" encoding="no-such-code"?><score-partwise/>', "is damaged")


def test_utf16_is_read() -> None:
    text = GOOD.decode().replace('encoding="UTF-8"', 'encoding="UTF-16"')
    assert len(read_notation(text.encode("utf-16")).notes) == 2


def test_billion_laughs_are_refused() -> None:
    bomb = b'<?xml version="1.0"?><!DOCTYPE score-partwise [<!ENTITY a "ha">' + b"".join(
        b'<!ENTITY %c "%s">' % (98 + i, b"&%c;" % (97 + i) * 10) for i in range(9)
    )
    refused(bomb + b"]><score-partwise>&j;</score-partwise>", "declares entities")


def test_external_entities_are_refused_and_no_file_is_read(tmp_path: object) -> None:
    secret = b'<!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/hostname">]>'
    data = GOOD.replace(b"Flute", b"&f;")
    start = data.index(b"<!DOCTYPE")
    end = data.index(b">", start) + 1
    refused(data[:start] + secret.replace(b"DOCTYPE x", b"DOCTYPE score-partwise") + data[end:], "declares entities")


def test_an_undeclared_entity_is_damage() -> None:
    refused(GOOD.replace(b"Flute", b"&f;"), "is damaged|can't be read")


def test_deep_nesting_is_refused() -> None:
    refused(b"<a>" * 5000 + b"</a>" * 5000, "nested too deeply")


def test_too_many_bytes() -> None:
    with pytest.raises(TooLarge, match="8 MB is the most"):
        read_notation(b"<" + b" " * notation_safety.MOST_BYTES)


def test_compressed_files_are_read_by_their_container_or_by_name() -> None:
    named = zipped(("META-INF/container.xml", CONTAINER), ("score/page.musicxml", GOOD), ("other.xml", b"<x/>"))
    assert len(read_notation(named).notes) == 2
    assert b'id="h2"' in prepared_musicxml(named)
    assert len(read_notation(zipped(("page.xml", GOOD))).notes) == 2


def test_zip_bombs_are_refused_before_unpacking() -> None:
    with pytest.raises(TooLarge, match="unpacks to more"):
        read_notation(zipped(("page.xml", b" " * (notation_safety.MOST_UNPACKED_BYTES + 1))))
    with pytest.raises(TooLarge, match="unpacks to more"):
        read_notation(zipped(*((f"{i}.xml", b"<x/>") for i in range(notation_safety.MOST_ENTRIES + 1))))


def test_a_zip_that_lies_about_its_size_is_refused() -> None:
    data = bytearray(zipped(("page.xml", b" " * (notation_safety.MOST_UNPACKED_BYTES + 100))))
    for mark, offset in ((b"PK\x01\x02", 24), (b"PK\x03\x04", 22)):
        place = data.index(mark) + offset
        data[place : place + 4] = struct.pack("<I", 1000)
    refused(bytes(data), "damaged or encrypted|unpacks to more")


def test_damaged_and_foreign_zips() -> None:
    whole = zipped(("page.xml", GOOD))
    refused(whole[: len(whole) // 2], "damaged or encrypted")
    refused(b"PK\x03\x04 nothing more", "damaged or encrypted")
    refused(zipped(("readme.txt", b"hello")), "no score inside")
    refused(zipped(("META-INF/container.xml", b"<container"), ("page.xml", GOOD)), "is damaged")


def test_no_notes_and_no_bars() -> None:
    refused(page(n("r", 48)), "no note in this file")
    refused(score(), "no note in this file")
    refused(score(part("Flute", [])), "no note in this file")


def test_several_parts_need_a_choice() -> None:
    two = score(
        part("Flute", [bar(attributes() + n("C5", 48))], "P1"), part("Oboe", [bar(attributes() + n("D5", 48))], "P2")
    )
    error = refused(two, "has 2 parts; choose the one that is played: 1 “Flute”, 2 “Oboe”")
    assert error.facts["parts"] == [
        {"index": 0, "name": "Flute", "notes": 1}, {"index": 1, "name": "Oboe", "notes": 1},
    ]  # fmt: skip
    refused(two, "no part “Tuba”", part="Tuba")
    refused(two, "no part “7”", part=7)
    silent = score(
        part("Flute", [bar(attributes() + n("r", 48))], "P1"), part("Oboe", [bar(attributes() + n("D5"))], "P2")
    )
    refused(silent, "“Flute” has no note", part=0)


def test_two_lines_at_once_name_the_bar() -> None:
    both = n("C5", 48) + "<backup><duration>48</duration></backup>" + n("E4", 24, voice=2) + n("F4", 24, voice=2)
    refused(page(n("C5", 48), both), "Bar 2 has two lines sounding at once, written in two voices")
    staves = both.replace("<voice>2</voice>", "<voice>5</voice>").replace("</note>", "<staff>2</staff></note>")
    refused(page(staves.replace("<staff>2</staff>", "<staff>1</staff>", 1)), "written on two staves")


def test_a_piano_page_is_refused_in_words() -> None:
    grand = (
        attributes().replace("</time>", "</time><staves>2</staves>")
        + n("C5", 48, staff=1)
        + "<backup><duration>48</duration></backup>"
        + n("C3", 24, voice=5, staff=2)
        + n("G3", 24, voice=5, staff=2)
    )
    data = score(part("Piano", [bar(grand)]))
    assert list_parts(data)[0].staves == 2
    refused(data, "two lines sounding at once, written on two staves")


def test_quarter_tones_are_refused() -> None:
    refused(GOOD.replace(b"<step>D</step>", b"<step>D</step><alter>0.5</alter>"), "quarter tone in bar 2")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (b"<divisions>12</divisions>", b"<divisions>0</divisions>", "no usable note lengths"),
        (b"<divisions>12</divisions>", b"<divisions>many</divisions>", "no usable note lengths"),
        (b"<duration>48</duration>", b"<duration>-4</duration>", "a length that can't be read"),
        (b"<duration>48</duration>", b"<duration>9e9</duration>", "a length that can't be read"),
        (b"<duration>48</duration>", b"<duration>48000000</duration>", "a length that can't be read"),
        (b"<beats>4</beats>", b"<beats>0</beats>", "a time signature that can't be read"),
        (b"<beat-type>4</beat-type>", b"<beat-type>5</beat-type>", "a time signature that can't be read"),
        (b"<step>C</step>", b"<step>H</step>", "can't be read as MusicXML"),
        (b"<octave>5</octave>", b"<octave>55</octave>", "outside of what can be played"),
    ],
)
def test_values_out_of_reason(old: bytes, new: bytes, words: str) -> None:
    refused(GOOD.replace(old, new, 1), words)


def test_a_transposition_that_is_no_number() -> None:
    odd = page(n("C5", 48), transpose=transpose(-2)).replace(b">-2<", b">two<")
    refused(odd, "transposition is not a number")
    unnamed = page(n("C5", 48), transpose=transpose(-8), name="Solo")
    refused(unnamed, "choose the instrument")
    assert read_notation(unnamed, instrument="clarinet-bb").notes[0].sounding_midi == 70


def test_an_unknown_instrument() -> None:
    refused(GOOD, "no instrument called “kazoo”", instrument="kazoo")


def test_a_part_with_too_many_notes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(notation_parts, "MOST_NOTES", 1)
    refused(GOOD, "has 2 notes; 1 is the most")


def test_signs_that_lead_in_circles_end() -> None:
    times = n("C5", 48) + '<barline location="right"><repeat direction="backward" times="9999999"/></barline>'
    assert len(read_notation(page(times)).bars) == 16


def sentence_on(data: bytes) -> str:
    """What is said about a file, empty when it was read."""
    try:
        assert read_notation(data).notes
    except FairhearingError as error:
        return error.sentence
    return ""


@settings(max_examples=150, deadline=None)
@given(st.integers(0, len(GOOD) - 1), st.integers(0, 12), st.binary(max_size=6))
def test_a_mangled_file_is_read_or_refused_in_a_sentence(place: int, cut: int, put: bytes) -> None:
    sentence = sentence_on(GOOD[:place] + put + GOOD[place + cut :])
    assert sentence == "" or sentence.endswith((".", "”."))

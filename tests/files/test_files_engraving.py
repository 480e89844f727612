"""The engraver's pictures as shapes: ids, places, lowest ink, even systems, a browser's picture without styles."""

import itertools
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.domain.engraving import Engraving
from app.domain.errors import BadNotation
from app.files import engraving as engraving_module
from app.files.engraving import engrave, system_starts
from app.files.outlines import bounds, ellipse, parse_path, parse_transform, transformed

FEATURES = Path(__file__).parent / "fixtures" / "engraving-features.musicxml"
SVG = "{http://www.w3.org/2000/svg}"


def one_part(notes: str, *, bars: int = 1, key: int = 0) -> bytes:
    """Bars of the same quarter notes; ids are x1, x2, ..."""
    counter = itertools.count(1)
    attributes = (
        f"<attributes><divisions>1</divisions><key><fifths>{key}</fifths></key>"
        "<time><beats>4</beats><beat-type>4</beat-type></time><clef><sign>G</sign><line>2</line></clef></attributes>"
    )

    def note(name: str) -> str:
        return (
            f'<note id="x{next(counter)}"><pitch><step>{name[0]}</step><octave>{name[1]}</octave></pitch>'
            "<duration>1</duration><type>quarter</type></note>"
        )

    measures = "".join(
        f'<measure number="{n}">{attributes if n == 1 else ""}{"".join(map(note, notes.split()))}</measure>'
        for n in range(1, bars + 1)
    )
    return (
        '<score-partwise version="3.1"><part-list><score-part id="P1"><part-name>Flute</part-name></score-part>'
        f'</part-list><part id="P1">{measures}</part></score-partwise>'
    ).encode()


def places(engraved: Engraving) -> dict[str, tuple[float, float]]:
    return {n.engraved_id: (n.centre, n.y) for system in engraved.systems for n in system.notes}


def test_heads_stand_on_the_line_their_pitch_is_written_on() -> None:
    found = places(engrave(one_part("E4 F4 F5 A5")))
    # treble clef: E4 on the bottom line (4 spaces below the top line), F5 on the top line, A5 on the first ledger line
    assert [round(found[f"x{i}"][1], 1) for i in (1, 2, 3, 4)] == pytest.approx([4.0, 3.5, 0.0, -1.0], abs=0.06)
    xs = [found[f"x{i}"][0] for i in (1, 2, 3, 4)]
    assert xs == sorted(xs)


def test_every_note_of_the_feature_page_is_placed_once() -> None:
    source = FEATURES.read_bytes()
    wanted = set(re.findall(rb'note id="(f\d+)"', source))
    engraved = engrave(source)
    heads = [n.engraved_id for system in engraved.systems for n in system.notes]
    assert sorted(heads) == sorted(w.decode() for w in wanted)
    numbers = [b.number for system in engraved.systems for b in system.bars]
    # bars 11 to 13 belong to the four bars' rest that is printed as one
    assert numbers == [str(n) for n in (*range(1, 11), 14)]


def test_ink_bounds_hold_every_shape_and_head() -> None:
    for system in engrave(FEATURES.read_bytes()).systems:
        for shape in system.shapes:
            left, top, right, bottom = bounds(shape.segments)
            assert top >= system.ink_top - 1e-3
            assert bottom <= system.ink_bottom + 1e-3
            assert left <= right
        assert system.ink_top < 0
        assert system.ink_bottom >= system.staff_bottom == pytest.approx(4.0)


def test_words_keep_their_text_and_music_signs_become_outlines() -> None:
    engraved = engrave(FEATURES.read_bytes())
    words = [w.text.strip() for system in engraved.systems for w in system.words]
    assert {"Allegro (ma non troppo)", "112", "rit.", "A"} <= set(words)
    assert not any("\ue000" <= c <= "\uf8ff" for w in words for c in w)


def test_the_dot_of_a_metronome_mark_stands_close_to_its_note() -> None:
    first = engrave(FEATURES.read_bytes()).systems[0]
    equals = next(w for w in first.words if w.text.strip() == "=")
    boxes = [bounds(s.segments) for s in first.shapes]
    signs = sorted(b for b in boxes if b[3] < equals.y + 1 and b[1] > equals.y - 4 and equals.x - 4 < b[0] < equals.x)
    note, dot = signs[-2:]
    assert dot[2] - dot[0] < 1.0 < note[3] - note[1]
    assert 0.0 < dot[0] - note[2] < 0.5
    assert " " not in {w.text for w in first.words}


def test_the_last_bar_line_is_whole_in_the_browsers_picture() -> None:
    engraved = engrave(FEATURES.read_bytes())
    width = float(re.findall(r'viewBox="0 0 ([\d.]+) ', engraved.svg)[0])
    for system in engraved.systems:
        for shape in system.shapes:
            assert bounds(shape.segments)[2] + shape.stroke_width / 2 <= width


def test_the_browsers_picture_has_no_styles_and_keeps_ids() -> None:
    engraved = engrave(FEATURES.read_bytes())
    root = ElementTree.fromstring(engraved.svg)
    tags = {e.tag.removeprefix(SVG) for e in root.iter()}
    assert tags <= {"svg", "g", "defs", "use", "path", "polygon", "polyline", "rect", "ellipse", "text", "tspan"}
    assert not [e for e in root.iter() if "style" in e.attrib or any(a.startswith("on") for a in e.attrib)]
    ids = [e.get("id") for e in root.iter() if (e.get("class") or "").split()[:1] == ["note"]]
    assert len(ids) == len(set(ids)) == sum(len(s.notes) for s in engraved.systems)
    references = {(e.get("href") or "").removeprefix("#") for e in root.iter(SVG + "use")}
    assert references <= {e.get("id") for e in root.iter() if e.get("id")}
    assert not any("\ue000" <= c <= "\uf8ff" for e in root.iter() for c in e.text or "")
    assert len(engraved.svg_tops) == len(engraved.systems)


def test_words_keep_to_their_room_whatever_the_devices_font() -> None:
    """Without this a wide letter of a fallback font covered the note of a metronome mark."""
    root = ElementTree.fromstring(engrave(FEATURES.read_bytes()).svg)
    found = {
        "".join(e.itertext()).strip(): e
        for e in root.iter(SVG + "text")
        if e.get("textLength") and "".join(e.itertext()).strip()
    }
    assert {"Allegro (ma non troppo)", "112", "=", "rit."} <= set(found)
    tempo = found["Allegro (ma non troppo)"]
    assert tempo.get("lengthAdjust") == "spacingAndGlyphs"
    # what follows on the line begins behind it
    end = float(tempo.attrib["x"]) + float(tempo.attrib["textLength"])
    assert end <= float(found["="].attrib["x"])


def test_equal_sources_give_equal_pictures() -> None:
    source = FEATURES.read_bytes()
    first = engrave(source)
    engraving_module._engrave.cache_clear()
    second = engrave(source)
    assert first.digest == second.digest
    assert first == second
    assert engrave(source, width=90.0).digest != first.digest


def test_an_excerpt_takes_its_bars_only() -> None:
    engraved = engrave(one_part("C5 D5 E5 F5", bars=12), first_bar="5", last_bar="7")
    assert [b.number for s in engraved.systems for b in s.bars] == ["5", "6", "7"]
    assert list(places(engraved)) == [f"x{n}" for n in range(17, 29)]
    # what is in force from before the excerpt is printed at its start
    clef_and_key = engrave(one_part("C5 D5 E5 F5", bars=12, key=2), first_bar="5", last_bar="7")
    assert len(clef_and_key.systems[0].shapes) > len(engraved.systems[0].shapes)


def test_systems_are_filled_evenly() -> None:
    engraved = engrave(one_part("C5 D5 E5 F5", bars=25))
    counts = [len(s.bars) for s in engraved.systems]
    assert len(counts) > 2
    assert max(counts) - min(counts) <= 1
    for system in engraved.systems[:-1]:
        assert system.right == pytest.approx(100.0, abs=0.5)


@given(
    widths=st.lists(st.floats(5, 60), min_size=1, max_size=40),
    width=st.floats(60, 120),
)
def test_no_system_is_empty_or_far_too_full(widths: list[float], width: float) -> None:
    starts = [0, *system_starts(widths, width), len(widths)]
    assert starts == sorted(set(starts))
    for begin, end in itertools.pairwise(starts):
        assert end - begin == 1 or sum(widths[begin:end]) <= width + 1e-6


@pytest.mark.parametrize(
    ("source", "words"),
    [
        (b"<score-partwise>", "not well-formed"),
        (b"<score-partwise/>", "one part"),
        (b"<score-timewise/>", "score-timewise with 0 parts"),
        (one_part("C5").replace(b"</part>", b"</part><part id='P2'/>"), "2 parts"),
    ],
)
def test_what_cant_be_engraved_is_refused_in_a_sentence(source: bytes, words: str) -> None:
    with pytest.raises(BadNotation, match=words):
        engrave(source)


def test_a_missing_bar_is_named_with_those_there_are() -> None:
    with pytest.raises(BadNotation, match=r"no bar 99 .* bars 1 to 3"):
        engrave(one_part("C5 D5 E5 F5", bars=3), first_bar="2", last_bar="99")


def test_path_data_means_the_same_absolute_and_relative() -> None:
    absolute = parse_path("M10 10 L20 10 C20 20 30 20 30 10 S40 0 40 10 Q45 20 50 10 T60 10 H70 V5 Z")
    relative = parse_path("m10,10 l10 0c0,10 10,10 10,0s10-10 10,0q5,10 10,0t10,0h10v-5z")
    assert len(absolute) == len(relative)
    for a, b in zip(absolute, relative, strict=True):
        assert a[0] == b[0]
        assert a[1:] == pytest.approx(b[1:])


def test_bounds_follow_curves_not_their_handles() -> None:
    left, top, right, bottom = bounds(ellipse(5, 7, 3, 2))
    assert (left, top, right, bottom) == pytest.approx((2, 5, 8, 9))
    # one arch: the curve reaches three quarters of its handles' height
    assert bounds(parse_path("M0 0 C0 4 6 4 6 0"))[3] == pytest.approx(3.0)


def test_transforms_apply_right_to_left() -> None:
    moved = transformed(parse_path("M1 0 L2 0"), parse_transform("translate(10, 20) rotate(90) scale(2, 3)"))
    assert moved[0][1:] == pytest.approx((10, 22))
    assert moved[1][1:] == pytest.approx((10, 24))


@pytest.mark.parametrize("data", ["M0 0 A1 1 0 0 1 2 2", "M0 0 B1 1"])
def test_unknown_outlines_are_refused(data: str) -> None:
    with pytest.raises(BadNotation, match="unknown outline"):
        parse_path(data)

"""The signs of a MusicXML page: grace notes, ornaments, slurs, articulations, dynamics."""

from notation_pages import (
    BACK,
    FORWARD,
    SLUR,
    SLUR_END,
    START,
    STOP,
    direction,
    dynamic,
    n,
    page,
)

from app.files.notation import read_notation


def test_grace_notes_before_and_after() -> None:
    turned = n("E5", 24, notations="<ornaments><trill-mark/></ornaments>") + n("D5", 0) + n("E5", 0) + n("F5", 24)
    piece = read_notation(page(n("B4", 0) + n("C5", 0) + n("D5", 48), turned))
    assert [(x.written_pitch, x.grace, x.onset_quarters, x.length_quarters) for x in piece.notes] == [
        ("B4", True, 0.0, 0.0),
        ("C5", True, 0.0, 0.0),
        ("D5", False, 0.0, 4.0),
        ("E5", False, 4.0, 2.0),
        ("D5", True, 6.0, 0.0),
        ("E5", True, 6.0, 0.0),
        ("F5", False, 6.0, 2.0),
    ]


def test_graces_at_the_end_of_a_bar_lead_to_the_next() -> None:
    piece = read_notation(page(n("C5", 48) + n("D5", 0), n("E5", 48)))
    assert [(x.bar, x.onset_quarters) for x in piece.notes] == [("1", 0.0), ("1", 4.0), ("2", 4.0)]


def ornament(sign: str, *, before: str = "", fifths: int = 0, main: str = "E5") -> tuple[int, ...]:
    piece = read_notation(page(before + n(main, 24, notations=f"<ornaments>{sign}</ornaments>"), fifths=fifths))
    found = piece.notes[-1].ornament
    assert found is not None
    return found.sounding_midi


def test_ornaments_bring_the_neighbours_of_the_key() -> None:
    assert ornament("<trill-mark/>") == (77,)  # F5
    assert ornament("<trill-mark/>", fifths=2) == (78,)  # F#5 in D major
    assert ornament("<mordent/>") == (74,)
    assert ornament("<mordent/>", fifths=-2, main="F5") == (75,)  # Eb5
    assert ornament("<inverted-mordent/>", fifths=1) == (78,)
    assert ornament("<turn/>", fifths=2) == (78, 74)
    assert ornament("<inverted-turn/>") == (77, 74)


def test_ornaments_follow_accidentals_printed_and_in_force() -> None:
    assert ornament("<trill-mark/><accidental-mark>sharp</accidental-mark>") == (78,)
    assert ornament("<trill-mark/><accidental-mark>natural</accidental-mark>", fifths=2) == (77,)
    assert ornament("<trill-mark/>", before=n("F#5", 24)) == (78,)
    assert ornament("<trill-mark/>", before=n("F#4", 24)) == (77,)  # another octave: no effect
    assert ornament('<turn/><accidental-mark placement="below">sharp</accidental-mark>') == (77, 75)
    assert ornament('<trill-mark/><wavy-line type="start" number="1"/>', main="B4") == (72,)


def test_a_wavy_line_alone_is_a_trill_and_tremolos_are_told_apart() -> None:
    wavy = n("E5", 24, notations='<ornaments><wavy-line type="start" number="1"/></ornaments>') + n(
        "F5", 24, notations='<ornaments><wavy-line type="stop" number="1"/></ornaments>'
    )
    first, second = read_notation(page(wavy)).notes
    assert first.ornament is not None
    assert first.ornament.kind == "trill"
    assert second.ornament is None
    bowed = n("E5", 48, notations='<ornaments><tremolo type="single">3</tremolo></ornaments>')
    (shaken,) = read_notation(page(bowed)).notes
    assert shaken.ornament is not None
    assert (shaken.ornament.kind, shaken.ornament.sounding_midi) == ("tremolo", ())
    two = n("C5", 24, notations='<ornaments><tremolo type="start">3</tremolo></ornaments>') + n(
        "E5", 24, notations='<ornaments><tremolo type="stop">3</tremolo></ornaments>'
    )
    assert [x.ornament.sounding_midi for x in read_notation(page(two)).notes if x.ornament] == [(76,), (72,)]


def test_slurs_reach_from_note_to_note_and_not_over_a_jump() -> None:
    piece = read_notation(
        page(
            n("C5", notations=SLUR) + n("D5") + n("E5", notations=SLUR_END) + n("F5"),
            FORWARD + n("G5", 24) + n("A5", 24, notations=SLUR) + BACK,
            n("B5", 48, notations=SLUR_END),
        )
    )
    assert [x.slurred_from_previous for x in piece.notes] == [
        False,
        True,
        True,
        False,
        False,
        False,
        False,
        False,
        True,
    ]


def test_chained_slurs_join_three_notes() -> None:
    piece = read_notation(
        page(n("C5", notations=SLUR) + n("D5", notations=SLUR_END + SLUR) + n("E5", 24, notations=SLUR_END))
    )
    assert [x.slurred_from_previous for x in piece.notes] == [False, True, True]


def test_a_slur_over_a_tie_alone_slurs_nothing() -> None:
    piece = read_notation(
        page(n("C5", 24, inside=START, notations=SLUR) + n("C5", 12, inside=STOP, notations=SLUR_END) + n("D5"))
    )
    assert [x.slurred_from_previous for x in piece.notes] == [False, False]


def test_articulations_breaths_and_fermatas() -> None:
    def art(sign: str) -> str:
        return f"<articulations><{sign}/></articulations>"

    piece = read_notation(
        page(
            n("C5", notations=art("staccato"))
            + n("D5", notations=art("tenuto"))
            + n("E5", notations=art("strong-accent"))
            + n("F5", notations=art("breath-mark")),
            n("G5", notations=art("accent"))
            + n("A5", notations=art("detached-legato"))
            + n("B5", 24, notations="<fermata/>"),
        )
    )
    assert [x.articulations for x in piece.notes] == [
        ("staccato",), ("tenuto",), ("marcato",), (), ("accent",), ("tenuto", "staccato"), (),
    ]  # fmt: skip
    assert [x.breath_after for x in piece.notes] == [False] * 3 + [True] + [False] * 3
    assert [x.fermata for x in piece.notes] == [False] * 6 + [True]


def test_dynamics_and_hairpins_stand_on_the_notes_they_reach() -> None:
    def wedge(kind: str) -> str:
        return direction(f'<wedge type="{kind}" number="1"/>')

    piece = read_notation(
        page(
            dynamic("p") + n("C5") + wedge("crescendo") + n("D5") + n("E5") + wedge("stop") + dynamic("f") + n("F5"),
            n("G5") + direction("<words>dim. poco a poco</words>") + n("A5") + n("B5") + dynamic("pp") + n("C6"),
            dynamic("sfz") + n("C5") + n("D5") + dynamic("fp") + n("E5") + n("F5"),
        )
    )
    assert [x.dynamic for x in piece.notes] == ["p", "p", "p", "f", "f", "f", "f", "pp", "pp", "pp", "p", "p"]
    assert [x.hairpin for x in piece.notes] == [
        None, "crescendo", "crescendo", None, None, "diminuendo", "diminuendo", None, None, None, None, None,
    ]  # fmt: skip
    assert [x.articulations for x in piece.notes[8:]] == [("accent",), (), ("accent",), ()]


def test_a_direction_with_an_offset_stands_where_it_says() -> None:
    shifted = direction("<dynamics><f/></dynamics>").replace("</direction>", "<offset>12</offset></direction>")
    piece = read_notation(page(dynamic("p") + shifted + n("C5") + n("D5", 36)))
    assert [x.dynamic for x in piece.notes] == ["p", "f"]


def test_a_trill_that_begins_on_a_tied_head_counts() -> None:
    trilled = n("E5", 24, inside=STOP, notations="<ornaments><trill-mark/></ornaments>")
    (held,) = read_notation(page(n("E5", 24, inside=START) + trilled)).notes
    assert held.ornament is not None
    assert held.ornament.sounding_midi == (77,)

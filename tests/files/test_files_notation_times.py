"""Bars, metres, tuplets and the metronome mark of a MusicXML page."""

import pytest
from notation_pages import (
    BACK,
    attributes,
    bar,
    direction,
    metronome,
    n,
    page,
    trip,
)

from app.domain.piece import Piece
from app.domain.units import quarter_seconds
from app.files.notation import prepared_musicxml, read_notation


def bars(piece: Piece) -> list[str]:
    return [one.number for one in piece.bars]


def test_a_pickup_counts_its_beats_from_the_end() -> None:
    piece = read_notation(page(bar(n("G4"), "0", implicit=True), bar(n("C5", 48), "1"), bar(n("D5", 36), "2")))
    assert [(x.bar, x.beat) for x in piece.notes] == [("0", 4.0), ("1", 1.0), ("2", 1.0)]
    assert piece.bars[0].length_quarters == 1.0
    assert piece.length_quarters == 8.0
    assert not any("metre" in sentence for sentence in piece.warnings)


def test_halves_of_a_split_bar_have_one_number_on_the_page_too() -> None:
    data = page(bar(n("C5", 24) + BACK, "1"), bar(n("D5", 24), "X1", implicit=True), bar(n("E5", 48), "2"))
    assert bars(read_notation(data)) == ["1", "1", "1", "2"]
    assert [part.split('"')[0] for part in prepared_musicxml(data).decode().split('measure number="')[1:]] == [
        "1", "1", "2",
    ]  # fmt: skip


def test_bars_that_are_too_long_are_followed_and_told() -> None:
    piece = read_notation(page(n("C5", 48), n("D5", 48) + n("E5"), n("F5", 48)))
    assert piece.notes[-1].onset_quarters == 9.0
    assert "Bar 2 holds 5 quarter notes where its metre asks for 4; it is followed as written." in piece.warnings


def test_key_metre_and_clef_changes() -> None:
    piece = read_notation(
        page(
            n("C5", 48),
            attributes(fifths=-3, time="6/8", clef="F4") + n("C3", 18) + n("Eb3", 18),
            attributes(fifths=1, time="2/2") + n("G4", 48),
        )
    )
    assert [(b.fifths, b.beats, b.beat_type, b.felt_beat_quarters) for b in piece.bars] == [
        (0, 4, 4, 1.0), (-3, 6, 8, 1.5), (1, 2, 2, 2.0),
    ]  # fmt: skip
    assert [x.beat for x in piece.notes] == [1.0, 1.0, 2.0, 1.0]


def test_additive_and_free_metres() -> None:
    five = page(n("C5", 18) + n("D5", 12), time="3+2/8")
    assert (read_notation(five).bars[0].beats, read_notation(five).bars[0].beat_type) == (5, 8)
    free = five.replace(b"<beats>3+2</beats><beat-type>8</beat-type>", b"<senza-misura/>")
    assert read_notation(free).bars[0].length_quarters == 2.5


def test_tuplets_have_exact_thirds() -> None:
    piece = read_notation(page(trip("C5") + trip("D5") + trip("E5") + n("F5", 36)))
    assert [x.onset_quarters for x in piece.notes] == pytest.approx([0, 1 / 3, 2 / 3, 1])
    assert [x.length_quarters for x in piece.notes] == pytest.approx([1 / 3, 1 / 3, 1 / 3, 3])


def test_a_dotted_metronome_mark_keeps_its_unit() -> None:
    """Dotted quarter = 54: the eighth goes at 162 and lasts 370.4 ms (common practice)."""
    piece = read_notation(page(metronome("quarter", "54", dot=True) + n("C5", 36), time="6/8"))
    (mark,) = piece.tempo_marks
    assert (mark.beat_unit_quarters, mark.beats_per_minute) == (1.5, 54.0)
    assert mark.quarter_sec / 2 == pytest.approx(60 / 162)
    assert quarter_seconds(54, 1.5) / 2 == pytest.approx(0.3704, abs=5e-5)
    assert not piece.tempo_assumed


def test_tempo_in_words_in_numbers_and_by_sound() -> None:
    piece = read_notation(
        page(
            direction("<words>Andante</words>", '<sound tempo="72"/>') + n("C5", 48),
            metronome("half", "ca. 50-54") + n("D5", 48),
            direction("<metronome><beat-unit>quarter</beat-unit><beat-unit>half</beat-unit></metronome>") + n("E5", 48),
        )
    )
    assert [(m.onset_quarters, m.beat_unit_quarters, m.beats_per_minute, m.text) for m in piece.tempo_marks] == [
        (0.0, 1.0, 72.0, "Andante"), (4.0, 2.0, 52.0, ""), (8.0, 2.0, 104.0, ""),
    ]  # fmt: skip
    compound = read_notation(page('<sound tempo="81"/>' + n("C5", 36), time="6/8"))
    assert (compound.tempo_marks[0].beat_unit_quarters, compound.tempo_marks[0].beats_per_minute) == (1.5, 54.0)
    assert any("playback tempo" in sentence for sentence in compound.warnings)


def test_without_any_tempo_96_is_assumed_and_said() -> None:
    piece = read_notation(page(n("C5", 48)))
    assert piece.tempo_assumed
    assert piece.tempo_marks[0].quarter_sec == pytest.approx(60 / 96)
    assert any("96 to the quarter note is assumed" in sentence for sentence in piece.warnings)


# Sounding minus written in semitones, as orchestration handbooks and MusicXML's transpose element have it (common
# practice). The table in app.material.instruments was typed from its own source; here is the second.

"""What is to be played of a MusicXML page: ties, repeats and jumps."""

import pytest
from notation_pages import (
    BACK,
    FORWARD,
    START,
    STOP,
    direction,
    ending,
    n,
    page,
)

from app.domain.piece import Piece
from app.files.notation import read_notation


def names(piece: Piece) -> list[str]:
    return [note.written_pitch for note in piece.notes]


def bars(piece: Piece) -> list[str]:
    return [one.number for one in piece.bars]


def test_ties_merge_over_barlines_and_keep_every_head() -> None:
    piece = read_notation(
        page(n("G4", 36) + n("D5", 12, inside=START), n("D5", 24, inside=STOP + START) + n("D5", inside=STOP) + n("C5"))
    )
    assert names(piece) == ["G4", "D5", "C5"]
    held = piece.notes[1]
    assert (held.onset_quarters, held.length_quarters, held.tied) == (3.0, 4.0, True)
    assert held.engraved_ids == ("h2", "h3", "h4")
    assert (piece.notes[2].bar, piece.notes[2].beat) == ("2", 4.0)


def test_the_same_pitch_without_a_tie_is_struck_again() -> None:
    piece = read_notation(page(n("G4", 36) + n("D5"), n("D5", 48)))
    assert [note.length_quarters for note in piece.notes] == [3.0, 1.0, 4.0]


def test_a_tie_into_both_endings() -> None:
    piece = read_notation(
        page(
            n("C5", 36) + n("D5", inside=START),
            ending("1", "start") + n("D5", 48, inside=STOP) + ending("1", "stop", back=True),
            ending("2", "start") + n("D5", 24, inside=STOP) + n("E5", 24) + ending("2", "discontinue"),
        )
    )
    assert bars(piece) == ["1", "2", "1", "3"]
    assert [(x.written_pitch, x.length_quarters) for x in piece.notes] == [
        ("C5", 3.0), ("D5", 5.0), ("C5", 3.0), ("D5", 3.0), ("E5", 2.0),
    ]  # fmt: skip
    assert piece.notes[3].engraved_ids == ("h2", "h4")
    assert [x.note_id for x in piece.notes] == ["n1", "n2", "n1-2", "n2-2", "n5"]


def test_a_tie_left_open_at_a_repeat_does_not_join_what_follows() -> None:
    piece = read_notation(page(FORWARD + n("C5", 24) + n("D5", 24, inside=START) + BACK, n("D5", 48, inside=STOP)))
    assert [(x.written_pitch, x.length_quarters) for x in piece.notes] == [
        ("C5", 2.0), ("D5", 2.0), ("C5", 2.0), ("D5", 6.0),
    ]  # fmt: skip


def test_repeats_endings_and_passes() -> None:
    piece = read_notation(
        page(
            n("C5", 48),
            FORWARD + n("D5", 48),
            ending("1, 2", "start") + n("E5", 48) + ending("1, 2", "stop", back=True),
            ending("3", "start") + n("F5", 48) + ending("3", "stop"),
        )
    )
    assert bars(piece) == ["1", "2", "3", "2", "3", "2", "4"]
    assert [one.pass_number for one in piece.bars] == [1, 1, 1, 2, 2, 3, 1]
    assert len({note.note_id for note in piece.notes}) == len(piece.notes)
    assert [note.bar_index for note in piece.notes] == list(range(7))
    once = read_notation(
        page(n("C5", 48) + BACK, n("D5", 48) + direction("<words>D.C. al Fine</words>")), repeats=False
    )
    assert bars(once) == ["1", "2", "1", "2"]


@pytest.mark.parametrize("by_sound", [True, False])
def test_da_capo_dal_segno_fine_and_coda(by_sound: bool) -> None:
    def said(words: str, sound: str) -> str:
        return direction(f"<words>{words}</words>", f"<sound {sound}/>" if by_sound else "")

    capo = page(n("C5", 48) + said("Fine", 'fine="yes"'), n("D5", 48) + said("D.C. al Fine", 'dacapo="yes"'))
    assert bars(read_notation(capo)) == ["1", "2", "1"]
    segno = page(
        n("C5", 48),
        direction("<segno/>") + n("D5", 48) + said("To Coda", 'tocoda="c"'),
        n("E5", 48) + said("D.S. al Coda", 'dalsegno="s"'),
        direction("<coda/>") + n("F5", 48),
    )
    assert bars(read_notation(segno)) == ["1", "2", "3", "2", "4"]


def test_two_bare_coda_signs_mean_leaving_and_arriving() -> None:
    piece = read_notation(
        page(
            n("C5", 48) + direction("<coda/>"),
            n("D5", 48) + direction("<words>D.C.</words>"),
            direction("<coda/>") + n("E5", 48),
        )
    )
    assert bars(piece) == ["1", "2", "1", "3"]


def test_signs_that_lead_nowhere_are_told() -> None:
    piece = read_notation(page(n("C5", 48), n("D5", 48) + direction("<words>D.S.</words>")))
    assert bars(piece) == ["1", "2", "1", "2"]
    assert "There is a D.S. but no segno; it was played as a D.C." in piece.warnings

"""One page with everything on it, read by our chain and by libraries that know nothing of it, note by note.

The page (fixtures/evening_walk.musicxml, our own composition) has a pickup, 6/8 and 3/4, a dotted metronome mark, ties,
triplets, graces before and after, trill, turn and mordent, double stops, endings, D.S. al Coda, a transposing part.
"""

import re
import warnings
from pathlib import Path
from typing import Any

import pytest

from app.domain.piece import Piece
from app.files.notation import read_notation

PAGE = Path(__file__).parent / "fixtures" / "evening_walk.musicxml"
Row = tuple[float, float, int]


JUMPS = (
    r"<direction>\s*<direction-type>\s*<(?:segno|coda|words)[^>]*>(?:(?!</direction>).)*(?:segno|coda)=.*?</direction>"
)
TURNS = r"<(?:repeat|ending) [^>]*/>"


def without(signs: str, path: Path) -> Path:
    """The page without these signs, written to ``path``."""
    text = PAGE.read_text()
    assert re.search(signs, text, re.DOTALL)
    path.write_text(re.sub(signs, "", text, flags=re.DOTALL))
    return path


@pytest.fixture(scope="module")
def straight(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page without signs that lead anywhere but on."""
    return without(f"{JUMPS}|{TURNS}", tmp_path_factory.mktemp("page") / "straight.musicxml")


@pytest.fixture(scope="module")
def repeated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page with its repeat and endings alone."""
    return without(JUMPS, tmp_path_factory.mktemp("page") / "repeated.musicxml")


def partitura_part(path: Path, *, unfolded: bool = False) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import partitura

        part = partitura.load_musicxml(str(path)).parts[0]
        return partitura.score.unfold_part_maximal(part) if unfolded else part


def rows_of_partitura(part: Any) -> list[Row]:
    """Onset and length in quarters (partitura counts from the first full bar) and pitch as written."""
    notes = part.note_array()
    start = float(notes["onset_quarter"].min())
    return sorted(
        (round(float(one["onset_quarter"]) - start, 4), round(float(one["duration_quarter"]), 4), int(one["pitch"]))
        for one in notes
    )


def rows_of_ours(piece: Piece) -> list[Row]:
    return sorted(
        (round(note.onset_quarters, 4), round(note.length_quarters, 4), midi - piece.transposition_semitones)
        for note in piece.notes
        for midi in note.chord_sounding_midi or (note.sounding_midi,)
    )


def test_every_note_of_the_page_as_partitura_reads_it(straight: Path) -> None:
    ours = rows_of_ours(read_notation(straight.read_bytes()))
    assert ours == rows_of_partitura(partitura_part(straight))
    assert len(ours) == 41


def test_the_repeat_with_its_endings_as_partitura_unfolds_it(repeated: Path) -> None:
    """Grace notes apart: partitura 1.9 leaves those after the trill out of the second pass."""
    unfolded = partitura_part(repeated, unfolded=True)
    ours = [row for row in rows_of_ours(read_notation(repeated.read_bytes())) if row[1] > 0]
    assert ours == [row for row in rows_of_partitura(unfolded) if row[1] > 0]
    assert len(ours) == 51


def test_the_order_of_bars_as_music21_expands_it(repeated: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from music21 import converter

        part = converter.parse(repeated.read_text(), format="musicxml").parts[0]
        expanded = [str(measure.number) for measure in part.expandRepeats().getElementsByClass("Measure")]
    assert [bar.number for bar in read_notation(repeated.read_bytes()).bars] == expanded


def test_the_order_of_bars_with_dal_segno_and_coda() -> None:
    """As a player reads it; neither library follows this page's D.S. al Coda."""
    piece = read_notation(PAGE.read_bytes())
    assert " ".join(bar.number for bar in piece.bars) == "0 1 2 3 4 5 1 2 3 4 6 7 8 9 10 11 1 2 3 4 12 13"
    assert piece.transposition_semitones == -2
    assert piece.length_quarters == 63.5

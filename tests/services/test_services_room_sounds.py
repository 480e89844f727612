"""What the recording room sounds before a take: the count before an upbeat, compound metre, written tuning notes."""

import pytest

from app.domain.errors import BadInput
from app.files.abc_text import read_abc
from app.services.room_sounds import checked, pulse_of, written_a


@pytest.mark.parametrize(
    ("head", "music", "bars", "expected"),
    [
        ("M:6/8\nL:1/8\nQ:3/8=54", "CDEFGA|CDEFGA|", 1, (54.0, 2, 2)),
        ("M:4/4\nL:1/4\nQ:1/4=92", "G|CDEF|GABc|", 1, (92.0, 4, 7)),  # four, and three before the upbeat
        ("M:3/4\nL:1/4\nQ:1/4=120", "CDE|FGA|", 2, (120.0, 3, 6)),
        ("M:3/4\nL:1/4\nQ:1/4=120", "CDE|FGA|", 0, (120.0, 3, 0)),
    ],
)
def test_a_count_in_leads_to_the_first_downbeat(head: str, music: str, bars: int, expected: tuple) -> None:
    piece = read_abc(f"X:1\n{head}\nK:C\n{music}", instrument="clarinet-bb", title="Study")
    found = pulse_of(piece, bars)
    assert (found.beats_per_minute, found.beats, found.count_in_beats) == expected
    assert not found.assumed


def test_a_missing_mark_is_said() -> None:
    found = pulse_of(read_abc("X:1\nM:2/4\nL:1/4\nK:C\nCD|EF|", instrument="flute", title="Study"), 1)
    assert found.assumed
    assert "no mark is printed" in found.sentence


@pytest.mark.parametrize(
    ("instrument", "name"),
    [
        ("flute", "A"),
        ("clarinet-bb", "B"),
        ("horn-f", "E"),
        ("sax-alto", "F#"),
        ("tuba", "A"),
        ("timpani", "A"),
        ("snare-drum", ""),
        ("marimba", ""),
        ("glockenspiel", ""),
    ],
)
def test_each_player_is_told_the_tuning_note_as_written(instrument: str, name: str) -> None:
    assert written_a(instrument) == name


def test_a_count_in_without_end_is_refused() -> None:
    assert checked({"count_in_bars": 2}) == {
        "tuning_note": True,
        "count_in_bars": 2,
        "metronome": False,
        "click": False,
    }
    with pytest.raises(BadInput, match="at most 4 bars"):
        checked({"count_in_bars": 5})


@pytest.mark.parametrize(
    ("head", "music", "seconds"),
    [
        ("M:6/8\nL:1/8\nQ:3/8=54", "CDEFGA|CDEFGA|", 4 * 60 / 54),
        ("M:4/4\nL:1/4\nQ:1/4=120", "CDEF|[Q:1/4=60]GABc|", 4 * 0.5 + 4 * 1.0),
        ("M:4/4\nL:1/4\nQ:1/4=120", "|:CDEF|[Q:1/4=60]GABc:|", 2 * (4 * 0.5 + 4 * 1.0)),
    ],
)
def test_how_long_a_piece_takes_follows_its_marks(head: str, music: str, seconds: float) -> None:
    piece = read_abc(f"X:1\n{head}\nK:C\n{music}", instrument="clarinet-bb", title="Study")
    assert piece.length_sec == pytest.approx(seconds)

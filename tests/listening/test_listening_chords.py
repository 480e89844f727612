"""Chord figures and just intervals, against the ratios they come from."""

import math
from fractions import Fraction

import pytest
from measured_takes import contour, features_of, followed_of, piece_of

from app.domain.errors import BadInput
from app.listening.chords import CHORD_MEMBER_OFFSET_CENTS, chord_of, find_figures, pitch_class_of
from app.listening.measuring import findings_of
from app.listening.settings import JUST_OFFSET_CENTS, MINOR_SEVENTH_OFFSET_CENTS, ListeningSettings

RATIOS = {
    0: Fraction(1),
    1: Fraction(16, 15),
    2: Fraction(9, 8),
    3: Fraction(6, 5),
    4: Fraction(5, 4),
    5: Fraction(4, 3),
    6: Fraction(45, 32),
    7: Fraction(3, 2),
    8: Fraction(8, 5),
    9: Fraction(5, 3),
    11: Fraction(15, 8),
}


def cents(ratio: Fraction) -> float:
    return 1200.0 * math.log2(ratio)


@pytest.mark.parametrize("semitones", sorted(RATIOS))
def test_just_offsets_follow_from_their_ratios(semitones: int) -> None:
    assert JUST_OFFSET_CENTS[semitones] == pytest.approx(cents(RATIOS[semitones]) - 100 * semitones, abs=0.006)


@pytest.mark.parametrize("ratio", ["16/9", "9/5", "7/4"])
def test_minor_sevenths_follow_from_their_ratios(ratio: str) -> None:
    assert MINOR_SEVENTH_OFFSET_CENTS[ratio] == pytest.approx(cents(Fraction(ratio)) - 1000, abs=0.006)


def test_chord_members_outside_the_scale_table_follow_from_stacked_thirds() -> None:
    minor, major = Fraction(6, 5), Fraction(5, 4)
    assert CHORD_MEMBER_OFFSET_CENTS[("third", 6)] == pytest.approx(cents(minor**2) - 600, abs=0.006)
    assert CHORD_MEMBER_OFFSET_CENTS[("third", 8)] == pytest.approx(cents(major**2) - 800, abs=0.006)
    assert CHORD_MEMBER_OFFSET_CENTS[("seventh", 9)] == pytest.approx(cents(minor**3) - 900, abs=0.006)


@pytest.mark.parametrize(
    ("names", "root", "quality"),
    [
        (["C4", "E4", "G4"], "C", "major"),
        (["G4", "Bb4", "D5", "Bb4"], "G", "minor"),
        (["F#4", "A4", "C5"], "F#", "diminished"),
        (["D5", "F#4", "A#4"], "D", "augmented"),
        (["C5", "D4", "F#4", "A4"], "D", "dominant seventh"),
        (["Eb4", "G4", "Bb4", "D5"], "Eb", "major seventh"),
        (["B4", "D5", "F5", "Ab5"], "B", "diminished seventh"),
        (["B4", "D5", "F5", "A5"], "B", "half-diminished seventh"),
    ],
)
def test_names_chords_by_their_spelling(names: list[str], root: str, quality: str) -> None:
    assert chord_of(names) == (root, quality)


def test_scales_enharmonics_and_bare_fifths_are_no_chords() -> None:
    assert chord_of(["C4", "D4", "E4"]) is None
    assert chord_of(["C4", "D#4", "G4"]) is None  # a second, not a third
    assert chord_of(["C4", "G4", "C5"]) is None


def test_finds_the_longest_figures_without_overlap() -> None:
    names = ["A4", "B4", "C5", "E5", "G5", "E5", "D5", "C5", "B4", "G4", "D4"]
    joined = [False] + [True] * (len(names) - 1)
    assert find_figures(names, joined) == [(2, 6), (8, 11)]
    assert find_figures(names, [False] * len(names)) == []


def test_pitch_classes() -> None:
    assert [pitch_class_of(n) for n in ("C4", "B#3", "Cb4", "F#5", "Bb")] == [0, 0, 11, 6, 10]


def figure(third: float, fifth: float, seventh: float | None = None, **settings: object) -> dict:
    """A figure over D (written C, clarinet-like names don't matter here) played with given cents from equal."""
    midis = [62, 66, 69] + ([72] if seventh is not None else [])
    offsets = [10.0, third, fifth] + ([seventh] if seventh is not None else [])
    names = ["D4", "F#4", "A4", "C5"][: len(midis)]
    piece = piece_of([1.0] * len(midis), midis, names=names)
    hz = [contour_note(m, c) for m, c in zip(midis, offsets, strict=True)]
    import numpy as np

    followed = followed_of(piece, [0.5 * i for i in range(len(midis))], [0.5 * i + 0.48 for i in range(len(midis))])
    found = findings_of(
        np.zeros(44100 * 3, np.float32),
        44100,
        piece,
        ListeningSettings(**settings),
        features_of(np.concatenate(hz)),
        followed,
    )
    assert len(found.pitch["chord_figures"]) == 1
    return found.pitch["chord_figures"][0]


def contour_note(midi: int, cents_off: float):
    import numpy as np

    return contour(np.full(100, cents_off), midi)


def test_a_justly_tuned_chord_reads_nought_over_its_own_root() -> None:
    found = figure(10.0 - 13.69, 10.0 + 1.96)
    assert (found["name"], found["root_written"], found["quality"]) == ("D major", "D", "major")
    assert [n["degree"] for n in found["notes"]] == [1, 3, 5]
    assert [n["just_cents"] for n in found["notes"]] == pytest.approx([0.0, 0.0, 0.0], abs=0.05)
    assert [n["equal_cents"] for n in found["notes"]] == pytest.approx([10.0, -3.69, 11.96], abs=0.05)


def test_an_equal_tempered_chord_shows_its_distance_from_just() -> None:
    found = figure(10.0, 10.0, 10.0, minor_seventh="7/4")
    assert found["quality"] == "dominant seventh"
    assert [n["just_cents"] for n in found["notes"]] == pytest.approx([0.0, 13.69, -1.96, 31.17], abs=0.05)


@pytest.mark.parametrize(
    "bad",
    [
        {"a4_hz": 300.0},
        {"a4_hz": float("nan")},
        {"tempo_bpm": 0.0},
        {"temperament": "mean-tone"},
        {"minor_seventh": "2"},
    ],
)
def test_settings_that_cannot_be_used_are_refused_in_a_sentence(bad: dict) -> None:
    with pytest.raises(BadInput, match=r"can't be used\.$"):
        ListeningSettings(**bad)

"""Wrong and left-out notes on a neighbour's pitch: only an attack tells a note from the neighbour that goes on."""

from dataclasses import replace

import numpy as np
import pytest
from measured_takes import features_of, piece_of

from app.domain.findings import MeasuredNote
from app.domain.piece import Piece
from app.listening.evidence import repeat_evidence
from app.listening.measuring import measure
from app.material.performing import PerformedNote, Plan, perform
from app.material.sounding import SAMPLE_RATE_HZ, Room, sound, voice_for

LENGTHS = [1.0, 0.5, 0.5, 1.0, 1.0, 0.5, 0.5, 0.5, 0.5, 1.0, 1.0, 2.0] * 3
MIDIS = [62, 64, 64, 66, 67, 69, 67, 66, 64, 66, 66, 62] * 3
PLACES = (7, 19, 31)  # 66 between 67 and 64, an eighth note
REPEATS = (2, 10, 14, 22, 26, 34)  # on the pitch of the note before
INSTRUMENTS = ("clarinet-bb", "sax-alto", "trumpet-bb", "viola")


def played(instrument: str) -> tuple[Piece, list[PerformedNote], np.random.Generator]:
    piece = replace(piece_of(LENGTHS, MIDIS, bpm=96), instrument=instrument)
    rng = np.random.default_rng(11)
    return piece, list(perform(piece, Plan(rubato=0.03, timing_spread_ms=3.0), rng)), rng


def measured(piece: Piece, notes: list[PerformedNote], rng: np.random.Generator) -> tuple[MeasuredNote, ...]:
    return measure(sound(notes, voice_for(piece.instrument), rng, room=Room(0.5, -16.0)), SAMPLE_RATE_HZ, piece).notes


def statuses(notes: tuple[MeasuredNote, ...]) -> dict[int, str]:
    return {i: n.status for i, n in enumerate(notes) if n.status != "played"}


@pytest.mark.parametrize("instrument", INSTRUMENTS)
@pytest.mark.parametrize("neighbour", [-1, 1])
def test_a_wrong_note_on_a_neighbours_pitch_is_wrong_and_not_left_out(instrument: str, neighbour: int) -> None:
    piece, notes, rng = played(instrument)
    for k in PLACES:
        notes[k] = replace(notes[k], sounding_midi=MIDIS[k + neighbour])
        for end in (k - 1, k):  # tongued so that it can be heard
            notes[end] = replace(notes[end], length_sec=notes[end + 1].onset_sec - notes[end].onset_sec - 0.06)
    found = measured(piece, notes, rng)
    assert statuses(found) == dict.fromkeys(PLACES, "wrong")
    for k in PLACES:
        assert found[k].heard_midi == MIDIS[k + neighbour]
        assert found[k].onset_sec == pytest.approx(notes[k].onset_sec, abs=0.05)


@pytest.mark.parametrize("instrument", INSTRUMENTS)
def test_a_wrong_note_slurred_into_its_own_pitch_is_wrong(instrument: str) -> None:
    """Nothing is heard between the two, so the time they take together has to tell."""
    piece, notes, rng = played(instrument)
    slurred = {k + 1: {"slurred_from_previous": True} for k in PLACES}
    piece = replace(piece_of(LENGTHS, MIDIS, bpm=96, notes=slurred), instrument=instrument)
    for k in PLACES:
        both = notes[k + 1].end_sec - notes[k].onset_sec
        notes[k] = replace(notes[k], sounding_midi=MIDIS[k + 1], length_sec=both)
    for k in reversed(PLACES):
        del notes[k + 1]
    found = measured(piece, notes, rng)
    assert statuses(found) == dict.fromkeys(PLACES, "wrong")


@pytest.mark.parametrize("instrument", INSTRUMENTS)
@pytest.mark.parametrize("held", [False, True])
def test_a_repeated_note_left_out_is_left_out(instrument: str, held: bool) -> None:
    """Whether the note before it is held on through its time, or silence stands there."""
    piece, notes, rng = played(instrument)
    gone = REPEATS[1::2]
    for k in gone:
        if held:
            notes[k - 1] = replace(notes[k - 1], length_sec=notes[k].end_sec - notes[k - 1].onset_sec)
    for k in reversed(gone):
        del notes[k]
    assert statuses(measured(piece, notes, rng)) == dict.fromkeys(gone, "omitted")


@pytest.mark.parametrize("instrument", INSTRUMENTS)
def test_a_quiet_note_repeated_after_a_loud_one_is_played(instrument: str) -> None:
    piece, notes, rng = played(instrument)
    for k in REPEATS:
        notes[k] = replace(notes[k], level_db=notes[k - 1].level_db - 12.0)
    assert statuses(measured(piece, notes, rng)) == {}


def test_what_speaks_for_a_repeated_note() -> None:
    """A level that stays speaks against one, a fall before it for one though nothing rises, an attack most."""
    level = np.full(600, -20.0)
    level[200:] = -34.0  # let go, and gone on with quietly
    level[400:405] = -60.0
    level[405:] = -20.0
    features = features_of(np.full(600, 440.0), level_db=level)
    strength = np.zeros(600)
    strength[405] = 3.0
    signs = repeat_evidence(replace(features, onset_strength=strength))
    assert signs[100] == signs[300] == pytest.approx(-6.0)
    assert signs[100] + 3.0 < signs[203] < signs[405]
    assert signs[405] == pytest.approx(4.0, abs=1.0)

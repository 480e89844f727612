"""A trill with the other second than the written one is a trill in its place, and its interval is told."""

from dataclasses import replace

import numpy as np
import pytest
from measured_takes import contour, features_of, piece_of

from app.domain.findings import Findings
from app.domain.piece import Ornament, Piece
from app.listening.course import may_be_mistaken, other_second
from app.listening.measuring import measure
from app.listening.ornaments import trill_content
from app.material.performing import Plan, perform
from app.material.sounding import SAMPLE_RATE_HZ, Room, sound, voice_for

LENGTHS = [1.0, 1.0, 2.0, 0.5, 0.5, 1.0, 1.0, 1.0] * 3
MIDIS = [62, 64, 66, 67, 66, 64, 69, 67] * 3
TRILLS = (2, 10, 18)


def with_trills(step: int) -> Piece:
    notes = {i: {"ornament": Ornament("trill", (66 + step,))} for i in TRILLS}
    return replace(piece_of(LENGTHS, MIDIS, bpm=84, notes=notes), instrument="clarinet-bb")


def played_and_written(played: int, written: int, instrument: str) -> tuple[dict[str, float], Findings]:
    """{note id: true onset} and the findings of a take that trills ``played`` semitones where ``written`` stand."""
    rng = np.random.default_rng(3)
    sounding = perform(with_trills(played), Plan(rubato=0.05), rng)
    samples = sound(sounding, voice_for(instrument), rng, room=Room())
    truth = {n.source_note_id: n.onset_sec for n in sounding if n.source_note_id and n.kind != "trill-inside"}
    return truth, measure(samples, SAMPLE_RATE_HZ, with_trills(written))


@pytest.mark.parametrize("instrument", ["clarinet-bb", "flute"])
@pytest.mark.parametrize(("played", "written"), [(2, 1), (1, 2), (-1, -2), (1, 1)])
def test_a_trill_with_the_other_second_is_followed_and_told(played: int, written: int, instrument: str) -> None:
    truth, findings = played_and_written(played, written, instrument)
    assert findings.breaks == ()
    assert {n.status for n in findings.notes} == {"played"}
    late = [abs(n.onset_sec - truth[n.note_id]) for n in findings.notes if n.onset_sec is not None]
    assert max(late) <= 0.06
    told = findings.rhythm["trills"]
    assert [t["note_id"] for t in told] == [f"n{i + 1}" for i in TRILLS]
    for one in told:
        assert one["written_interval_cents"] == 100.0 * written
        assert one["interval_cents"] == pytest.approx(100.0 * played, abs=10.0)
        assert one["first"] == "main"
        assert one["rate_hz"] == pytest.approx(6.5, rel=0.1)


def test_only_seconds_are_taken_for_one_another() -> None:
    assert [other_second(step) for step in (1, 2, -1, -2, 3, -4, 12)] == [2, 1, -2, -1, None, None, None]
    plain = piece_of([1.0], 69).notes[0]
    assert may_be_mistaken(plain) == ()
    assert may_be_mistaken(replace(plain, ornament=Ornament("trill", (70,)))) == (71,)
    assert may_be_mistaken(replace(plain, ornament=Ornament("turn", (71, 68)))) == (70, 67)
    assert may_be_mistaken(replace(plain, ornament=Ornament("tremolo", (73,)))) == ()
    # Where both seconds are written, neither is a mistake.
    assert may_be_mistaken(replace(plain, ornament=Ornament("trill", (70, 71)))) == ()


@pytest.mark.parametrize(("played", "written"), [(100.0, 2), (200.0, 1), (-200.0, -1), (160.0, 2), (140.0, 1)])
def test_the_interval_is_the_one_that_is_heard(played: float, written: int) -> None:
    t = np.arange(300) * 0.005
    trill = contour(np.where(np.floor(13.0 * t) % 2 == 1, played, 0.0), 69)
    found = trill_content(features_of(trill), 0.0, 1.5, 69, 69 + written, 0.0)
    assert found["interval_cents"] == pytest.approx(played, abs=1.0)
    assert found["alternations"] == pytest.approx(9.5, abs=1.0)

"""What stands beside the piece in a take: talking, tuning, false starts, a page turn, applause; and long tones."""

from dataclasses import replace

import numpy as np
import pytest
from measured_takes import etude, piece_of
from numpy.typing import NDArray
from scipy.signal import lfilter

from app.domain.findings import Findings
from app.domain.piece import Piece
from app.listening.measuring import measure
from app.material.generating import generate
from app.material.performing import PerformedNote, Plan, perform
from app.material.recipe import Recipe
from app.material.sounding import SAMPLE_RATE_HZ as RATE
from app.material.sounding import Room, sound, voice_for

Samples = NDArray[np.float32]


def silence(seconds: float) -> Samples:
    return np.zeros(int(seconds * RATE), np.float32)


def speech(seconds: float, rng: np.random.Generator) -> Samples:
    """Syllables of a low voice: a gliding buzz through changing resonances."""
    t = np.arange(int(seconds * RATE)) / RATE
    hz = 130.0 * np.exp(0.25 * np.sin(2 * np.pi * 0.7 * t) + 0.08 * np.sin(2 * np.pi * 2.3 * t))
    buzz = np.diff(np.floor(np.cumsum(hz) / RATE), prepend=0.0) + 0.02 * rng.standard_normal(t.size)
    out = np.zeros(t.size)
    for start in range(0, t.size - RATE // 4, RATE // 4):
        part = buzz[start : start + int(rng.uniform(0.1, 0.22) * RATE)]
        part = part * np.hanning(part.size)
        for middle_hz in (rng.uniform(300, 800), rng.uniform(900, 2200), 2600.0):
            r = float(np.exp(-np.pi * 120.0 / RATE))
            part = lfilter([1 - r], [1, -2 * r * np.cos(2 * np.pi * middle_hz / RATE), r * r], part)
        out[start : start + part.size] += part
    return np.asarray(0.2 * out / np.abs(out).max(), dtype=np.float32)


def applause(seconds: float, rng: np.random.Generator) -> Samples:
    """Many short bursts of noise."""
    out = np.zeros(int(seconds * RATE))
    for start in rng.integers(0, out.size - 1500, int(seconds * 120)):
        out[start : start + 1500] += rng.standard_normal(1500) * np.exp(-np.arange(1500) / 300) * rng.uniform(0.2, 1.0)
    return np.asarray(0.1 * out / out.std(), dtype=np.float32)


@pytest.fixture(scope="module")
def played() -> tuple[Piece, tuple[PerformedNote, ...], Samples]:
    piece, rng = etude(), np.random.default_rng(1)
    notes = perform(piece, Plan(), rng)
    return piece, notes, sound(notes, voice_for("clarinet-bb"), rng, room=Room())


def worst_onset_sec(findings: Findings, notes: tuple[PerformedNote, ...], later_sec: float) -> float:
    """Largest distance of a found onset from the played one; every note must be found as played."""
    truth = {n.source_note_id: n.onset_sec + later_sec for n in notes}
    assert [n.status for n in findings.notes] == ["played"] * len(findings.notes)
    return max(abs((n.onset_sec or 0.0) - truth[n.note_id]) for n in findings.notes)


def test_talking_and_a_tuning_note_before_and_applause_after_are_said_and_not_measured(played) -> None:
    piece, notes, samples = played
    rng = np.random.default_rng(4)
    tuning = replace(notes[0], sounding_midi=69, onset_sec=0.1, length_sec=2.5)
    before = np.concatenate([speech(3.0, rng), sound([tuning], voice_for("clarinet-bb"), rng), silence(0.5)])
    findings = measure(np.concatenate([before, samples, applause(4.0, rng)]).astype(np.float32), RATE, piece)
    assert worst_onset_sec(findings, notes, before.size / RATE) < 0.03
    assert findings.breaks == ()
    assert findings.extra_notes == ()
    said = " ".join(findings.warnings)
    assert "other sound before the first note (talking or tuning)" in said
    assert "4 s of other sound after the last note (talking or applause)" in said
    last = notes[-1].onset_sec + notes[-1].length_sec + before.size / RATE
    assert findings.notes[-1].offset_sec == pytest.approx(last, abs=0.1)


def test_two_false_starts_and_a_page_turn_are_said(played) -> None:
    piece, notes, samples = played
    first, second = (int((notes[k].onset_sec - 0.05) * RATE) for k in (4, 7))
    turn = int((notes[22].onset_sec - 0.04) * RATE)
    parts = [
        samples[:first],
        silence(1.2),
        samples[:second],
        silence(1.5),
        samples[:turn],
        silence(3.0),
        samples[turn:],
    ]
    findings = measure(np.concatenate(parts), RATE, piece)
    assert [n.status for n in findings.notes] == ["played"] * len(piece.notes)
    assert [b.kind for b in findings.breaks] == ["restart", "restart", "hesitation"]
    later = (first + second) / RATE + 2.7
    assert findings.notes[0].onset_sec == pytest.approx(notes[0].onset_sec + later, abs=0.03)
    said = " ".join(findings.warnings)
    assert "The piece was begun 3 times" in said
    bar = piece.notes[22].bar
    assert f"s before bar {bar})" in said
    assert findings.rhythm["median_abs_ms"] < 12, "a long stop is no late note"


def test_a_plain_take_is_told_without_a_word(played) -> None:
    piece, _, samples = played
    assert measure(samples, RATE, piece).warnings == ()


def test_a_scale_begun_again_in_the_middle() -> None:
    piece = generate(Recipe(kind="scale", tonic="G", mode="major", octaves=2, instrument="flute", tempo_bpm=132))
    rng = np.random.default_rng(8)
    middle = next(n for n in piece.notes if n.bar_index == 2)
    fault = {"kind": "restart", "bar": middle.bar, "beat": 2, "back_to": "2", "pause_sec": 0.8}
    notes = perform(piece, Plan(tempo=0.8, faults=(fault,)), rng)
    findings = measure(sound(notes, voice_for("flute"), rng, room=Room()), RATE, piece)
    assert [b.kind for b in findings.breaks] == ["restart"]
    assert [n.status for n in findings.notes] == ["played"] * len(piece.notes)


def test_a_free_long_tone_has_pitch_and_tone_and_no_rhythm() -> None:
    piece = piece_of([4.0], 57, bpm=60, notes={0: {"fermata": True}})
    rng = np.random.default_rng(3)
    note = perform(piece, Plan(), rng)[0]
    long_tone = replace(note, cents=-7.0, length_sec=11.0)
    findings = measure(sound([long_tone], voice_for("sax-alto"), rng, room=Room()), RATE, piece)
    assert findings.notes[0].deviation_cents == pytest.approx(-7.0, abs=0.5)
    assert findings.notes[0].offset_sec == pytest.approx(long_tone.onset_sec + 11.0, abs=0.1)
    assert findings.rhythm["median_abs_ms"] is None
    assert findings.rhythm["why_null"]
    assert findings.warnings == ()

"""Takes without notation: what the sound shows is said, and nothing that only a page could justify."""

import numpy as np
import pytest
from measured_takes import contour, features_of

from app.domain.findings import findings_from_dict, findings_to_dict
from app.judging.yardsticks import measured_marks
from app.listening.settings import ListeningSettings
from app.listening.untyped import NO_MARK, NO_NOTATION, NO_STROKES, cut_notes, measure_untyped
from app.material.performing import PerformedNote
from app.material.sounding import SAMPLE_RATE_HZ, Room, sound, voice_for

MIDIS = [62, 64, 66, 67, 69, 66, 62, 62, 71, 69, 66, 62]


def performed(**fields: float) -> list[PerformedNote]:
    """Twelve notes, tongued, with a breath after the seventh and a repeated note after it."""
    notes, at = [], 0.5
    for k, midi in enumerate(MIDIS):
        notes.append(
            PerformedNote(
                midi, at, 0.5, cents=(22.0 if midi == 66 else 2.0) + 6.0, level_db=-0.4 * abs(k - 4), **fields
            )
        )
        at += 0.55 + (0.5 if k == 6 else 0.0)
    return notes


def take(**fields: float) -> np.ndarray:
    return sound(performed(**fields), voice_for("clarinet-bb"), np.random.default_rng(1), room=Room(0.3, -20.0))


@pytest.fixture(scope="module")
def findings():
    return measure_untyped(take(vibrato_hz=5.5, vibrato_cents=10.0), SAMPLE_RATE_HZ, transposition_semitones=-2)


def test_the_sounding_notes_are_found(findings) -> None:
    assert [n.sounding_midi for n in findings.notes] == MIDIS
    truth = performed()
    assert [n.onset_sec for n in findings.notes] == pytest.approx([n.onset_sec for n in truth], abs=0.04)
    assert findings.notes[0].written_pitch == "E4"  # sounding D on a B-flat instrument
    assert findings.notes[4].written_pitch == "B4"


def test_pitch_is_read_against_the_takes_own_reference(findings) -> None:
    assert 1200 * np.log2(findings.a4_hz_fitted / 440) == pytest.approx(8.0, abs=1.5)
    assert findings.a4_hz_used == findings.a4_hz_fitted
    tendency = {t["sounding_midi"]: t["median_cents"] for t in findings.pitch["tendencies"]}
    assert tendency[66] == pytest.approx(20.0, abs=2.0)
    assert tendency[62] == pytest.approx(0.0, abs=1.5)
    assert findings.pitch["vibrato"]["rate_hz"] == pytest.approx(5.5, abs=0.15)
    assert {r["written_pitch"] for r in findings.pitch["return_notes"]} >= {"E4", "G#4"} or findings.pitch[
        "return_notes"
    ]
    assert findings.pitch["nearest_semitone"]["share_within_5"] == pytest.approx(9 / 12, abs=0.1)


def test_nothing_that_needs_a_page_is_said(findings) -> None:
    assert findings.rhythm["median_abs_ms"] is None
    assert "no rhythm" in findings.rhythm["why_null"]
    assert all(n.timing_ms is None and n.length_ratio is None and n.why_no_timing for n in findings.notes)
    assert findings.pitch["median_abs_cents"] is None
    assert findings.musicianship["evenness_median"] is None
    assert findings.pitch["why_null"] == NO_NOTATION
    assert findings.pitch["chord_figures"] == []
    assert findings.marks == {}
    assert findings.tempo_bpm_fitted is None
    assert findings.breaks == ()
    assert {n.status for n in findings.notes} == {"played"}


def test_no_caption_gets_a_measured_mark(findings) -> None:
    marks = measured_marks(findings)
    assert set(marks) == {"tone", "pitch", "rhythm", "musicianship"}
    assert [m.mark for m in marks.values()] == [None] * 4
    assert {m.why_null for m in marks.values()} == {NO_MARK}


def test_level_arcs_lie_between_breaths(findings) -> None:
    phrases = findings.musicianship["phrases"]
    assert [(p["start_note_id"], p["end_note_id"]) for p in phrases] == [("h1", "h7"), ("h8", "h12")]
    assert all(p["guessed"] for p in phrases)


def test_the_findings_survive_json(findings) -> None:
    assert findings_from_dict(findings_to_dict(findings)) == findings


def test_noise_holds_no_tones() -> None:
    hiss = (np.random.default_rng(0).standard_normal(SAMPLE_RATE_HZ * 3) * 0.05).astype(np.float32)
    found = measure_untyped(hiss, SAMPLE_RATE_HZ, ListeningSettings())
    assert not found.usable
    assert "Fewer than three steady tones" in found.warnings[0]
    assert found.notes == ()


def test_what_rings_in_a_drum_is_no_note() -> None:
    t = np.arange(int(0.25 * 22_050)) / 22_050
    stroke = 0.3 * np.sin(2 * np.pi * 190 * t) * np.exp(-t / 0.08)
    drum = np.concatenate([np.zeros(5_000), *[stroke] * 12]) + np.random.default_rng(1).normal(
        0, 3e-4, 5_000 + 12 * t.size
    )
    assert measure_untyped(drum.astype(np.float32), 22_050).usable  # as if it were a horn's
    found = measure_untyped(drum.astype(np.float32), 22_050, instrument="snare-drum", unpitched=True)
    assert (found.usable, found.notated, found.notes) == (False, False, ())
    assert found.warnings == (NO_STROKES,)


def test_cuts_at_gaps_changes_and_new_attacks() -> None:
    hz = np.concatenate(
        [contour(np.zeros(60), 60), contour(np.zeros(60), 62), np.full(20, np.nan), contour(np.zeros(120), 62)]
    )
    level = np.full(hz.size, -20.0)
    level[120:140] = -80.0
    level[198:204] = -32.0  # tongued again on the same pitch
    notes = cut_notes(features_of(hz, level_db=level), 0.0)
    assert [n.sounding_midi for n in notes] == [60, 62, 62, 62]
    assert [n.onset_sec for n in notes] == pytest.approx([0.0, 0.3, 0.7, 1.0], abs=0.02)


def test_a_hole_in_the_track_between_slurred_notes_hides_no_later_change() -> None:
    hz = np.concatenate([contour(np.zeros(80), midi) for midi in (60, 64, 62, 65)])
    hz[81:84] = np.nan  # as where the pitch leaps
    notes = cut_notes(features_of(hz), 0.0)
    assert [n.sounding_midi for n in notes] == [60, 64, 62, 65]
    assert [n.onset_sec for n in notes] == pytest.approx([0.0, 0.4, 0.8, 1.2], abs=0.02)


def test_what_dies_away_in_the_room_is_no_note_of_its_own() -> None:
    hz = contour(np.zeros(240), 62)
    for second_db, notes in ((-52.0, 1), (-32.0, 2)):
        level = np.concatenate([np.full(200, -20.0), np.full(40, second_db)])
        level[196:202] = -60.0  # the dip that a new attack leaves
        assert len(cut_notes(features_of(hz, level_db=level), 0.0)) == notes


def test_wide_vibrato_is_one_note() -> None:
    t = np.arange(300) * 0.005
    notes = cut_notes(features_of(contour(45.0 * np.sin(2 * np.pi * 5.5 * t), 64)), 0.0)
    assert [n.sounding_midi for n in notes] == [64]

"""From samples to findings: what is planted in synthesised takes comes back; what is not this piece is said."""

import dataclasses
from functools import cache
from pathlib import Path

import mir_eval
import numpy as np
import pytest
import soundfile
from measured_takes import etude

from app.domain.errors import BadAudio
from app.domain.findings import Findings, findings_from_dict, findings_to_dict
from app.domain.piece import Piece
from app.listening.measuring import measure
from app.listening.settings import ListeningSettings
from app.listening.version import ALGORITHM_VERSION
from app.material.generating import generate
from app.material.performing import PerformedNote, Plan, perform
from app.material.recipe import Recipe
from app.material.sounding import SAMPLE_RATE_HZ, Room, sound, voice_for

SAX = Path(__file__).parents[2].parent / "shared/bench/sax"


def scale(tonic: str = "C", mode: str = "major", instrument: str = "clarinet-bb", octaves: int = 2) -> Piece:
    return generate(Recipe(kind="scale", tonic=tonic, mode=mode, octaves=octaves, instrument=instrument, tempo_bpm=80))


@cache
def played(
    faults: tuple[tuple[tuple[str, object], ...], ...] = (), seed: int = 1, **plan: float
) -> tuple[Piece, tuple[PerformedNote, ...], np.ndarray]:
    piece = etude()
    rng = np.random.default_rng(seed)
    notes = perform(piece, Plan(faults=tuple(dict(f) for f in faults), **plan), rng)
    return piece, notes, sound(notes, voice_for("clarinet-bb"), rng, room=Room())


def fault(**values: object) -> tuple[tuple[str, object], ...]:
    return tuple(values.items())


def find(findings: Findings, note_id: str):
    return next(n for n in findings.notes if n.note_id == note_id)


@pytest.fixture(scope="module")
def clean() -> tuple[Piece, tuple[PerformedNote, ...], Findings]:
    piece, notes, samples = played()
    return piece, notes, measure(samples, SAMPLE_RATE_HZ, piece)


def test_every_note_is_found_with_its_pitch_onset_and_level(clean) -> None:
    piece, notes, findings = clean
    assert findings.usable
    assert findings.warnings == ()
    assert findings.algorithm_version == ALGORITHM_VERSION
    assert [n.note_id for n in findings.notes] == [n.note_id for n in piece.notes]
    assert {n.status for n in findings.notes} == {"played"}
    truth = {n.source_note_id: n for n in notes}
    cents = [n.deviation_cents - truth[n.note_id].cents for n in findings.notes if n.deviation_cents is not None]
    assert len(cents) == len(piece.notes)
    assert np.median(np.abs(cents)) <= 0.2
    assert np.percentile(np.abs(cents), 95) <= 1.5
    onsets = np.array([n.onset_sec - truth[n.note_id].onset_sec for n in findings.notes])
    assert np.median(np.abs(onsets)) <= 0.008  # a voice's sine-squared attack speaks some ms after it begins
    assert np.mean(np.abs(onsets) <= 0.05) >= 0.99
    level = np.array([n.level_db - truth[n.note_id].level_db for n in findings.notes])
    assert np.percentile(np.abs(level - np.median(level)), 95) <= 1.0


def test_transcription_scores_of_an_independent_library(clean) -> None:
    """mir_eval: onset F-measure within 50 ms and note transcription with offsets."""
    _, notes, findings = clean
    reference = np.array([n.onset_sec for n in notes])
    estimate = np.array([n.onset_sec for n in findings.notes])
    f_measure, _, _ = mir_eval.onset.f_measure(reference, estimate, window=0.05)
    assert f_measure >= 0.99
    spans = np.array([[n.onset_sec, n.end_sec] for n in notes])
    found = np.array([[n.onset_sec, n.offset_sec] for n in findings.notes])
    hz = 440.0 * 2.0 ** ((np.array([n.sounding_midi for n in notes]) - 69) / 12)
    heard = 440.0 * 2.0 ** ((np.array([n.heard_midi for n in findings.notes]) - 69) / 12)
    _, _, overall, _ = mir_eval.transcription.precision_recall_f1_overlap(spans, hz, found, heard)
    assert overall >= 0.95


def test_findings_survive_json(clean) -> None:
    assert findings_from_dict(findings_to_dict(clean[2])) == clean[2]


def test_the_families_carry_their_agreed_keys(clean) -> None:
    findings = clean[2]
    assert {
        "median_abs_cents",
        "p90_abs_cents",
        "mean_cents",
        "share_within_5",
        "share_within_10",
        "share_within_20",
    } < set(findings.pitch)
    assert {"notes_judged", "why_null", "drift_cents_per_min", "why_no_drift", "tendencies", "return_notes"} < set(
        findings.pitch
    )
    assert {"chord_figures", "vibrato"} < set(findings.pitch)
    assert {"median_abs_ms", "p90_abs_ms", "median_abs_beats", "p90_abs_beats", "steadiness_percent", "why_null"} < set(
        findings.rhythm
    )
    assert {"drift_percent_per_min", "tempo_curve", "held_notes", "landings", "trills", "runs", "articulation"} < set(
        findings.rhythm
    )
    assert {"phrases", "evenness_median", "why_null", "contrasts", "level_range_db"} < set(findings.musicianship)
    assert {"hnr_db", "centroid_f0", "attack_ms", "attack_noise_share", "steadiness_cents", "steadiness_db"} < set(
        findings.tone
    )
    assert {"register_evenness_db", "cracked", "why_null"} < set(findings.tone)


def test_planted_faults_come_back() -> None:
    faults = (
        fault(kind="short-hold", bar="3", beat=2, lost_beats=0.3),
        fault(kind="late", bar="5", beat=1, ms=80),
        fault(kind="wrong", bar="6", beat=1, semitones=-2),
        fault(kind="pitch", written="A4", cents=18),
        fault(kind="bump", bar="8", beat=1, db=6),
    )
    piece = etude()
    at = {(n.bar, n.beat): n.note_id for n in piece.notes}
    wanted = {key: at.get(key) for key in (("3", 2.0), ("5", 1.0), ("6", 1.0))}
    kept = tuple(
        f for f in faults if (dict(f).get("bar"), float(dict(f).get("beat", 0))) in wanted or "bar" not in dict(f)
    )
    kept = tuple(
        f for f in kept if "bar" not in dict(f) or wanted.get((dict(f)["bar"], float(dict(f)["beat"]))) is not None
    )
    piece, notes, samples = played(kept)
    findings = measure(samples, SAMPLE_RATE_HZ, piece)
    truth = {n.source_note_id: n for n in notes}
    for f in map(dict, kept):
        if f["kind"] == "late":
            assert find(findings, at[(f["bar"], 1.0)]).timing_ms == pytest.approx(80, abs=20)
        if f["kind"] == "wrong":
            note = find(findings, at[(f["bar"], 1.0)])
            assert (note.status, note.heard_midi) == ("wrong", note.sounding_midi - 2)
            assert note.deviation_cents == pytest.approx(truth[note.note_id].cents, abs=1.5)
        if f["kind"] == "short-hold":
            held = {h["note_id"]: h for h in findings.rhythm["held_notes"]}[at[(f["bar"], 2.0)]]
            assert held["lost_beats"] == pytest.approx(0.3, abs=0.05)
    tendency = {t["written_pitch"]: t for t in findings.pitch["tendencies"]}
    assert tendency["A4"]["median_cents"] == pytest.approx(18, abs=4)
    assert abs(tendency["D4"]["median_cents"]) < 4
    assert len(kept) >= 3


def test_vibrato_reference_and_drift() -> None:
    piece, notes, samples = played(
        (fault(kind="drift", cents=20),), vibrato_hz=5.5, vibrato_cents=14, tuning_cents=8.0, pitch_spread_cents=1.0
    )
    findings = measure(samples, SAMPLE_RATE_HZ, piece, ListeningSettings(a4_hz="fit"))
    truth = {n.source_note_id: n for n in notes}
    planted = np.median([n.cents for n in truth.values()])
    assert 1200 * np.log2(findings.a4_hz_fitted / 440) == pytest.approx(planted, abs=2.0)
    assert findings.a4_hz_used == findings.a4_hz_fitted
    assert findings.pitch["vibrato"]["rate_hz"] == pytest.approx(5.5, abs=0.1)
    assert findings.pitch["vibrato"]["extent_cents"] == pytest.approx(28, abs=3)
    minutes = (notes[-1].onset_sec - notes[0].onset_sec) / 60
    drift = findings.pitch["drift_cents_per_min"]
    assert drift["value"] == pytest.approx(20 / minutes, rel=0.15)
    assert drift["low"] > 0


@pytest.mark.parametrize("shift", [-1, 2, -12])
def test_another_transposition_is_said_and_not_measured(shift: int) -> None:
    piece, notes, _ = played()
    moved = [dataclasses.replace(n, sounding_midi=n.sounding_midi + shift) for n in notes]
    samples = sound(moved, voice_for("clarinet-bb"), np.random.default_rng(2), room=Room())
    findings = measure(samples, SAMPLE_RATE_HZ, piece)
    assert not findings.usable
    assert findings.notes == ()
    amount = "a half step" if abs(shift) == 1 else f"{abs(shift)} half steps"
    assert f"{amount} {'above' if shift > 0 else 'below'} the page" in findings.warnings[0]
    assert findings.pitch["why_null"] == findings.warnings[0]


@pytest.mark.parametrize("cents", [-47.0, 56.0])
def test_a_take_tuned_a_quarter_tone_off_is_measured_and_said(cents: float) -> None:
    piece, notes, _ = played()
    moved = [dataclasses.replace(n, cents=n.cents + cents) for n in notes]
    samples = sound(moved, voice_for("clarinet-bb"), np.random.default_rng(2), room=Room())
    findings = measure(samples, SAMPLE_RATE_HZ, piece)
    assert findings.usable
    assert findings.pitch["mean_cents"] == pytest.approx(cents, abs=3)
    assert any("the reference" in w for w in findings.warnings)


def test_low_pitch_is_followed_at_its_own_reference() -> None:
    piece, notes, _ = played()
    moved = [dataclasses.replace(n, sounding_midi=n.sounding_midi - 1, cents=n.cents - 1.27) for n in notes]
    samples = sound(moved, voice_for("clarinet-bb"), np.random.default_rng(2), room=Room())
    findings = measure(samples, SAMPLE_RATE_HZ, piece, ListeningSettings(a4_hz=415.0))
    assert findings.usable
    assert findings.warnings == ()
    assert abs(findings.pitch["mean_cents"]) < 3


def test_another_piece_and_noise_are_said() -> None:
    piece, _, samples = played()
    other = measure(samples, SAMPLE_RATE_HZ, scale("F#"))
    assert not other.usable
    assert "does not follow this piece" in other.warnings[0]
    hiss = (np.random.default_rng(0).standard_normal(SAMPLE_RATE_HZ * 8) * 0.03).astype(np.float32)
    noise = measure(hiss, SAMPLE_RATE_HZ, piece)
    assert not noise.usable
    assert "No tones" in noise.warnings[0]


def test_a_take_cut_off_in_the_middle_is_measured_as_far_as_it_goes() -> None:
    piece, _, samples = played()
    findings = measure(samples[: int(len(samples) * 0.55)], SAMPLE_RATE_HZ, piece)
    assert findings.usable
    omitted = [n for n in findings.notes if n.status == "omitted"]
    assert len(omitted) >= 0.3 * len(piece.notes)
    assert all(n.deviation_cents is None and n.why_no_cents == "not played" for n in omitted)
    assert any("stop early" in w or "ends while" in w for w in findings.warnings)


@pytest.mark.parametrize(
    ("samples", "rate", "sentence"),
    [
        (np.zeros((100, 2), np.float32), 44100, "one channel"),
        (np.zeros(44100, np.float32), 44100, "silent"),
        (np.ones(2000, np.float32), 44100, "too short"),
        (np.ones(44100, np.float32), 4000, "samples a second"),
        (np.full(44100, np.nan, np.float32), 44100, "no sound"),
    ],
    ids=["stereo", "silent", "short", "slow", "nan"],
)
def test_takes_that_cannot_be_measured_raise_one_sentence(samples, rate, sentence) -> None:
    with pytest.raises(BadAudio, match=sentence):
        measure(samples, rate, etude())


def test_progress_rises_from_nought_to_one() -> None:
    piece, _, samples = played()
    seen: list[float] = []
    measure(samples, SAMPLE_RATE_HZ, piece, progress=lambda share, text: seen.append(share))
    assert seen[0] == 0.0
    assert seen[-1] == 1.0
    assert seen == sorted(seen)


@pytest.mark.skipif(not SAX.is_dir(), reason="the recorded saxophone notes are not beside the project")
def test_a_take_joined_from_recorded_saxophone_notes() -> None:
    """Real notes (in tune within 0.6 cents, sounding within 7 ms of the file's start) shifted by planted cents."""
    import soxr

    piece = dataclasses.replace(scale("C", octaves=1, instrument="sax-alto"), instrument="sax-alto")
    files = {}
    names = {"c": 0, "db": 1, "d": 2, "eb": 3, "e": 4, "f": 5, "gb": 6, "g": 7, "ab": 8, "a": 9, "bb": 10, "b": 11}
    for path in SAX.glob("*_f_rr1_cnd.flac"):
        word = path.name.split("_")[0]
        files[12 * (int(word[-1]) + 2) + names[word[:-1]]] = path  # file names lie an octave low
    rng = np.random.default_rng(8)
    beat, rate = 0.55, 44100
    take = np.zeros(int(rate * (beat * (len(piece.notes) + 4))))
    cents, onsets = {}, {}
    for k, note in enumerate(piece.notes):
        sample, native = soundfile.read(files[note.sounding_midi])
        mono = sample if sample.ndim == 1 else sample.mean(axis=1)
        cents[note.note_id] = float(rng.uniform(-25, 25))
        moved = soxr.resample(mono, native * 2 ** (cents[note.note_id] / 1200), rate)
        tone = moved[: int(0.93 * beat * rate)].copy()
        tone[-400:] *= np.linspace(1.0, 0.0, 400)
        onsets[note.note_id] = 0.5 + beat * k + float(rng.normal(0, 0.004))
        at = int(onsets[note.note_id] * rate)
        take[at : at + tone.size] += tone
    findings = measure((0.5 * take / np.abs(take).max()).astype(np.float32), rate, piece)
    assert findings.usable
    errors = [n.deviation_cents - cents[n.note_id] for n in findings.notes if n.deviation_cents is not None]
    assert len(errors) >= 0.9 * len(piece.notes)
    assert np.median(np.abs(errors)) <= 1.0
    late = [n.onset_sec - onsets[n.note_id] - 0.007 for n in findings.notes]
    assert np.mean(np.abs(late) <= 0.05) >= 0.95


def test_double_stops_and_unpitched_notes_are_followed_but_not_measured() -> None:
    from measured_takes import contour, features_of, followed_of, piece_of

    from app.listening.measuring import findings_of

    chords = piece_of([1.0] * 8, 69, notes={2: {"chord_sounding_midi": (64, 69)}})
    onsets = [0.5 + 0.6 * i for i in range(8)]
    followed = followed_of(chords, onsets, [t + 0.55 for t in onsets])
    samples = np.zeros(44100 * 6, np.float32)
    features = features_of(contour(np.zeros(1200)))
    found = findings_of(samples, 44100, chords, ListeningSettings(), features, followed)
    assert found.notes[2].deviation_cents is None
    assert "not measured" in found.notes[2].why_no_cents
    assert found.notes[2].timing_ms is not None
    assert found.notes[3].deviation_cents == pytest.approx(0.0, abs=0.1)
    drum = piece_of([1.0] * 8, 60, notes={i: {"unpitched": True} for i in range(8)})
    found = findings_of(
        samples, 44100, drum, ListeningSettings(), features, followed_of(drum, onsets, [*onsets[1:], 5.4])
    )
    assert {n.why_no_cents for n in found.notes} == {"unpitched"}
    assert found.pitch["median_abs_cents"] is None
    assert "unpitched" in found.pitch["why_null"]
    assert found.rhythm["median_abs_ms"] is not None
    assert found.rhythm["held_notes"] == []  # a stroke dies away by itself
    assert found.tone["hnr_db"] is None
    assert found.a4_hz_fitted is None

"""What the plan says is what is performed, and what is performed is what sounds."""

import numpy as np
import pytest

from app.domain.errors import BadInput
from app.domain.piece import Bar, Ornament, Phrase, Piece, PieceNote, TempoMark
from app.domain.units import cents_between, midi_to_hz
from app.material.performing import GRACE_SEC, PerformedNote, Plan, perform
from app.material.planted import FAULTS
from app.material.sounding import SAMPLE_RATE_HZ, VOICES, Room, sound, voice_for

QUARTER_SEC = 0.5
STEADY = Plan(pitch_spread_cents=0.0, timing_spread_ms=0.0, level_spread_db=0.0)


def a_piece(*, slurred=(), trill=None, grace_before=None, staccato=()) -> Piece:
    """Four bars of quarters going up, quarter = 120."""
    notes = []
    for i in range(16):
        if i == grace_before:
            notes.append(note(i, f"g{i}", 71, grace=True))
        notes.append(
            note(
                i,
                f"n{i}",
                60 + i % 8,
                slurred_from_previous=i in slurred,
                ornament=Ornament("trill", (62 + i % 8,)) if i == trill else None,
                articulations=("staccato",) if i in staccato else (),
            )
        )
    bars = tuple(Bar(k, str(k + 1), 4.0 * k, 4.0, 4, 4, 1.0) for k in range(4))
    return Piece("Rising", "flute", 0, tuple(notes), bars, (TempoMark(0.0, 1.0, 120.0),), (Phrase("n0", "n15", "n8"),))


def note(i, note_id, midi, *, grace=False, **more) -> PieceNote:
    return PieceNote(
        note_id, str(i // 4 + 1), i // 4, 1.0 + i % 4, float(i), 0.0 if grace else 1.0, "C4", midi, midi, grace, **more
    )


def played(piece, plan, seed=0) -> dict[str, PerformedNote]:
    return {n.source_note_id: n for n in perform(piece, plan, np.random.default_rng(seed)) if n.kind != "trill-inside"}


def test_a_steady_plan_keeps_the_metronome():
    notes = perform(a_piece(), STEADY, np.random.default_rng(0))
    onsets = [n.onset_sec for n in notes]
    np.testing.assert_allclose(np.diff(onsets), QUARTER_SEC, atol=1e-9)
    assert onsets[0] == pytest.approx(STEADY.lead_sec)


def test_a_note_given_up_early_moves_everything_after_it():
    plan = Plan(**{**vars_of(STEADY), "faults": ({"kind": "short-hold", "bar": "2", "beat": 1, "lost_beats": 0.3},)})
    notes = played(a_piece(), plan)
    assert notes["n5"].onset_sec - notes["n4"].onset_sec == pytest.approx(0.7 * QUARTER_SEC)
    assert notes["n6"].onset_sec - notes["n5"].onset_sec == pytest.approx(QUARTER_SEC)


def test_one_late_onset_moves_nothing_else():
    plan = Plan(**{**vars_of(STEADY), "faults": ({"kind": "late", "bar": "2", "beat": 2, "ms": 80},)})
    notes = played(a_piece(), plan)
    assert notes["n5"].onset_sec - notes["n4"].onset_sec == pytest.approx(QUARTER_SEC + 0.08)
    assert notes["n6"].onset_sec - notes["n4"].onset_sec == pytest.approx(2 * QUARTER_SEC)


def test_a_restart_goes_back_to_its_bar():
    fault = {"kind": "restart", "bar": "3", "beat": 2, "back_to": "2", "pause_sec": 0.9}
    notes = perform(a_piece(), Plan(**{**vars_of(STEADY), "faults": (fault,)}), np.random.default_rng(0))
    order = [n.source_note_id for n in notes]
    assert order == [f"n{i}" for i in [*range(10), *range(4, 16)]]


def test_wrong_omitted_and_extra_notes_are_said_so():
    faults = (
        {"kind": "wrong", "bar": "1", "beat": 2, "semitones": -1},
        {"kind": "omit", "bar": "2", "beat": 3},
        {"kind": "extra", "bar": "3", "beat": 1, "semitones": 2},
    )
    notes = perform(a_piece(), Plan(**{**vars_of(STEADY), "faults": faults}), np.random.default_rng(0))
    assert [(n.source_note_id, n.sounding_midi) for n in notes if n.kind == "wrong"] == [("n1", 60)]
    assert "n6" not in [n.source_note_id for n in notes]
    assert [n.sounding_midi for n in notes if n.kind == "extra"] == [62]


def test_graces_come_before_the_beat_and_leave_it_where_it_is():
    notes = played(a_piece(grace_before=8), STEADY)
    assert notes["n8"].onset_sec - notes["g8"].onset_sec == pytest.approx(GRACE_SEC)
    assert notes["n8"].onset_sec == pytest.approx(STEADY.lead_sec + 8 * QUARTER_SEC)


def test_a_trill_gives_way_to_the_graces_after_it():
    piece = a_piece(trill=7, grace_before=8)
    for seed in range(5):
        notes = perform(piece, Plan(timing_spread_ms=8.0), np.random.default_rng(seed))
        assert [n.sounding_midi for n in notes if n.kind == "grace"] == [71]


def test_a_trill_alternates_to_the_end_of_its_note():
    notes = [n for n in perform(a_piece(trill=5), STEADY, np.random.default_rng(0)) if n.source_note_id == "n5"]
    assert {n.sounding_midi for n in notes} == {65, 67}
    assert len(notes) >= 4
    assert notes[-1].end_sec <= STEADY.lead_sec + 6 * QUARTER_SEC + 1e-9


def test_the_phrase_is_loudest_at_its_peak():
    levels = {k: n.level_db for k, n in played(a_piece(), STEADY).items()}
    assert max(levels, key=levels.__getitem__) == "n8"
    assert levels["n0"] < levels["n4"] < levels["n8"] > levels["n12"] > levels["n15"]


@pytest.mark.parametrize(
    "fault",
    [
        {"kind": "late", "bar": "9", "ms": 5},
        {"kind": "sneeze"},
        {"kind": "pitch", "written": "B9", "cents": 4},
        {"kind": "tempo", "bars": ["1", "7"], "factor": 1.1},
    ],
)
def test_a_plan_that_fits_nothing_is_refused_in_a_sentence(fault):
    with pytest.raises(BadInput, match=r"The plan .+\.$"):
        perform(a_piece(), Plan(faults=(fault,)), np.random.default_rng(0))


def test_every_kind_of_fault_can_be_planned():
    assert {"pitch", "short-hold", "restart", "hesitation", "omit", "wrong", "extra", "late"} <= FAULTS.keys()


@pytest.mark.parametrize("voice", sorted(VOICES))
@pytest.mark.parametrize("cents", [-30.0, 0.0, 17.5])
def test_the_pitch_that_was_planned_is_the_pitch_that_sounds(voice, cents):
    """The strongest bins of a long transform are the planned frequency's partials (independent of the synthesis)."""
    tone = PerformedNote(69, 0.1, 4.0, cents=cents)
    samples = sound([tone], VOICES[voice], np.random.default_rng(1), noise_db=None)
    steady = samples[int(0.5 * SAMPLE_RATE_HZ) : int(3.9 * SAMPLE_RATE_HZ)] * np.hanning(
        int(3.9 * SAMPLE_RATE_HZ) - int(0.5 * SAMPLE_RATE_HZ)
    )
    spectrum = np.abs(np.fft.rfft(steady, 1 << 21))
    hz = np.fft.rfftfreq(1 << 21, 1 / SAMPLE_RATE_HZ)
    near = (hz > 400) & (hz < 480)
    heard = hz[near][np.argmax(spectrum[near])]
    assert cents_between(heard, midi_to_hz(69)) == pytest.approx(cents, abs=0.2)


def test_levels_differ_as_planned():
    notes = [PerformedNote(60, 0.1, 1.0, level_db=-6.0), PerformedNote(60, 1.3, 1.0, level_db=2.0)]
    samples = sound(notes, VOICES["flute"], np.random.default_rng(2), noise_db=None)
    soft, loud = (
        np.sqrt(np.mean(samples[int(a * SAMPLE_RATE_HZ) : int((a + 0.7) * SAMPLE_RATE_HZ)] ** 2)) for a in (0.25, 1.45)
    )
    assert 20 * np.log10(loud / soft) == pytest.approx(8.0, abs=0.2)


def test_a_room_rings_on_after_the_note():
    note_ = [PerformedNote(60, 0.1, 0.5)]
    dry = sound(note_, VOICES["brass"], np.random.default_rng(3), noise_db=None)
    wet = sound(note_, VOICES["brass"], np.random.default_rng(3), noise_db=None, room=Room(t60_sec=1.0, wet_db=-6))
    after = slice(int(0.75 * SAMPLE_RATE_HZ), int(0.95 * SAMPLE_RATE_HZ))
    assert np.abs(dry[after]).max() < 1e-6 < 1e-3 < np.abs(wet[after]).max()


@pytest.mark.parametrize(
    ("instrument", "voice"),
    [
        ("clarinet-bb", "clarinet"),
        ("bass-clarinet", "clarinet"),
        ("sax-alto", "saxophone"),
        ("tuba", "brass"),
        ("english-horn", "double-reed"),
        ("alto-flute", "flute"),
    ],
)
def test_each_instrument_finds_a_voice(instrument, voice):
    assert voice_for(instrument) is VOICES[voice]


def vars_of(plan: Plan) -> dict[str, object]:
    return {name: getattr(plan, name) for name in plan.__dataclass_fields__}

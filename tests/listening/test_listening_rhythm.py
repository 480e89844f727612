"""The rhythm family on followed takes whose times are known."""

import numpy as np
import pytest
from measured_takes import HOP_SEC, TRILL_UP, contour, features_of, followed_of, piece_of

from app.domain.findings import Break
from app.listening.ornaments import trill_content
from app.listening.rhythm import fitted_tempo_bpm, rhythm_family
from app.listening.timing import AFTER_BREAK, AFTER_FERMATA, GRACE, NOT_PLAYED, onset_doubts, read_timing

SILENT = features_of(np.full(400, np.nan))
BEAT = 0.6


def read(piece, followed, features=SILENT):
    doubts = [0.004] * len(piece.notes)
    timing = read_timing(piece, followed, doubts)
    return timing, rhythm_family(piece, followed, features, timing, doubts)


def even(lengths, beat=BEAT, start=1.0):
    return [start + beat * float(b) for b in np.concatenate([[0.0], np.cumsum(lengths)[:-1]])]


def test_an_even_take_reads_even() -> None:
    piece = piece_of([1.0, 0.5, 0.5] * 16, bpm=90)
    timing, rhythm = read(piece, followed_of(piece, even([1.0, 0.5, 0.5] * 16)))
    assert rhythm["median_abs_ms"] == pytest.approx(0.0, abs=0.01)
    assert rhythm["notes_judged"] == 48
    assert rhythm["steadiness_percent"] == pytest.approx(0.0, abs=0.01)
    assert fitted_tempo_bpm(piece, timing) == pytest.approx(100.0, rel=1e-4)
    assert rhythm["drift_percent_per_min"]["value"] == pytest.approx(0.0, abs=0.01)
    assert rhythm["tempo_curve"][5][1] == pytest.approx(100.0, rel=1e-3)


def test_tempo_is_given_in_the_unit_of_the_mark() -> None:
    """Dotted quarter = 54 means the eighth goes at 162 and lasts 370.4 ms (common practice)."""
    from app.domain.piece import TempoMark

    lengths = [0.5] * 36
    piece = piece_of(lengths, felt=1.5, beats=2, marks=(TempoMark(0.0, 1.5, 54.0),))
    timing, _ = read(piece, followed_of(piece, even(lengths, 2 * 0.3703704)))
    assert fitted_tempo_bpm(piece, timing) == pytest.approx(54.0, rel=1e-3)
    eighths = piece_of(lengths, felt=1.5, beats=2, marks=(TempoMark(0.0, 0.5, 162.0),))
    timing, _ = read(eighths, followed_of(eighths, even(lengths, 2 * 0.3703704)))
    assert fitted_tempo_bpm(eighths, timing) == pytest.approx(162.0, rel=1e-3)


@pytest.mark.parametrize("percent", [-8.0, 10.0])
def test_rush_and_drag_with_their_interval(percent: float) -> None:
    """Tempo that changes by ``percent`` a minute."""
    times, at = [1.0], 1.0
    for _ in range(99):
        at += BEAT / (1.0 + percent / 100.0 * (at - 1.0) / 60.0)
        times.append(at)
    piece = piece_of([1.0] * 100)
    _, rhythm = read(piece, followed_of(piece, times))
    drift = rhythm["drift_percent_per_min"]
    assert drift["value"] == pytest.approx(percent, rel=0.1)
    assert drift["low"] <= drift["value"] <= drift["high"]


def test_too_short_a_take_gives_no_drift_and_says_why() -> None:
    piece = piece_of([1.0] * 12)
    _, rhythm = read(piece, followed_of(piece, even([1.0] * 12)))
    assert rhythm["drift_percent_per_min"] is None
    assert "seconds" in rhythm["why_no_drift"]


def test_a_late_note_is_late_by_itself() -> None:
    onsets = even([1.0] * 24)
    onsets[10] += 0.08
    piece = piece_of([1.0] * 24)
    timing, _ = read(piece, followed_of(piece, onsets))
    off = [1000 * n.timing_sec for n in timing.notes]
    assert off[10] == pytest.approx(80.0, abs=2.0)
    assert max(abs(v) for i, v in enumerate(off) if i != 10) < 3.0
    assert timing.notes[10].beat_sec == pytest.approx(BEAT, rel=0.01)


def test_a_tied_note_given_up_early_loses_beats() -> None:
    lengths = [1.0, 0.5, 0.5, 2.5, 0.5, 1.0] * 6
    onsets = even(lengths)
    hold = 15  # a tied note of two and a half beats in the middle
    onsets = [t - (0.25 * BEAT if i > hold else 0.0) for i, t in enumerate(onsets)]
    piece = piece_of(lengths, notes={hold: {"tied": True}})
    _, rhythm = read(piece, followed_of(piece, onsets))
    held = {h["note_id"]: h for h in rhythm["held_notes"]}
    short = held[f"n{hold + 1}"]
    assert short["ratio"] == pytest.approx(0.9, abs=0.005)
    assert short["lost_beats"] == pytest.approx(0.25, abs=0.015)
    assert (short["notated_beats"], short["tied"], short["until"]) == (2.5, True, "next")
    assert short["uncertainty_ratio"] < 0.03
    others = [h["ratio"] for key, h in held.items() if key != short["note_id"] and h["until"] == "next"]
    assert others == pytest.approx([1.0] * len(others), abs=0.01)


def test_a_note_before_a_rest_is_read_by_its_release() -> None:
    lengths = [1.0] * 16
    piece = piece_of(lengths, rests={7: 1.0})
    onsets = [1.0 + BEAT * (i + (1 if i > 7 else 0)) for i in range(16)]
    offsets = [t + (0.8 if i == 7 else 0.95) * BEAT for i, t in enumerate(onsets)]
    timing, rhythm = read(piece, followed_of(piece, onsets, offsets))
    held = {h["note_id"]: h for h in rhythm["held_notes"]}["n8"]
    assert (held["until"], held["ratio"]) == ("release", pytest.approx(0.8, abs=0.01))
    assert timing.notes[7].length_ratio == pytest.approx(1.0, abs=0.01)


def test_what_cannot_be_timed_says_why() -> None:
    lengths = [1.0] * 16
    piece = piece_of(lengths, notes={4: {"grace": True, "length_quarters": 0.0}, 8: {"fermata": True}})
    onsets: list[float | None] = list(even(lengths))
    onsets[9:] = [t + 1.5 for t in onsets[9:]]
    onsets[13] = None
    timing, rhythm = read(piece, followed_of(piece, onsets))
    assert timing.notes[4].why == GRACE
    assert timing.notes[9].why == AFTER_FERMATA
    assert timing.notes[13].why == NOT_PLAYED
    assert all(n.timing_sec is None for n in (timing.notes[4], timing.notes[9], timing.notes[13]))
    assert timing.notes[12].length_ratio is None  # the next note is missing, so its length is not known
    assert "n9" not in {h["note_id"] for h in rhythm["held_notes"]}


def test_a_restart_cuts_the_pulse() -> None:
    lengths = [1.0] * 20
    onsets = even(lengths)
    onsets[8:] = [t + 6.3 for t in onsets[8:]]
    piece = piece_of(lengths)
    stops = (Break("restart", onsets[8] - 0.02, "3", "3"),)
    timing, _ = read(piece, followed_of(piece, onsets, breaks=stops, passes=[1] * 8 + [2] * 12))
    assert timing.notes[8].why == AFTER_BREAK
    known = [n.timing_sec for n in timing.notes if n.timing_sec is not None]
    assert len(known) == 19
    assert max(abs(v) for v in known) < 0.005


def test_too_few_notes_have_no_rhythm() -> None:
    piece = piece_of([1.0] * 3)
    _, rhythm = read(piece, followed_of(piece, even([1.0] * 3)))
    assert rhythm["median_abs_ms"] is None
    assert rhythm["why_null"]
    assert rhythm["steadiness_percent"] is None
    assert rhythm["tempo_curve"] == []


def test_landings_after_trill_and_graces() -> None:
    lengths = [1.0] * 20
    notes = {
        5: {"ornament": TRILL_UP},
        10: {"grace": True, "length_quarters": 0.0},
    }
    piece = piece_of(lengths, notes=notes)
    onsets = even(lengths)
    onsets[6] += 0.062
    onsets[11] -= 0.03
    _, rhythm = read(piece, followed_of(piece, onsets))
    found = {x["note_id"]: x for x in rhythm["landings"]}
    assert found["n7"]["after"] == "trill"
    assert found["n7"]["ornament_note_id"] == "n6"
    assert found["n7"]["timing_ms"] == pytest.approx(62.0, abs=3.0)
    assert found["n12"]["after"] == "grace"
    assert found["n12"]["timing_ms"] == pytest.approx(-30.0, abs=3.0)
    assert found["n12"]["uncertainty_ms"] > 0


def test_runs_even_and_limping() -> None:
    lengths = [1.0] * 8 + [0.25] * 16 + [1.0] * 8
    onsets = even(lengths)
    piece = piece_of(lengths)
    _, rhythm = read(piece, followed_of(piece, onsets))
    (run,) = rhythm["runs"]
    assert len(run["note_ids"]) == 16
    assert run["evenness_percent"] == pytest.approx(0.0, abs=0.1)
    assert run["long_short_ratio"] == pytest.approx(1.0, abs=0.01)
    limping = [t + (0.03 if 8 <= i < 24 and i % 2 else 0.0) for i, t in enumerate(onsets)]
    _, rhythm = read(piece, followed_of(piece, limping))
    (run,) = rhythm["runs"]
    assert run["long_short_ratio"] == pytest.approx((0.15 + 0.03) / (0.15 - 0.03), rel=0.03)
    assert run["evenness_percent"] == pytest.approx(100 * 0.03 / 0.15, rel=0.15)


def test_articulation_gaps() -> None:
    lengths = [1.0] * 12
    notes = {i: {"slurred_from_previous": True} for i in (1, 2, 3)}
    notes |= {i: {"articulations": ("staccato",)} for i in (8, 9, 10)}
    piece = piece_of(lengths, notes=notes)
    onsets = even(lengths)
    ends = [t + BEAT * (1.0 if i < 3 else 0.45 if i in (8, 9, 10) else 0.9) for i, t in enumerate(onsets)]
    timing, rhythm = read(piece, followed_of(piece, onsets, ends))
    found = rhythm["articulation"]
    assert found["slurred_gap_ms"] == {"median": pytest.approx(0.0, abs=0.1), "count": 3}
    assert found["tongued_gap_ms"] == {"median": pytest.approx(60.0, abs=1.0), "count": 5}
    assert found["staccato_ratio"] == {"median": pytest.approx(0.45, abs=0.01), "count": 3}
    assert all(n.gap_sec is None or n.gap_sec >= 0 for n in timing.notes)


def trill(rate: float, seconds: float = 1.5, first_upper: bool = False, interval: float = 200.0):
    t = np.arange(round(seconds / HOP_SEC)) * HOP_SEC
    upper = np.floor(2 * rate * t) % 2 == (0 if first_upper else 1)
    return contour(np.where(upper, interval, 0.0), 69)


@pytest.mark.parametrize("rate", [3.0, 6.5, 10.0])
@pytest.mark.parametrize("first_upper", [False, True])
def test_trill_content(rate: float, first_upper: bool) -> None:
    found = trill_content(features_of(trill(rate, first_upper=first_upper)), 0.0, 1.5, 69, 71, 0.0)
    assert found["rate_hz"] == pytest.approx(rate, rel=0.03)
    assert found["alternations"] == pytest.approx(rate * 1.5, abs=1.0)
    assert found["first"] == ("upper" if first_upper else "main")
    assert found["interval_cents"] == pytest.approx(200.0, abs=1.0)
    assert abs(found["rate_hz"] - rate) <= 2.0 * found["rate_uncertainty_hz"] + 0.02 * rate
    assert 0.0 < found["rate_uncertainty_hz"] < 0.2 * rate
    below = trill_content(features_of(trill(rate, first_upper=first_upper, interval=-100.0)), 0.0, 1.5, 69, 68, 0.0)
    assert below["first"] == ("lower" if first_upper else "main")


def test_a_trill_that_cannot_be_told_says_why() -> None:
    plain = trill_content(features_of(contour(np.zeros(300))), 0.0, 1.5, 69, 71, 0.0)
    assert plain["rate_hz"] is None
    assert plain["rate_uncertainty_hz"] is None
    assert plain["interval_uncertainty_cents"] is None
    assert plain["why_null"] == "no alternation was heard"
    assert plain["alternations"] == 0
    unheard = trill_content(features_of(np.full(300, np.nan)), 0.0, 1.5, 69, 71, 0.0)
    assert "not heard" in unheard["why_null"]
    assert unheard["alternations"] is None
    fast = trill_content(features_of(trill(14.0)), 0.0, 1.5, 69, 71, 0.0)
    assert fast["rate_hz"] is None
    assert "too fast" in fast["why_null"]


def test_onsets_are_surer_the_clearer_their_edge() -> None:
    """A slur, a quick attack, a slow one, and one that comes into a room still full of sound."""
    piece = piece_of([1.0] * 4, notes={1: {"slurred_from_previous": True}})
    onsets = [0.5, 1.0, 1.5, 2.0]
    level = np.full(600, -20.0)
    level[:100] = -80.0
    for onset, rise in ((0.5, 0.02), (1.5, 0.15)):
        a, n = round(onset / HOP_SEC), round(rise / HOP_SEC)
        level[a - 6 : a] = -60.0
        level[a : a + n] = -40.0
    followed = followed_of(piece, onsets, [t + 0.45 for t in onsets])
    quick, slur, slow, edgeless = onset_doubts(piece, followed, features_of(np.full(600, np.nan), level_db=level))
    assert slur < 0.004
    assert quick < 0.006
    assert slow == pytest.approx(0.15 * 0.15, rel=0.1)
    assert edgeless == pytest.approx(0.02)

"""The local pulse on simulated players whose late notes, shifts and held notes are known."""

import numpy as np
import pytest
from measured_takes import piece_of

from app.domain.piece import TempoMark
from app.listening.pulse import beat_without, beats_of, expected_without, fit_pulse

LENGTHS = (1.0, 0.5, 0.5, 1.0, 2.0, 0.25, 0.25, 0.5, 1.0, 1.0)


class Player:
    """Onsets of a player: jitter, single late notes, held notes cut short, neighbours off the pulse, drag."""

    def __init__(
        self,
        seed: int,
        *,
        beat: float = 0.6,
        jitter: float = 0.006,
        late: float = 0.0,
        hold: float = 1.0,
        neighbours: float = 0.0,
        drag: float = 0.0,
        beats: float = 48.0,
    ) -> None:
        rng = np.random.default_rng(seed)
        lengths: list[float] = []
        while sum(lengths) < beats:
            lengths.append(float(rng.choice(LENGTHS)))
        self.lengths = np.array(lengths)
        self.beats = np.concatenate([[0.0], np.cumsum(self.lengths)])
        self.beat = beat * (1.0 - drag * (self.beats[:-1] + self.lengths / 2) / self.beats[-1])
        long_notes = np.flatnonzero(self.lengths >= 1.0)
        self.held = long_notes[(long_notes > 4) & (long_notes < len(lengths) - 4)][::5]
        self.ratio = np.ones(len(lengths))
        self.ratio[self.held] = hold
        if neighbours:
            for h in self.held:
                for k in (h - 1, h + 1):
                    if k not in self.held:
                        self.ratio[k] = 1.0 + neighbours * rng.choice([-1.0, 1.0])
        steady = np.concatenate([[0.0], np.cumsum(self.beat * self.lengths * self.ratio)])
        self.off = rng.normal(0.0, jitter, steady.size)
        self.late_notes = rng.choice(np.arange(3, steady.size - 3, 4), 4, replace=False) if late else np.zeros(0, int)
        self.off[self.late_notes] += late * rng.choice([-1.0, 1.0], self.late_notes.size)
        self.times = steady + self.off
        # The first note after a shortened one comes early by what was lost; what follows is in the shifted pulse.
        self.true_timing = self.off.copy()
        self.true_timing[1:] += (self.ratio - 1.0) * self.lengths * self.beat
        self.free = np.zeros(len(lengths), dtype=bool)


@pytest.mark.parametrize("late", [0.04, 0.1])
def test_single_late_notes_are_told_and_move_nothing_else(late: float) -> None:
    errors, innocent = [], []
    for seed in range(8):
        player = Player(seed, late=late)
        pulse = fit_pulse(player.beats, player.times, player.free)
        assert pulse is not None
        error = np.abs(player.times - pulse.expected_sec - player.true_timing)
        errors += list(error[player.late_notes])
        innocent += list(np.delete(error, player.late_notes))
    assert np.median(errors) < 0.005
    assert np.percentile(innocent, 95) < 0.008


def test_a_held_note_left_early_is_one_early_note_and_a_shift() -> None:
    errors = []
    for seed in range(8):
        player = Player(seed, hold=0.85)
        pulse = fit_pulse(player.beats, player.times, player.free)
        assert pulse is not None
        errors += list(np.abs(player.times - pulse.expected_sec - player.true_timing))
    assert np.percentile(errors, 95) < 0.015


@pytest.mark.parametrize(
    "how",
    [
        {"hold": 0.85},
        {"hold": 0.85, "neighbours": 0.2},
        {"hold": 1.12, "neighbours": 0.2},
        {"hold": 0.92, "neighbours": 0.2, "late": 0.06},
        {"hold": 0.85, "beat": 1.0, "neighbours": 0.2},
        {"hold": 0.9, "drag": 0.1},
        {"hold": 0.85, "jitter": 0.015},
    ],
    ids=str,
)
def test_held_notes_to_three_hundredths_with_neighbours_off_the_pulse(how: dict[str, float]) -> None:
    errors, scaled = [], []
    for seed in range(10):
        player = Player(100 + seed, **how)
        pulse = fit_pulse(player.beats, player.times, player.free)
        assert pulse is not None
        for h in player.held:
            without = beat_without(pulse, int(h), player.free)
            assert without is not None
            true = (player.times[h + 1] - player.times[h]) / (player.beat[h] * player.lengths[h])
            error = (player.times[h + 1] - player.times[h]) / (without[0] * player.lengths[h]) - true
            errors.append(abs(error))
            scaled.append(abs(error) / without[1])
    assert np.percentile(errors, 95) <= 0.03
    assert np.percentile(scaled, 90) <= 2.5


def with_rubato(depth: float, seed: int) -> tuple[Player, np.ndarray]:
    """A player whose tempo waves by ``depth`` over eight to fifteen beats, and the local beat over every note."""
    player = Player(seed)
    rng = np.random.default_rng(1000 + seed)
    at = np.linspace(-1.0, player.beats[-1] + 1.0, 4000)
    beat = 0.6 / (1.0 + depth * np.sin(2 * np.pi * at / rng.uniform(8.0, 15.0) + rng.uniform(0.0, 6.0)))
    clock = np.concatenate([[0.0], np.cumsum(np.diff(at) * beat[:-1])])
    steady = np.interp(player.beats, at, clock)
    player.times = steady + player.off
    return player, np.diff(steady) / player.lengths


@pytest.mark.parametrize(("depth", "middle", "most"), [(0.0, 0.01, 0.02), (0.03, 0.02, 0.04), (0.06, 0.04, 0.07)])
def test_held_notes_under_rubato_and_how_sure_they_are(depth: float, middle: float, most: float) -> None:
    """Every fifth long note is left a tenth early; its neighbours lie a fifth off the pulse.

    Beyond a depth of some hundredths the tempo inside the note can't be known to .03, and the doubt says so.
    """
    errors, scaled = [], []
    for seed in range(10):
        player, local = with_rubato(depth, 300 + seed)
        rng = np.random.default_rng(seed)
        change = np.ones(local.size)
        for h in player.held:
            change[h] = 0.9
            for k in (h - 1, h + 1):
                if k not in player.held:
                    change[k] = 1.0 + 0.2 * rng.choice([-1.0, 1.0])
        times = np.concatenate([[0.0], np.cumsum(np.diff(player.times) * change)])
        pulse = fit_pulse(player.beats, times, player.free)
        assert pulse is not None
        for h in player.held:
            without = beat_without(pulse, int(h), player.free)
            assert without is not None
            length = (times[h + 1] - times[h]) / player.lengths[h]
            errors.append(abs(length / without[0] - length / local[h]))
            scaled.append(errors[-1] / without[1])
    assert np.median(errors) <= middle
    assert np.percentile(errors, 90) <= most
    assert np.percentile(scaled, 90) <= 2.5


@pytest.mark.parametrize("depth", [0.0, 0.03])
def test_a_late_landing_is_as_late_as_it_was_played(depth: float) -> None:
    """95 ms late by itself; with the note in the curve some of that was lost (seen: 68 ms)."""
    errors = []
    for seed in range(8):
        player, _ = with_rubato(depth, 400 + seed)
        for k in player.held + 1:
            times = player.times.copy()
            times[k] += 0.095
            pulse = fit_pulse(player.beats, times, player.free)
            assert pulse is not None
            expected = expected_without(pulse, int(k), player.free)
            assert expected is not None
            errors.append(times[k] - expected - 0.095 - player.off[k])
    assert abs(np.median(errors)) < 0.004
    assert np.percentile(np.abs(errors), 90) < 0.025


def test_nothing_is_expected_after_a_break_or_among_too_few() -> None:
    player = Player(5)
    free = player.free.copy()
    free[9] = True
    pulse = fit_pulse(player.beats, player.times, free)
    assert pulse is not None
    assert expected_without(pulse, 10, free) is None
    assert expected_without(pulse, 0, free) is None
    few = fit_pulse(player.beats[:4], player.times[:4], player.free[:3])
    assert few is not None
    assert expected_without(few, 2, player.free[:3]) is None


def test_follows_a_slowing_tempo() -> None:
    player = Player(3, drag=-0.15)
    pulse = fit_pulse(player.beats, player.times, player.free)
    assert pulse is not None
    assert pulse.beat_sec[3] == pytest.approx(player.beat[3], rel=0.01)
    assert pulse.beat_sec[-4] == pytest.approx(player.beat[-4], rel=0.01)


def test_breaks_start_the_phase_anew() -> None:
    player = Player(5)
    times = player.times.copy()
    times[20:] += 1.7
    free = player.free.copy()
    free[19] = True
    pulse = fit_pulse(player.beats, times, free)
    assert pulse is not None
    off = times - pulse.expected_sec
    assert np.percentile(np.abs(off - player.true_timing), 95) < 0.012


def test_too_few_onsets_say_nothing() -> None:
    assert fit_pulse(np.array([0.0, 1.0, 2.0]), np.array([0.0, 0.5, 1.0]), np.zeros(2, bool)) is None
    free = np.zeros(9, bool)
    free[[2, 5]] = True
    pulse = fit_pulse(np.arange(10.0), np.arange(10.0) * 0.5, free)
    assert pulse is not None
    assert list(pulse.judged) == [False] * 6 + [True] * 4


def test_printed_tempo_changes_are_taken_out() -> None:
    marks = (TempoMark(0.0, 1.0, 60.0), TempoMark(4.0, 1.5, 80.0))  # then 120 quarters to the minute
    piece = piece_of([1.0] * 8, marks=marks)
    beats = beats_of(piece, np.array([0.0, 3.0, 4.0, 6.0, 8.0]))
    assert beats == pytest.approx([0.0, 3.0, 4.0, 5.0, 6.0])


def test_beats_are_felt_beats() -> None:
    piece = piece_of([1.5] * 6, felt=1.5, beats=3, marks=(TempoMark(0.0, 0.5, 156.0),))
    assert beats_of(piece, np.array([0.0, 1.5, 4.5])) == pytest.approx([0.0, 1.0, 3.0])

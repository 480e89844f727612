"""The local pulse on simulated players whose late notes, shifts and held notes are known."""

import numpy as np
import pytest
from measured_takes import piece_of

from app.domain.piece import TempoMark
from app.listening.pulse import beat_without, beats_of, fit_pulse

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

"""The simulation of a season's workers against queueing theory, where theory has a closed form."""

import numpy as np
import pytest

from benchmarks.scale.simulation import MEASURED_SEC, RUSH, arrivals, drawn, erlang_c, fitted, simulate


def poisson(rate: float, takes: int, random: np.random.Generator) -> np.ndarray:
    return np.cumsum(random.exponential(1 / rate, takes))


def test_erlang_c_where_it_is_known_by_hand() -> None:
    assert erlang_c(1, 0.6) == pytest.approx(0.6)  # one worker: the share of time it is busy
    assert erlang_c(2, 1.0) == pytest.approx(1 / 3)  # 1 / (1 + 1 + 1)
    assert erlang_c(3, 2.0) == pytest.approx(4 / 9)  # 4 / (1 + 2 + 2 + 4)


@pytest.mark.parametrize(("workers", "offered"), [(1, 0.5), (4, 3.0), (12, 9.0)])
def test_waits_are_erlangs(workers: int, offered: float) -> None:
    """M/M/c. Source: A. K. Erlang 1917; mean wait = C / (c mu - lambda), here with mu = 1."""
    random = np.random.default_rng(7)
    seen = simulate(poisson(offered, 60_000, random), workers, lambda r: float(r.exponential(1.0)), random)
    chance = erlang_c(workers, offered)
    assert np.mean(seen.wait_sec > 1e-9) == pytest.approx(chance, abs=0.03)
    assert np.mean(seen.wait_sec) == pytest.approx(chance / (workers - offered), rel=0.2)
    assert seen.busy == pytest.approx(offered / workers, rel=0.03)


def test_one_worker_with_measured_times_waits_as_pollaczek_and_khinchine_say() -> None:
    """M/G/1. Source: F. Pollaczek 1930, A. Khinchine 1932; mean wait = lambda E[S^2] / (2 (1 - rho))."""
    random = np.random.default_rng(11)
    service = fitted(MEASURED_SEC)
    drawn_sec = np.array([service(random) for _ in range(100_000)])
    rate = 0.7 / drawn_sec.mean()
    seen = simulate(poisson(rate, 60_000, random), 1, service, random)
    expected = rate * np.mean(drawn_sec**2) / (2 * (1 - 0.7))
    assert np.mean(seen.wait_sec) == pytest.approx(expected, rel=0.1)


def test_the_fit_has_the_measured_mean() -> None:
    random, service = np.random.default_rng(3), fitted(MEASURED_SEC)
    assert np.mean([service(random) for _ in range(50_000)]) == pytest.approx(np.mean(MEASURED_SEC), rel=0.02)


def test_a_database_that_does_one_thing_at_a_time_is_where_it_bends() -> None:
    """Beyond 1 / database_sec takes a second no further worker helps."""
    random = np.random.default_rng(5)
    all_at_once = np.zeros(2_000)
    ends = [
        simulate(all_at_once, workers, lambda r: 1.0, random, database_sec=0.1).end_sec for workers in (5, 10, 20, 40)
    ]
    assert ends[0] == pytest.approx(2_000 * 1.1 / 5, rel=0.02)
    assert ends[2:] == pytest.approx([200.0 + 1.0, 200.0 + 1.0], rel=0.01)


def test_a_rush_is_one() -> None:
    random = np.random.default_rng(1)
    even, rush = (arrivals(30_000, 100.0, random, rush=rush) for rush in (False, True))
    for at_sec in (even, rush):
        assert np.all(np.diff(at_sec) >= 0)
        assert 0 <= at_sec[0] < at_sec[-1] <= 100.0
    assert np.mean(even > 90.0) == pytest.approx(0.1, abs=0.01)
    assert np.mean(rush > 99.0) == pytest.approx(RUSH * 0.01, abs=0.005)


def test_the_picture_shows_every_count() -> None:
    text = drawn([(2, 60.0, 90.0), (4, 0.0, 12.0), (8, 0.0, 0.0)])
    for shown in (">2<", ">4<", ">8<", ">90<", "minutes from the deadline"):
        assert shown in text
    assert text.count("<polyline") == 2

"""The simulation of a season's workers against queueing theory, where theory has a closed form."""

import numpy as np
import pytest

from benchmarks.scale.simulation import MEASURED_SEC, RUSH, Station, arrivals, drawn, erlang_c, fitted, simulate


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
    """Beyond what the station can do a second no further worker helps; two at a time are twice as many."""
    random, all_at_once = np.random.default_rng(5), np.zeros(2_000)

    def end_sec(workers: int, station: Station) -> float:
        return simulate(all_at_once, workers, lambda r: 1.0, random, stations=(station,)).end_sec

    one = Station(0.0, 0.1)
    assert one.most_per_sec == pytest.approx(10)
    ends = [end_sec(workers, one) for workers in (5, 10, 20, 40)]
    assert ends[0] == pytest.approx(2_000 * 1.1 / 5, rel=0.02)
    assert ends[2:] == pytest.approx([200.0 + 1.0, 200.0 + 1.0], rel=0.01)
    assert end_sec(80, Station(0.0, 0.1, at_once=2)) == pytest.approx(100.0 + 1.0, rel=0.01)


def test_keeping_and_working_share_a_station() -> None:
    """Takes that are being kept and takes that are worked on stand in one queue, so both count against its rate."""
    random, station = np.random.default_rng(6), Station(0.06, 0.04)
    seen = simulate(np.zeros(1_000), 50, lambda r: 0.5, random, stations=(station,))
    assert station.most_per_sec == pytest.approx(10)
    assert seen.end_sec == pytest.approx(100.0 + 0.5, rel=0.01)


def test_who_needs_nothing_of_a_station_does_not_queue_there() -> None:
    """Keeping fills the first station to the brim; workers, who need nothing of it, measure on."""
    random = np.random.default_rng(9)
    stations = (Station(0.1, 0.0), Station(0.0, 0.01))
    seen = simulate(np.zeros(1_000), 50, lambda r: 1.0, random, stations=stations)
    assert seen.end_sec == pytest.approx(100.0 + 1.01, rel=0.01)
    assert float(seen.wait_sec[0]) == pytest.approx(0.11, abs=0.001)


def test_what_was_done_in_time_is_what_the_narrowest_place_lets_through() -> None:
    random = np.random.default_rng(8)
    at_sec = arrivals(12_000, 600.0, random, rush=False)
    for station, expected in ((Station(0.0, 0.01), 12_000), (Station(0.0, 0.1), 6_000)):
        seen = simulate(at_sec, 40, lambda r: 1.0, random, stations=(station,))
        assert seen.done_in_time == pytest.approx(expected, rel=0.01)


def test_a_rush_is_one() -> None:
    random = np.random.default_rng(1)
    even, rush = (arrivals(30_000, 100.0, random, rush=rush) for rush in (False, True))
    for at_sec in (even, rush):
        assert np.all(np.diff(at_sec) >= 0)
        assert 0 <= at_sec[0] < at_sec[-1] <= 100.0
    assert np.mean(even > 90.0) == pytest.approx(0.1, abs=0.01)
    assert np.mean(rush > 99.0) == pytest.approx(RUSH * 0.01, abs=0.005)


def test_the_picture_shows_every_row_and_every_line() -> None:
    rows = [(2.0, 60.0, 90.0), (4.0, 0.0, 12.0), (8.0, 0.0, 0.0)]
    text = drawn(rows, ("evenly", "in a rush"), "workers", "minutes late")
    for shown in (">2<", ">4<", ">8<", ">90<", ">evenly<", ">in a rush<", ">workers<", ">minutes late<"):
        assert shown in text
    assert text.count("<polyline") == 2

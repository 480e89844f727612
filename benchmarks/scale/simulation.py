"""How many workers a season needs, and where it bends: a discrete-event simulation (simpy) fitted to what was measured.

    python -m benchmarks.scale.simulation [--takes 20000] [--hours 2] [--pictures FOLDER]

Takes come in at random over the hours before a deadline, evenly or in a rush towards it. The server keeps each in the
storage and the database; then a worker claims it at the database, fetches it from the storage and measures it. Database
and storage are stations with a queue each: a worker that waits for one measures nothing. Where neither is waited for,
this is the textbook's queue; ``tests/test_scale_simulation.py`` holds it against Erlang's formula.
"""

import argparse
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import simpy

# Processor seconds of takes of 55.3 s (benchmarks.scale.workers, one process, idle machine), in order; without the
# first one of the process, which took WARM_UP_SEC more than the others' mean.
MEASURED_SEC = (
    0.68, 0.69, 0.70, 0.70, 0.72, 0.72, 0.72, 0.72, 0.72, 0.72, 0.73, 0.73, 0.75, 0.77, 0.77, 0.78, 0.78, 0.78, 0.79,
    0.79, 0.79, 0.82, 0.84, 0.86, 0.86, 0.87, 0.90, 0.91, 0.92, 0.92, 0.93, 0.93, 0.95, 0.95, 0.95, 0.96, 0.96, 0.99,
    1.02, 1.02, 1.03, 1.03, 1.04, 1.04, 1.06, 1.09, 1.10,
)  # fmt: skip
WARM_UP_SEC = 1.4
# One process claimed and finished 139 jobs a second, four 279 (benchmarks.scale.carriers, idle machine, fsync on, the
# clients on the same two cores): that is a database which does two transactions at a time, each in half of 1/139 s.
TRANSACTION_SEC, AT_ONCE = 1 / 139 / 2, 2
WORK_TRANSACTIONS = 9.7  # a take, by the worker: as counted by the database (benchmarks.scale.workers)
# A take recorded and handed in on the student's page, by the server, counted in the code: 2 to begin, one for each
# of 10 chunks (who sends it), 5 to finish. Most only read, so this is on the high side.
KEEP_TRANSACTIONS = 17
ASKS_PER_SEC = 0.2  # of an idle worker (app.services.waking)
RECEIVED_MB = (
    55.3 * 44_100 * 4 / 1e6
)  # 32-bit samples, as the page records: the most; a telephone's own file is a tenth
KEPT_MB, FETCHED_MB = 1.5 * RECEIVED_MB, RECEIVED_MB  # as received and, in 16 bits, to play back; what a worker reads
GIGABIT = 125.0  # MB a second: the storage's network card, what it says on the box
RUSH = 3.0  # our choice: at the deadline three times as many come in as on average, at the beginning none to speak of
COUNTS = (2, 3, 4, 6, 8, 12, 16, 24, 32)
BEND_TAKES = (20_000, 40_000, 60_000, 80_000, 100_000, 120_000, 150_000, 200_000)
BEND_MINUTES = 10.0  # simulated at each rate: long enough for a queue that grows to be seen growing
BEND_BUSY = 0.8  # our choice: workers are taken so that measuring alone keeps them this busy

Draw = Callable[[np.random.Generator], float]


@dataclass(frozen=True, slots=True)
class Station:
    """What the server and then a worker need of a database or a storage for one take, in seconds; so many at a time."""

    keep_sec: float
    work_sec: float
    at_once: int = 1

    @property
    def most_per_sec(self) -> float:
        """Takes a second that it can do at all."""
        return self.at_once / (self.keep_sec + self.work_sec)


DATABASE = Station(KEEP_TRANSACTIONS * TRANSACTION_SEC, WORK_TRANSACTIONS * TRANSACTION_SEC, AT_ONCE)


def storage(mb_per_sec: float) -> tuple[Station, Station]:
    """What goes in and what comes out: a network card does both at once, each at its full rate."""
    return Station(KEPT_MB / mb_per_sec, 0.0), Station(0.0, FETCHED_MB / mb_per_sec)


@dataclass(frozen=True, slots=True)
class Seen:
    """Of one simulated season. Times in seconds."""

    wait_sec: np.ndarray  # (takes,) from coming in to being claimed, in order of claiming
    end_sec: float  # when the last take was done
    busy: float  # share of the workers' time spent measuring until the last take came in; NaN when all came at once
    most_in_a_minute: int  # takes done
    done_in_time: int  # takes done until the last one came in


def fitted(values: Sequence[float]) -> Draw:
    """Log-normal draws of the same mean and spread of logarithms: service times can't be negative and have a tail."""
    logs = np.log(values)
    mean, spread = float(logs.mean()), float(logs.std(ddof=1))
    return lambda random: float(random.lognormal(mean, spread))


def arrivals(takes: int, seconds: float, random: np.random.Generator, *, rush: bool) -> np.ndarray:
    """(takes,) moments in order: evenly at random, or denser and denser towards the deadline (density t^(RUSH-1))."""
    return np.sort(seconds * random.random(takes) ** (1 / RUSH if rush else 1.0))


def simulate(
    at_sec: np.ndarray, workers: int, service: Draw, random: np.random.Generator, *, stations: Sequence[Station] = (),
    warm_up_sec: float = 0.0,
) -> Seen:  # fmt: skip
    """Takes that come in at ``at_sec`` (ascending), first come first served, by so many workers."""
    env = simpy.Environment()
    waiting, queues = simpy.Store(env), [(simpy.Resource(env, one.at_once), one) for one in stations]
    waits, ends, busy_sec, last = [], [], 0.0, float(at_sec[-1])

    def use(queue: simpy.Resource, seconds: float) -> simpy.events.ProcessGenerator:
        if not seconds:
            return  # who needs nothing of a station does not queue there
        with queue.request() as turn:
            yield turn
            yield env.timeout(seconds)

    def keep(came: float) -> simpy.events.ProcessGenerator:
        for queue, station in queues:
            yield from use(queue, station.keep_sec)
        waiting.put(came)

    def come_in() -> simpy.events.ProcessGenerator:
        for before, now in pairwise((0.0, *map(float, at_sec))):
            yield env.timeout(now - before)
            env.process(keep(env.now))

    def work() -> simpy.events.ProcessGenerator:
        nonlocal busy_sec
        extra = warm_up_sec
        while True:
            came = yield waiting.get()
            for queue, station in queues:
                yield from use(queue, station.work_sec)
            waits.append(env.now - came)
            began = env.now
            yield env.timeout(service(random) + extra)
            busy_sec += max(0.0, min(env.now, last) - began)
            extra = 0.0
            ends.append(env.now)

    env.process(come_in())
    for _ in range(workers):
        env.process(work())
    env.run()
    minutes = np.bincount((np.array(ends) // 60).astype(int))
    busy = busy_sec / (workers * last) if last > 0 else math.nan
    return Seen(np.array(waits), max(ends), busy, int(minutes.max()), sum(end <= last for end in ends))


def erlang_c(workers: int, offered: float) -> float:
    """The chance that a take has to wait in M/M/c; ``offered`` (arrivals by mean service time) is below ``workers``.

    Source: A. K. Erlang 1917; in this form L. Kleinrock, Queueing Systems I, 1975, chapter 3 (from memory).
    """
    last = offered**workers / math.factorial(workers) * workers / (workers - offered)
    return last / (sum(offered**k / math.factorial(k) for k in range(workers)) + last)


def drawn(rows: Sequence[tuple[float, ...]], names: Sequence[str], across: str, up: str) -> str:
    """An SVG of lines: each row is a place across (logarithmic) and one value for every name."""
    left, top, wide, high = 56.0, 36.0, 480.0, 200.0
    most = max(max(row[1:]) for row in rows) or 1.0

    def place(at: float, value: float) -> tuple[float, float]:
        share = math.log(at / rows[0][0]) / math.log(rows[-1][0] / rows[0][0])
        return left + wide * share, top + high * (1 - value / most)

    whole = f"{left + wide + 32:.0f} {top + high + 48:.0f}"
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {whole}" font-family="sans-serif" font-size="11" '
        'fill="#222">',
        '<rect width="100%" height="100%" fill="#fff"/>',
        f'<path d="M{left} {top}V{top + high}H{left + wide}" fill="none" stroke="#222"/>',
        f'<text x="{left - 44}" y="{top - 18}">{up}</text>',
    ]
    for row in rows:
        x, _ = place(row[0], 0.0)
        lines.append(f'<path d="M{x:.1f} {top + high}v4" stroke="#222"/>')
        lines.append(f'<text x="{x:.1f}" y="{top + high + 16}" text-anchor="middle">{row[0]:g}</text>')
    for part in (0.0, 0.5, 1.0):
        y = top + high * (1 - part)
        lines.append(f'<text x="{left - 6}" y="{y + 4:.1f}" text-anchor="end">{most * part:.0f}</text>')
    for which, (name, dash) in enumerate(zip(names, ("", "6 4", "2 3"), strict=False), start=1):
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in (place(row[0], row[which]) for row in rows))
        lines.append(f'<polyline points="{path}" fill="none" stroke="#222" stroke-dasharray="{dash}"/>')
        x, y = left + (24 if rows[0][1] < rows[-1][1] else wide - 200), top + 10 + 16 * (which - 1)  # where none runs
        lines.append(f'<path d="M{x} {y - 4}h28" stroke="#222" stroke-dasharray="{dash}"/>')
        lines.append(f'<text x="{x + 34}" y="{y}">{name}</text>')
    lines.append(f'<text x="{left + wide / 2}" y="{top + high + 38}" text-anchor="middle">{across}</text></svg>')
    return "\n".join(lines) + "\n"


def season(takes: int, seconds: float, service: Draw) -> list[tuple[float, ...]]:
    """Prints the table by number of workers; (workers, minutes late evenly, minutes late in a rush)."""
    stations, rows = (*storage(GIGABIT), DATABASE), []
    print("| workers | busy | wait p50 / p95 s | last result | in a rush: p50 / p95 s | last result | most takes/s | "
          "transactions/s | MB/s in / out |\n|---|---|---|---|---|---|---|---|---|")  # fmt: skip
    for workers in COUNTS:
        seen = []
        for rush in (False, True):
            random = np.random.default_rng(2026)
            at_sec = arrivals(takes, seconds, random, rush=rush)
            seen.append(simulate(at_sec, workers, service, random, stations=stations, warm_up_sec=WARM_UP_SEC))
        even, rush_seen = seen
        late = [max(0.0, one.end_sec - seconds) / 60 for one in seen]
        rows.append((float(workers), *late))
        p = [np.percentile(one.wait_sec, (50, 95)) for one in seen]
        done, come = rush_seen.most_in_a_minute / 60, RUSH * takes / seconds
        asked = KEEP_TRANSACTIONS * come + WORK_TRANSACTIONS * done + ASKS_PER_SEC * workers
        print(
            f"| {workers} | {even.busy:.0%} | {p[0][0]:.1f} / {p[0][1]:.1f} | +{late[0]:.1f} min | "
            f"{p[1][0]:.1f} / {p[1][1]:.1f} | +{late[1]:.1f} min | {done:.1f} | "
            f"{asked:.0f} | {come * KEPT_MB:.0f} / {done * FETCHED_MB:.0f} |",
            flush=True,
        )
    return rows


def bend(seconds: float, service: Draw) -> list[tuple[float, ...]]:
    """Prints what more and more takes do; (thousands of takes, come a second, done a second at 1 and at 10 Gbit/s)."""
    rows, mean_sec = [], float(np.mean(MEASURED_SEC))
    for mb_per_sec in (GIGABIT, 10 * GIGABIT):
        most = min(one.most_per_sec for one in storage(mb_per_sec))
        print(
            f"storage at {mb_per_sec:.0f} MB/s: {most:.1f} takes a second, {most * seconds:,.0f} in the time, at most"
        )
    most = DATABASE.most_per_sec
    print(f"database: {most:.1f} takes a second, {most * seconds:,.0f} in the time, at most\n")
    print("| takes | workers | come/s | done/s, wait p95: storage at 1 Gbit/s | at 10 Gbit/s "
          "| of the storage at 1 / 10 | of the database |\n|---|---|---|---|---|---|---|")  # fmt: skip
    for takes in BEND_TAKES:
        come, workers = takes / seconds, math.ceil(takes / seconds * mean_sec / BEND_BUSY)
        done, said = [], []
        for mb_per_sec in (GIGABIT, 10 * GIGABIT):
            random = np.random.default_rng(2026)
            at_sec = arrivals(round(come * 60 * BEND_MINUTES), 60 * BEND_MINUTES, random, rush=False)
            seen = simulate(at_sec, workers, service, random, stations=(*storage(mb_per_sec), DATABASE))
            done.append(seen.done_in_time / (60 * BEND_MINUTES))
            said.append(f"{done[-1]:.1f}, {np.percentile(seen.wait_sec, 95):.1f} s")
        asked = " / ".join(
            f"{come / min(one.most_per_sec for one in storage(mb)):.0%}" for mb in (GIGABIT, 10 * GIGABIT)
        )
        print(
            f"| {takes:,} | {workers} | {come:.1f} | {said[0]} | {said[1]} | {asked} | {come / most:.0%} |", flush=True
        )
        rows.append((takes / 1000, come, *done))
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--takes", type=int, default=20_000)
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--pictures", type=Path, help="a folder for workers.svg and bend.svg")
    args = parser.parse_args()
    seconds, service = 3600 * args.hours, fitted(MEASURED_SEC)
    by_workers = season(args.takes, seconds, service)
    print()
    by_takes = bend(seconds, service)
    if args.pictures is not None:
        up = "minutes from the deadline to the last result"
        (args.pictures / "workers.svg").write_text(
            drawn(by_workers, ("evenly", "in a rush"), "workers", up), encoding="utf-8"
        )
        names = ("come in", "done, storage at 1 Gbit/s", "done, storage at 10 Gbit/s")
        across = f"thousand takes in {args.hours:g} hours"
        (args.pictures / "bend.svg").write_text(drawn(by_takes, names, across, "takes a second"), encoding="utf-8")


if __name__ == "__main__":
    main()

"""How many workers a season needs: a discrete-event simulation (simpy) fitted to what was measured.

    python -m benchmarks.scale.simulation [--takes 20000] [--hours 2] [--picture FILE.svg]

Takes come in at random over the hours before a deadline, evenly or in a rush towards it; a worker claims one at the
database, measures it, and finishes it there. The database does one claim or finish at a time, which is what it was seen
to do at best. Where nothing waits for the database this is the textbook's queue; ``tests/test_scale_simulation.py``
holds it against Erlang's formula.
"""

import argparse
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import simpy

# Processor seconds of takes of 55 s (benchmarks.scale.workers, one process), in order; without the first one of the
# process, which took WARM_UP_SEC more.
MEASURED_SEC = (
    0.73, 0.76, 0.77, 0.78, 0.79, 0.80, 0.83, 0.83, 0.84, 0.86, 0.86, 0.90, 0.91, 0.93, 0.96, 0.98, 0.98, 1.01, 1.03,
    1.06, 1.08, 1.11, 1.18,
)  # fmt: skip
WARM_UP_SEC = 1.7
DATABASE_SEC = (
    0.05  # per take, claim and finish, one at a time: see the carriers' table (its slowest, on a busy machine)
)
TRANSACTIONS = 9  # per take: three to keep it, look, claim, read, a renewal each second, finish
ASKS_PER_SEC = 0.2  # of an idle worker (app.services.waking)
KEPT_MB, FETCHED_MB = 2 * 4.9, 4.9  # 55 s of 16-bit mono at 44.1 kHz: as received and to play back; what a worker reads
RUSH = 3.0  # our choice: at the deadline three times as many come in as on average, at the beginning none to speak of
COUNTS = (2, 3, 4, 6, 8, 12, 16, 24, 32)

Draw = Callable[[np.random.Generator], float]


@dataclass(frozen=True, slots=True)
class Seen:
    """Of one simulated season. Times in seconds."""

    wait_sec: np.ndarray  # (takes,) from coming in to being claimed, in order of claiming
    end_sec: float  # when the last take was done
    busy: float  # share of the workers' time until the last take came in; NaN when all came at once
    most_in_a_minute: int  # takes done


def fitted(values: Sequence[float]) -> Draw:
    """Log-normal draws of the same mean and spread of logarithms: service times can't be negative and have a tail."""
    logs = np.log(values)
    mean, spread = float(logs.mean()), float(logs.std(ddof=1))
    return lambda random: float(random.lognormal(mean, spread))


def arrivals(takes: int, seconds: float, random: np.random.Generator, *, rush: bool) -> np.ndarray:
    """(takes,) moments in order: evenly at random, or denser and denser towards the deadline (density t^(RUSH-1))."""
    return np.sort(seconds * random.random(takes) ** (1 / RUSH if rush else 1.0))


def simulate(
    at_sec: np.ndarray, workers: int, service: Draw, random: np.random.Generator, *, database_sec: float = 0.0,
    warm_up_sec: float = 0.0,
) -> Seen:  # fmt: skip
    """Takes that come in at ``at_sec`` (ascending), first come first served, by so many workers."""
    env = simpy.Environment()
    waiting, database = simpy.Store(env), simpy.Resource(env)
    waits, ends, busy_sec, last = [], [], 0.0, float(at_sec[-1])

    def come_in() -> simpy.events.ProcessGenerator:
        for before, now in pairwise((0.0, *map(float, at_sec))):
            yield env.timeout(now - before)
            waiting.put(env.now)

    def work() -> simpy.events.ProcessGenerator:
        nonlocal busy_sec
        extra = warm_up_sec
        while True:
            came = yield waiting.get()
            if database_sec:
                with database.request() as turn:
                    yield turn
                    yield env.timeout(database_sec)
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
    return Seen(np.array(waits), max(ends), busy, int(minutes.max()))


def erlang_c(workers: int, offered: float) -> float:
    """The chance that a take has to wait in M/M/c; ``offered`` (arrivals by mean service time) is below ``workers``.

    Source: A. K. Erlang 1917; in this form L. Kleinrock, Queueing Systems I, 1975, chapter 3 (from memory).
    """
    last = offered**workers / math.factorial(workers) * workers / (workers - offered)
    return last / (sum(offered**k / math.factorial(k) for k in range(workers)) + last)


def drawn(rows: Sequence[tuple[int, float, float]]) -> str:
    """An SVG: minutes after the deadline until the last result, by number of workers; evenly (o) and in a rush (x)."""
    left, top, wide, high = 56.0, 16.0, 440.0, 200.0
    most = max(max(row[1:]) for row in rows) or 1.0

    def place(workers: int, minutes: float) -> tuple[float, float]:
        across = math.log(workers / rows[0][0]) / math.log(rows[-1][0] / rows[0][0])
        return left + wide * across, top + high * (1 - minutes / most)

    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {left + wide + 24:.0f} {top + high + 48:.0f}" '
        'font-family="sans-serif" font-size="11" fill="#222">',
        f'<path d="M{left} {top}V{top + high}H{left + wide}" fill="none" stroke="#222"/>',
    ]
    for workers, *_ in rows:
        x, _ = place(workers, 0.0)
        lines.append(f'<text x="{x:.1f}" y="{top + high + 16}" text-anchor="middle">{workers}</text>')
    for part in (0.0, 0.5, 1.0):
        y = top + high * (1 - part)
        lines.append(f'<text x="{left - 6}" y="{y + 4:.1f}" text-anchor="end">{most * part:.0f}</text>')
    for which, dash, name in ((1, "", "evenly"), (2, "5 4", "in a rush")):
        points = [place(row[0], row[which]) for row in rows]
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        lines.append(f'<polyline points="{path}" fill="none" stroke="#222" stroke-dasharray="{dash}"/>')
        y = top + 12 + 16 * which
        lines.append(f'<path d="M{left + 300} {y - 4}h28" stroke="#222" stroke-dasharray="{dash}"/>')
        lines.append(f'<text x="{left + 334}" y="{y}">{name}</text>')
    lines.append(f'<text x="{left + wide / 2}" y="{top + high + 38}" text-anchor="middle">workers</text>')
    lines.append(f'<text x="{left + 8}" y="{top + 8}">minutes from the deadline to the last result</text></svg>')
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--takes", type=int, default=20_000)
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--database-sec", type=float, default=DATABASE_SEC)
    parser.add_argument("--picture", type=Path)
    args = parser.parse_args()
    seconds = 3600 * args.hours
    service, rows = fitted(MEASURED_SEC), []
    print("| workers | busy | wait p50 / p95 s | last result | in a rush: p50 / p95 s | last result | most takes/s | "
          "transactions/s | MB/s in / out |\n|---|---|---|---|---|---|---|---|---|")  # fmt: skip
    for workers in COUNTS:
        seen = []
        for rush in (False, True):
            random = np.random.default_rng(2026)
            at_sec = arrivals(args.takes, seconds, random, rush=rush)
            seen.append(
                simulate(at_sec, workers, service, random, database_sec=args.database_sec, warm_up_sec=WARM_UP_SEC)
            )
        even, rush_seen = seen
        late = [max(0.0, one.end_sec - seconds) / 60 for one in seen]
        rows.append((workers, *late))
        p = [np.percentile(one.wait_sec, (50, 95)) for one in seen]
        done = rush_seen.most_in_a_minute / 60
        come = RUSH * args.takes / seconds
        print(
            f"| {workers} | {even.busy:.0%} | {p[0][0]:.1f} / {p[0][1]:.1f} | +{late[0]:.1f} min | "
            f"{p[1][0]:.1f} / {p[1][1]:.1f} | +{late[1]:.1f} min | {done:.1f} | "
            f"{TRANSACTIONS * done + ASKS_PER_SEC * workers:.0f} | {come * KEPT_MB:.0f} / {done * FETCHED_MB:.0f} |"
        )
    if args.picture is not None:
        args.picture.write_text(drawn(rows), encoding="utf-8")


if __name__ == "__main__":
    main()

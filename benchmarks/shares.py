"""Doubt about shares: how often nine-in-ten intervals hold the true place, beside three ways that were not taken.

``python -m benchmarks.shares [--candidates 1500]``: simulated rounds in which each candidate is heard by a part of the
panel, severities of their own, marks in quarters. Beside ours: adjudicators redrawn as for whole panels, the Bayesian
bootstrap over adjudicators (Rubin 1981: exponential weights, nobody is left out), and the residual bootstrap of the
additive model (residuals scaled for their leverage, pooled).
"""

import argparse
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from app.domain.panel import MarksTable, PanelAdjudicator, PanelCandidate, PanelMark, Rule
from app.judging.assignment import assign
from app.judging.combining import Combining
from app.judging.doubt import doubt
from app.judging.marks_arrays import to_arrays
from app.judging.places import shared_places
from app.judging.shared_doubt import shared_doubt

Floats = NDArray[np.float64]
DRAWS = 400
#: name: (candidates, adjudicators, each, spread of candidates, how they lie, adjudicators' noise differs)
ROUNDS: dict[str, tuple[int, int, int, float, str, bool]] = {
    "12 by 6, three each": (12, 6, 3, 1.5, "normal", False),
    "60 by 10, three each": (60, 10, 3, 1.5, "normal", False),
    "60 by 10, two each, close": (60, 10, 2, 0.7, "normal", False),
    "300 by 30, three each": (300, 30, 3, 1.5, "normal", False),
    "300 by 30, two groups": (300, 30, 3, 1.5, "groups", False),
    "300 by 30, many near the top": (300, 30, 3, 1.5, "skew", False),
    "300 by 30, unsteady adjudicators": (300, 30, 3, 1.5, "normal", True),
}


def simulated(
    rng: np.random.Generator, n: int, k: int, each: int, spread: float, lie: str, differs: bool
) -> tuple[Floats, Floats, Floats]:
    """(merit [n], marks [n, k] with NaN, noise of each adjudicator [k])."""
    heard = np.zeros((n, k), dtype=np.bool_)
    for i, own in assign([str(i) for i in range(n)], [str(j) for j in range(k)], each, rng).items():
        heard[int(i), [int(j) for j in own]] = True
    merit = spread * rng.normal(size=n)
    if lie == "groups":
        merit = spread * (np.where(rng.random(n) < 0.7, -1.0, 1.0) + 0.35 * rng.normal(size=n))
    elif lie == "skew":
        merit = spread * (1.0 - rng.exponential(size=n))
    noise = np.exp(rng.normal(0, 0.4, k)) if differs else np.ones(k)
    marks = 6 + merit[:, None] + rng.normal(0, 0.8, k) + rng.normal(size=(n, k)) * noise
    return merit, np.where(heard, np.clip(np.round(4 * marks) / 4, 1, 10), np.nan), noise


def table_of(marks: Floats) -> MarksTable:
    """The marks as a table of shares."""
    n, k = marks.shape
    given = np.argwhere(~np.isnan(marks)).tolist()
    table = MarksTable(
        candidates=tuple(PanelCandidate(f"c{i}", str(i), None) for i in range(n)),
        adjudicators=tuple(PanelAdjudicator(f"a{j}", f"A{j}") for j in range(k)),
        piece_ids=("all",),
        captions=("overall",),
        marks=tuple(PanelMark(f"c{i}", f"a{j}", "all", "overall", float(marks[i, j])) for i, j in given),
        recusals=frozenset(),
        hearing_positions={},
    )
    return replace(table, assigned=frozenset((m.adjudicator_id, m.candidate_id) for m in table.marks))


def fit(marks: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """(merits [n], levels [k]) by weighted least squares; ``weights`` [n, k]."""
    w = np.where(np.isnan(marks), 0.0, weights)
    y = np.nan_to_num(marks) * w
    own = w.sum(axis=1)
    system = np.diag(w.sum(axis=0)) - (w / own[:, None]).T @ w
    levels = np.linalg.solve(
        system + system.trace() / len(system) ** 2, y.sum(axis=0) - (w / own[:, None]).T @ y.sum(1)
    )
    levels -= levels.mean()
    return (y.sum(axis=1) - w @ levels) / own, levels


def weighted(marks: Floats, rng: np.random.Generator) -> Floats:
    """Scores [draws, n] with exponential weights on adjudicators."""
    rows = (rng.exponential(size=marks.shape[1]) for _ in range(DRAWS))
    return np.array([fit(marks, np.broadcast_to(row, marks.shape))[0] for row in rows])


def residuals(marks: Floats, rng: np.random.Generator) -> Floats:
    """Scores [draws, n] of the fitted marks with residuals drawn anew."""
    there = ~np.isnan(marks)
    flat = np.ones(marks.shape)
    merit, levels = fit(marks, flat)
    fitted = merit[:, None] + levels
    rows, columns = np.nonzero(there)
    d = there.astype(float)
    mean = d / d.sum(axis=1, keepdims=True)
    lines = -mean[rows]
    lines[np.arange(len(rows)), columns] += 1.0
    inverse = np.linalg.pinv(np.diag(d.sum(axis=0)) - mean.T @ d)
    leverage = 1.0 / d.sum(axis=1)[rows] + np.einsum("ij,jk,ik->i", lines, inverse, lines)
    pool = (marks - fitted)[rows, columns] / np.sqrt(np.maximum(1.0 - leverage, 1e-9))
    out = []
    for _ in range(DRAWS):
        drawn = np.full(marks.shape, np.nan)
        drawn[rows, columns] = fitted[rows, columns] + rng.choice(pool - pool.mean(), len(rows))
        out.append(fit(drawn, flat)[0])
    return np.array(out)


def interval(scores: Floats) -> tuple[Floats, Floats]:
    """Nine-in-ten intervals of places [n]."""
    places = shared_places(scores)[0]
    low, high = np.quantile(places, [0.05, 0.95], axis=0, method="inverted_cdf")
    return low, high


def main() -> None:
    """Print the table."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--candidates", type=int, default=1500, help="of each kind of round, together")
    most = arguments.parse_args().candidates
    ways: dict[str, Callable[[Combining, Floats, np.random.Generator], tuple[Floats, Floats] | None]] = {
        "ours": lambda rule, _, rng: _of(shared_doubt(rule, seats=None, minimum=None, draws=DRAWS, seed=_seed(rng))),
        "redrawn": lambda rule, _, rng: _of(doubt(rule, draws=DRAWS, seed=_seed(rng))),
        "weights": lambda _, marks, rng: interval(weighted(marks, rng)),
        "residuals": lambda _, marks, rng: interval(residuals(marks, rng)),
    }
    print("| round | way | holds the true place | of the best tenth | of those with the least steady | width |")
    print("|---|---|---|---|---|---|")
    for name, setting in ROUNDS.items():
        n = setting[0]
        for way, work in ways.items():
            held, best, unsteady, width = [], [], [], []
            for seed in range(max(1, most // n)):
                rng = np.random.default_rng(seed)
                merit, marks, noise = simulated(rng, *setting)
                table = table_of(marks)
                rule = Combining(to_arrays(table, Rule(combine="severity-adjusted")), "severity-adjusted", [])
                found = work(rule, marks, rng)
                if found is None:
                    continue
                own, true = shared_places(rule.result().score)[0], shared_places(merit)[0]
                low, high = np.minimum(found[0], own), np.maximum(found[1], own)
                inside = (low <= true) & (true <= high)
                shaky = np.nansum(np.where(np.isnan(marks), np.nan, noise**2), axis=1)
                held += inside.tolist()
                best += inside[own <= n // 10].tolist()
                unsteady += inside[shaky >= np.quantile(shaky, 0.9)].tolist()
                width.append(float((high - low).mean()) / n)
            figures = [f"{100 * np.mean(x):.0f} %" if x else "none" for x in (held, best, unsteady, width)]
            print(f"| {name} | {way} | {' | '.join(figures)} |", flush=True)


def _of(found: object) -> tuple[Floats, Floats] | None:
    low, high = getattr(found, "low", None), getattr(found, "high", None)
    return None if low is None or high is None else (low, high)


def _seed(rng: np.random.Generator) -> int:
    return int(rng.integers(2**31))


if __name__ == "__main__":
    main()

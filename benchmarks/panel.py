"""What a standing costs, against candidates x adjudicators, beside the reference libraries in one run.

    python benchmarks/panel.py [--most CANDIDATES] [--json FILE]

Every row is one round of four captions in whole marks with five cells in a hundred missing. Columns: the whole standing
(rule, ties, doubt with 2,000 redrawn panels, agreement, reports), the doubt alone, and our agreement figures against
pingouin (six intraclass forms) and krippendorff (interval alpha) on the same complete totals. Best of three runs.
"""

import argparse
import json
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np

from app.domain.panel import MarksTable, PanelAdjudicator, PanelCandidate, PanelMark, Rule
from app.judging.agreement import intraclass, krippendorff_alpha
from app.judging.combining import Combining
from app.judging.doubt import DRAWS, doubt
from app.judging.marks_arrays import to_arrays
from app.judging.standing import make_standing

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import krippendorff
    import pandas
    import pingouin

SIZES = ((10, 3), (20, 4), (60, 5), (60, 9), (200, 7), (500, 9))
CAPTIONS = ("tone", "pitch", "rhythm", "musicianship")
RULES = ("mean", "trimmed-mean", "median", "rank-sum", "majority", "severity-adjusted")
RUNS = 3


def simulated(n: int, k: int, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    merit, severity = rng.normal(0, 1.5, (n, 1, 1)), rng.normal(0, 0.8, (1, k, 1))
    marks = np.clip(np.round(6 + merit + severity + rng.normal(0, 1.0, (n, k, len(CAPTIONS)))), 1, 10)
    recused = rng.random((n, k)) < 0.05
    recused[:, 0] = False
    marks[recused] = np.nan
    return marks


def table_of(marks: np.ndarray) -> MarksTable:
    n, k, _ = marks.shape
    return MarksTable(
        candidates=tuple(PanelCandidate(f"c{i}", str(1000 + i), i + 1) for i in range(n)),
        adjudicators=tuple(PanelAdjudicator(f"a{j}", chr(65 + j)) for j in range(k)),
        piece_ids=("all",),
        captions=CAPTIONS,
        marks=tuple(
            PanelMark(f"c{i}", f"a{j}", "all", CAPTIONS[q], float(marks[i, j, q]))
            for i, j, q in np.argwhere(~np.isnan(marks))
        ),
        recusals=frozenset((f"a{j}", f"c{i}") for i, j in np.argwhere(np.isnan(marks).all(axis=2))),
    )


def best(call: Callable[[], object]) -> float:
    times = []
    for _ in range(RUNS):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


def pingouin_icc(marks: np.ndarray) -> object:
    frame = pandas.DataFrame(marks).reset_index().melt(id_vars="index", var_name="a", value_name="m")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pingouin.intraclass_corr(frame, targets="index", raters="a", ratings="m")


def measure(n: int, k: int) -> list[dict[str, float | int | str]]:
    marks = simulated(n, k)
    table = table_of(marks)
    whole = np.nan_to_num(marks, nan=5.0).mean(axis=2)
    libraries = {
        "icc_ms": 1000 * best(lambda: intraclass(whole)),
        "pingouin_ms": 1000 * best(lambda: pingouin_icc(whole)),
        "alpha_ms": 1000 * best(lambda: krippendorff_alpha(whole)),
        "krippendorff_ms": 1000 * best(lambda: krippendorff.alpha(whole.T, level_of_measurement="interval")),
    }
    rows: list[dict[str, float | int | str]] = []
    for combine in RULES:
        if combine == "trimmed-mean" and k < 5:
            continue
        rule = Rule(combine=combine)  # type: ignore[arg-type]
        combining = Combining(to_arrays(table, rule), rule.combine, [a.letter for a in table.adjudicators])
        rows.append(
            {
                "candidates": n,
                "adjudicators": k,
                "rule": combine,
                "standing_sec": best(lambda: make_standing(table, rule, seats=n // 5)),  # noqa: B023
                "doubt_2000_sec": best(lambda: doubt(combining, seats=n // 5, exhaustive=False, draws=DRAWS)),  # noqa: B023
                **libraries,
            }
        )
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--most", type=int, default=500, help="largest number of candidates")
    parser.add_argument("--json", type=Path, help="write the rows as JSON too")
    args = parser.parse_args()
    rows = []
    print(f"{'n x k':>8}  {'rule':<18} {'standing s':>10} {'doubt s':>8} | ICC ms, pingouin | alpha ms, krippendorff")
    for n, k in SIZES:
        if n > args.most:
            continue
        for row in measure(n, k):
            rows.append(row)
            print(
                f"{n:>4} x {k:<2} {row['rule']:<18} {row['standing_sec']:>10.3f} {row['doubt_2000_sec']:>8.3f} |"
                f" {row['icc_ms']:>6.2f} {row['pingouin_ms']:>9.1f} |"
                f" {row['alpha_ms']:>8.2f} {row['krippendorff_ms']:>12.1f}"
            )
    if args.json:
        args.json.write_text(json.dumps(rows, indent=1) + "\n")


if __name__ == "__main__":
    main()

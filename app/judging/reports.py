"""One report per adjudicator: how the scale was used, beside the rest of the panel. Information, never a verdict.

Totals are each adjudicator's own weighted totals [n, k] without measured marks, NaN where not completely scored.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from app.domain.panel import MarksTable, PanelMark
from app.domain.standing import AdjudicatorReport
from app.judging.correlation import pearson, spearman, tau_b
from app.judging.listening_design import consistency
from app.judging.marks_arrays import MarksArrays

Floats = NDArray[np.float64]

FEWEST_FOR_ORDER = 5  # our choice: candidates before a slope against hearing position is shown
PER_CANDIDATES = 10  # an order effect is given per ten candidates heard
CONFIDENCE = 0.95
#: When a figure is worth a sentence. Our choice.
SEVERITY_WORTH_SAYING = 0.5
SPREAD_NARROW, SPREAD_WIDE = 0.6, 1.67
HALO_HIGH = 0.9
AGREEMENT_LOW = 0.3


def adjudicator_reports(
    table: MarksTable,
    arrays: MarksArrays,
    totals: Floats,
    effects: Floats | None,
    why_no_severity: str | None,
    repeats: Sequence[PanelMark] = (),
) -> tuple[AdjudicatorReport, ...]:
    """Reports in the table's order of adjudicators; ``effects`` [k] are levels above the panel's, or ``None``."""
    spreads = np.array([_spread(totals[:, j]) for j in range(totals.shape[1])], dtype=float)
    levelled = totals if effects is None else totals - effects
    again = consistency(table.marks, repeats)
    out = []
    for j, adjudicator in enumerate(table.adjudicators):
        why: dict[str, str] = {}
        raw = arrays.marks[:, j, :]
        given = raw[~np.isnan(raw)]
        own = totals[:, j]
        rest = _mean_of_rest(levelled, j)
        severity = None if effects is None or np.isnan(effects[j]) else -float(effects[j]) + 0.0
        if severity is None:
            why["severity"] = why_no_severity or "not valid here because this adjudicator has no complete sheet"
        spread = None if np.isnan(spreads[j]) else float(spreads[j])
        if spread is None:
            why["spread"] = "not valid here because spread needs two candidates or more"
        others = np.delete(spreads, j)
        typical = float(np.median(others[~np.isnan(others)])) if (~np.isnan(others)).any() else 0.0
        slope, interval = _order_effect(own - rest, _positions(table, adjudicator.adjudicator_id))
        if slope is None:
            why["order_effect"] = (
                "not valid here because it needs two adjudicators, hearing positions and "
                f"{FEWEST_FOR_ORDER} candidates scored by both"
            )
        halo = _halo(raw, arrays)
        if halo is None:
            why["halo"] = "not valid here because it needs two captions that vary over four candidates or more"
        with_rest = spearman(own, rest)
        if with_rest is None:
            why["agreement_with_rest"] = (
                "not valid here because it needs four candidates who differ, scored by others too"
            )
        with_measured = tau_b(own, measured_totals(arrays, declared_only=True))
        if with_measured is None:
            why["agreement_with_measured"] = "not valid here because no measured marks are declared for four candidates"
        if adjudicator.adjudicator_id not in again:
            why["consistency"] = "not valid here because no hidden repeats were scored"
        report = AdjudicatorReport(
            adjudicator_id=adjudicator.adjudicator_id,
            letter=adjudicator.letter,
            marks_given=len(given),
            severity=severity,
            mean=float(np.nanmean(own)) if (~np.isnan(own)).any() else None,
            spread=spread,
            spread_ratio=spread / typical if spread is not None and typical > 0 else None,
            lowest=float(given.min()) if len(given) else None,
            highest=float(given.max()) if len(given) else None,
            levels_used=_levels(given),
            order_effect=slope,
            order_effect_ci=interval,
            halo=halo,
            agreement_with_rest=with_rest,
            agreement_with_measured=with_measured,
            consistency=again.get(adjudicator.adjudicator_id),
            why=why,
        )
        out.append(_with_sentences(report))
    return tuple(out)


def measured_totals(arrays: MarksArrays, *, declared_only: bool = False) -> Floats:
    """Weighted total of the measured marks alone, [n]; NaN for a candidate who lacks one of them.

    Only cells that count and for which anyone has a measured mark; with ``declared_only`` only cells whose measured
    mark has a share in the merge.
    """
    used = (arrays.weights > 0) & ~np.isnan(arrays.measured).all(axis=0)
    if declared_only:
        used &= arrays.shares > 0
    if not used.any():
        return np.full(arrays.measured.shape[0], np.nan)
    weights = arrays.weights[used]
    total: Floats = arrays.measured[:, used] @ (weights / weights.sum())
    return total


def panel_order_effect(table: MarksTable, merit: Floats) -> tuple[float, tuple[float, float]] | None:
    """Change of the panel's marks per ten candidates in playing order and its 95 % interval, or ``None``."""
    positions = np.array(
        [np.nan if c.playing_order is None else c.playing_order for c in table.candidates], dtype=float
    )
    slope, interval = _order_effect(merit, positions)
    return None if slope is None or interval is None else (slope, interval)


def _positions(table: MarksTable, adjudicator_id: str) -> Floats:
    own: Mapping[tuple[str, str], int] = table.hearing_positions
    found = [own.get((adjudicator_id, c.candidate_id), c.playing_order) for c in table.candidates]
    return np.array([np.nan if p is None else p for p in found], dtype=float)


def _mean_of_rest(levelled: Floats, j: int) -> Floats:
    """What the others gave on average, their severity taken out: [n], NaN where nobody else scored."""
    others = np.delete(levelled, j, axis=1)
    there = ~np.isnan(others)
    number = there.sum(axis=1)
    sums = np.where(there, others, 0.0).sum(axis=1)
    mean: Floats = np.divide(sums, number, out=np.full(len(others), np.nan), where=number > 0)
    return mean


def _spread(own: Floats) -> float:
    given = own[~np.isnan(own)]
    return float(given.std(ddof=1)) if len(given) > 1 else float("nan")


def _order_effect(value: Floats, position: Floats) -> tuple[float | None, tuple[float, float] | None]:
    """Least-squares slope per ten positions with its interval by Student's t."""
    both = ~(np.isnan(value) | np.isnan(position))
    y, x = value[both], position[both]
    if len(y) < FEWEST_FOR_ORDER or np.ptp(x) == 0:
        return None, None
    x = x - x.mean()
    slope = float(x @ y / (x @ x))
    residual = y - y.mean() - slope * x
    error = float(np.sqrt(residual @ residual / (len(y) - 2) / (x @ x)))
    half = float(stdtrit(len(y) - 2, 1 - (1 - CONFIDENCE) / 2)) * error
    return PER_CANDIDATES * slope, (PER_CANDIDATES * (slope - half), PER_CANDIDATES * (slope + half))


def _halo(raw: Floats, arrays: MarksArrays) -> float | None:
    """Mean correlation among captions over everything this adjudicator scored, raw [n, m]."""
    captions = list(dict.fromkeys(c for _, c in arrays.cells))
    pieces = list(dict.fromkeys(p for p, _ in arrays.cells))
    at = {cell: q for q, cell in enumerate(arrays.cells)}
    columns = []
    for caption in captions:
        parts = [raw[:, at[(p, caption)]] if (p, caption) in at else np.full(len(raw), np.nan) for p in pieces]
        columns.append(np.concatenate(parts))
    found = [r for a, b in combinations(columns, 2) if (r := pearson(a, b)) is not None]
    return float(np.mean(found)) if found else None


def _levels(given: Floats) -> dict[str, int]:
    values, count = np.unique(given, return_counts=True)
    return {f"{v:g}": int(c) for v, c in zip(values, count, strict=True)}


def _with_sentences(report: AdjudicatorReport) -> AdjudicatorReport:
    letter, said = report.letter, []
    if report.severity is not None and abs(report.severity) >= SEVERITY_WORTH_SAYING:
        way = "stricter" if report.severity > 0 else "milder"
        said.append(f"Adjudicator {letter} marks {abs(report.severity):.1f} {way} than the panel.")
    if report.spread_ratio is not None and report.spread_ratio < SPREAD_NARROW:
        said.append(
            f"Adjudicator {letter} uses a narrower part of the scale than the others, which weighs less in a mean."
        )
    if report.spread_ratio is not None and report.spread_ratio > SPREAD_WIDE:
        said.append(f"Adjudicator {letter} spreads marks wider than the others, which weighs more in a mean.")
    if report.order_effect_ci is not None and report.order_effect is not None:
        low, high = report.order_effect_ci
        if low > 0 or high < 0:
            way = "rise" if report.order_effect > 0 else "fall"
            said.append(
                f"Adjudicator {letter}'s marks {way} by {abs(report.order_effect):.1f} per ten candidates heard, "
                "beside the others'."
            )
    if report.halo is not None and report.halo >= HALO_HIGH:
        said.append(f"Adjudicator {letter}'s captions rise and fall together; the single captions say little.")
    if report.agreement_with_rest is not None and report.agreement_with_rest < AGREEMENT_LOW:
        said.append(f"Adjudicator {letter} ranks differently from the rest; worth a talk about what was heard.")
    if report.consistency is not None:
        said.append(
            f"Takes heard twice without knowing it got marks {report.consistency * 2**0.5:.1f} apart from adjudicator "
            f"{letter}, on the whole; they count once."
        )
    if not said and report.marks_given:
        said.append(f"Nothing stands out in how adjudicator {letter} used the scale.")
    return replace(report, sentences=tuple(said))

"""What goes into a standing: the rubric, the declared rule, everyone's marks and the measured marks.

Frozen types only. ``app.judging`` makes and reads them, services fill them from the database, sheets print them.
A missing mark is never zero: a recused cell simply isn't there.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

#: The piece id of marks that are given once per candidate instead of once per piece.
ALL_PIECES = "all"

Combine = Literal["mean", "trimmed-mean", "median", "rank-sum", "majority", "severity-adjusted"]
TieScope = Literal["everywhere", "cut-line"]


@dataclass(frozen=True, slots=True)
class Level:
    """A band of whole marks of one caption and the sentence that describes playing in it."""

    low: int
    high: int
    descriptor: str


@dataclass(frozen=True, slots=True)
class Caption:
    """One thing that is scored; ``levels`` from lowest to highest cover the whole scale."""

    key: str
    name: str
    levels: tuple[Level, ...]

    def descriptor(self, mark: float) -> str:
        """The sentence of the level that the whole mark nearest to ``mark`` falls in."""
        nearest = int(mark + 0.5)
        for level in self.levels:
            if nearest <= level.high:
                return level.descriptor
        return self.levels[-1].descriptor


@dataclass(frozen=True, slots=True)
class Rubric:
    """What is scored, in whole marks from ``low`` to ``high``."""

    low: int
    high: int
    captions: tuple[Caption, ...]

    @property
    def keys(self) -> tuple[str, ...]:
        """The captions' keys in the rubric's order."""
        return tuple(c.key for c in self.captions)

    def caption(self, key: str) -> Caption:
        """The caption with this key; raises ``KeyError``."""
        for caption in self.captions:
            if caption.key == key:
                return caption
        raise KeyError(key)

    def name(self, key: str) -> str:
        """The caption's name, or the key itself where the rubric doesn't know it."""
        return next((c.name for c in self.captions if c.key == key), key)

    def to_dict(self) -> dict[str, Any]:
        """The rubric as plain JSON values, as ``app.judging.rubric.validate_rubric`` reads them."""
        return {
            "low": self.low,
            "high": self.high,
            "captions": [
                {
                    "key": c.key,
                    "name": c.name,
                    "levels": [{"from": v.low, "to": v.high, "descriptor": v.descriptor} for v in c.levels],
                }
                for c in self.captions
            ],
        }


@dataclass(frozen=True, slots=True)
class Yardstick:
    """A piecewise-linear ruler from one named measure of the findings to a mark.

    ``points`` are (measure's value, mark), values rising; beyond both ends the end marks hold.
    """

    caption: str
    measure: str  # "pitch.median_abs_cents": family and key of the findings
    unit: str
    points: tuple[tuple[float, float], ...]
    source: str

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "measure": self.measure,
            "unit": self.unit,
            "points": [list(p) for p in self.points],
            "source": self.source,
        }


@dataclass(frozen=True, slots=True)
class Rule:
    """How marks become a standing, declared before the first take.

    Weights are relative (40, 40, 20 does as well as 0.4, 0.4, 0.2); an empty mapping means equal weights.
    ``measured_weights`` are shares from 0 to 1: merged = (1 - share) * panel + share * measured.
    """

    combine: Combine = "mean"
    piece_weights: Mapping[str, float] = field(default_factory=dict)
    caption_weights: Mapping[str, float] = field(default_factory=dict)
    measured_weights: Mapping[str, float] = field(default_factory=dict)
    tie_chain: tuple[str, ...] = ()  # "caption:<key>", "head-to-head", "measured", "re-hearing"
    tie_scope: TieScope = "everywhere"
    minimum_total: float | None = None  # merged mark that a seat needs; a seat nobody reaches stays empty
    alternates: int | None = None  # how many are named below the cut line, in order; None: all who reach the minimum
    yardsticks: Mapping[str, Yardstick] = field(default_factory=dict)  # empty: the defaults

    def to_dict(self) -> dict[str, Any]:
        """The rule as plain JSON values, as ``app.judging.rule.validate_rule`` reads them."""
        out: dict[str, Any] = {
            "combine": self.combine,
            "piece_weights": dict(self.piece_weights),
            "caption_weights": dict(self.caption_weights),
            "measured_weights": dict(self.measured_weights),
            "tie_chain": list(self.tie_chain),
            "tie_scope": self.tie_scope,
            "minimum_total": self.minimum_total,
        }
        if self.alternates is not None:  # left out, rules declared before there was a choice keep their hash
            out["alternates"] = self.alternates
        if self.yardsticks:
            out["yardsticks"] = {key: y.to_dict() for key, y in self.yardsticks.items()}
        return out


@dataclass(frozen=True, slots=True)
class MeasuredMark:
    """The mark that one take's findings suggest for one caption, or the reason why there is none."""

    caption: str
    measure: str
    unit: str
    value: float | None = None  # of the measure, in its unit
    mark: float | None = None
    low: float | None = None  # mark at the worse end of the measure's uncertainty
    high: float | None = None  # mark at the better end
    why_null: str | None = None
    bars: tuple[str, ...] = ()  # where the findings lie furthest off, worst first

    @classmethod
    def from_dict(cls, caption: str, values: Mapping[str, Any]) -> "MeasuredMark":
        """The inverse of :meth:`to_dict`."""
        return cls(
            caption=caption,
            measure=values["measure"],
            unit=values.get("unit", ""),
            value=values.get("value"),
            mark=values.get("mark"),
            low=values.get("low"),
            high=values.get("high"),
            why_null=values.get("why_null"),
            bars=tuple(values.get("bars", ())),
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {
            "mark": self.mark,
            "low": self.low,
            "high": self.high,
            "measure": self.measure,
            "unit": self.unit,
            "value": self.value,
            "why_null": self.why_null,
            "bars": list(self.bars),
        }


@dataclass(frozen=True, slots=True)
class PanelCandidate:
    """A number to be ranked; no name comes near this room."""

    candidate_id: str
    blind_number: str
    playing_order: int | None = None  # 1-based place in which everyone heard this candidate


@dataclass(frozen=True, slots=True)
class PanelAdjudicator:
    """One member of the panel."""

    adjudicator_id: str
    letter: str


@dataclass(frozen=True, slots=True)
class PanelMark:
    """One mark in one cell."""

    candidate_id: str
    adjudicator_id: str
    piece_id: str
    caption: str
    mark: float


@dataclass(frozen=True, slots=True)
class MeasuredTake:
    """The measured marks of the take that counts for one candidate and piece."""

    candidate_id: str
    piece_id: str
    marks: Mapping[str, MeasuredMark]
    take_id: str | None = None


@dataclass(frozen=True, slots=True)
class MarksTable:
    """All marks of one round.

    ``piece_ids`` is ``("all",)`` when marks are given once per candidate. ``recusals`` are pairs (adjudicator id,
    candidate id); cells that are neither marked nor recused are still to come. ``hearing_positions`` gives an
    adjudicator's own order where it differs from the playing order: {(adjudicator id, candidate id): 1-based place}.
    ``assigned`` are the pairs that hear each other where not everybody hears everybody; others are nobody's to mark.
    """

    candidates: tuple[PanelCandidate, ...]
    adjudicators: tuple[PanelAdjudicator, ...]
    piece_ids: tuple[str, ...]
    captions: tuple[str, ...]
    marks: tuple[PanelMark, ...]
    recusals: frozenset[tuple[str, str]] = frozenset()
    hearing_positions: Mapping[tuple[str, str], int] = field(default_factory=dict)
    assigned: frozenset[tuple[str, str]] | None = None

"""The standing: the ranked result of a round with its doubt. Frozen, without names, ready for JSON.

``Standing.to_dict`` is what the API answers (a service adds the names after opening) and what is stored and hashed when
a round is opened. A number that isn't valid is ``None`` and its reason stands in a ``why`` mapping beside it.
"""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

#: Rises whenever the same input may give another standing. "1" gave rounds that are heard in shares no doubt; what was
#: frozen with it is computed again with it.
STANDING_VERSION = "2"

SeatWord = Literal["seat", "alternate", "undecided", "none"]


@dataclass(frozen=True, slots=True)
class StandingRow:
    """One candidate's line of the standing."""

    candidate_id: str
    blind_number: str
    place: int | None  # shared by those who stay tied; None when unplaced, see why_unplaced
    tied: bool
    total: float | None  # what the rule ranks by
    mark: float | None  # merged mark on the rubric's scale (equal to total unless the rule compares places)
    captions: Mapping[str, float | None]  # merged marks
    pieces: Mapping[str, float | None]  # merged marks
    adjudicators_counted: int
    place_low: int | None = None  # best place, nine times in ten, with another panel of this kind
    place_high: int | None = None  # worst place
    chance_of_seat: float | None = None
    seat: SeatWord | None = None  # None when no seats are declared
    alternate: int | None = None  # 1 for the first alternate
    decided_by: str | None = None  # step of the tie chain that gave this place, None when the total did
    why_unplaced: str | None = None


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far adjudicators agree on one set of marks [candidates, adjudicators]."""

    candidates: int
    adjudicators: int
    icc: Mapping[str, float | None]  # keys "1,1" "A,1" "C,1" "1,k" "A,k" "C,k"
    icc_ci: Mapping[str, tuple[float, float] | None]  # 95 %
    kendall_w: float | None
    kendall_p: float | None
    krippendorff_alpha_interval: float | None
    krippendorff_alpha_ordinal: float | None
    cronbach_alpha: float | None
    variance_components: Mapping[str, float] | None  # candidate, adjudicator, residual
    needed_for_80: int | None  # adjudicators whose mean would reach .80 (Spearman-Brown)
    why: Mapping[str, str] = field(default_factory=dict)
    sentence: str = ""
    complete_only: "Agreement | None" = None  # over the candidates whom everyone scored, where cells are missing

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        out = dataclasses.asdict(dataclasses.replace(self, complete_only=None))
        out["icc_ci"] = {k: None if v is None else list(v) for k, v in self.icc_ci.items()}
        out["complete_only"] = None if self.complete_only is None else self.complete_only.to_dict()
        return out


@dataclass(frozen=True, slots=True)
class AdjudicatorReport:
    """How one adjudicator used the scale, beside the rest of the panel."""

    adjudicator_id: str
    letter: str
    marks_given: int
    severity: float | None  # marks below the panel's level; positive = stricter
    mean: float | None
    spread: float | None  # standard deviation of this adjudicator's totals
    spread_ratio: float | None  # over the median spread of the panel
    lowest: float | None
    highest: float | None
    levels_used: Mapping[str, int]  # {mark: how often}
    order_effect: float | None  # change of mark per ten candidates heard, merit taken out
    order_effect_ci: tuple[float, float] | None  # 95 %
    halo: float | None  # mean correlation among captions
    agreement_with_rest: float | None  # correlation of totals with the mean of the others
    agreement_with_measured: float | None
    consistency: float | None = None  # hidden repeats: standard error of one mark
    why: Mapping[str, str] = field(default_factory=dict)
    sentences: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        out = dataclasses.asdict(self)
        out["order_effect_ci"] = None if self.order_effect_ci is None else list(self.order_effect_ci)
        out["sentences"] = list(self.sentences)
        return out


@dataclass(frozen=True, slots=True)
class Question:
    """An invitation to listen again where a mark and a measured mark lie far apart. Never a verdict."""

    candidate_id: str
    blind_number: str
    adjudicator_id: str
    letter: str
    piece_id: str
    caption: str
    mark: float
    measured: float
    gap: float  # marks beyond both uncertainties
    bars: tuple[str, ...]
    take_id: str | None
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {**dataclasses.asdict(self), "bars": list(self.bars)}


@dataclass(frozen=True, slots=True)
class DoubtNote:
    """How the doubt was computed."""

    method: Literal["exhaustive", "sampled", "model", "none"]
    draws: int  # panels looked at, or draws from the model of shares
    panel_size: int  # adjudicators per redrawn panel; all of them for the model
    seed: int | None
    why_none: str | None = None


@dataclass(frozen=True, slots=True)
class Standing:
    """The whole result of one round."""

    rule_sentence: str
    total_meaning: str
    rows: tuple[StandingRow, ...]  # in order of place, unplaced last
    brackets: tuple[tuple[str, ...], ...]  # blind numbers this panel can't tell apart; may overlap
    seats: int | None
    empty_seats: int
    agreement: Agreement
    caption_agreement: Mapping[str, Agreement]
    adjudicators: tuple[AdjudicatorReport, ...]
    severity: Mapping[str, float | None]  # by letter
    doubt: DoubtNote
    hear_again: tuple[str, ...]  # blind numbers whose seats are in question
    sentences: tuple[str, ...]
    questions: tuple[Question, ...]
    missing: tuple[str, ...]
    input_hash: str
    version: str = STANDING_VERSION
    #: of a standing too long for lists, in place of ``brackets``: first and last position in ``rows``, from 0
    bracket_spans: tuple[tuple[int, int], ...] | None = None

    def to_dict(self) -> dict[str, Any]:
        """The standing as plain JSON values, without ``opened`` and names, which a service adds."""
        rows = [{**dataclasses.asdict(row), "name": None} for row in self.rows]
        return {
            "rule_sentence": self.rule_sentence,
            "total_meaning": self.total_meaning,
            "rows": rows,
            "brackets": [list(b) for b in self.brackets],
            **({} if self.bracket_spans is None else {"bracket_spans": [list(span) for span in self.bracket_spans]}),
            "seats": self.seats,
            "empty_seats": self.empty_seats,
            "agreement": self.agreement.to_dict(),
            "caption_agreement": {key: a.to_dict() for key, a in self.caption_agreement.items()},
            "adjudicators": [a.to_dict() for a in self.adjudicators],
            "severity": dict(self.severity),
            "doubt": dataclasses.asdict(self.doubt),
            "hear_again": list(self.hear_again),
            "sentences": list(self.sentences),
            "questions": [q.to_dict() for q in self.questions],
            "missing": list(self.missing),
            "input_hash": self.input_hash,
            "version": self.version,
        }

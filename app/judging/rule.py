"""The declared rule: how marks are combined, weighted, merged with measured marks, and how ties are resolved.

A rule is declared before the first take and frozen by it; :func:`rule_sentence` is what every score sheet prints.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any, cast, get_args

from app.domain.errors import BadInput
from app.domain.panel import Combine, Rubric, Rule, TieScope
from app.judging.yardsticks import validate_yardsticks

COMBINE_SENTENCES: dict[Combine, str] = {
    "mean": "the mean of the adjudicators' marks",
    "trimmed-mean": "the mean of the adjudicators' marks without the highest and the lowest",
    "median": "the middle one of the adjudicators' marks",
    "rank-sum": "the sum of the places each adjudicator gives, lowest first",
    "majority": "the best place that more than half of the adjudicators give",
    "severity-adjusted": "the mean mark the whole panel would have given, each adjudicator's severity taken out",
}
#: Rules that compare places instead of adding marks.
PLACE_RULES: frozenset[str] = frozenset({"rank-sum", "majority"})
#: "Without highest and lowest" needs this many marks (measures: five or more).
TRIM_NEEDS = 5

#: Default shares of the measured mark (measures: 0 for tone and musicianship, 0.2 for pitch and rhythm).
DEFAULT_MEASURED_WEIGHTS: dict[str, float] = {"tone": 0.0, "pitch": 0.2, "rhythm": 0.2, "musicianship": 0.0}
DEFAULT_TIE_CHAIN = ("caption:musicianship", "head-to-head", "measured")  # our choice

MOST_ALTERNATES = 500  # our choice: as many as seats

_PLAIN_STEPS = ("head-to-head", "measured", "re-hearing")


def default_rule() -> Rule:
    """The mean, equal weights, a fifth of measured pitch and rhythm, ties by musicianship, then the panel."""
    return Rule(
        combine="mean",
        caption_weights=dict.fromkeys(DEFAULT_MEASURED_WEIGHTS, 1.0),
        measured_weights=dict(DEFAULT_MEASURED_WEIGHTS),
        tie_chain=DEFAULT_TIE_CHAIN,
    )


def validate_rule(
    values: Mapping[str, Any], rubric: Rubric | None = None, piece_ids: Sequence[str] | None = None
) -> Rule:
    """A rule in plain JSON values as a :class:`Rule`; one sentence of :class:`BadInput` where it can't be used.

    With ``rubric`` the captions named must be its own, with ``piece_ids`` the pieces must be among them.
    """
    if not isinstance(values, Mapping):
        raise BadInput("The rule must be an object with combine, weights and tie_chain.")
    known = {
        "combine", "piece_weights", "caption_weights", "measured_weights",
        "tie_chain", "tie_scope", "minimum_total", "alternates", "yardsticks",
    }  # fmt: skip
    for key in values:
        if key not in known:
            raise BadInput(f"The rule has no setting '{key}'; it knows {', '.join(sorted(known))}.")
    combine = values.get("combine", "mean")
    if combine not in get_args(Combine):
        raise BadInput(f"'{combine}' is no way to combine marks; use one of {', '.join(get_args(Combine))}.")
    captions = rubric.keys if rubric is not None else None
    piece_weights = _weights(values.get("piece_weights"), "piece", piece_ids)
    caption_weights = _weights(values.get("caption_weights"), "caption", captions)
    measured = _weights(values.get("measured_weights"), "measured", captions, highest=1.0, may_vanish=True)
    chain = values.get("tie_chain") or []
    if not isinstance(chain, (list, tuple)):
        raise BadInput("The tie chain must be a list of steps.")
    for step in chain:
        _check_step(step, captions)
    if len(set(chain)) != len(chain):
        raise BadInput("A step stands in the tie chain twice; a second time it can't decide anything.")
    if "re-hearing" in chain and chain[-1] != "re-hearing":
        raise BadInput("A re-hearing must be the last step of the tie chain; nothing can be computed after it.")
    scope = values.get("tie_scope", "everywhere")
    if scope not in get_args(TieScope):
        raise BadInput("tie_scope must be 'everywhere' or 'cut-line'.")
    minimum = values.get("minimum_total")
    if minimum is not None and (isinstance(minimum, bool) or not _finite(minimum)):
        raise BadInput("The minimum that a seat needs must be a number on the rubric's scale, or left out.")
    if minimum is not None and rubric is not None and not rubric.low <= minimum <= rubric.high:
        raise BadInput(f"The minimum {minimum:g} is off the scale; it runs from {rubric.low} to {rubric.high}.")
    alternates = values.get("alternates")
    if alternates is not None and (
        isinstance(alternates, bool) or not isinstance(alternates, int) or not 0 <= alternates <= MOST_ALTERNATES
    ):
        raise BadInput(f"The number of alternates must be a whole number from 0 to {MOST_ALTERNATES}, or left out.")
    return Rule(
        combine=combine,
        piece_weights=piece_weights,
        caption_weights=caption_weights,
        measured_weights=measured,
        tie_chain=tuple(chain),
        tie_scope=cast(TieScope, scope),
        minimum_total=None if minimum is None else float(minimum),
        alternates=alternates,
        yardsticks=validate_yardsticks(values.get("yardsticks") or {}, rubric),
    )


def panel_refusal(rule: Rule, adjudicators: int) -> str | None:
    """Why this rule can't be used with a panel of this size, in a sentence; ``None`` when it can."""
    if rule.combine == "trimmed-mean" and adjudicators < TRIM_NEEDS:
        return (
            f"The mean without highest and lowest needs {TRIM_NEEDS} adjudicators or more and this panel has "
            f"{adjudicators}; declare the mean or the median instead."
        )
    return None


def rule_sentence(rule: Rule, rubric: Rubric | None = None, piece_titles: Mapping[str, str] | None = None) -> str:
    """The whole rule in words, as the score sheet prints it.

    With ``piece_titles`` only those pieces are weighted: a final may hear fewer than the audition has.
    """

    def name(key: str) -> str:
        return rubric.name(key).lower() if rubric is not None else key

    parts = [f"Ranked by {COMBINE_SENTENCES[rule.combine]}"]
    weights = _shares_text({name(k): v for k, v in rule.caption_weights.items()})
    if weights:
        parts.append(f"captions weighted {weights}")
    heard = rule.piece_weights if piece_titles is None else piece_titles
    titles = piece_titles or {}
    weights = _shares_text({titles.get(k, k): v for k, v in rule.piece_weights.items() if k in heard})
    if weights:
        parts.append(f"pieces weighted {weights}")
    measured = [f"{share * 100:g} % of {name(key)}" for key, share in rule.measured_weights.items() if share > 0]
    if measured:
        parts.append(f"the measured mark counts {_and(measured)}")
    sentence = "; ".join(parts) + "."
    sentence += " A recused adjudicator's cell stays missing and is never counted as zero."
    if rule.tie_chain:
        where = "Ties across the cut line go" if rule.tie_scope == "cut-line" else "Ties go"
        steps = ", then ".join(_step_text(step, name) for step in rule.tie_chain)
        sentence += f" {where} by {steps}; what is tied then stays tied."
    else:
        sentence += " Ties stay ties."
    if rule.minimum_total is not None:
        sentence += f" A seat needs a merged mark of {rule.minimum_total:g}; below it a seat stays empty."
    if rule.alternates == 0:
        sentence += " No alternates are named."
    elif rule.alternates is not None:
        sentence += (
            f" The next {rule.alternates} {'is an alternate' if rule.alternates == 1 else 'are alternates, in order'}."
        )
    return sentence


def rule_choices() -> list[dict[str, str]]:
    """Every way to combine marks as ``{"key", "sentence"}``, for a form."""
    return [{"key": key, "sentence": text[0].upper() + text[1:] + "."} for key, text in COMBINE_SENTENCES.items()]


def _step_text(step: str, name: Any) -> str:
    if step.startswith("caption:"):
        return f"the merged mark for {name(step.partition(':')[2])}"
    return {
        "head-to-head": "whom more adjudicators put ahead",
        "measured": "the measured mark",
        "re-hearing": "a re-hearing",
    }[step]


def _check_step(step: object, captions: Sequence[str] | None) -> None:
    if not isinstance(step, str):
        raise BadInput("Every step of the tie chain must be a word.")
    if step in _PLAIN_STEPS:
        return
    word, colon, key = step.partition(":")
    if word != "caption" or not colon or not key:
        raise BadInput(f"'{step}' is no step of a tie chain; use caption:<key>, {', '.join(_PLAIN_STEPS)}.")
    if captions is not None and key not in captions:
        raise BadInput(f"The tie chain names the caption '{key}', but the rubric scores {', '.join(captions)}.")


def _weights(
    values: object,
    what: str,
    known: Sequence[str] | None,
    *,
    highest: float = math.inf,
    may_vanish: bool = False,
) -> dict[str, float]:
    if values is None:
        return {}
    if not isinstance(values, Mapping):
        raise BadInput(f"The {what} weights must be an object of numbers.")
    out: dict[str, float] = {}
    for key, value in values.items():
        if known is not None and key not in known:
            raise BadInput(
                f"The {what} weights name '{key}', which is not among {', '.join(known) or 'anything scored'}."
            )
        if isinstance(value, bool) or not _finite(value) or value < 0 or value > highest:
            span = "0 or more" if math.isinf(highest) else f"from 0 to {highest:g}"
            raise BadInput(f"The {what} weight of '{key}' must be a number {span}.")
        out[str(key)] = float(value)
    if out and not may_vanish and not any(out.values()):
        raise BadInput(f"All {what} weights are 0; at least one must count.")
    return out


def _finite(value: object) -> bool:
    return isinstance(value, (int, float)) and math.isfinite(value)


def _shares_text(weights: Mapping[str, float]) -> str:
    """Unequal weights as "tone 20 %, pitch 40 %"; empty when they are equal."""
    if len(set(weights.values())) < 2:
        return ""
    total = sum(weights.values())
    return ", ".join(f"{key} {100 * value / total:.3g} %" for key, value in weights.items())


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]

"""All agreement figures of one table of marks in one frozen block, with a sentence a teacher can use."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from app.domain.standing import Agreement
from app.judging.agreement import (
    ICC_FORMS,
    cronbach_alpha,
    intraclass,
    kendall_w,
    krippendorff_alpha,
    needed_adjudicators,
    variance_components,
)

Floats = NDArray[np.float64]

TARGET = 0.80  # common practice for a panel whose order decides something
#: Words for the reliability of the panel's mean, from the top. .80 is common practice, the others our choice.
WORDS = ((0.90, "very well"), (TARGET, "well"), (0.65, "fairly"), (0.40, "weakly"), (-math.inf, "hardly"))
#: More adjudicators than this is no advice. Our choice.
MOST_ADVISED = 12


def agree(marks: Floats, what: str = "the order of candidates") -> Agreement:
    """Every coefficient for marks [n, k], NaN where missing; rows and columns without any mark are left aside."""
    there = ~np.isnan(marks)
    x = marks[there.any(axis=1)][:, there.any(axis=0)]
    found = _figures(x)
    whole = ~np.isnan(x).any(axis=1)
    if not whole.all() and whole.sum() >= 2 and x.shape[1] >= 2:
        found = replace(found, complete_only=_figures(x[whole]))
        if found.complete_only is not None:
            found = replace(
                found,
                complete_only=replace(found.complete_only, sentence=agreement_sentence(found.complete_only, what)),
            )
    return replace(found, sentence=agreement_sentence(found, what))


def _figures(x: Floats) -> Agreement:
    icc, (w, w_p) = intraclass(x), kendall_w(x)
    alphas = {metric: krippendorff_alpha(x, metric) for metric in ("interval", "ordinal")}
    cronbach, (components, no_components) = cronbach_alpha(x), variance_components(x)
    why = {f"icc.{form}": c.why for form, c in icc.items() if c.why}
    why |= {f"icc_ci.{form}": _NO_INTERVAL for form, c in icc.items() if c.value is not None and c.interval is None}
    why |= {f"krippendorff_alpha_{metric}": c.why for metric, c in alphas.items() if c.why}
    why |= {
        key: text
        for key, text in (("kendall_w", w.why), ("kendall_p", w.why), ("cronbach_alpha", cronbach.why))
        if text
    }
    if no_components:
        why["variance_components"] = no_components
    needed = needed_adjudicators(icc["C,1"].value, TARGET)
    if needed is None:
        why["needed_for_80"] = icc["C,1"].why or (
            "no number of adjudicators can be named because one adjudicator's order says nothing about another's"
        )
    return Agreement(
        candidates=x.shape[0],
        adjudicators=x.shape[1],
        icc={form: icc[form].value for form in ICC_FORMS},
        icc_ci={form: icc[form].interval for form in ICC_FORMS},
        kendall_w=w.value,
        kendall_p=w_p,
        krippendorff_alpha_interval=alphas["interval"].value,
        krippendorff_alpha_ordinal=alphas["ordinal"].value,
        cronbach_alpha=cronbach.value,
        variance_components=components,
        needed_for_80=needed,
        why=why,
    )


_NO_INTERVAL = "no interval here because there is no disagreement, or too much of it, to build one on"


def word_for(reliability: float) -> str:
    """How well a panel agrees, in one word, from the reliability of its mean."""
    return next(word for edge, word in WORDS if reliability >= edge)


def agreement_sentence(found: Agreement, what: str) -> str:
    """What the figures mean and what to do."""
    figures = found if found.icc["C,k"] is not None or found.complete_only is None else found.complete_only
    reliability = figures.icc["C,k"]
    if reliability is None:
        alpha = found.krippendorff_alpha_interval
        if alpha is not None:
            if alpha <= 0:
                return f"The panel does not agree at all on {what} by Krippendorff's alpha; cells are missing besides."
            return f"Krippendorff's alpha is {alpha:.2f} on {what}; with cells missing no more can be said."
        return f"How well the panel agrees on {what} can't be said: {_plain(found.why.get('icc.C,k', 'no marks'))}."
    sentence = f"The panel agrees {word_for(reliability)} on {what} ({reliability:.2f} of 1)"
    if reliability <= 0:  # below zero a coefficient only says that there is nothing
        sentence = f"The panel does not agree at all on {what}"
    if figures is not found:
        sentence += f", judged by the {figures.candidates} candidates whom everyone scored"
    needed = figures.needed_for_80
    if reliability >= TARGET:
        return sentence + "; its order can be trusted except between neighbours."
    if needed is None or needed > MOST_ADVISED:
        return (
            sentence + "; talk over the descriptors together before scoring again, more adjudicators alone won't help."
        )
    return sentence + f"; with {needed} adjudicators of this kind it would reach {TARGET:.2f}."


def _plain(why: str) -> str:
    return why.removeprefix("not valid here because ")

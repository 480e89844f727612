"""Plain sentences over a standing: what is so, how sure it is, and what to do. No statistics needed to read them."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from app.domain.panel import MarksTable, Rule
from app.domain.standing import AdjudicatorReport, Agreement, DoubtNote, StandingRow
from app.judging.marks_arrays import MarksArrays
from app.judging.words import counted, listed, numbers

Floats = NDArray[np.float64]

#: From this many adjudicators on, intervals of places are more than rough. Our choice.
ENOUGH_FOR_DOUBT = 3
MOST_NAMED = 8  # longer lists of numbers are counted, not named; our choice


def standing_sentences(
    rows: Sequence[StandingRow],
    brackets: Sequence[tuple[int, int]],
    seats: int | None,
    empty_seats: int,
    hear_again: Sequence[str],
    note: DoubtNote,
    rule: Rule,
) -> list[str]:
    """Who leads, who can't be told apart, whose seat is in question, which seats stay empty.

    ``brackets`` are (first, last) positions among the placed rows, from 0.
    """
    out: list[str] = []
    placed = [row for row in rows if row.place is not None]
    if not placed:
        return ["Nobody can be placed yet."]
    first = placed[0]
    if len(placed) == 1:
        out.append(f"Number {first.blind_number} is the only one placed; there is nobody to compare with.")
    elif all(row.place == 1 for row in placed):
        out.append("All candidates tie; these marks do not rank anybody.")
    elif not first.tied and (first.place_low, first.place_high) == (1, 1) and note.panel_size + 1 >= ENOUGH_FOR_DOUBT:
        out.append(f"Number {first.blind_number} leads, and would lead with nearly any panel of this kind.")
    across = [(first, last) for first, last in brackets if seats is not None and first < seats <= last]
    if across and seats is not None:
        begin, end = min(first for first, _ in across), max(last for _, last in across)
        widest = [row.blind_number for row in placed[begin : end + 1]]
        inside = seats - begin
        out.append(
            f"{numbers(_short(widest))} can't be told apart by this panel, and "
            f"{counted(inside, 'seat lies', 'seats lie')} among them."
        )
    rest = len(brackets) - len(across)
    if note.method == "model":
        out.append(_shared_sentence(placed))
    elif rest and not all(row.place == 1 for row in placed):
        away = "away from the cut line" if seats is not None else "in the standing"
        joins = counted(rest, "bracket", "brackets").capitalize() + f" {away} {'joins' if rest == 1 else 'join'}"
        out.append(f"{joins} candidates whom this panel can't tell apart; their order may well be chance.")
    if hear_again:
        again = f"Hear {numbers(_short(hear_again), capital=False)} again before the seats are given"
        out.append(f"{again}: another panel of this kind might well decide otherwise.")
    undecided = [row.blind_number for row in placed if row.seat == "undecided"]
    if undecided:
        tied = f"{numbers(_short(undecided))} still tie across the cut line after every declared step"
        how = (
            "the rule declares a re-hearing" if "re-hearing" in rule.tie_chain else "a re-hearing or the leader decides"
        )
        out.append(f"{tied}; {how}.")
    if empty_seats:
        stay = counted(empty_seats, "seat stays", "seats stay").capitalize() + " empty"
        why = "there are not enough candidates"
        if rule.minimum_total is not None:
            why = f"nobody else reaches the declared minimum of {rule.minimum_total:g}"
        out.append(f"{stay}: {why}.")
    if note.why_none:
        out.append(f"How sure the places are can't be said: {note.why_none}.")
    elif note.panel_size + 1 < ENOUGH_FOR_DOUBT:
        out.append("With two adjudicators the intervals of places are rough; a third would tell much more.")
    return out


def _shared_sentence(placed: Sequence[StandingRow]) -> str:
    """How far places may lie off where each number was heard by a part of the panel, and what that is known from."""
    widths = sorted(row.place_high - row.place_low for row in placed if row.place_low and row.place_high)
    said = "Where a number may lie follows from how far marks for one number differ once severity is taken out"
    middle = widths[len(widths) // 2] if widths else 0
    if not middle:
        return f"{said}."
    return f"{said}: half of the numbers may lie anywhere within {counted(middle + 1, 'place', 'places')} or more."


def agreement_sentences(whole: Agreement, by_caption: Mapping[str, Agreement], names: Mapping[str, str]) -> list[str]:
    """How well the panel agrees, and on which caption best and least."""
    out = [whole.sentence]
    known = {c: r for c, a in by_caption.items() if (r := _reliability(a)) is not None}
    if len(known) > 1:
        best, least = max(known, key=lambda c: known[c]), min(known, key=lambda c: known[c])
        if known[best] - known[least] > 0.1:  # our choice: a smaller gap is no difference
            first, last = names[best].lower(), names[least].lower()
            again = f"read the descriptors of {last} together before the next round"
            if known[best] <= 0:
                out.append("On no caption by itself does it agree at all; talk over what each caption means first.")
            elif known[least] <= 0:
                out.append(f"It agrees best on {first} ({known[best]:.2f}) and not at all on {last}; {again}.")
            else:
                out.append(
                    f"It agrees best on {first} ({known[best]:.2f}) and least on {last} ({known[least]:.2f}); {again}."
                )
    return out


def severity_sentences(reports: Sequence[AdjudicatorReport], combine: str, *, missing: bool) -> list[str]:
    """The widest distance between two adjudicators' levels, and whether it matters."""
    known = {r.letter: r.severity for r in reports if r.severity is not None}
    if len(known) < 2:
        return []
    strict, mild = max(known, key=lambda a: known[a]), min(known, key=lambda a: known[a])
    gap = known[strict] - known[mild]
    if gap < 0.5:  # our choice: half a mark
        return []
    said = f"Adjudicator {strict} is the strictest and {mild} the mildest, {gap:.1f} marks apart"
    if combine in ("rank-sum", "majority", "severity-adjusted"):
        return [f"{said}; the declared rule takes that out."]
    if combine == "mean" and not missing:
        return [f"{said}; it moves nobody's place, because everyone heard everyone."]
    if missing:
        return [f"{said}, and not everyone heard everyone; neighbours' places may hang on that."]
    return [f"{said}; neighbours' places may hang on that under this rule."]


def order_sentence(effect: tuple[float, tuple[float, float]] | None) -> list[str]:
    """Marks that rise or fall through the round, where that is more than chance."""
    if effect is None or effect[1][0] <= 0 <= effect[1][1]:
        return []
    way = "rose" if effect[0] > 0 else "fell"
    return [
        f"Marks {way} by {abs(effect[0]):.1f} per ten candidates in playing order; with a drawn order that is chance "
        "or the panel's warming up, so look at early and late numbers once more."
    ]


def measured_sentences(table: MarksTable, arrays: MarksArrays, names: Mapping[str, str]) -> list[str]:
    """Where a declared measured mark is missing and the panel alone counts."""
    out: list[str] = []
    for caption in dict.fromkeys(c for _, c in arrays.cells):
        columns = [
            q
            for q, (_, c) in enumerate(arrays.cells)
            if c == caption and arrays.shares[q] > 0 and arrays.weights[q] > 0
        ]
        if not columns:
            continue
        lacking = np.isnan(arrays.measured[:, columns]).any(axis=1)
        scored: NDArray[np.bool_] = np.asarray(~np.isnan(arrays.marks[:, :, columns]).all(axis=(1, 2)))
        who = [c.blind_number for c, gone in zip(table.candidates, lacking & scored, strict=True) if gone]
        name = names.get(caption, caption).lower()
        if len(who) == int(scored.sum()):
            out.append(f"Nobody has a complete measured mark for {name}; the panel's marks alone count there.")
        elif who:
            lack = "lacks" if len(who) == 1 else "lack"
            out.append(
                f"{numbers(_short(who))} {lack} a measured mark for {name}; the panel's marks alone count there."
            )
    return out


def missing_sentences(table: MarksTable, arrays: MarksArrays) -> tuple[str, ...]:
    """Sheets still to come, by adjudicator; recusals and what is not assigned are not missing."""
    there = ~np.isnan(arrays.marks)
    out: list[str] = []
    nobody = [c.blind_number for i, c in enumerate(table.candidates) if not there[i].any()]
    if nobody:
        out.append(f"{numbers(_short(nobody))} {'has' if len(nobody) == 1 else 'have'} no mark from anybody.")
    for j, adjudicator in enumerate(table.adjudicators):
        lacking, partly = [], []
        for i, candidate in enumerate(table.candidates):
            if (
                candidate.blind_number in nobody
                or (adjudicator.adjudicator_id, candidate.candidate_id) in table.recusals
                or (
                    table.assigned is not None
                    and (adjudicator.adjudicator_id, candidate.candidate_id) not in table.assigned
                )
            ):
                continue
            cells = there[i].any(axis=0)  # what somebody scored for this candidate
            own = there[i, j, cells]
            if not own.any():
                lacking.append(candidate.blind_number)
            elif not own.all():
                partly.append(candidate.blind_number)
        if lacking:
            out.append(f"Adjudicator {adjudicator.letter} has not marked {numbers(_short(lacking), capital=False)}.")
        if partly:
            whose = numbers(_short(partly), capital=False)
            out.append(f"Adjudicator {adjudicator.letter} has not marked everything of {whose}.")
    return tuple(out)


def why_unplaced(
    table: MarksTable, arrays: MarksArrays, i: int, names: Mapping[str, str], titles: Mapping[str, str]
) -> str:
    """Why candidate ``i`` has no place, in words."""
    there = ~np.isnan(arrays.marks[i])
    candidate_id = table.candidates[i].candidate_id
    if all((a.adjudicator_id, candidate_id) in table.recusals for a in table.adjudicators):
        return "every adjudicator is recused from this number; another adjudicator must hear it"
    if not there.any():
        return "nobody has marked this number"
    gone = [cell for q, cell in enumerate(arrays.cells) if arrays.weights[q] > 0 and not there[:, q].any()]
    if gone:
        said = [names.get(c, c).lower() + (f" in {titles[p]}" if p in titles else "") for p, c in gone]
        return f"nobody has marked {listed(_short(said))}"
    return "no adjudicator has marked everything that counts, which a rule of places needs"


def _reliability(found: Agreement) -> float | None:
    value = found.icc["C,k"]
    return value if value is not None or found.complete_only is None else found.complete_only.icc["C,k"]


def _short(words: Sequence[str]) -> list[str]:
    if len(words) <= MOST_NAMED + 1:
        return list(words)
    return [*words[:MOST_NAMED], f"{len(words) - MOST_NAMED} more"]

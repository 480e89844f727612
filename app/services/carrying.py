"""Marks that count again in a later round, as declared before its draw. No name can be reached from this module.

They come in as further pieces of the later round: the earlier round's pieces, by the same adjudicators, with a share of
the total together. So doubt, agreement and every rule of combining treat them like any other mark.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from sqlmodel import Session, select

from app.db.models import Candidate, Round
from app.domain.errors import BadInput, WrongState
from app.domain.panel import MarksTable, MeasuredTake, Rule

EARLIER = "earlier:"
MOST_PERCENT = 90  # our choice: what is heard last must count


def check(session: Session, row: Round, carried_from: str | None, percent: int) -> None:
    """Set whose marks count in ``row`` as well; raises ``BadInput`` for a round that can't be one."""
    if carried_from is None:
        row.carried_from, row.carry_percent = None, 0
        return
    earlier = session.get(Round, carried_from)
    if earlier is None or earlier.audition_id != row.audition_id or earlier.position >= row.position:
        raise BadInput("Marks carry over from an earlier round of the same audition; choose one of those.")
    if not 1 <= percent <= MOST_PERCENT:
        raise BadInput(f"The share of the marks carried over lies between 1 and {MOST_PERCENT} percent.")
    row.carried_from, row.carry_percent = carried_from, percent


def sentence(session: Session, row: Round) -> str | None:
    """What was declared about earlier marks, in words; None when nothing carries over."""
    if row.carried_from is None:
        return None
    earlier = session.get_one(Round, row.carried_from)
    return f"The marks of {earlier.name} count {row.carry_percent} %, those of {row.name} {100 - row.carry_percent} %."


def carried(
    session: Session,
    row: Round,
    table: MarksTable,
    rule: Rule,
    measured: tuple[MeasuredTake, ...],
    titles: Mapping[str, str],
    earlier: Any,
    away: set[tuple[str, str]],
) -> tuple[MarksTable, Rule, tuple[MeasuredTake, ...], dict[str, str]]:
    """The later round's table, rule, measured marks and titles with the earlier round's (``RoundMarks``) taken in.

    ``away`` are the cells (adjudicator, candidate) that are empty only because of an absence: earlier marks fill them.
    """
    if earlier.table.captions != table.captions:
        raise WrongState("The earlier round was marked by another rubric, so its marks can't be carried over.")
    earlier_row = session.get_one(Round, row.carried_from)
    now_by_entry = _by_entry(session, row.id)
    then = {candidate: now_by_entry.get(entry) for entry, candidate in _by_entry(session, earlier_row.id).items()}
    here = {c.candidate_id for c in table.candidates}
    letters = {a.adjudicator_id for a in table.adjudicators}

    def now(candidate_id: str) -> str | None:
        found = then.get(candidate_id)
        return found if found in here else None

    marks = [
        replace(mark, candidate_id=candidate_id, piece_id=EARLIER + mark.piece_id)
        for mark in earlier.table.marks
        if (candidate_id := now(mark.candidate_id)) is not None
        and mark.adjudicator_id in letters
        and (mark.adjudicator_id, candidate_id) not in table.recusals - away
    ]
    filled = {(mark.adjudicator_id, mark.candidate_id) for mark in marks} & away
    takes = [
        replace(take, candidate_id=candidate_id, piece_id=EARLIER + take.piece_id)
        for take in earlier.measured
        if (candidate_id := now(take.candidate_id)) is not None
    ]
    earlier_ids = tuple(EARLIER + piece_id for piece_id in earlier.table.piece_ids)
    weights = {
        **_shares(rule, table.piece_ids, table.piece_ids, 100 - row.carry_percent),
        **_shares(rule, earlier.table.piece_ids, earlier_ids, row.carry_percent),
    }
    named = carried_titles(row, earlier_row, table.piece_ids, earlier_ids, titles, earlier.piece_titles)
    return (
        replace(
            table,
            piece_ids=(*table.piece_ids, *earlier_ids),
            marks=(*table.marks, *marks),
            recusals=table.recusals - filled,
        ),
        replace(rule, piece_weights=weights),
        (*measured, *takes),
        named,
    )


def carried_titles(
    row: Round,
    earlier: Round,
    pieces: tuple[str, ...],
    earlier_pieces: tuple[str, ...],
    titles: Mapping[str, str],
    earlier_titles: Mapping[str, str],
) -> dict[str, str]:
    """Titles of a round's pieces and of the earlier round's, which are told apart by its name."""
    named = {**titles, **{EARLIER + key: f"{earlier.name}: {title}" for key, title in earlier_titles.items()}}
    for key in (*pieces, *earlier_pieces):  # scored once for the whole performance
        named.setdefault(key, f"{earlier.name if key in earlier_pieces else row.name}, everything played")
    return named


def _shares(rule: Rule, pieces: tuple[str, ...], keys: tuple[str, ...], percent: int) -> dict[str, float]:
    own = [rule.piece_weights.get(piece, 0.0) if rule.piece_weights else 1.0 for piece in pieces]
    if sum(own) <= 0:
        own = [1.0] * len(pieces)
    return {key: percent * weight / sum(own) for key, weight in zip(keys, own, strict=True)}


def _by_entry(session: Session, round_id: str) -> dict[str, str]:
    """Candidates of a round by roster line; the lines' ids are random and lead to nobody from here."""
    rows = session.exec(select(Candidate.entry_id, Candidate.id).where(Candidate.round_id == round_id)).all()
    return dict(rows)

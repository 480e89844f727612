"""Rounds that students hand in by a link: until when, and who hears whom. No name can be reached from this module.

The leader sets the deadline and how many adjudicators hear each candidate before the draw. Takes come up to the panel
together, once the leader has closed the handing in; the shares are laid out then (``app.services.assigning``), because
only then it is known who is to be heard.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import Adjudicator, Candidate, MoreTime, Round, Share
from app.domain.errors import WrongState
from app.domain.handing_in import Deadline
from app.domain.panel import Rule

NOT_YOUR_SHARE = "This number is not in your share; go back to the list."
FAIR_RULE = "severity-adjusted"


@dataclass(frozen=True, slots=True)
class HandingIn:
    """The plan of a round that is handed in, as the leader sees it."""

    due_at: datetime
    closes_at: datetime
    due_text: str
    zone: str
    grace_min: int
    per_candidate: int | None
    handed_in_at: datetime | None


def is_handed_in(row: Round) -> bool:
    """Whether students hand in the takes of this round by a link."""
    return row.due_at is not None


def deadline_of(row: Round, more: MoreTime | None = None) -> Deadline:
    """Until when takes of a handed-in round are taken, for one candidate with more time or for all."""
    if row.due_at is None:
        raise WrongState("This round is recorded in the room; nothing is handed in by a link.")
    due_at = row.due_at if more is None else max(more.due_at, row.due_at)
    return Deadline(due_at, row.due_zone, row.grace_min)


def plan_of(row: Round) -> HandingIn | None:
    """The plan of a round, or None when it is recorded in the room."""
    if row.due_at is None:
        return None
    there = deadline_of(row)
    return HandingIn(
        there.due_at, there.closes_at, there.text, there.zone, there.grace_min, row.per_candidate, row.handed_in_at
    )


def waiting_sentence(row: Round) -> str | None:
    """Why an adjudicator has nothing to hear yet; None when there is."""
    if row.due_at is None or row.handed_in_at is not None:
        return None
    return f"Takes of this round are handed in until {deadline_of(row).text}; they appear here together after that."


def assigned(session: Session, round_id: str) -> frozenset[tuple[str, str]]:
    """{(adjudicator id, candidate id)} of a round's shares."""
    rows = session.exec(
        select(Share.adjudicator_id, Share.candidate_id).where(
            Share.candidate_id == Candidate.id, Candidate.round_id == round_id
        )
    ).all()
    return frozenset((adjudicator_id, candidate_id) for adjudicator_id, candidate_id in rows)


def positions(session: Session, round_id: str) -> dict[tuple[str, str], int]:
    """{(adjudicator id, candidate id): place in the adjudicator's own order}."""
    rows = session.exec(
        select(Share.adjudicator_id, Share.candidate_id, Share.place).where(
            Share.candidate_id == Candidate.id, Candidate.round_id == round_id
        )
    ).all()
    return {(adjudicator_id, candidate_id): place for adjudicator_id, candidate_id, place in rows}


def own_share(session: Session, round_id: str, adjudicator_id: str) -> list[str]:
    """The candidates an adjudicator hears, in the own order."""
    return list(
        session.exec(
            select(Share.candidate_id)
            .where(
                Share.adjudicator_id == adjudicator_id,
                Share.candidate_id == Candidate.id,
                Candidate.round_id == round_id,
            )
            .order_by(col(Share.place), col(Share.candidate_id))
        ).all()
    )


def is_mine(session: Session, row: Round, adjudicator_id: str, candidate_id: str) -> bool:
    """Whether this adjudicator hears this candidate; in a round that is not handed in everybody hears everybody."""
    if not is_handed_in(row):
        return True
    return row.handed_in_at is not None and session.get(Share, (adjudicator_id, candidate_id)) is not None


def rule_refusal(rule: Rule, per_candidate: int | None, panel: int) -> str | None:
    """Why marks of shares can't be ranked by this rule, in a sentence; None when they can."""
    if per_candidate is None or per_candidate >= panel or rule.combine == FAIR_RULE:
        return None
    return (
        f"Each candidate is heard by {per_candidate} of {panel} adjudicators, so a strict one would cost places: only "
        "the severity-adjusted rule compares such marks; declare that one, or let the whole panel hear everybody."
    )


def panel_size(session: Session, audition_id: str) -> int:
    """How many adjudicators an audition has."""
    return session.exec(
        select(sa.func.count()).select_from(Adjudicator).where(Adjudicator.audition_id == audition_id)
    ).one()


def declared_refusal(session: Session, audition_id: str, rule: Rule) -> str | None:
    """Why this rule can't be declared while a drawn round of the audition is heard in shares."""
    panel = panel_size(session, audition_id)
    rows = session.exec(
        select(Round.per_candidate).where(
            Round.audition_id == audition_id, Round.state == "drawn", col(Round.per_candidate).is_not(None)
        )
    ).all()
    return next((said for own in rows if (said := rule_refusal(rule, own, panel)) is not None), None)


def share_sentence(row: Round, panel: int, cells: Collection[tuple[str, str]]) -> str | None:
    """What must be said beside the ranking of a round that is heard in shares."""
    if row.per_candidate is None or row.per_candidate >= panel or not cells:
        return None
    return (
        f"Each candidate was heard by {row.per_candidate} of {panel} adjudicators, assigned by a balanced design from "
        "the draw's seed; the other cells are not assigned: missing, not recused, not zero."
    )

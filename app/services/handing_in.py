"""A round without rooms: students hand in their own takes behind a link until a deadline.

The server's clock decides. What is refused for being late stays a missing take, which is neither a zero nor an absence
by itself: a candidate becomes absent when the leader closes the handing in (``app.services.assigning``), and more time
granted with a reason takes that back. No name can be reached from this module.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlmodel import Session, select

from app.db.models import Candidate, MoreTime, Round, Take
from app.domain.actor import Actor
from app.domain.errors import BadInput, NotFound, WrongState
from app.domain.handing_in import MOST_GRACE_MIN, Deadline, known_zone, moment_of
from app.domain.texts import one_line
from app.judging.assignment import FEWEST_PER_CANDIDATE
from app.services import custody, declaring, shares
from app.services.rounds import get_round
from app.services.sheet_cells import round_pieces
from app.services.sight_sheets import KIND as SIGHT_READING

LONGEST_REASON = 300
NO_LINK_ROUND = "This round is not there any more; ask your section leader."
SIGHT = "Sight-reading is read under a proctor's eyes, so it can't be handed in; leave it out of this round."
OWN_ORDERS = (
    "In a round that is handed in every adjudicator hears an own share in an own order, without hidden repeats; set "
    "how the panel listens back first."
)


def set_plan(
    session: Session,
    round_id: str,
    *,
    due: datetime | None,
    zone: str,
    grace_min: int,
    per_candidate: int | None,
    now: datetime,
    actor: Actor,
) -> shares.HandingIn | None:
    """Let a round be handed in until ``due``, a naive date and time on the clocks of ``zone``; None: no longer.

    After the draw the deadline may still be put later, as long as nothing has come up to the panel; the rest stays.
    """
    row = get_round(session, round_id)
    if row.state == "opened":
        raise WrongState("This round is opened; its result is fixed.")
    if row.state == "drawn" and (row.due_at is None or due is None):
        raise WrongState("This round is drawn, so whether it is handed in by a link or recorded in the room stays.")
    if due is None:
        row.due_at, row.due_zone, row.grace_min, row.per_candidate = None, "", 0, None
    else:
        _set(session, row, moment_of(due, zone), zone, grace_min, per_candidate, now)
    session.add(row)
    session.flush()
    plan = shares.plan_of(row)
    facts: dict[str, Any] = {"due": None if plan is None else plan.due_at.isoformat(), "zone": row.due_zone}
    facts |= {"grace_min": row.grace_min, "per_candidate": row.per_candidate}
    custody.record(session, round_id, actor, "handing-in-planned", round_id, facts)
    return plan


def _set(
    session: Session,
    row: Round,
    due_at: datetime,
    zone: str,
    grace_min: int,
    per_candidate: int | None,
    now: datetime,
) -> None:
    if row.handed_in_at is not None:
        raise WrongState("The handing in is closed; give single candidates more time instead.")
    if due_at <= now:
        raise BadInput("The deadline lies in the past; choose a later one.")
    if not 0 <= grace_min <= MOST_GRACE_MIN:
        raise BadInput(f"The grace is a number of minutes from 0 to {MOST_GRACE_MIN}.")
    if per_candidate is not None and per_candidate < FEWEST_PER_CANDIDATE:
        raise BadInput(
            f"Each candidate is heard by {FEWEST_PER_CANDIDATE} adjudicators or more: with one each nobody could tell "
            "a strict adjudicator from a weak candidate."
        )
    if row.listening_order != "same" or row.hidden_repeats:
        raise BadInput(OWN_ORDERS)
    if per_candidate is not None and row.carried_from is not None:
        raise BadInput("Earlier marks count in this round as well, so the whole panel must hear everybody.")
    if row.state == "drawn":
        if (zone, grace_min, per_candidate) != (row.due_zone, row.grace_min, row.per_candidate):
            raise WrongState("This round is drawn, so only the deadline itself can still be put later.")
        if row.due_at is not None and due_at < row.due_at:
            raise WrongState("Students go by the deadline they were told, so it can be put later but not earlier.")
    known_zone(zone)
    row.due_at, row.due_zone, row.grace_min, row.per_candidate = due_at, zone, grace_min, per_candidate


def check_draw(session: Session, row: Round) -> None:
    """Raise ``WrongState`` when a round that is handed in can't be drawn as it is set up."""
    if not shares.is_handed_in(row):
        return
    if any(piece.kind == SIGHT_READING for piece in round_pieces(session, row)):
        raise WrongState(SIGHT)
    panel = shares.panel_size(session, row.audition_id)
    if row.per_candidate is not None and row.per_candidate > panel:
        raise WrongState(
            f"Each candidate is to be heard by {row.per_candidate} adjudicators, and the panel has {panel}."
        )
    refusal = shares.rule_refusal(
        declaring.rule_of(declaring.get_audition(session, row.audition_id)), row.per_candidate, panel
    )
    if refusal is not None:
        raise WrongState(refusal)


def grant(session: Session, candidate_id: str, *, due: datetime, reason: str, now: datetime, actor: Actor) -> Deadline:
    """Give one candidate more time, with the reason. Who was absent for want of a take is expected again."""
    candidate = session.get(Candidate, candidate_id)
    if candidate is None:
        raise NotFound("This candidate is not there any more; reload the page.")
    row = session.get_one(Round, candidate.round_id)
    if row.state != "drawn":
        raise WrongState("More time is given between the draw and the opening of a round.")
    general = shares.deadline_of(row)
    tidy = one_line(reason, what="reason", longest=LONGEST_REASON)
    due_at = moment_of(due, row.due_zone)
    if due_at <= now or due_at <= general.due_at:
        raise BadInput("More time ends later than the deadline for all, and later than now; choose a later moment.")
    if candidate.state == "withdrawn":
        raise WrongState(f"Number {candidate.blind_number} has withdrawn; take that back on the roster first.")
    if candidate.state == "heard":
        raise WrongState(f"Number {candidate.blind_number} has handed in everything, so no more time is needed.")
    there = session.get(MoreTime, candidate_id) or MoreTime(candidate_id=candidate_id, due_at=due_at)
    there.due_at, there.reason, there.granted_at = due_at, tidy, now
    if candidate.state in ("absent", "no-show"):
        candidate.state, candidate.state_reason = "expected", ""
        session.add(candidate)
    session.add(there)
    session.flush()
    facts = {"due": due_at.isoformat(), "reason_hash": custody.content_hash(tidy)}
    custody.record(session, row.id, actor, "more-time-given", candidate_id, facts)
    return shares.deadline_of(row, there)


def candidate_of(session: Session, entry_id: str, round_id: str) -> tuple[Candidate, Round]:
    """The candidate a link belongs to, and the round; ``NotFound`` when either is gone."""
    found = session.exec(
        select(Candidate, Round).where(
            Candidate.entry_id == entry_id, Candidate.round_id == round_id, Round.id == Candidate.round_id
        )
    ).first()
    if found is None:
        raise NotFound(NO_LINK_ROUND)
    return found


def deadline(session: Session, candidate: Candidate, row: Round) -> Deadline:
    """Until when this candidate hands in."""
    return shares.deadline_of(row, session.get(MoreTime, candidate.id))


def require_open(session: Session, candidate: Candidate, row: Round, now: datetime) -> None:
    """Raise when nothing more is taken from this candidate: too late, withdrawn, opened, heard by the panel already."""
    if row.state != "drawn":
        raise WrongState("This round is opened, so nothing more can be handed in.")
    if candidate.state == "withdrawn":
        raise WrongState("You are withdrawn from this round, so nothing is taken; ask your section leader.")
    if row.handed_in_at is not None and candidate.state == "heard":
        raise WrongState("The handing in is closed and your takes are with the panel, so they stay as they are.")
    deadline(session, candidate, row).require_open(now)


def takes_of(session: Session, candidate_id: str) -> Sequence[Take]:
    """Everything a candidate handed in, replaced takes too, the oldest first."""
    rows = session.exec(select(Take).where(Take.candidate_id == candidate_id)).all()
    return sorted(rows, key=lambda take: (take.received_at, take.id))

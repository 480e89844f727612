"""A re-hearing made from a standing: the numbers whose seats are in question, in a new round with a new draw.

Keyed by numbers and random ids; no name can be reached from here.
"""

from collections.abc import Sequence
from typing import Any

from sqlmodel import Session, select

from app.db.models import Candidate, Round
from app.domain.actor import Actor
from app.domain.errors import BadInput, WrongState
from app.services import draw
from app.services.draw import RoundView
from app.services.rounds import get_round

NAME = "Re-hearing"


def seats_among(rows: Sequence[dict[str, Any]], numbers: Sequence[str], seats: int | None) -> int | None:
    """How many of the seats are given among ``numbers``: those that nobody else of the standing holds.

    None when the round is about no seats or none is left for them.
    """
    if seats is None:
        return None
    held = sum(row["seat"] == "seat" and row["blind_number"] not in numbers for row in rows)
    return min(seats - held, len(numbers)) if seats > held else None


def create(
    session: Session, round_id: str, numbers: Sequence[str], shown: dict[str, Any], *, actor: Actor
) -> RoundView:
    """A new round for these numbers of a round's standing (``shown``), with its pieces and listening order.

    Raises ``BadInput`` for fewer than two numbers or one that isn't in the standing.
    """
    row = get_round(session, round_id)
    if row.state not in ("drawn", "opened"):
        raise WrongState("There is nobody to hear again before the draw.")
    wanted = list(dict.fromkeys(numbers))
    if len(wanted) < 2:
        raise BadInput("A re-hearing needs two numbers or more; a single one can't be compared with anybody.")
    known = {line["blind_number"] for line in shown["rows"]}
    for number in wanted:
        if number not in known:
            raise BadInput(f"Number {number} is not in this round's standing; reload the page.")
    entries = {
        c.blind_number: c.entry_id for c in session.exec(select(Candidate).where(Candidate.round_id == round_id)).all()
    }
    return draw.create_round(
        session,
        row.audition_id,
        name=_free_name(session, row.audition_id),
        kind="rehearing",
        seats=seats_among(shown["rows"], wanted, row.seats),
        piece_ids=list(row.piece_ids),
        entry_ids=[entries[number] for number in wanted],
        listening_order=row.listening_order,
        second_check=row.second_check,
        actor=actor,
    )


def _free_name(session: Session, audition_id: str) -> str:
    taken = set(session.exec(select(Round.name).where(Round.audition_id == audition_id)).all())
    return next(name for name in (NAME, *(f"{NAME} {n}" for n in range(2, len(taken) + 3))) if name not in taken)

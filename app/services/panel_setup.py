"""The panel of an audition: adjudicators and their letters."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from string import ascii_uppercase

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import AccessToken, AdjudicationSheet, Adjudicator, ExtraSheet, Recusal
from app.domain.actor import Actor
from app.domain.errors import Duplicate, NotFound, WrongState
from app.domain.texts import alike, one_line
from app.services import access, custody
from app.services.declaring import get_audition

LARGEST_PANEL = 200  # our choice: a state association's; beyond Z a letter is two, from AA on
LONGEST_NAME = 120


@dataclass(frozen=True, slots=True)
class PanelMember:
    """An adjudicator as the leader sees them."""

    id: str
    letter: str
    name: str
    joined: bool  # a tablet of theirs is in


def members(session: Session, audition_id: str) -> list[PanelMember]:
    """Everybody on the panel, by letter."""
    rows = session.exec(
        select(Adjudicator).where(Adjudicator.audition_id == audition_id).order_by(Adjudicator.letter)
    ).all()
    if not rows:
        get_audition(session, audition_id)
    joined = set(
        session.exec(
            select(AccessToken.adjudicator_id).where(
                AccessToken.audition_id == audition_id,
                AccessToken.role == "adjudicator",
                col(AccessToken.withdrawn_at).is_(None),
            )
        ).all()
    )
    return [PanelMember(a.id, a.letter, a.name, a.id in joined) for a in rows]


def add(session: Session, audition_id: str, name: str, *, actor: Actor) -> PanelMember:
    """Add an adjudicator under the first free letter."""
    there = members(session, audition_id)
    tidy = one_line(name, what="name", longest=LONGEST_NAME)
    _refuse_twin(there, tidy)
    taken = {m.letter for m in there}
    free = next((letter for letter in _letters() if letter not in taken), None)
    if free is None or len(there) >= LARGEST_PANEL:
        raise WrongState(f"A panel has at most {LARGEST_PANEL} adjudicators; remove one first.")
    adjudicator = Adjudicator.model_validate({"audition_id": audition_id, "letter": free, "name": tidy})
    session.add(adjudicator)
    session.flush()
    custody.record(session, audition_id, actor, "adjudicator-added", adjudicator.id, {"letter": adjudicator.letter})
    return PanelMember(adjudicator.id, adjudicator.letter, adjudicator.name, joined=False)


def _letters() -> Iterator[str]:
    """A to Z, then AA, AB and so on."""
    yield from ascii_uppercase
    yield from (first + second for first, second in product(ascii_uppercase, repeat=2))


def rename(session: Session, adjudicator_id: str, name: str, *, actor: Actor) -> PanelMember:
    """Correct an adjudicator's name; the letter stays."""
    adjudicator = _adjudicator(session, adjudicator_id)
    tidy = one_line(name, what="name", longest=LONGEST_NAME)
    there = members(session, adjudicator.audition_id)
    _refuse_twin([m for m in there if m.id != adjudicator_id], tidy)
    adjudicator.name = tidy
    session.add(adjudicator)
    facts = {"letter": adjudicator.letter}
    custody.record(session, adjudicator.audition_id, actor, "adjudicator-renamed", adjudicator.id, facts)
    joined = next(m.joined for m in there if m.id == adjudicator_id)
    return PanelMember(adjudicator.id, adjudicator.letter, tidy, joined)


def refuse_removal_after_sheets(session: Session, adjudicator_id: str) -> Adjudicator:
    """The adjudicator, if nothing of theirs would be lost by removing them."""
    adjudicator = _adjudicator(session, adjudicator_id)
    for table in (AdjudicationSheet, ExtraSheet, Recusal):
        if session.exec(select(table.id).where(table.adjudicator_id == adjudicator_id).limit(1)).first() is not None:
            raise WrongState(
                "This adjudicator has sheets or recusals in a drawn round and stays; withdraw their tablet instead."
            )
    return adjudicator


def remove(session: Session, adjudicator_id: str, *, actor: Actor) -> None:
    """Remove an adjudicator without sheets, links and tokens too. Declared recusals go first (``recusal.forget``)."""
    adjudicator = refuse_removal_after_sheets(session, adjudicator_id)
    access.forget_adjudicator(session, adjudicator_id)
    session.exec(sa.delete(Adjudicator).where(col(Adjudicator.id) == adjudicator_id))
    facts = {"letter": adjudicator.letter}
    custody.record(session, adjudicator.audition_id, actor, "adjudicator-removed", adjudicator_id, facts)


def _adjudicator(session: Session, adjudicator_id: str) -> Adjudicator:
    adjudicator = session.get(Adjudicator, adjudicator_id)
    if adjudicator is None:
        raise NotFound("This adjudicator is not there any more; reload the page.")
    return adjudicator


def _refuse_twin(there: list[PanelMember], name: str) -> None:
    if any(alike(m.name) == alike(name) for m in there):
        raise Duplicate("An adjudicator of this name is on the panel already; add an initial to tell them apart.")

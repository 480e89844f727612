"""Doors of the demo: in without a password, as anyone. Only for a server that serves invented people."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlmodel import Session, col, select

from app.db.models import Adjudicator, Audition, Leader
from app.domain.errors import BadInput, NotFound, WrongState
from app.services import access, sign_in
from app.services.access import Admission

Role = Literal["leader", "proctor", "adjudicator"]


@dataclass(frozen=True, slots=True)
class Door:
    """A door and what to write on it."""

    role: Role
    adjudicator_id: str | None
    label: str


def demo_audition(session: Session) -> Audition | None:
    """The audition the doors lead to: the latest made."""
    return session.exec(select(Audition).order_by(col(Audition.created_at).desc()).limit(1)).first()


def doors(session: Session) -> list[Door]:
    """Every door there is, the leader's first."""
    audition = demo_audition(session)
    if audition is None:
        return []
    panel = session.exec(
        select(Adjudicator).where(Adjudicator.audition_id == audition.id).order_by(col(Adjudicator.letter))
    ).all()
    return [
        Door("leader", None, "Section leader"),
        Door("proctor", None, "Recording room"),
        *(Door("adjudicator", a.id, f"Adjudicator {a.letter}") for a in panel),
    ]


def enter(session: Session, role: Role, adjudicator_id: str | None, *, now: datetime) -> tuple[Admission, str]:
    """Go through a door; the admission and the audition it leads to."""
    audition = demo_audition(session)
    if audition is None:
        raise WrongState("The demo is still being made; wait until its address says that it is ready.")
    if role == "leader":
        leader = session.exec(select(Leader).order_by(col(Leader.created_at)).limit(1)).first()
        if leader is None:
            raise WrongState("The demo has no section leader; make it again.")
        return sign_in.start_leader_session(session, leader.id, now=now), audition.id
    if role == "adjudicator":
        if adjudicator_id is None:
            raise BadInput("Say which adjudicator to enter as.")
        adjudicator = session.get(Adjudicator, adjudicator_id)
        if adjudicator is None or adjudicator.audition_id != audition.id:
            raise NotFound("There is no such adjudicator in the demo; reload the page.")
    door = next(d for d in doors(session) if d.role == role and d.adjudicator_id in (None, adjudicator_id))
    return access.admit(session, role, audition.id, door.adjudicator_id, door.label, now=now), audition.id

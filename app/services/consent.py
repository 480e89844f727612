"""Consent before recording: who gave it and when, and the refusal to record without it.

The setting is the audition's own and on unless the leader turns it off. Names stay here: the audit gets a hash of them.
"""

from dataclasses import dataclass
from datetime import date, timedelta

from sqlmodel import Session

from app.db.identities import Entry, Student
from app.db.models import Audition, Candidate, Round
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import BadInput, NotFound, WrongState
from app.domain.texts import one_line
from app.services import custody
from app.services.roster_csv import LONGEST

TIME_ZONES = timedelta(days=1)  # somewhere it is tomorrow already


@dataclass(frozen=True, slots=True)
class Noted:
    """Whose roster line it is, and the consent that is noted there."""

    name: str
    given_on: date | None
    given_by: str


def noted(session: Session, entry_id: str) -> Noted:
    """The consent noted for a roster line's student; for that student's own page."""
    student = session.get_one(Student, session.get_one(Entry, entry_id).student_id)
    return Noted(student.name, student.consent_on, student.consent_by)


def require(session: Session, audition: Audition, candidate: Candidate) -> None:
    """Raise ``WrongState`` when this candidate may not be recorded for want of consent."""
    if not audition.consent_required:
        return
    if _student(session, candidate).consent_on is None:
        raise WrongState(
            f"No consent to record is noted for number {candidate.blind_number}, so nothing is recorded; the section "
            "leader notes who gave it and when, then it can go on.",
            consent_missing=True,
        )


def note(session: Session, candidate_id: str, *, given_on: date, given_by: str, actor: Actor) -> None:
    """Note that consent was given: the date and by whom. It holds for the student, in whatever round."""
    candidate = session.get(Candidate, candidate_id)
    if candidate is None:
        raise NotFound("This candidate is not there any more; reload the page.")
    by = one_line(given_by, what="name of who gave consent", longest=LONGEST["consent_by"])
    if given_on > now_utc().date() + TIME_ZONES:
        raise BadInput("Consent can't have been given in the future; enter the day it was given.")
    student = _student(session, candidate)
    student.consent_on, student.consent_by = given_on, by
    session.add(student)
    session.flush()
    facts = {"given_on": given_on.isoformat(), "given_by_hash": custody.content_hash(by)}
    chain = session.get_one(Round, candidate.round_id).audition_id
    custody.record(session, chain, actor, "consent-noted", candidate.entry_id, facts)


def _student(session: Session, candidate: Candidate) -> Student:
    entry = session.get_one(Entry, candidate.entry_id)
    return session.get_one(Student, entry.student_id)

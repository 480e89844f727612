"""Recusals: declared before the draw against a roster line, and own pupils proposed from the teacher column."""

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.identities import DeclaredRecusal, Entry, Student
from app.db.models import Adjudicator, Candidate, Round
from app.domain.actor import Actor
from app.domain.errors import Duplicate, NotFound, WrongState
from app.domain.texts import alike, one_line
from app.services import custody
from app.services.sheets_in import recuse_candidate

LONGEST_REASON = 300
# Forms of address that say nothing about who somebody is; our choice.
_ADDRESSES = frozenset(
    [
        "mr",
        "mrs",
        "ms",
        "mx",
        "miss",
        "dr",
        "prof",
        "professor",
        "herr",
        "frau",
        "sr",
        "sra",
        "mme",
        "m",
        "mlle",
        "coach",
    ]
)


@dataclass(frozen=True, slots=True)
class RecusalView:
    """A recusal as the leader sees it before the draw."""

    id: str
    adjudicator_id: str
    letter: str
    entry_id: str
    student_name: str
    reason: str


@dataclass(frozen=True, slots=True)
class ProposedRecusal:
    """An own pupil by the roster's teacher column; a person decides."""

    adjudicator_id: str
    letter: str
    entry_id: str
    student_name: str
    reason: str


def declared(session: Session, audition_id: str) -> list[RecusalView]:
    """Every declared recusal of an audition, by letter and student."""
    rows = session.exec(
        select(DeclaredRecusal, Adjudicator, Student).where(
            Adjudicator.audition_id == audition_id,
            DeclaredRecusal.adjudicator_id == Adjudicator.id,
            DeclaredRecusal.entry_id == Entry.id,
            Entry.student_id == Student.id,
        )
    ).all()
    found = [RecusalView(r.id, a.id, a.letter, r.entry_id, s.name, r.reason) for r, a, s in rows]
    return sorted(found, key=lambda r: (r.letter, alike(r.student_name)))


def declare(
    session: Session, audition_id: str, *, adjudicator_id: str, entry_id: str, reason: str, actor: Actor
) -> RecusalView:
    """Declare a recusal. In rounds drawn already it counts at once, unless the adjudicator has sent a sheet."""
    adjudicator = session.get(Adjudicator, adjudicator_id)
    entry = session.get(Entry, entry_id)
    if adjudicator is None or adjudicator.audition_id != audition_id:
        raise NotFound("This adjudicator is not on the panel any more; reload the page.")
    if entry is None or entry.audition_id != audition_id:
        raise NotFound("This student is not on the roster any more; reload the page.")
    if _declared(session, adjudicator_id, entry_id) is not None:
        raise Duplicate("This recusal is declared already.")
    row = DeclaredRecusal(
        adjudicator_id=adjudicator_id,
        entry_id=entry_id,
        reason=one_line(reason, what="reason", longest=LONGEST_REASON, required=False),
    )
    session.add(row)
    session.flush()
    candidates = session.exec(
        select(Candidate).where(Candidate.entry_id == entry_id, Candidate.round_id == Round.id, Round.state != "opened")
    ).all()
    for candidate in candidates:
        recuse_candidate(session, adjudicator_id, candidate, actor=actor)
    # The audit names neither the entry nor the reason: both would lead to the student.
    custody.record(session, audition_id, actor, "recusal-declared", row.id, {"letter": adjudicator.letter})
    student = session.get(Student, entry.student_id)
    return RecusalView(
        row.id, adjudicator.id, adjudicator.letter, entry_id, student.name if student else "", row.reason
    )


def withdraw(session: Session, recusal_id: str, *, actor: Actor) -> None:
    """Take back a declared recusal. In a round drawn already it has become part of the draw and stays."""
    row = session.get(DeclaredRecusal, recusal_id)
    adjudicator = session.get(Adjudicator, row.adjudicator_id) if row is not None else None
    if row is None or adjudicator is None:
        raise NotFound("This recusal is not there any more; reload the page.")
    drawn = session.exec(select(Candidate.id).where(Candidate.entry_id == row.entry_id).limit(1)).first()
    if drawn is not None:
        raise WrongState("The draw has taken this recusal up already, so it stays.")
    session.delete(row)
    custody.record(
        session, adjudicator.audition_id, actor, "recusal-withdrawn", recusal_id, {"letter": adjudicator.letter}
    )


def forget(session: Session, adjudicator_id: str) -> None:
    """Remove the declared recusals of an adjudicator who is about to be removed."""
    session.exec(sa.delete(DeclaredRecusal).where(col(DeclaredRecusal.adjudicator_id) == adjudicator_id))


def proposed(session: Session, audition_id: str) -> list[ProposedRecusal]:
    """Own pupils by the teacher column that nobody has declared yet."""
    panel = session.exec(select(Adjudicator).where(Adjudicator.audition_id == audition_id)).all()
    on_roster = (Entry.audition_id == audition_id, Entry.student_id == Student.id)
    teachers = session.exec(select(Student.teacher).where(*on_roster, Student.teacher != "").distinct()).all()
    own_words = {a.id: _name_words(a.name) for a in panel}
    by_word: dict[str, list[Adjudicator]] = {}
    for a in panel:
        for word in own_words[a.id]:
            by_word.setdefault(word, []).append(a)

    def meant_by(teacher: str) -> list[Adjudicator]:
        """Those of the panel whom a teacher's cell means; who shares no word with it can't be one."""
        people = _people_of(teacher)
        near = {a.id: a for person in people for word in person for a in by_word.get(word, ())}
        return [a for a in near.values() if any(_same_person(own_words[a.id], person) for person in people)]

    meant = {teacher: meant_by(teacher) for teacher in teachers}  # many pupils, few teachers
    wanted = [teacher for teacher, some in meant.items() if some]
    pupils: dict[str, list[tuple[str, str]]] = {}
    for entry_id, name, teacher in session.exec(
        select(Entry.id, Student.name, Student.teacher).where(*on_roster, col(Student.teacher).in_(wanted))
    ).all():
        pupils.setdefault(teacher, []).append((entry_id, name))
    done = {(r.adjudicator_id, r.entry_id) for r in declared(session, audition_id)}
    found = [
        ProposedRecusal(a.id, a.letter, entry_id, name, "own pupil")
        for teacher, own in pupils.items()
        for a in meant[teacher]
        for entry_id, name in own
        if (a.id, entry_id) not in done
    ]
    return sorted(found, key=lambda p: (p.letter, alike(p.student_name)))


def teaches(adjudicator_name: str, teacher_cell: str) -> bool:
    """Whether the teacher column (one or several names) can mean this adjudicator.

    Every word of the shorter name must stand in the longer one, whole or as an initial, and at least one whole word
    must be shared. Accents, order and forms of address do not count: a proposal may be too eager, never too shy.
    """
    words = _name_words(adjudicator_name)
    return any(_same_person(words, person) for person in _people_of(teacher_cell))


def _people_of(teacher_cell: str) -> list[tuple[str, ...]]:
    """The words of each name in a teacher's cell."""
    people = re.split(r"\s*(?:[/;&+]|\band\b|\bund\b|\by\b|\bet\b)\s*", teacher_cell)
    return [_name_words(person) for person in people]


def _name_words(name: str) -> tuple[str, ...]:
    bare = "".join(c for c in unicodedata.normalize("NFKD", name.casefold()) if not unicodedata.combining(c))
    return tuple(w for w in re.findall(r"\w+", bare) if w not in _ADDRESSES)


def _same_person(one: Sequence[str], other: Sequence[str]) -> bool:
    shorter, longer = sorted((one, other), key=len)
    if not any(len(w) > 1 and w in longer for w in shorter):
        return False
    return all(any(_same_word(w, x) for x in longer) for w in shorter)


def _same_word(one: str, other: str) -> bool:
    return one == other or (min(len(one), len(other)) == 1 and one[0] == other[0])


def _declared(session: Session, adjudicator_id: str, entry_id: str) -> DeclaredRecusal | None:
    return session.exec(
        select(DeclaredRecusal).where(
            DeclaredRecusal.adjudicator_id == adjudicator_id, DeclaredRecusal.entry_id == entry_id
        )
    ).first()

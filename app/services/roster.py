"""The roster: students, each on an instrument, in one audition."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.identities import DeclaredRecusal, Entry, RoundEntry, Student
from app.db.models import Candidate, Round
from app.domain.actor import Actor
from app.domain.errors import BadInput, Duplicate, FairhearingError, NotFound, WrongState
from app.domain.texts import alike, one_line
from app.material.instruments import INSTRUMENTS, instrument_called
from app.services import custody
from app.services.declaring import get_audition
from app.services.roster_csv import LONGEST, ParsedRoster, RejectedLine, RosterLine, checked_extra_time

GONE = "This line of the roster is not there any more; reload the page."


@dataclass(frozen=True, slots=True)
class RosterEntry:
    """A roster line as the leader sees it."""

    entry_id: str
    student_id: str
    name: str
    school: str
    teacher: str
    year: str
    instrument: str
    consent_on: date | None
    consent_by: str
    accommodation: str
    extra_time_percent: int
    enlarged_music: bool
    withdrawn: bool


@dataclass(frozen=True, slots=True)
class RosterReading:
    """What became of a table."""

    added: int
    rejected: tuple[RejectedLine, ...]
    ignored_columns: tuple[str, ...]


def roster(session: Session, audition_id: str) -> list[RosterEntry]:
    """Every line, by name."""
    get_audition(session, audition_id)
    rows = session.exec(
        select(Entry, Student).where(Entry.audition_id == audition_id, Entry.student_id == Student.id)
    ).all()
    return sorted((_view(entry, student) for entry, student in rows), key=lambda e: (alike(e.name), e.instrument))


def roster_page(
    session: Session, audition_id: str, *, find: str, offset: int, limit: int
) -> tuple[int, list[RosterEntry]]:
    """(how many lines hold ``find`` in name, school or teacher, some of them from ``offset`` on), by name.

    The database sorts, so names in other scripts come in its order.
    """
    get_audition(session, audition_id)
    asked = select(Entry, Student).where(Entry.audition_id == audition_id, Entry.student_id == Student.id)
    if wanted := find.strip():
        asked = asked.where(
            sa.or_(
                *(col(c).icontains(wanted, autoescape=True) for c in (Student.name, Student.school, Student.teacher))
            )
        )
    total = session.scalar(asked.with_only_columns(sa.func.count(), maintain_column_froms=True)) or 0
    rows = session.exec(
        asked.order_by(sa.func.lower(Student.name), col(Entry.instrument), col(Entry.id)).offset(offset).limit(limit)
    ).all()
    return total, [_view(entry, student) for entry, student in rows]


def count(session: Session, audition_id: str) -> int:
    """How many lines are not withdrawn."""
    return session.exec(
        select(sa.func.count())
        .select_from(Entry)
        .where(Entry.audition_id == audition_id, col(Entry.withdrawn).is_(False))
    ).one()


def add(session: Session, audition_id: str, line: RosterLine, *, actor: Actor) -> RosterEntry:
    """Add one student on one instrument. Raises ``Duplicate`` when the same student plays it here already.

    A student known from an earlier audition (same name and school) is the same person, so that progress can be shown.
    """
    get_audition(session, audition_id)
    entry, student = _add(session, audition_id, line, _People(session, audition_id))
    custody.record(session, audition_id, actor, "entry-added", entry.id, {})
    return _view(entry, student)


def add_table(
    session: Session, audition_id: str, parsed: ParsedRoster, *, keep_good: bool, actor: Actor
) -> RosterReading:
    """Add the students of a table. With bad lines nothing is added unless ``keep_good``; every bad line is named."""
    get_audition(session, audition_id)
    people = _People(session, audition_id)
    rejected = list(parsed.rejected)
    added: list[str] = []
    with session.begin_nested() as savepoint:
        for line in parsed.lines:
            try:
                entry, _student = _add(session, audition_id, line, people)
                added.append(entry.id)
            except FairhearingError as error:
                rejected.append(RejectedLine(line.line, error.sentence))
        if rejected and not keep_good:
            savepoint.rollback()
            added = []
    if added:
        custody.record(session, audition_id, actor, "entries-added", audition_id, {"count": len(added)})
    return RosterReading(len(added), tuple(sorted(rejected, key=lambda r: r.line)), parsed.ignored_columns)


def change(session: Session, entry_id: str, changes: dict[str, Any], *, actor: Actor) -> RosterEntry:
    """Change fields of a line. The instrument is fixed once the line was drawn; withdrawing reaches open rounds."""
    entry, student = _entry(session, entry_id)
    if "name" in changes:
        student.name = one_line(changes["name"], what="name", longest=LONGEST["name"])
    for key in ("school", "teacher", "year", "consent_by"):
        if key in changes:
            setattr(student, key, one_line(changes[key] or "", what=key, longest=LONGEST[key], required=False))
    if "consent_on" in changes:
        student.consent_on = changes["consent_on"]
    if "accommodation" in changes:
        entry.accommodation = one_line(
            changes["accommodation"] or "", what="accommodation", longest=LONGEST["accommodation"], required=False
        )
    if "extra_time_percent" in changes:
        entry.extra_time_percent = checked_extra_time(changes["extra_time_percent"])
    if "enlarged_music" in changes:
        entry.enlarged_music = bool(changes["enlarged_music"])
    if "instrument" in changes:
        _change_instrument(session, entry, changes["instrument"])
    if "withdrawn" in changes and bool(changes["withdrawn"]) != entry.withdrawn:
        _withdraw(session, entry, withdrawn=bool(changes["withdrawn"]), actor=actor)
    if not {"name", "school", "instrument"}.isdisjoint(changes):
        people = _People(session, entry.audition_id)
        people.refuse_twin(student.name, student.school, entry.instrument, besides=entry.id)
    session.add(student)
    session.add(entry)
    session.flush()
    custody.record(session, entry.audition_id, actor, "entry-changed", entry.id, {"fields": sorted(changes)})
    return _view(entry, student)


def remove(session: Session, entry_id: str, *, actor: Actor) -> None:
    """Remove a line that no round has drawn; a drawn one can only be withdrawn."""
    entry, student = _entry(session, entry_id)
    if _candidates(session, entry_id):
        raise WrongState("This student has a number in a round already; withdraw the line instead of removing it.")
    audition_id = entry.audition_id
    for table in (DeclaredRecusal, RoundEntry):
        session.exec(sa.delete(table).where(col(table.entry_id) == entry_id))
    session.delete(entry)
    session.flush()
    if session.exec(select(Entry.id).where(Entry.student_id == student.id)).first() is None:
        session.delete(student)
    custody.record(session, audition_id, actor, "entry-removed", entry_id, {})


def instrument_key(text: str) -> str:
    """The key of the instrument somebody wrote: its key, its name, or what it is usually called."""
    wanted = alike(text)
    for key, instrument in INSTRUMENTS.items():
        if wanted in (key, alike(instrument.name)):
            return key
    called = instrument_called(text)
    if called is None:
        raise BadInput(
            f"The instrument “{text[:40]}” is not known; write it as in the list, for example "
            f"{', '.join(list(INSTRUMENTS)[:4])}."
        )
    return called


# Inside ----------------------------------------------------------------------------------------------------------


def _entry(session: Session, entry_id: str) -> tuple[Entry, Student]:
    entry = session.get(Entry, entry_id)
    student = session.get(Student, entry.student_id) if entry is not None else None
    if entry is None or student is None:
        raise NotFound(GONE)
    return entry, student


class _People:
    """Who is known and who is on this roster, looked up by name. The database folds case for ASCII only."""

    def __init__(self, session: Session, audition_id: str) -> None:
        self._by_name: dict[tuple[str, str], list[Student]] = {}
        names: dict[str, tuple[str, str]] = {}
        for student in session.exec(select(Student)).all():
            names[student.id] = (alike(student.name), alike(student.school))
            self._by_name.setdefault(names[student.id], []).append(student)
        self._on_roster = {
            (*names[entry.student_id], entry.instrument): entry.id
            for entry in session.exec(select(Entry).where(Entry.audition_id == audition_id)).all()
        }

    def known(self, name: str, school: str) -> Student | None:
        """The one student of this name and school, or None when there is none or several."""
        found = self._by_name.get((alike(name), alike(school)), [])
        return found[0] if len(found) == 1 else None

    def refuse_twin(self, name: str, school: str, instrument: str, *, besides: str | None = None) -> None:
        """Raise ``Duplicate`` when another line has the same student on the same instrument."""
        twin = self._on_roster.get((alike(name), alike(school), instrument))
        if twin is not None and twin != besides:
            raise Duplicate(
                "This student is on the roster with this instrument already; if there are two, add an initial."
            )

    def remember(self, student: Student, entry: Entry) -> None:
        """Take up a line that was just added."""
        name = (alike(student.name), alike(student.school))
        self._on_roster[(*name, entry.instrument)] = entry.id
        there = self._by_name.setdefault(name, [])
        if all(s.id != student.id for s in there):
            there.append(student)


def _add(session: Session, audition_id: str, line: RosterLine, people: _People) -> tuple[Entry, Student]:
    tidy = {
        key: one_line(
            getattr(line, key), what=key.replace("_", " "), longest=longest, required=key in ("name", "instrument")
        )
        for key, longest in LONGEST.items()
    }
    instrument = instrument_key(tidy["instrument"])
    people.refuse_twin(tidy["name"], tidy["school"], instrument)
    student = people.known(tidy["name"], tidy["school"]) or Student(name=tidy["name"], school=tidy["school"])
    for key in ("teacher", "year", "consent_by"):
        if tidy[key]:
            setattr(student, key, tidy[key])
    student.consent_on = line.consent_on or student.consent_on
    session.add(student)
    session.flush()
    entry = Entry(
        audition_id=audition_id,
        student_id=student.id,
        instrument=instrument,
        accommodation=tidy["accommodation"],
        extra_time_percent=checked_extra_time(line.extra_time_percent),
        enlarged_music=line.enlarged_music,
    )
    session.add(entry)
    session.flush()
    people.remember(student, entry)
    return entry, student


def _candidates(session: Session, entry_id: str) -> Sequence[Candidate]:
    return session.exec(select(Candidate).where(Candidate.entry_id == entry_id)).all()


def _change_instrument(session: Session, entry: Entry, text: str) -> None:
    key = instrument_key(one_line(text, what="instrument", longest=LONGEST["instrument"]))
    if key != entry.instrument and _candidates(session, entry.id):
        raise WrongState("This student has a number on the other instrument; withdraw this line and add a new one.")
    entry.instrument = key


def _withdraw(session: Session, entry: Entry, *, withdrawn: bool, actor: Actor) -> None:
    """Mark the line and, in rounds that are not opened, its candidate."""
    entry.withdrawn = withdrawn
    for candidate in _candidates(session, entry.id):
        round_row = session.get(Round, candidate.round_id)
        if round_row is None or round_row.state == "opened":
            continue
        before = candidate.state
        if withdrawn and before in ("expected", "present", "late"):
            candidate.state = "withdrawn"
        elif not withdrawn and before == "withdrawn":
            candidate.state = "expected"
        if candidate.state != before:
            session.add(candidate)
            facts = {"from": before, "to": candidate.state}
            custody.record(session, candidate.round_id, actor, "candidate-state", candidate.id, facts)


def _view(entry: Entry, student: Student) -> RosterEntry:
    return RosterEntry(
        entry_id=entry.id,
        student_id=student.id,
        name=student.name,
        school=student.school,
        teacher=student.teacher,
        year=student.year,
        instrument=entry.instrument,
        consent_on=student.consent_on,
        consent_by=student.consent_by,
        accommodation=entry.accommodation,
        extra_time_percent=entry.extra_time_percent,
        enlarged_music=entry.enlarged_music,
        withdrawn=entry.withdrawn,
    )

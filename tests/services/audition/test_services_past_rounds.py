"""The round before: the same student on the same instrument, opened and earlier; the sheet says what changed since."""

from datetime import date

import pytest
from audition_scene import LEADER
from printing_hall import NAMES, Hall, text_of
from sqlmodel import Session, select

from app.db.database import Database
from app.db.identities import Entry, Student
from app.db.models import Audition, Candidate, Take
from app.services import past_rounds, printing

NAME = "Mira Sund"


def number_of(hall: Hall, name: str) -> str:
    """The candidate behind a name."""
    with hall.database.read() as session:
        for candidate_id in hall.numbers:
            entry = session.get_one(Entry, session.get_one(Candidate, candidate_id).entry_id)
            if session.get_one(Student, entry.student_id).name == name:
                return candidate_id
    raise AssertionError(name)


def held_on(hall: Hall, day: date) -> None:
    def work(session: Session) -> None:
        row = session.get_one(Audition, hall.audition_id)
        row.name, row.held_on = f"Mock of {day:%B}", day
        session.add(row)

    hall.database.write(work)


@pytest.fixture
def twice(database: Database) -> tuple[Hall, Hall]:
    """The same four students in spring, B-flat far off, and in autumn, better in tune."""
    spring, autumn = Hall(database), Hall(database)
    for hall, day, cents in ((spring, date(2026, 3, 14), 48.0), (autumn, date(2026, 11, 21), 30.0)):
        held_on(hall, day)
        hall.measured(number_of(hall, NAME), cents=cents)
    spring.open()
    autumn.open()
    return spring, autumn


def sheet(hall: Hall, name: str = NAME) -> str:
    return text_of(printing.print_comment_sheet(hall.database, number_of(hall, name), actor=LEADER).pdf)


def test_the_autumn_sheet_says_what_changed_since_spring(twice: tuple[Hall, Hall]) -> None:
    spring, autumn = twice
    assert "Since the last mock audition" not in sheet(spring)
    text = sheet(autumn)
    assert "Against First round of Mock of March, 14 March 2026, the same music." in text
    assert "Notes as written: 100 % now, 100 then" in text
    assert "Distance from the pulse: 0.4 % of a beat now, 0.4 then" in text
    assert text.count("no change.") >= 2


def test_who_was_not_there_before_reads_nothing_about_it(twice: tuple[Hall, Hall]) -> None:
    spring, autumn = twice
    measured = {number_of(spring, NAME), spring.numbers[0]}  # the hall measures its first number, whoever drew it
    new = next(name for name in NAMES if number_of(spring, name) not in measured)
    assert "Since the last mock audition" not in sheet(autumn, new)


def test_a_sealed_round_and_another_instrument_are_not_laid_beside_it(database: Database) -> None:
    spring, autumn = Hall(database), Hall(database)
    held_on(spring, date(2026, 3, 14))
    held_on(autumn, date(2026, 11, 21))
    then, now = number_of(spring, NAME), number_of(autumn, NAME)
    spring.measured(then, cents=48.0)

    def found() -> past_rounds.PastRound | None:
        with database.read() as session:
            return past_rounds.before(session, session.get_one(Candidate, now))

    assert found() is None
    spring.open()
    there = found()
    assert there is not None
    assert (there.round.id, len(there.takes)) == (spring.round_id, 1)
    with database.read() as session:  # looking back from the earlier round finds nothing
        assert past_rounds.before(session, session.get_one(Candidate, then)) is None

    def other_instrument(session: Session) -> None:
        entry = session.get_one(Entry, session.get_one(Candidate, then).entry_id)
        entry.instrument = "flute"
        session.add(entry)

    database.write(other_instrument)
    assert found() is None


def test_a_voided_take_is_not_compared(database: Database) -> None:
    spring, autumn = Hall(database), Hall(database)
    held_on(spring, date(2026, 3, 14))
    then, now = number_of(spring, NAME), number_of(autumn, NAME)
    spring.measured(then, cents=48.0)
    spring.open()

    def void(session: Session) -> None:
        for take in session.exec(select(Take).where(Take.candidate_id == then)):
            take.state = "voided"
            session.add(take)

    database.write(void)
    with database.read() as session:
        assert past_rounds.before(session, session.get_one(Candidate, now)) is None

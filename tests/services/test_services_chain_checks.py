"""A long audit chain is not read whole at each look, and what somebody changes in it is noticed all the same."""

from collections.abc import Callable
from weakref import WeakKeyDictionary

import pytest
from sqlmodel import Session, select

from app.db.database import Database
from app.db.models import AuditEntry
from app.domain.actor import SYSTEM
from app.services import chain_checks, custody
from app.services.chain_checks import ChainCheck

pytestmark = pytest.mark.both_engines
CHAIN = "c" * 32
WRITTEN = 12


@pytest.fixture(autouse=True)
def a_process_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chain_checks, "SHORT", 4)
    monkeypatch.setattr(chain_checks, "AT_ONCE", 5)
    monkeypatch.setattr(chain_checks, "_known", WeakKeyDictionary())


def write(database: Database, count: int) -> None:
    def work(session: Session) -> None:
        for n in range(count):
            custody.record(session, CHAIN, SYSTEM, "came-in", f"{n:032}", {"letter": "A"})

    database.write(work)


def look(database: Database, *seqs: int) -> ChainCheck:
    """A look at the chain by somebody who is shown these entries."""
    with database.read() as session:
        shown = [entry for entry in custody.chain_entries(session, CHAIN) if entry.seq in seqs]
        return chain_checks.check(session, CHAIN, shown)


def meddle(database: Database, work: Callable[[Session, list[AuditEntry]], None]) -> None:
    database.write(
        lambda s: work(s, list(s.exec(select(AuditEntry).order_by(AuditEntry.seq)).all()))  # type: ignore[arg-type]
    )


@pytest.fixture
def chain(database: Database) -> Database:
    write(database, WRITTEN)
    first = look(database)
    assert (first.broken, first.whole_to) == (None, WRITTEN)
    write(database, 7)
    again = look(database, 3, 15)
    assert (again.broken, again.whole_to, again.whole_at) == (None, WRITTEN, first.whole_at)
    return database


def test_an_entry_that_is_changed_is_noticed_where_it_is_shown_and_by_the_next_whole_reading(
    chain: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    def change(session: Session, entries: list[AuditEntry]) -> None:
        entries[2].facts = {"letter": "B"}
        session.add(entries[2])

    meddle(chain, change)
    assert look(chain, 4).broken is None
    assert "entry 3 of chain" in str(look(chain, 3).broken)
    monkeypatch.setattr(chain_checks, "WHOLE_AGAIN_SEC", 0.0)
    for _ in range(2):
        assert "entry 3 of chain" in str(look(chain).broken)


@pytest.mark.parametrize("seq", [3, 12, 17, 19])
def test_an_entry_that_is_taken_away_is_noticed_at_once(chain: Database, seq: int) -> None:
    meddle(chain, lambda session, entries: session.delete(entries[seq - 1]))
    for _ in range(2):
        assert look(chain).broken is not None


def test_a_chain_that_is_written_anew_holds_in_itself_and_is_noticed_at_once(chain: Database) -> None:
    def forge(session: Session, entries: list[AuditEntry]) -> None:
        entries[2].facts = {"letter": "B"}
        previous = custody.FIRST_PREVIOUS_HASH
        for entry in entries:
            entry.previous_hash = previous
            entry.hash = previous = custody.entry_hash(entry)
            session.add(entry)

    meddle(chain, forge)
    with chain.read() as session:
        assert custody.first_break(custody.chain_entries(session, CHAIN)) is None
    for _ in range(2):
        assert "entry 19 of chain" in str(look(chain).broken)
        assert "is not what it was" in str(look(chain).broken)


def test_a_short_chain_is_read_whole_each_time(database: Database) -> None:
    write(database, 4)
    assert look(database).whole_to == 4

    def change(session: Session, entries: list[AuditEntry]) -> None:
        entries[1].subject = ""
        session.add(entries[1])

    meddle(database, change)
    assert "entry 2 of chain" in str(look(database).broken)


def test_a_copy_with_a_shorter_chain_is_no_broken_one(chain: Database, make_url: Callable[[], str]) -> None:
    copy = Database(make_url())
    try:
        write(copy, WRITTEN - 3)
        assert look(copy).broken is None
        assert look(chain).broken is None
    finally:
        copy.close()

"""A worker that opens or prints a long round is killed (SIGKILL): one result, nothing half done, and it goes on."""

import multiprocessing
import signal
from collections.abc import Callable
from pathlib import Path

import long_worker
import pytest
from audition_scene import LEADER
from printing_hall import Hall, long_hall
from sqlmodel import Session, SQLModel, func, select

from app.db.database import Database
from app.db.identities import PrintedModel, WorkedPaper
from app.db.models import AuditEntry, Document, Job, Round, StandingLine
from app.files.store import TakeStore
from app.jobs.worker import Worker
from app.services import long_printing, opening, opening_long
from app.services.ledger import DatabaseLedger
from app.services.working import tasks_of

pytestmark = [pytest.mark.slow, pytest.mark.both_engines]


@pytest.fixture
def hall(database: Database, monkeypatch: pytest.MonkeyPatch) -> Hall:
    return long_hall(database, monkeypatch, long_from=long_worker.LONG_ROUND, at_once=long_worker.AT_ONCE)


@pytest.fixture
def killed(url: str, database: Database, tmp_path: Path) -> Callable[[str, float], None]:
    """Has a worker process begin the job that waits, and end where it is told; its supervisor puts the job back."""

    def work(where: str, after: float) -> None:
        one = multiprocessing.get_context("spawn").Process(
            target=long_worker.run, args=(url, str(tmp_path), "killed", where, after)
        )
        one.start()
        one.join()
        assert one.exitcode == -signal.SIGKILL
        assert DatabaseLedger(database).release("killed", forgive=False) == 1

    return work


def go_on(hall: Hall, folder: Path) -> None:
    """Another worker does what waits."""
    tasks = tasks_of(hall.database, TakeStore(folder / "takes"))
    worker = Worker("next", DatabaseLedger(hall.database), tasks, lambda: False, lease_sec=300.0, idle=lambda sec: None)
    assert worker.run_one()
    assert not worker.run_one()


def count(hall: Hall, table: type[SQLModel], *where: object) -> int:
    with hall.database.read() as session:
        return session.exec(select(func.count()).select_from(table).where(*where)).one()  # type: ignore[arg-type]


def noted(hall: Hall, action: str) -> int:
    return count(hall, AuditEntry, AuditEntry.chain == hall.round_id, AuditEntry.action == action)


def attempts(hall: Hall) -> list[tuple[str, int]]:
    with hall.database.read() as session:
        return [(job.state, job.attempts) for job in session.exec(select(Job)).all()]


@pytest.mark.parametrize("where", ["while computing", "while saving"])
def test_a_worker_killed_while_it_opens_a_long_round_leaves_it_sealed_and_the_next_one_opens_it_once(
    hall: Hall, killed: Callable[[str, float], None], tmp_path: Path, where: str
) -> None:
    def ask(session: Session) -> bool:
        return opening_long.ask(session, hall.round_id, reason="", actor=LEADER)

    assert hall.database.write(ask)
    killed(where, 0.9)
    with hall.database.read() as session:
        row = session.get_one(Round, hall.round_id)
        assert (row.state, row.opened_at, row.standing, row.standing_hash) == ("drawn", None, None, None)
    assert (count(hall, StandingLine), noted(hall, "opened")) == (0, 0)
    go_on(hall, tmp_path)
    assert attempts(hall) == [("done", 2)]
    assert (count(hall, StandingLine), noted(hall, "opened")) == (4, 1)
    assert hall.look(opening.recompute, hall.round_id) is None


@pytest.mark.parametrize(("where", "kept"), [("while computing", 2), ("while saving", 4)])
def test_a_worker_killed_while_it_prints_leaves_whole_sheets_and_the_next_one_prints_each_once(
    hall: Hall, killed: Callable[[str, float], None], tmp_path: Path, where: str, kept: int
) -> None:
    hall.open()
    hall.database.write(lambda session: long_printing.ask(session, hall.round_id, long_printing.COMMENTS, actor=LEADER))
    killed(where, 0.5)
    assert (count(hall, Document), count(hall, PrintedModel), count(hall, WorkedPaper)) == (kept, kept, 0)
    assert noted(hall, "printed-comment-sheet") == 0
    go_on(hall, tmp_path)
    assert attempts(hall) == [("done", 2)]
    assert (count(hall, Document), count(hall, PrintedModel), count(hall, WorkedPaper)) == (4, 4, 1)
    assert noted(hall, "printed-comment-sheet") == 1

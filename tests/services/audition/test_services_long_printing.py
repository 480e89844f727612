"""Long rounds printed and compared by a worker: kept, told when of yesterday, stopped, fetched in parts."""

import io
import zipfile
from collections.abc import Callable
from typing import Any

import pytest
import sqlalchemy as sa
from audition_scene import LEADER
from printing_hall import Hall, long_hall, text_of
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.identities import PrintedModel, WorkedPaper
from app.db.models import AdjudicationSheet, AuditEntry, Audition, Candidate, Document, Job, Round, Share, SheetVersion
from app.db.types import now_utc
from app.domain.errors import BadInput, WrongState
from app.jobs.ledger import LeaseLost
from app.services import (
    comparing_long,
    kept_sheets,
    long_printing,
    opening,
    printed_round,
    printing,
    rounds,
    sheet_models,
)
from app.services.ledger import DatabaseLedger
from app.services.long_printing import COMMENTS, NUMBERS, SCORE
from app.services.printed_round import load_round
from app.services.sheet_models import comment_sheet_model, score_sheet_model
from app.sheets import score_sheet

pytestmark = pytest.mark.both_engines


@pytest.fixture
def hall(database: Database, monkeypatch: pytest.MonkeyPatch) -> Hall:
    return long_hall(database, monkeypatch)


def ask(hall: Hall, kind: str) -> long_printing.Working:
    return hall.database.write(lambda session: long_printing.ask(session, hall.round_id, kind, actor=LEADER))


def work_off(hall: Hall, task: Callable[..., Any], progress: Callable[[float, str], None] | None = None) -> list[float]:
    """Do the one job there is as a worker does; returns how far it told it was."""
    ledger, told = DatabaseLedger(hall.database), list[float]()
    job = ledger.claim("worker", 30.0)
    assert job is not None
    save = task(job.payload, progress or (lambda share, text: told.append(share)))
    assert ledger.finish(job.id, "worker", save)
    return told


def printed_entries(hall: Hall, kind: str) -> list[AuditEntry]:
    with hall.database.read() as session:
        asked = select(AuditEntry).where(AuditEntry.chain == hall.round_id, AuditEntry.action == f"printed-{kind}")
        return list(session.exec(asked).all())


def sheets_in(parts: Any) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(b"".join(parts))) as archive:
        assert archive.testzip() is None
        return {name: archive.read(name) for name in archive.namelist()}


def test_the_score_sheet_is_drawn_by_a_worker_and_is_the_one_that_would_be_drawn_at_once(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(WrongState, match="have it drawn first"):
        hall.look(long_printing.score_sheet, hall.round_id, named=True)
    assert ask(hall, SCORE).state == "queued"
    assert ask(hall, SCORE).state == "queued"  # and no second job
    work_off(hall, long_printing.PrintLong(hall.database, SCORE))
    sealed = hall.look(long_printing.score_sheet, hall.round_id, named=True)
    assert sealed is not None
    assert sealed[1] == printing.draw_score_sheet(hall.database, hall.round_id, named=True).pdf
    hall.open()
    assert not hall.look(long_printing.working, hall.round_id, SCORE).is_current  # names stand on it now
    ask(hall, SCORE)
    work_off(hall, long_printing.PrintLong(hall.database, SCORE))
    assert hall.look(long_printing.working, hall.round_id, SCORE).is_current
    with hall.database.read() as session:
        assert (
            session.get(WorkedPaper, (hall.round_id, SCORE)).pdf
            == hall.look(long_printing.score_sheet, hall.round_id, named=True)[1]
        )
        assert session.get(WorkedPaper, (hall.round_id, NUMBERS)) is None
    assert len(printed_entries(hall, "score-sheet")) == 2
    monkeypatch.setattr(rounds, "LONG_ROUND", 4)
    assert hall.look(long_printing.working, hall.round_id, SCORE) is None
    assert hall.look(long_printing.score_sheet, hall.round_id, named=True) is None  # drawn when asked for


def test_comment_sheets_are_kept_as_they_are_drawn_and_fetched_in_parts(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(WrongState, match="open the round first"):
        ask(hall, COMMENTS)
    hall.open()
    with pytest.raises(WrongState, match="have them drawn first"):
        long_printing.comment_sheets_zip(hall.database, hall.round_id, offset=0, limit=2)
    ask(hall, COMMENTS)
    told = work_off(hall, long_printing.PrintLong(hall.database, COMMENTS))
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert hall.look(long_printing.printed_comment_sheets, hall.round_id) == 4
    assert hall.look(long_printing.working, hall.round_id, COMMENTS).is_current
    [entry] = printed_entries(hall, "comment-sheet")
    assert entry.facts["sheets"] == 4
    whole = {s.file_name: s.pdf for s in printing.print_comment_sheets(hall.database, hall.round_id, actor=LEADER)}
    ask_for = [(0, 3), (3, 3), (0, 500)]
    first, rest, every = (
        sheets_in(long_printing.comment_sheets_zip(hall.database, hall.round_id, offset=at, limit=most))
        for at, most in ask_for
    )
    assert (len(first), len(rest)) == (3, 1)
    assert {**first, **rest} == every == whole
    assert len(whole) == 4
    with pytest.raises(BadInput, match="1 to 500"):
        long_printing.comment_sheets_zip(hall.database, hall.round_id, offset=0, limit=501)
    one = hall.look(lambda session: session.exec(select(Candidate).where(Candidate.round_id == hall.round_id)).first())
    monkeypatch.setattr(printing, "load_round", None)  # nothing but the one kept sheet is read
    alone = long_printing.comment_sheet(hall.database, one.id, actor=LEADER, detail=False)
    assert whole[alone.file_name] == alone.pdf


def test_a_printing_that_is_stopped_keeps_what_it_has_and_goes_on_when_asked_again(hall: Hall) -> None:
    hall.open()
    ask(hall, COMMENTS)

    def stopped_at_the_second_part(share: float, text: str) -> None:
        if share >= 0.75:
            hall.database.write(lambda session: long_printing.stop(session, hall.round_id, COMMENTS))
            raise LeaseLost  # as a worker does when it finds that the job is no longer its own

    with pytest.raises(LeaseLost):
        work_off(hall, long_printing.PrintLong(hall.database, COMMENTS), stopped_at_the_second_part)
    assert hall.look(long_printing.working, hall.round_id, COMMENTS).state == "none"
    with hall.database.read() as session:
        assert len(session.exec(select(Document)).all()) == 3
        assert session.exec(select(Job).where(Job.kind == COMMENTS)).all() == []
    assert printed_entries(hall, "comment-sheet") == []
    ask(hall, COMMENTS)
    work_off(hall, long_printing.PrintLong(hall.database, COMMENTS))
    with hall.database.read() as session:
        assert len(session.exec(select(Document)).all()) == len(session.exec(select(PrintedModel)).all()) == 4
    assert len(printed_entries(hall, "comment-sheet")) == 1


def test_what_was_printed_goes_with_the_names_on_it(hall: Hall) -> None:
    hall.open()
    ask(hall, SCORE)
    work_off(hall, long_printing.PrintLong(hall.database, SCORE))
    some = hall.look(lambda session: session.exec(select(Candidate.id).order_by(col(Candidate.id)).limit(1)).all())
    hall.database.write(lambda session: kept_sheets.forget(session, some))
    with pytest.raises(WrongState, match="have it drawn first"):
        hall.look(long_printing.score_sheet, hall.round_id, named=True)


def test_a_long_round_is_compared_by_a_worker(hall: Hall, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(WrongState, match="not opened"):
        hall.database.write(lambda session: comparing_long.ask(session, hall.round_id))
    hall.open()
    before = hall.look(comparing_long.view, hall.round_id)
    assert (before.same, before.sentence, before.working.state) == (None, comparing_long.NOT_COMPARED, "none")
    assert hall.database.write(lambda session: comparing_long.ask(session, hall.round_id)).state == "queued"
    work_off(hall, comparing_long.CompareStanding(hall.database))
    found = hall.look(comparing_long.view, hall.round_id)
    at_once = hall.look(opening.compare, hall.round_id)
    assert (found.working.state, found.working.is_current, at_once.working) == ("done", True, None)
    for name in ("same", "sentence", "standing_hash", "input_hash", "input_hash_now", "differs"):
        assert getattr(found, name) == getattr(at_once, name), name
    assert found.same

    def tampered(session: Any) -> None:
        row = session.get_one(Round, hall.round_id)
        row.standing = {**row.standing, "rows": [{**line, "mark": 1.0} for line in row.standing["rows"]]}
        session.add(row)

    hall.database.write(tampered)
    monkeypatch.setattr(comparing_long, "MOST_DIFFERENCES", 1)
    hall.database.write(lambda session: comparing_long.ask(session, hall.round_id))
    work_off(hall, comparing_long.CompareStanding(hall.database))
    found = hall.look(comparing_long.view, hall.round_id)
    assert (found.same, len(found.differs), found.differs[-1]) == (False, 2, "3 more numbers differ.")
    monkeypatch.setattr(rounds, "LONG_ROUND", 4)
    assert hall.look(comparing_long.view, hall.round_id).working is None


def in_shares(session: Session, hall: Hall) -> None:
    """The round as one that is heard in shares: C hears the first and third number, B the others, A all."""
    row = session.get_one(Round, hall.round_id)
    row.due_at, row.handed_in_at, row.per_candidate = now_utc(), now_utc(), 2
    audition = session.get_one(Audition, hall.audition_id)
    audition.rule = {**audition.rule, "combine": "severity-adjusted"}
    session.add_all([row, audition])
    a, b, c = hall.judges
    for place, number in enumerate(hall.numbers):
        for judge in (a, c if place % 2 == 0 else b):
            session.add(Share(adjudicator_id=judge, candidate_id=number, place=place))
        not_theirs = b if place % 2 == 0 else c
        sheets = select(AdjudicationSheet).where(
            AdjudicationSheet.candidate_id == number, AdjudicationSheet.adjudicator_id == not_theirs
        )
        for sheet in session.exec(sheets).all():
            session.execute(sa.delete(SheetVersion).where(col(SheetVersion.sheet_id) == sheet.id))
            session.delete(sheet)


def test_sheets_of_shares_name_those_who_heard_a_number_and_nobody_else(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    hall.database.write(lambda session: in_shares(session, hall))
    hall.open()
    standing = hall.look(opening.shown, hall.round_id)
    assert standing["doubt"]["method"] == "model"
    assert all(line["place_low"] for line in standing["rows"])
    loaded = hall.look(load_round, hall.round_id, with_music=False)
    sheet = hall.look(comment_sheet_model, loaded, hall.numbers[1])
    assert sheet.letters == ("A", "B")
    assert {len(row.marks) for block in sheet.blocks for row in block.rows} == {2}
    assert sheet.notes[0].startswith("You were heard by 2 of 3 adjudicators")
    assert not any("No sheet came" in note for note in sheet.notes)
    few = score_sheet_model(loaded, named=True)
    assert (few.letters, few.signatures[:-1]) == (("A", "B", "C"), ("Adjudicator A", "Adjudicator B", "Adjudicator C"))
    monkeypatch.setattr(printed_round, "MOST_LETTERS", 2)
    monkeypatch.setattr(sheet_models, "MOST_SIGNED", 2)
    many = score_sheet_model(loaded, named=True)
    assert (many.letters, many.signatures) == (("1", "2"), ("Section leader",))
    by_number = {line.blind_number: line.adjudicators for line in few.lines}
    for line in many.lines:
        assert line.adjudicators == tuple(total for total in by_number[line.blind_number] if total is not None)
    assert "own totals of those who heard the number" in text_of(score_sheet.render(many))
    assert "own totals of those" not in text_of(score_sheet.render(few))

"""Sheets printed again from what was kept: equal bytes whatever changed since, and nothing left of a destroyed name."""

import hashlib
from typing import Any

import pytest
from audition_scene import LEADER
from printing_hall import Hall, text_of
from sqlmodel import Session, select

from app.db.database import Database
from app.db.identities import PrintedModel, Student
from app.db.models import AuditEntry, Audition, Document, Piece, PrintedMusic
from app.domain.errors import NotFound, WrongState
from app.domain.ids import new_id
from app.services import kept_sheets, printing
from app.sheets import comment_sheet, models


@pytest.fixture
def hall(database: Database) -> Hall:
    made = Hall(database)
    made.open()
    return made


def change_everything(hall: Hall) -> None:
    """Another name, another title, other notes, other findings, another audition's name."""

    def work(session: Session) -> None:
        for student in session.exec(select(Student)):
            student.name = "Renamed Person"
            session.add(student)
        for piece in session.exec(select(Piece)):
            piece.title = "Retitled"
            if piece.source_format == "recipe":
                piece.source = piece.source.replace(b'"F"', b'"Bb"')
            session.add(piece)
        there = session.exec(select(Audition)).one()
        there.name, there.paper = "Renamed mock", "a4"
        session.add(there)

    hall.database.write(work)
    hall.measured(hall.numbers[0], cents=-40.0)


def test_a_reprint_is_the_original_whatever_changed_since(hall: Hall) -> None:
    comment = printing.print_comment_sheet(hall.database, hall.numbers[0], actor=LEADER)
    score = printing.print_score_sheet(hall.database, hall.round_id, named=True, actor=LEADER)
    with hall.database.read() as session:
        _total, listed = kept_sheets.kept_sheets(session, hall.round_id)
    assert {(k.kind, k.blind_number, k.can_print) for k in listed} == {
        ("comment-sheet", hall.blind[0], True),
        ("score-sheet", None, True),
    }
    change_everything(hall)
    fresh = printing.print_comment_sheet(hall.database, hall.numbers[0], actor=LEADER)
    assert "Renamed Person" in text_of(fresh.pdf)
    assert fresh.model_hash != comment.model_hash
    for original in (comment, score):
        document = next(k.document_id for k in listed if k.kind == original.kind)
        again = printing.reprint(hall.database, document, actor=LEADER)
        assert again.pdf == original.pdf
        assert (again.model_hash, again.file_name) == (original.model_hash, original.file_name)
        assert again.model_hash[:12] in text_of(again.pdf)
    with hall.database.read() as session:
        assert len(session.exec(select(Document)).all()) == 3  # a reprint is no new sheet
        assert session.exec(select(AuditEntry).where(AuditEntry.action == "printed-score-sheet")).all()[1:]


def test_music_is_kept_once_for_all_sheets(hall: Hall) -> None:
    printing.print_comment_sheets(hall.database, hall.round_id, actor=LEADER)
    with hall.database.read() as session:
        assert len(session.exec(select(PrintedModel)).all()) == 4
        assert len(session.exec(select(PrintedMusic)).all()) <= 1


def test_another_template_makes_a_new_version_beside_the_old(hall: Hall, monkeypatch: pytest.MonkeyPatch) -> None:
    first = printing.print_comment_sheet(hall.database, hall.numbers[0], actor=LEADER)
    with hall.database.read() as session:
        document = session.exec(select(Document.id)).one()
    change_everything(hall)
    monkeypatch.setattr(kept_sheets, "TEMPLATE_VERSION", "99")
    second = printing.reprint(hall.database, document, actor=LEADER)
    assert second.template_version == "99"
    assert second.model_hash != first.model_hash
    assert second.model_hash[:12] in text_of(second.pdf)
    assert "Renamed" not in text_of(second.pdf)
    with hall.database.read() as session:
        rows = {d.template_version: d for d in session.exec(select(Document)).all()}
    assert set(rows) == {models.TEMPLATE_VERSION, "99"}
    assert rows["99"].pdf_sha256 == hashlib.sha256(second.pdf).hexdigest()


def test_bytes_that_would_differ_are_refused(hall: Hall, monkeypatch: pytest.MonkeyPatch) -> None:
    printing.print_comment_sheet(hall.database, hall.numbers[0], actor=LEADER)
    with hall.database.read() as session:
        document = session.exec(select(Document.id)).one()
    draw: Any = comment_sheet.render
    monkeypatch.setattr(comment_sheet, "render", lambda model: draw(model) + b"\n")
    with pytest.raises(WrongState, match="would not come out as it was printed"):
        printing.reprint(hall.database, document, actor=LEADER)


def test_a_changed_model_is_noticed(hall: Hall) -> None:
    printing.print_comment_sheet(hall.database, hall.numbers[0], actor=LEADER)
    printing.print_comment_sheet(hall.database, hall.numbers[1], actor=LEADER)

    def swap(session: Session) -> list[str]:
        first, second = session.exec(select(PrintedModel)).all()
        first.content = second.content
        session.add(first)
        return [first.document_id, second.document_id]

    swapped, sound = hall.database.write(swap)
    with pytest.raises(WrongState, match="was changed"):
        printing.reprint(hall.database, swapped, actor=LEADER)
    assert printing.reprint(hall.database, sound, actor=LEADER).pdf.startswith(b"%PDF-")
    with pytest.raises(NotFound):
        printing.reprint(hall.database, new_id(), actor=LEADER)


def test_destroying_a_name_destroys_what_its_sheets_were_drawn_from(hall: Hall) -> None:
    printing.print_comment_sheets(hall.database, hall.round_id, actor=LEADER)
    printing.print_score_sheet(hall.database, hall.round_id, named=True, actor=LEADER)
    assert hall.database.write(lambda s: kept_sheets.forget(s, [hall.numbers[0]])) == 2
    with hall.database.read() as session:
        _total, listed = kept_sheets.kept_sheets(session, hall.round_id)
        assert len(listed) == 5  # that they were printed remains on record
        gone = [k for k in listed if not k.can_print]
    assert {(k.kind, k.candidate_id) for k in gone} == {("comment-sheet", hall.numbers[0]), ("score-sheet", None)}
    with pytest.raises(WrongState, match="names on it were destroyed"):
        printing.reprint(hall.database, gone[0].document_id, actor=LEADER)

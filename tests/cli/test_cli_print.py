"""``fairhearing print`` from the terminal."""

from datetime import date
from pathlib import Path

import pytest
from sqlmodel import Session, select

from app.cli.main import main
from app.db import schema
from app.db.database import Database
from app.db.models import Piece, Round
from app.domain.actor import Actor
from app.domain.ids import new_id
from app.services import audition, declaring, draw, opening, panel_setup, roster, sheets_in
from app.services.roster_csv import RosterLine

LEADER = Actor("leader", "0" * 32)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A data folder with one drawn round of two candidates, everything handed in."""
    data = tmp_path / "data"
    url = f"sqlite:///{data / 'fairhearing.db'}"
    data.mkdir()
    schema.upgrade(url)
    database = Database(url)

    def make(session: Session) -> None:
        there = audition.create(session, {"name": "Spring mock", "held_on": date(2026, 3, 7)}, actor=LEADER)
        piece = Piece(audition_id=there.id, title="Étude", kind="untyped")
        session.add(piece)
        session.flush()
        for name in ("Ada Sample", "Béla Próba"):
            roster.add(
                session, there.id, RosterLine(name=name, instrument="flute", consent_on=date(2026, 3, 1)), actor=LEADER
            )
        judge = panel_setup.add(session, there.id, "First Ear", actor=LEADER).id
        declaring.declare(session, there.id, actor=LEADER)
        made = draw.create_round(
            session, there.id, name="First", kind="first", seats=1, piece_ids=[], entry_ids=None, actor=LEADER
        )
        draw.commit_seed(session, made.id, actor=LEADER)
        drawn = draw.draw_round(session, made.id, actor=LEADER)
        marks = dict.fromkeys(("tone", "pitch", "rhythm", "musicianship"), 7)
        for candidate in drawn.candidates:
            sheets_in.submit(
                session,
                judge,
                candidate.candidate_id,
                version_id=new_id(),
                marks={piece.id: marks},
                remarks=[],
                actor=Actor("adjudicator", judge),
            )

    database.write(make)
    database.close()
    return data


def open_round(folder: Path) -> None:
    database = Database(f"sqlite:///{folder / 'fairhearing.db'}")
    with database.read() as session:
        round_id = session.exec(select(Round.id)).one()
    opening.open_round(database, round_id, reason="", actor=LEADER)
    database.close()


def test_before_opening_it_prints_numbers_only(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["print", "--round", "first", "--out", str(out), "--data", str(folder)]) == 0
    assert [p.name for p in out.iterdir()] == ["score sheet by numbers.pdf"]
    assert "not opened yet" in capsys.readouterr().out


def test_after_opening_it_prints_everything(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    open_round(folder)
    out = tmp_path / "out"
    assert main(["print", "--round", "First", "--out", str(out), "--data", str(folder)]) == 0
    assert {p.name for p in out.glob("*.pdf")} == {"score sheet by numbers.pdf", "score sheet with names.pdf"}
    sheets = sorted((out / "comment sheets").iterdir())
    assert {p.stem.split(" ", 1)[1] for p in sheets} == {"Ada Sample", "Béla Próba"}
    assert all(p.read_bytes().startswith(b"%PDF-") for p in sheets)
    assert "2 score sheets and 2 comment sheets" in capsys.readouterr().out
    first = {p.name: p.read_bytes() for p in sheets}
    assert main(["print", "--round", "First", "--out", str(out), "--data", str(folder)]) == 0
    assert {p.name: p.read_bytes() for p in (out / "comment sheets").iterdir()} == first


def test_what_is_not_there_is_said_in_one_line(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["print", "--round", "Third", "--out", str(tmp_path), "--data", str(folder)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "There is no round “Third”; the rounds here are: “First” of “Spring mock”." in said
    assert main(["print", "--round", "First", "--out", str(tmp_path), "--data", str(tmp_path / "nothing")]) == 2
    assert "no Fairhearing data" in capsys.readouterr().err
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    assert main(["print", "--round", "First", "--out", str(blocked), "--data", str(folder)]) == 2
    assert "can't be written" in capsys.readouterr().err

"""A drawn round of two invented students and two pieces, made through the services."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pytest
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import Candidate, Piece
from app.domain.actor import Actor
from app.files.store import TakeStore
from app.services import audition, declaring, draw, panel_setup, roster
from app.services.roster_csv import RosterLine

LEADER = Actor("leader", "0" * 32)
SCALE = b'{"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "clarinet-bb"}'


@dataclass(frozen=True)
class Scene:
    audition_id: str
    round_id: str
    piece_ids: tuple[str, str]
    candidate_ids: tuple[str, str]  # in playing order
    names: tuple[str, str]


@pytest.fixture
def database(url: str) -> Iterator[Database]:
    database = Database(url)
    yield database
    database.close()


@pytest.fixture
def store(tmp_path: Path) -> TakeStore:
    return TakeStore(tmp_path / "data" / "takes")


def undeclared_scene(session: Session) -> Scene:
    there = audition.create(session, {"name": "Spring mock", "held_on": date(2026, 3, 7)}, actor=LEADER)
    pieces = []
    for position, title in enumerate(("Scale", "Étude")):
        piece = Piece.model_validate(
            {
                "audition_id": there.id,
                "position": position,
                "title": title,
                "kind": "generated",
                "source": SCALE,
                "source_format": "recipe",
            }
        )
        session.add(piece)
        session.flush()
        pieces.append(piece.id)
    names = ("Ada Sample", "Béla Próba")
    for name in names:
        line = RosterLine(name=name, instrument="clarinet-bb", consent_on=date(2026, 3, 1), consent_by="Guardian")
        roster.add(session, there.id, line, actor=LEADER)
    panel_setup.add(session, there.id, "First Ear", actor=LEADER)
    made = draw.create_round(
        session, there.id, name="First", kind="first", seats=1, piece_ids=[], entry_ids=None, actor=LEADER
    )
    draw.commit_seed(session, made.id, actor=LEADER)
    draw.draw_round(session, made.id, actor=LEADER)
    candidates = session.exec(
        select(Candidate.id).where(Candidate.round_id == made.id).order_by(col(Candidate.playing_order))
    ).all()
    return Scene(there.id, made.id, (pieces[0], pieces[1]), (candidates[0], candidates[1]), names)


@pytest.fixture
def undeclared(database: Database) -> Scene:
    """The rule is not declared yet."""
    return database.write(undeclared_scene)


@pytest.fixture
def scene(database: Database, undeclared: Scene) -> Scene:
    database.write(lambda session: declaring.declare(session, undeclared.audition_id, actor=LEADER))
    return undeclared

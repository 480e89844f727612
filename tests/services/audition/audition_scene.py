"""An audition to work with; every call is a transaction of its own."""

from collections.abc import Callable
from datetime import date
from typing import Any, TypeVar

from sqlmodel import Session

from app.db import models
from app.db.database import Database
from app.domain.actor import Actor
from app.domain.ids import new_id
from app.services import audition, declaring, draw, panel_setup, roster, sheets_in
from app.services.draw import RoundView
from app.services.roster_csv import RosterLine

T = TypeVar("T")
LEADER = Actor("leader", "0" * 32)


class Scene:
    """An audition and the words to set it up."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self.audition_id = self.do(audition.create, {"name": "Spring mock", "held_on": date(2026, 3, 14)}).id

    def do(self, work: Callable[..., T], *args: Any, actor: Actor = LEADER, **options: Any) -> T:
        """Run a service in a transaction of its own."""
        return self.database.write(lambda session: work(session, *args, **options, actor=actor))

    def look(self, work: Callable[..., T], *args: Any, **options: Any) -> T:
        """Run a service that only reads."""
        with self.database.read() as session:
            return work(session, *args, **options)

    def piece(self, title: str = "Étude", position: int = 0) -> str:
        def add(session: Session, *, actor: Actor) -> str:
            row = models.Piece(audition_id=self.audition_id, title=title, kind="untyped", position=position)
            session.add(row)
            session.flush()
            return row.id

        return self.do(add)

    def student(self, name: str, instrument: str = "clarinet-bb", **more: Any) -> str:
        return self.do(
            roster.add, self.audition_id, RosterLine(name, instrument, **({"consent_on": date(2026, 3, 1)} | more))
        ).entry_id

    def adjudicator(self, name: str) -> str:
        return self.do(panel_setup.add, self.audition_id, name).id

    def declare(self, **rule: Any) -> None:
        self.do(declaring.set_rule, self.audition_id, {"combine": "mean", **rule})
        self.do(declaring.declare, self.audition_id)

    def round(self, name: str = "First round", kind: str = "first", **plan: Any) -> str:
        plan = {"seats": None, "piece_ids": [], "entry_ids": None, **plan}
        return self.do(draw.create_round, self.audition_id, name=name, kind=kind, **plan).id

    def drawn(self, **plan: Any) -> RoundView:
        round_id = self.round(**plan)
        self.do(draw.commit_seed, round_id)
        return self.do(draw.draw_round, round_id)

    def submit(self, adjudicator_id: str, candidate_id: str, marks: Any, **more: Any) -> sheets_in.SheetView:
        options = {"version_id": new_id(), "remarks": [], **more}
        actor = Actor("adjudicator", adjudicator_id)
        return self.do(sheets_in.submit, adjudicator_id, candidate_id, marks=marks, actor=actor, **options)

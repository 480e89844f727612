"""Any order of deeds of leader, panel and roster: books stay consistent and the panel never meets a name."""

from collections.abc import Callable
from typing import Any

import pytest
from audition_scene import LEADER, Scene
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test
from sqlmodel import select

from app.db.database import Database
from app.db.models import AdjudicationSheet, Adjudicator, Candidate, Recusal, Round, SheetVersion
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import FairhearingError, WrongState
from app.domain.ids import new_id
from app.services import access, custody, draw, opening, panel, recusal, roster, sheet_signing, sheets_in, standing

CAPTIONS = ("tone", "pitch", "rhythm", "musicianship")
WHICH = st.integers(0, 1000)  # picks one of whatever there is
SECRET = "Quillfeather"  # in every name, so that a name can be told from any other text


class Audition(RuleBasedStateMachine):
    """One audition from its set-up on; refusals in a sentence are fine, anything else is a failure."""

    make_url: Callable[[], str]

    def __init__(self) -> None:
        super().__init__()
        self.database = Database(self.make_url())
        self.scene = Scene(self.database)
        self.piece = self.scene.piece()
        self.scene.adjudicator("Ada Brandt")
        self.students = 0
        self.entries: list[str] = []
        self.rounds: list[str] = []
        self.kept: dict[str, Any] = {}  # version id -> marks that were acknowledged
        for _ in range(3):
            self.add_student()
        self.rounds.append(self.scene.drawn(seats=1).id)

    def teardown(self) -> None:
        self.database.close()

    def attempt(self, deed: Callable[[], Any]) -> Any:
        try:
            return deed()
        except FairhearingError as refusal:
            refused = refusal
        assert refused.sentence.endswith(".")
        assert SECRET not in refused.sentence
        assert SECRET not in repr(refused.facts)
        return None

    def ids(self, column: Any) -> list[str]:
        with self.database.read() as session:
            return sorted(session.exec(select(column)).all())

    def cell(self, which: int) -> tuple[str, str] | None:
        judges, candidates = self.ids(Adjudicator.id), self.ids(Candidate.id)
        if not candidates:
            return None
        return judges[which % len(judges)], candidates[which // len(judges) % len(candidates)]

    @rule()
    def add_student(self) -> None:
        number = self.students = self.students + 1
        self.entries.append(self.scene.student(f"Student{number} {SECRET}{number}", teacher="A. Brandt"))

    @rule(which=WHICH, withdrawn=st.booleans())
    def withdraw(self, which: int, withdrawn: bool) -> None:
        entry = self.entries[which % len(self.entries)]
        self.attempt(lambda: self.scene.do(roster.change, entry, {"withdrawn": withdrawn}))

    @rule(which=WHICH)
    def remove_student(self, which: int) -> None:
        if len(self.entries) > 1:
            entry = self.entries[which % len(self.entries)]
            self.attempt(lambda: (self.scene.do(roster.remove, entry), self.entries.remove(entry)))

    @rule()
    def add_adjudicator(self) -> None:
        count = len(self.ids(Adjudicator.id))
        if count < 4:
            self.scene.adjudicator(f"Judge number{count}")

    @rule(which=WHICH)
    def declare_recusal(self, which: int) -> None:
        judges = self.ids(Adjudicator.id)
        self.attempt(
            lambda: self.scene.do(
                recusal.declare,
                self.scene.audition_id,
                adjudicator_id=judges[which % len(judges)],
                entry_id=self.entries[which // len(judges) % len(self.entries)],
                reason=f"teaches {SECRET}",
            )
        )

    @rule(kind=st.sampled_from(["first", "rehearing", "final"]), seats=st.none() | st.integers(1, 3))
    def make_round(self, kind: str, seats: int | None) -> None:
        if len(self.rounds) < 3:
            self.rounds.append(self.scene.round(f"Round {len(self.rounds)}", kind, seats=seats))

    @precondition(lambda self: self.rounds)
    @rule(which=WHICH)
    def commit_and_draw(self, which: int) -> None:
        round_id = self.rounds[which % len(self.rounds)]
        self.attempt(lambda: self.scene.do(draw.commit_seed, round_id))
        self.attempt(lambda: self.scene.do(draw.draw_round, round_id))

    @rule(which=WHICH, mark=st.integers(1, 10))
    def write_a_draft(self, which: int, mark: int) -> None:
        cell = self.cell(which)
        if cell is not None:
            marks = {self.piece: {"tone": mark}}
            self.attempt(
                lambda: self.database.write(lambda s: sheets_in.save_draft(s, *cell, marks, [], now=now_utc()))
            )

    @rule(which=WHICH, mark=st.integers(1, 10), again=st.booleans())
    def submit(self, which: int, mark: int, again: bool) -> None:
        cell = self.cell(which)
        if cell is None:
            return
        marks, version_id = {self.piece: dict.fromkeys(CAPTIONS, mark)}, new_id()
        if self.attempt(lambda: self.scene.submit(*cell, marks, version_id=version_id)) is not None:
            self.kept[version_id] = marks
            if again:
                self.scene.submit(*cell, marks, version_id=version_id)

    @rule(which=WHICH, mark=st.integers(1, 10))
    def correct(self, which: int, mark: int) -> None:
        cell = self.cell(which)
        if cell is None:
            return
        marks, version_id = {self.piece: dict.fromkeys(CAPTIONS, mark)}, new_id()
        sheet = {"version_id": version_id, "marks": marks, "remarks": [], "reason": "misheard"}
        actor = Actor("adjudicator", cell[0])
        if self.attempt(lambda: self.scene.do(sheets_in.correct, *cell, actor=actor, **sheet)) is not None:
            self.kept[version_id] = marks

    @rule(which=WHICH)
    def recuse(self, which: int) -> None:
        cell = self.cell(which)
        if cell is not None:
            self.attempt(lambda: self.scene.do(sheets_in.recuse, *cell, actor=Actor("adjudicator", cell[0])))

    @precondition(lambda self: self.rounds)
    @rule(which=WHICH, reason=st.sampled_from(["", "the bus leaves"]))
    def open_a_round(self, which: int, reason: str) -> None:
        round_id = self.rounds[which % len(self.rounds)]
        self.attempt(lambda: opening.open_round(self.database, round_id, reason=reason, actor=LEADER))

    @invariant()
    def the_panel_meets_numbers_only(self) -> None:
        hidden = {SECRET, *self.entries}
        with self.database.read() as session:
            for judge in session.exec(select(Adjudicator)).all():
                principal = access.AdjudicatorPrincipal(self.scene.audition_id, judge.id, judge.letter, "0" * 32)
                seen = [repr(panel.overview(session, principal))]
                for row in session.exec(select(Round).where(Round.state != "setup", Round.state != "committed")):
                    view = panel.overview(session, principal, row.id)
                    seen.append(repr(view))
                    order = {c.id: c.playing_order for c in session.exec(select(Candidate))}
                    shown = [order[c.candidate_id] for c in view.candidates]
                    assert shown == sorted(shown)
                    seen += [repr(sheets_in.sheet(session, judge.id, c.candidate_id)) for c in view.candidates]
                assert not [word for word in hidden if any(word in text for text in seen)]

    @invariant()
    def names_are_sealed_until_opened(self) -> None:
        with self.database.read() as session:
            for row in session.exec(select(Round)).all():
                if row.state == "opened":
                    assert opening.recompute(session, row.id) is None
                    assert all(SECRET in name for name in opening.names(session, row.id).values())
                else:
                    with pytest.raises(WrongState):
                        opening.names(session, row.id)
                if row.state == "drawn":
                    assert SECRET not in repr(standing.round_marks(session, row.id))
                    assert draw.recompute(session, row.id) is None

    @invariant()
    def nothing_acknowledged_is_lost_or_doubled(self) -> None:
        with self.database.read() as session:
            stored = session.exec(select(SheetVersion)).all()
            assert {v.id: v.marks for v in stored} == self.kept
            recused = {(r.adjudicator_id, r.candidate_id) for r in session.exec(select(Recusal))}
            for row in session.exec(select(AdjudicationSheet)).all():
                assert sheet_signing.first_broken_signature(row, sheet_signing.versions_of(session, row.id)) is None
                assert row.state == "draft" or (row.adjudicator_id, row.candidate_id) not in recused

    @invariant()
    def the_audit_holds_and_names_nobody(self) -> None:
        with self.database.read() as session:
            for chain in custody.chains(session):
                entries = custody.chain_entries(session, chain)
                assert custody.first_break(entries) is None
                assert SECRET not in repr([(e.actor, e.subject, e.facts) for e in entries])


@pytest.mark.slow
@pytest.mark.both_engines
def test_any_order_of_deeds_keeps_the_books_and_the_blindness(make_url, engine):
    Audition.make_url = staticmethod(make_url)
    run_state_machine_as_test(
        Audition,
        settings=settings(
            max_examples=6 if engine == "sqlite" else 2,
            stateful_step_count=30,
            deadline=None,
            suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
        ),
    )

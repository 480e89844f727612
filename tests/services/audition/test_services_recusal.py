"""Recusals: proposals from the teacher column, declared ones, and those that come late."""

import pytest

from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import Duplicate, NotFound, WrongState
from app.services import recusal, roster, sheets_in

pytestmark = pytest.mark.both_engines

MARKS = {"tone": 5, "pitch": 5, "rhythm": 5, "musicianship": 5}


@pytest.mark.parametrize(
    ("adjudicator", "teacher"),
    [
        ("Ada Brandt", "Ada Brandt"),
        ("Ada Brandt", "Ms. A. Brandt"),
        ("Ada Brandt", "Brandt, Ada"),
        ("Ada Brandt", "Brandt"),
        ("Dr. José Muñoz", "jose munoz"),
        ("Ada Brandt", "B. Sand / A. Brandt"),
        ("Ada Brandt", "Sand and Brandt"),
        ("Ада Брандт", "Брандт"),
    ],
)
def test_a_teacher_is_recognised_as_the_adjudicator(adjudicator, teacher):
    assert recusal.teaches(adjudicator, teacher)


@pytest.mark.parametrize(
    ("adjudicator", "teacher"),
    [
        ("Ada Brandt", ""),
        ("Ada Brandt", "Bo Sand"),
        ("Ada Brandt", "Ms."),
        ("Ada Brandt", "Otto Brandt"),
        ("A. B.", "A. B."),
    ],
)
def test_others_are_not(adjudicator, teacher):
    assert not recusal.teaches(adjudicator, teacher)


def test_own_pupils_are_proposed_until_they_are_declared(scene):
    judge = scene.adjudicator("Ada Brandt")
    scene.adjudicator("Bo Sand")
    entry = scene.student("Mira Sund", teacher="A. Brandt")
    scene.student("Jo Vale", teacher="Somebody Else")
    proposal = scene.look(recusal.proposed, scene.audition_id)
    assert [(p.letter, p.student_name) for p in proposal] == [("A", "Mira Sund")]
    scene.do(recusal.declare, scene.audition_id, adjudicator_id=judge, entry_id=entry, reason="own pupil")
    assert scene.look(recusal.proposed, scene.audition_id) == []
    with pytest.raises(Duplicate):
        scene.do(recusal.declare, scene.audition_id, adjudicator_id=judge, entry_id=entry, reason="")
    declared = scene.look(recusal.declared, scene.audition_id)
    scene.do(recusal.withdraw, declared[0].id)
    assert len(scene.look(recusal.proposed, scene.audition_id)) == 1


def test_a_recusal_belongs_to_one_audition(scene):
    judge, entry = scene.adjudicator("Ada Brandt"), scene.student("Mira Sund")
    for wrong in ({"adjudicator_id": "0" * 32, "entry_id": entry}, {"adjudicator_id": judge, "entry_id": "0" * 32}):
        with pytest.raises(NotFound):
            scene.do(recusal.declare, scene.audition_id, reason="", **wrong)


def test_a_recusal_after_the_draw_counts_at_once_but_not_after_the_sheet(scene):
    piece = scene.piece()
    judge = scene.adjudicator("Ada Brandt")
    entries = [scene.student(name) for name in ("Mira Sund", "Jo Vale")]
    drawn = scene.drawn()
    scene.do(recusal.declare, scene.audition_id, adjudicator_id=judge, entry_id=entries[0], reason="cousin")
    with scene.database.read() as session:
        recused = [c for c in drawn.candidates if sheets_in.is_recused(session, judge, c.candidate_id)]
    assert len(recused) == 1
    other = next(c for c in drawn.candidates if c not in recused)
    scene.submit(judge, other.candidate_id, {piece: MARKS})
    with pytest.raises(WrongState, match="too late"):
        scene.do(recusal.declare, scene.audition_id, adjudicator_id=judge, entry_id=entries[1], reason="")
    with pytest.raises(WrongState, match="draw has taken"):
        scene.do(recusal.withdraw, scene.look(recusal.declared, scene.audition_id)[0].id)
    assert len(scene.look(recusal.declared, scene.audition_id)) == 1  # the refused one left nothing behind


def test_recusing_oneself_drops_the_draft_and_closes_the_sheet(scene):
    piece = scene.piece()
    judge = scene.adjudicator("Ada Brandt")
    scene.student("Mira Sund")
    number = scene.drawn().candidates[0].candidate_id
    actor = Actor("adjudicator", judge)
    scene.database.write(lambda s: sheets_in.save_draft(s, judge, number, {piece: {"tone": 3}}, [], now=now_utc()))
    for _ in range(2):
        view = scene.do(sheets_in.recuse, judge, number, actor=actor)
        assert (view.state, view.draft.marks, view.versions) == ("recused", {}, ())
    with pytest.raises(WrongState, match="recused"):
        scene.submit(judge, number, {piece: MARKS})


def test_removing_an_adjudicator_forgets_what_was_declared(scene):
    judge, entry = scene.adjudicator("Ada Brandt"), scene.student("Mira Sund")
    scene.do(recusal.declare, scene.audition_id, adjudicator_id=judge, entry_id=entry, reason="")
    scene.database.write(lambda s: recusal.forget(s, judge))
    assert scene.look(recusal.declared, scene.audition_id) == []
    assert len(scene.look(roster.roster, scene.audition_id)) == 1

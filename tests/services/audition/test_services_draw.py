"""The draw: committed before, shown after, reproducible by anyone, blind to the roster's order."""

import hashlib
import secrets

import pytest
from sqlmodel import select

from app.db.models import Candidate
from app.domain.errors import BadInput, WrongState
from app.judging import draw as drawing
from app.services import custody, draw, panel_setup, recusal, roster, sheets_in

pytestmark = pytest.mark.both_engines

NAMES = [f"Student {letter}" for letter in "ABCDEFGHIJ"]


@pytest.fixture
def ten(scene):
    for name in NAMES:
        scene.student(name)
    return scene


def test_the_hash_stands_before_the_draw_and_the_seed_only_after(ten):
    round_id = ten.round()
    committed = ten.do(draw.commit_seed, round_id)
    assert committed.seed is None
    assert committed.candidates == ()
    drawn = ten.do(draw.draw_round, round_id)
    assert drawn.seed_commitment == committed.seed_commitment
    assert hashlib.sha256(drawn.seed.encode()).hexdigest() == committed.seed_commitment
    assert len(bytes.fromhex(drawn.seed)) == 32
    assert drawn.sealed_at is not None


def test_anyone_can_recompute_numbers_and_order_with_the_standard_library(ten):
    drawn = ten.drawn()
    keys = [e.entry_id for e in ten.look(roster.roster, ten.audition_id)]

    def by_hash(word, items):
        return sorted(items, key=lambda i: hashlib.sha256(f"{drawn.seed}:{word}:{i}".encode()).hexdigest())

    order = by_hash("order", keys)
    numbers = by_hash("number", [str(n) for n in range(10, 100)])
    with ten.database.read() as session:
        rows = session.exec(select(Candidate).where(Candidate.round_id == drawn.id)).all()
    by_key = {c.entry_id: (c.playing_order, c.blind_number) for c in rows}
    assert by_key == {k: (place, number) for place, (k, number) in enumerate(zip(order, numbers, strict=False), 1)}
    assert ten.look(draw.recompute, drawn.id) is None


def test_steps_come_in_order_and_only_once(ten):
    round_id = ten.round()
    with pytest.raises(WrongState, match="Fix the seed"):
        ten.do(draw.draw_round, round_id)
    ten.do(draw.commit_seed, round_id)
    with pytest.raises(WrongState, match="fixed already"):
        ten.do(draw.commit_seed, round_id)
    with pytest.raises(WrongState, match="stays"):
        ten.do(draw.remove_round, round_id)
    ten.do(draw.draw_round, round_id)
    with pytest.raises(WrongState, match="drawn already"):
        ten.do(draw.draw_round, round_id)
    with pytest.raises(WrongState, match="drawn"):
        ten.do(draw.change_round, round_id, {"entry_ids": None})


def test_a_new_round_draws_anew_with_numbers_nobody_had(ten):
    first = ten.drawn()
    second = ten.drawn(name="First round again")
    assert first.seed != second.seed
    assert {c.blind_number for c in first.candidates}.isdisjoint(c.blind_number for c in second.candidates)
    assert ten.look(draw.recompute, first.id) is None
    assert ten.look(draw.recompute, second.id) is None
    final = ten.drawn(name="Final", kind="final")
    assert all(len(c.blind_number) == 3 for c in final.candidates)


def test_only_the_chosen_and_nobody_withdrawn_is_drawn(ten):
    entries = [e.entry_id for e in ten.look(roster.roster, ten.audition_id)]
    ten.do(roster.change, entries[0], {"withdrawn": True})
    drawn = ten.drawn(entry_ids=entries[:4])
    assert len(drawn.candidates) == 3
    assert set(drawn.entry_ids) == set(entries[:4])


def test_a_round_needs_somebody_and_knows_its_own_people_and_pieces_only(scene):
    round_id = scene.round()
    scene.do(draw.commit_seed, round_id)
    with pytest.raises(WrongState, match="nobody"):
        scene.do(draw.draw_round, round_id)
    for plan, said in (
        ({"entry_ids": ["0" * 32]}, "roster"),
        ({"entry_ids": []}, "at least one student"),
        ({"piece_ids": ["0" * 32]}, "pieces"),
        ({"seats": 0}, "seats"),
        ({"seats": 10**30}, "seats"),
        ({"name": " "}, "name"),
    ):
        with pytest.raises(BadInput, match=said):
            scene.round(**plan)


def test_ids_and_rows_follow_the_draw_and_never_the_roster(ten):
    """Over many draws the first on the roster stands in every place about equally often (chi-square, 9 df)."""
    keys = sorted(e.entry_id for e in ten.look(roster.roster, ten.audition_id))
    counts = [0] * len(keys)
    draws = 2000
    for _ in range(draws):
        place = next(place for key, _, place in drawing.draw(secrets.token_hex(32), keys) if key == keys[0])
        counts[place - 1] += 1
    expected = draws / len(keys)
    chi_square = sum((count - expected) ** 2 / expected for count in counts)
    assert chi_square < 33.7  # 99.99 % point of chi-square with 9 degrees of freedom (tables)


def test_declared_recusals_become_missing_cells_in_the_draw(ten):
    judge = ten.adjudicator("Ada Brandt")
    entry = ten.look(roster.roster, ten.audition_id)[3].entry_id
    ten.do(recusal.declare, ten.audition_id, adjudicator_id=judge, entry_id=entry, reason="own pupil")
    drawn = ten.drawn()
    with ten.database.read() as session:
        theirs = session.exec(select(Candidate).where(Candidate.entry_id == entry)).one()
        assert [c.candidate_id for c in drawn.candidates if sheets_in.is_recused(session, judge, c.candidate_id)] == [
            theirs.id
        ]


def test_the_draw_stands_in_the_audit_without_names(ten):
    drawn = ten.drawn()
    with ten.database.read() as session:
        entries = custody.chain_entries(session, drawn.id)
        assert [e.action for e in entries] == ["round-made", "seed-committed", "drawn"]
        assert entries[1].facts["commitment"] == drawn.seed_commitment
        assert "seed" not in entries[1].facts
        assert custody.first_break(entries) is None
        assert not any(name in repr([e.facts for e in entries]) for name in NAMES)


def test_letters_are_given_in_order_and_freed_letters_come_back(scene):
    ids = [scene.adjudicator(name) for name in ("Ada Brandt", "Bo Sand", "Cy Lund")]
    assert [m.letter for m in scene.look(panel_setup.members, scene.audition_id)] == ["A", "B", "C"]
    scene.do(panel_setup.remove, ids[1])
    scene.adjudicator("Di Moor")
    assert [(m.letter, m.name) for m in scene.look(panel_setup.members, scene.audition_id)] == [
        ("A", "Ada Brandt"),
        ("B", "Di Moor"),
        ("C", "Cy Lund"),
    ]
    with pytest.raises(BadInput):
        scene.adjudicator("")
    with pytest.raises(WrongState, match="already"):
        scene.adjudicator("ada  BRANDT")

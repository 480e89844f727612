"""The standing from sheets and findings, opening, the frozen result, marks as a table."""

import csv
import io

import pytest
from sqlmodel import select

from app.db.models import AuditEntry, Candidate, Round
from app.domain.actor import Actor
from app.domain.errors import BadInput, NotFound, WrongState
from app.domain.ids import new_id
from app.services import custody, marks_export, opening, progress, roster, sheets_in, standing

pytestmark = pytest.mark.both_engines

LEADER = Actor("leader", "0" * 32)


@pytest.fixture
def hall(scene):
    """Three adjudicators, four numbers, one piece; marks fall along the playing order, adjudicator B is stricter."""
    scene.etude = scene.piece("=Étude")
    scene.judges = [scene.adjudicator(name) for name in ("Ada Brandt", "Bo Sand", "Cy Lund")]
    for name in ("Mira Sund", "Jo Vale", "=HYPERLINK(1)", "Ola Ek"):
        scene.student(name)
    scene.declare(measured_weights={})
    drawn = scene.drawn(seats=2)
    scene.round_id = drawn.id
    scene.numbers = [c.candidate_id for c in drawn.candidates]
    scene.blind = [c.blind_number for c in drawn.candidates]
    return scene


def _marks(value: int) -> dict[str, int]:
    return dict.fromkeys(("tone", "pitch", "rhythm", "musicianship"), value)


def _fill(hall, but=()):
    for place, number in enumerate(hall.numbers):
        for column, judge in enumerate(hall.judges):
            if (place, column) not in but:
                hall.submit(judge, number, {hall.etude: _marks(9 - 2 * place - (column == 1))})


def _shown(hall):
    return hall.look(opening.shown, hall.round_id)


def test_before_any_sheet_there_is_nobody_to_rank_and_nothing_to_open(hall):
    shown = _shown(hall)
    assert shown["rows"] == []
    assert "No sheet" in shown["sentences"][0]
    assert len(shown["missing"]) == 3
    with pytest.raises(WrongState, match="No sheet"):
        opening.open_round(hall.database, hall.round_id, reason="in a hurry", actor=LEADER)


def test_candidates_are_ranked_by_the_declared_rule_without_names(hall):
    _fill(hall)
    shown = _shown(hall)
    assert [row["blind_number"] for row in shown["rows"]] == hall.blind
    assert [row["place"] for row in shown["rows"]] == [1, 2, 3, 4]
    assert shown["rows"][0]["total"] == pytest.approx((9 + 8 + 9) / 3)
    assert shown["severity"]["B"] > 0 > shown["severity"]["A"]
    assert {row["name"] for row in shown["rows"]} == {None}
    assert (shown["opened"], shown["missing"]) == (False, [])


def test_a_recused_cell_is_missing_and_not_zero(hall):
    hall.do(sheets_in.recuse, hall.judges[1], hall.numbers[0])
    _fill(hall, but={(0, 1)})
    top = _shown(hall)["rows"][0]
    assert (top["blind_number"], top["total"], top["adjudicators_counted"]) == (hall.blind[0], 9.0, 2)
    assert _shown(hall)["missing"] == []


def test_the_latest_version_counts(hall):
    _fill(hall)
    hall.do(
        sheets_in.correct,
        hall.judges[0],
        hall.numbers[3],
        version_id=new_id(),
        marks={hall.etude: _marks(10)},
        remarks=[],
        reason="wrong number",
    )
    last = next(r for r in _shown(hall)["rows"] if r["blind_number"] == hall.blind[3])
    assert last["total"] == pytest.approx((10 + 2 + 3) / 3)


def test_absent_candidates_are_not_in_the_standing(hall):
    _fill(hall, but={(2, 0), (2, 1), (2, 2)})
    assert len(_shown(hall)["missing"]) == 3
    with hall.database.read() as session:
        entry = session.get_one(Candidate, hall.numbers[2]).entry_id
    hall.do(roster.change, entry, {"withdrawn": True})
    assert [r["blind_number"] for r in _shown(hall)["rows"]] == [hall.blind[0], hall.blind[1], hall.blind[3]]
    assert _shown(hall)["missing"] == []


def test_names_are_sealed_until_the_round_is_opened(hall):
    _fill(hall)
    with pytest.raises(WrongState, match="sealed"):
        hall.look(opening.names, hall.round_id)
    before = _shown(hall)
    opening.open_round(hall.database, hall.round_id, reason="", actor=LEADER)
    after = _shown(hall)
    assert {row["name"] for row in after["rows"]} == {"Mira Sund", "Jo Vale", "=HYPERLINK(1)", "Ola Ek"}
    assert [r["blind_number"] for r in after["rows"]] == [r["blind_number"] for r in before["rows"]]
    assert after["opened_at"] is not None
    with hall.database.read() as session:
        row = session.get_one(Round, hall.round_id)
        assert row.standing_hash == custody.content_hash(row.standing)
        assert "Mira" not in repr(row.standing)
        entry = session.exec(select(AuditEntry).where(AuditEntry.action == "opened")).one()
        assert (entry.actor, entry.facts["standing"]) == (str(LEADER), row.standing_hash)
        assert custody.first_break(custody.chain_entries(session, hall.round_id)) is None
    with pytest.raises(WrongState, match="opened already"):
        opening.open_round(hall.database, hall.round_id, reason="", actor=LEADER)


def test_the_frozen_standing_can_be_recomputed_and_a_change_shows(hall):
    _fill(hall)
    opening.open_round(hall.database, hall.round_id, reason="", actor=LEADER)
    assert hall.look(opening.recompute, hall.round_id) is None

    def tamper(session):
        row = session.get_one(Round, hall.round_id)
        row.standing = {**row.standing, "seats": 3}
        session.add(row)

    hall.database.write(tamper)
    assert "was changed" in hall.look(opening.recompute, hall.round_id)


def test_with_sheets_missing_opening_needs_a_reason_and_keeps_it(hall):
    _fill(hall, but={(1, 2)})
    with pytest.raises(BadInput, match=f"Adjudicator C has not sent a sheet for number {hall.blind[1]}"):
        opening.open_round(hall.database, hall.round_id, reason=" ", actor=LEADER)
    opening.open_round(hall.database, hall.round_id, reason="C fell ill", actor=LEADER)
    with hall.database.read() as session:
        frozen = session.get_one(Round, hall.round_id).standing
    assert frozen["opening"]["reason"] == "C fell ill"
    assert len(frozen["opening"]["without"]) == 1


def test_a_sheet_that_comes_in_between_stops_the_opening(hall, monkeypatch):
    _fill(hall, but={(0, 0)})
    compute = standing.compute

    def slow(marks, **options):
        out = compute(marks, **options)
        hall.submit(hall.judges[0], hall.numbers[0], {hall.etude: _marks(1)})
        return out

    monkeypatch.setattr("app.services.standing.compute", slow)
    with pytest.raises(WrongState, match="this very moment"):
        opening.open_round(hall.database, hall.round_id, reason="in a hurry", actor=LEADER)
    monkeypatch.undo()
    assert _shown(hall)["opened"] is False


def test_marks_left_out_with_a_reason_are_told(hall):
    hall.submit(hall.judges[0], hall.numbers[0], {hall.etude: {"tone": 9}}, reason="came in late")
    assert any("came in late" in sentence for sentence in _shown(hall)["sentences"])


def test_marks_as_a_table_hold_no_name_before_and_no_formula_after_opening(hall):
    hall.do(sheets_in.recuse, hall.judges[1], hall.numbers[0])
    _fill(hall, but={(0, 1)})

    def table(names=None):
        text = hall.look(marks_export.marks_csv, hall.round_id, names).decode("utf-8-sig")
        return list(csv.DictReader(io.StringIO(text)))

    rows = table()
    assert list(rows[0]) == ["candidate", "adjudicator", "caption", "mark", "position"]
    assert len(rows) == 4 * 3 * 4
    recused = [r for r in rows if (r["candidate"], r["adjudicator"]) == (hall.blind[0], "B")]
    assert {r["mark"] for r in recused} == {""}
    opening.open_round(hall.database, hall.round_id, reason="", actor=LEADER)
    named = table(hall.look(opening.names, hall.round_id))
    assert "'=HYPERLINK(1)" in {r["name"] for r in named}
    assert not any(cell.startswith("=") for r in named for cell in r.values())


def test_there_is_no_standing_before_the_draw(hall):
    other = hall.round("Second")
    for call in (opening.shown, marks_export.marks_csv):
        with pytest.raises(WrongState, match="before the draw"):
            hall.look(call, other)
    with pytest.raises(WrongState, match="not drawn"):
        opening.open_round(hall.database, other, reason="", actor=LEADER)
    with pytest.raises(NotFound):
        hall.look(opening.shown, "0" * 32)


def test_progress_tells_by_number_and_letter(hall):
    hall.do(sheets_in.recuse, hall.judges[2], hall.numbers[1])
    hall.submit(hall.judges[0], hall.numbers[0], {hall.etude: _marks(5)})
    view = hall.look(progress.progress, hall.round_id)
    assert [c.blind_number for c in view.candidates] == hall.blind
    assert view.candidates[0].sheets == {"A": "submitted", "B": "to hear", "C": "to hear"}
    assert view.candidates[1].sheets["C"] == "recused"
    assert view.sentence == "0 of 4 candidates are recorded, 1 of 11 sheets are in."
    assert "not drawn yet" in hall.look(progress.progress, hall.round("Second")).sentence

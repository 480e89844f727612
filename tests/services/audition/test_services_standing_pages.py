"""Long rounds: worked out once by a worker, told when they are of yesterday, shown in pages, opened with names."""

from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from audition_scene import LEADER
from printing_hall import NAMES, Hall, long_hall, marks
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import AccessToken, Candidate, Findings, Round, StandingLine, WorkedStanding
from app.db.types import now_utc
from app.domain.errors import WrongState
from app.domain.ids import new_id
from app.services import (
    opening,
    opening_long,
    printing,
    progress,
    rehearing,
    room,
    round_tally,
    rounds,
    section,
    sheets_in,
    standing,
    standing_pages,
    student_page,
    tabulation,
    tabulation_pages,
)
from app.services.access import StudentPrincipal
from app.services.ledger import DatabaseLedger

pytestmark = pytest.mark.both_engines


@pytest.fixture
def hall(database: Database, monkeypatch: pytest.MonkeyPatch) -> Hall:
    return long_hall(database, monkeypatch)


def seen(hall: Hall, find: str = "", offset: int = 0, limit: int = 100) -> dict[str, Any]:
    return hall.look(opening.shown_page, hall.round_id, find=find, offset=offset, limit=limit)


def work_off(hall: Hall, kind: str = standing_pages.KIND) -> list[tuple[float, str]]:
    """Do the one job there is as a worker does; returns what it told on the way."""
    ledger, told = DatabaseLedger(hall.database), []
    job = ledger.claim("worker", 30.0)
    assert job is not None
    assert job.kind == kind
    tasks = {
        standing_pages.KIND: standing_pages.WorkOutStanding,
        section.WORK: section.WorkOutReport,
        opening.OPENING: opening_long.OpenRound,
    }
    save = tasks[kind](hall.database)(job.payload, lambda share, text: told.append((share, text)))
    assert ledger.finish(job.id, "worker", save)
    return told


def ask(hall: Hall) -> standing_pages.Working:
    return hall.database.write(lambda session: standing_pages.ask(session, hall.round_id))


def test_a_long_round_is_worked_out_when_it_is_asked_for(hall: Hall) -> None:
    before = seen(hall)
    assert (before["rows"], before["total"], before["working"]["state"]) == ([], 0, "none")
    assert before["why_not_open"] == before["sentences"][0] == opening.NOT_WORKED_OUT
    assert before["rule_sentence"] == hall.look(opening.shown, hall.round_id)["rule_sentence"]
    assert hall.look(tabulation_pages.tabulations, hall.audition_id) == []  # nobody is asked to compare it
    assert ask(hall).state == "queued"
    assert ask(hall).state == "queued"  # and no second job
    told = work_off(hall)
    assert [share for share, _ in told] == sorted(share for share, _ in told)
    assert len(told) == 3

    whole = hall.look(opening.shown, hall.round_id)
    paged = seen(hall)
    assert paged["working"]["state"] == "done"
    assert paged["working"]["is_current"]
    assert paged["total"] == len(whole["rows"]) == 4
    for key in set(whole) - {"total", "working"}:
        assert paged[key] == whole[key], key
    assert [seen(hall, offset=n, limit=2)["rows"] for n in (0, 2, 4)] == [whole["rows"][:2], whole["rows"][2:], []]
    number = whole["rows"][2]["blind_number"]
    assert [row["blind_number"] for row in seen(hall, find=number)["rows"]] == [number]
    assert seen(hall, find=NAMES[0])["total"] == 0  # names are sealed


@pytest.mark.parametrize("what", ["correction", "findings", "late findings"])
def test_what_changed_since_is_told_until_it_is_worked_out_anew(hall: Hall, what: str) -> None:
    ask(hall)
    work_off(hall)
    if what.endswith("findings"):
        hall.measured(hall.numbers[1], cents=20.0)
        if what == "late findings":  # committed now by a worker whose clock is behind, or which was slow
            hall.database.write(be_late)
    else:
        given = {piece: marks(1) for piece in (hall.scale, hall.etude)}
        hall.do(
            sheets_in.correct,
            hall.judges[0],
            hall.numbers[0],
            version_id=new_id(),
            marks=given,
            remarks=[],
            reason="Slip",
        )
    old = seen(hall)
    assert not old["working"]["is_current"]
    ask(hall)
    work_off(hall)
    new = seen(hall)
    assert new["working"]["is_current"]
    assert new["rows"] == hall.look(opening.shown, hall.round_id)["rows"]
    assert new["input_hash"] != old["input_hash"]
    assert new["rows"] != old["rows"] or what.endswith("findings")


def be_late(session: Session) -> None:
    """The newest findings bear a moment before those that were there already."""
    newest, *_, oldest = session.exec(select(Findings).order_by(col(Findings.created_at).desc())).all()
    newest.created_at = oldest.created_at - timedelta(minutes=1)
    session.add(newest)


def test_the_section_report_of_a_long_round_is_worked_out_when_it_is_asked_for(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = hall.look(section.view, hall.round_id)
    assert (before.takes, before.working.state, before.working.worked_out_at) == (section.NOT_WORKED_OUT, "none", None)
    with pytest.raises(WrongState, match="have it worked out first"):
        hall.look(section.pdf, hall.round_id)
    for _ in range(2):  # and no second job
        assert hall.database.write(lambda session: section.ask(session, hall.round_id)).state == "queued"
    told = work_off(hall, section.WORK)
    assert [share for share, _ in told] == sorted(share for share, _ in told)
    kept = hall.look(section.view, hall.round_id)
    assert kept.working.state == "done"
    assert kept.working.is_current
    pdf = hall.look(section.pdf, hall.round_id)
    with monkeypatch.context() as short:
        short.setattr(rounds, "LONG_ROUND", 4)
        live = hall.look(section.view, hall.round_id)
        assert hall.look(section.pdf, hall.round_id) == pdf
    assert live.working is None
    assert live.pitch
    for name in ("takes", "next_rehearsal", "pitch", "why_no_pitch", "pieces", "why_no_bars", "doubts"):
        assert type(live.pitch)(getattr(kept, name)) == type(live.pitch)(getattr(live, name)), name
    hall.measured(hall.numbers[1], cents=20.0)
    assert not hall.look(section.view, hall.round_id).working.is_current


def test_an_opened_long_round_shows_its_frozen_lines_with_names(hall: Hall) -> None:
    opening.open_round(hall.database, hall.round_id, reason="", actor=LEADER)
    whole = hall.look(opening.shown, hall.round_id)
    paged = seen(hall)
    assert {row["name"] for row in paged["rows"]} == set(NAMES)
    for key in set(whole) - {"total", "working", "brackets"}:
        assert paged[key] == whole[key], key
    assert paged["brackets"] == whole["brackets"]
    by_name = seen(hall, find=NAMES[2].split()[0])
    assert [row["name"] for row in by_name["rows"]] == [NAMES[2]]
    with hall.database.read() as session:  # no name stands in the lines themselves
        kept = session.exec(select(StandingLine)).all()
        assert len(kept) == 4
        assert not any(name in str(line.content) for line in kept for name in NAMES)

    def lose(session: Any) -> None:  # a round that was opened before there were lines
        session.exec(sa.delete(StandingLine))
        session.exec(sa.delete(WorkedStanding))

    hall.database.write(lose)
    assert seen(hall, offset=1, limit=2)["rows"] == whole["rows"][1:3]
    ask(hall)
    work_off(hall)
    assert seen(hall, offset=1, limit=2)["rows"] == whole["rows"][1:3]


def test_a_long_round_is_opened_by_a_worker_unless_something_came_in_meanwhile(hall: Hall) -> None:
    def ask_to_open(reason: str = "") -> None:
        assert hall.do(opening_long.ask, hall.round_id, reason=reason)
        assert hall.do(opening_long.ask, hall.round_id, reason="")  # and no second job

    ask(hall)
    work_off(hall)
    ask_to_open()
    before = seen(hall)
    assert (before["opened"], before["being_opened"]["state"]) == (False, "queued")
    ledger = DatabaseLedger(hall.database)
    job = ledger.claim("worker", 30.0)
    assert job is not None
    save = opening_long.OpenRound(hall.database)(job.payload, lambda share, text: None)
    hall.measured(hall.numbers[1], cents=20.0)  # a take that is done at this very moment
    with pytest.raises(WrongState, match="at this very moment"):
        ledger.finish(job.id, "worker", save)
    ledger.give_up(job.id, "worker", "A sheet came in at this very moment", retry_after_sec=None)
    after = seen(hall)
    assert (after["opened"], after["being_opened"]["state"]) == (False, "failed")
    assert "at this very moment" in after["being_opened"]["text"]

    ask_to_open()
    told = work_off(hall, opening.OPENING)
    assert [share for share, _ in told] == sorted(share for share, _ in told)
    now = seen(hall)
    assert now["opened"]
    assert {row["name"] for row in now["rows"]} == set(NAMES)
    assert hall.look(opening.recompute, hall.round_id) is None
    with pytest.raises(WrongState, match="opened already"):
        ask_to_open()


def test_a_second_person_confirms_a_long_round_as_it_was_worked_out(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    def second_person(session: Session) -> str:
        session.get_one(Round, hall.round_id).second_check = True
        token = AccessToken(token_hash="0" * 64, role="checker", audition_id=hall.audition_id)
        session.add(token)
        session.flush()
        return token.id

    token_id = hall.database.write(second_person)

    def tabulated(offset: int = 0) -> tabulation_pages.Tabulation:
        (one,) = hall.look(tabulation_pages.tabulations, hall.audition_id, offset=offset)
        return one

    def confirm(seen_hash: str) -> None:
        known = {"audition_id": hall.audition_id, "token_id": token_id, "now": now_utc()}
        kept = hall.look(tabulation_pages.to_confirm, hall.round_id, hall.audition_id)
        hall.do(tabulation.confirm, hall.round_id, seen_hash=seen_hash, person="Ola Berg", tabulated=kept, **known)

    waits = tabulated()
    assert (waits.numbers, waits.hash, waits.missing) == ((), "", (tabulation_pages.NOT_WORKED_OUT,))
    ask(hall)
    work_off(hall)
    with monkeypatch.context() as short:
        short.setattr(rounds, "LONG_ROUND", 4)
        whole = tabulated()
    shown = tabulated()
    assert (shown.numbers, shown.hash, shown.total) == (whole.numbers, whole.hash, 4)
    monkeypatch.setattr(tabulation_pages, "NUMBERS", 2)
    assert [tabulated(n).numbers for n in (0, 2, 4)] == [whole.numbers[:2], whole.numbers[2:], ()]
    with pytest.raises(WrongState, match="has not confirmed"):
        opening.open_round(hall.database, hall.round_id, reason="", actor=LEADER)

    with monkeypatch.context() as costly:
        costly.setattr(standing, "compute", None)  # nothing is computed while the second person waits
        with pytest.raises(WrongState, match="has changed since you looked"):
            confirm("0" * 64)
        confirm(shown.hash)
        assert tabulated().confirmed_by == "Ola Berg"
    assert seen(hall)["why_not_open"] is None
    given = {piece: marks(1) for piece in (hall.scale, hall.etude)}
    version = {"version_id": new_id(), "marks": given, "remarks": [], "reason": "Slip"}
    hall.do(sheets_in.correct, hall.judges[0], hall.numbers[0], **version)
    assert tabulated().missing == (tabulation_pages.NOT_WORKED_OUT,)
    with pytest.raises(WrongState, match="worked out anew"):
        confirm(shown.hash)
    with pytest.raises(WrongState, match="has not confirmed"):
        opening.open_round(hall.database, hall.round_id, reason="", actor=LEADER)
    ask(hall)
    work_off(hall)
    confirm(tabulated().hash)
    opening.open_round(hall.database, hall.round_id, reason="", actor=LEADER)


def test_a_long_round_is_heard_again_and_taken_elsewhere_as_it_was_worked_out(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(WrongState, match="worked out first"):
        hall.look(opening.at_hand, hall.round_id)
    ask(hall)
    work_off(hall)
    whole = hall.look(opening.shown, hall.round_id)
    monkeypatch.setattr(standing, "compute", None)  # nothing is computed while somebody waits
    found = hall.look(opening.at_hand, hall.round_id)
    assert found["rows"] == whole["rows"]
    assert found["adjudicators"] == whole["adjudicators"]
    again = hall.do(rehearing.create, hall.round_id, [line["blind_number"] for line in whole["rows"][1:3]], found)
    assert (again.kind, again.seats) == ("rehearing", 1)


def test_short_rounds_are_ranked_while_somebody_looks(hall: Hall, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rounds, "LONG_ROUND", 4)
    with pytest.raises(WrongState, match="whenever it is looked at"):
        ask(hall)
    whole = hall.look(opening.shown, hall.round_id)
    assert len(hall.look(tabulation_pages.tabulations, hall.audition_id)) == 1
    page = seen(hall, offset=1, limit=2)
    assert (page["rows"], page["total"], page["working"]) == (whole["rows"][1:3], 4, None)


def test_long_lists_of_numbers_are_cut_in_sentences() -> None:
    numbers = [str(n) for n in range(100, 160)]
    said = f"Adjudicator A has not sent sheets for numbers {', '.join(numbers[:-1])} and {numbers[-1]}."
    cut = standing_pages.shortened(said)
    assert cut == f"Adjudicator A has not sent sheets for numbers {', '.join(numbers[:20])}, and 40 more."
    assert standing_pages.shortened("Numbers 1, 2 and 3 are close.") == "Numbers 1, 2 and 3 are close."


def test_students_see_a_long_round_once_its_sheets_are_printed(hall: Hall) -> None:
    """Drawing one sheet anew takes as long as ranking everybody: thousands of pages would bring a server down."""
    opening.open_round(hall.database, hall.round_id, reason="", actor=LEADER)
    with hall.database.read() as session:
        entry = session.get_one(Candidate, hall.numbers[0]).entry_id
    student = StudentPrincipal(hall.audition_id, entry, "0" * 32)
    assert hall.look(student_page.page, student).rounds == ()
    printing.print_comment_sheets(hall.database, hall.round_id, actor=LEADER)
    assert [one.candidate_id for one in hall.look(student_page.page, student).rounds] == [hall.numbers[0]]


def test_the_numbers_of_a_long_round_are_counted_again_when_something_was_done(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    counted: list[str] = []
    real = round_tally._count

    def count(session: Session, row: Round, pieces: int, panel: int) -> round_tally.Tally:
        counted.append(row.id)
        return real(session, row, pieces, panel)

    monkeypatch.setattr(round_tally, "_count", count)

    def sentence() -> str:
        return hall.look(progress.progress, hall.round_id, limit=2).sentence

    assert sentence() == sentence() == "0 of 4 candidates are recorded, 11 of 11 sheets are in."
    assert len(counted) == 1
    hall.do(room.mark, hall.numbers[3], "absent", "Ill")
    assert sentence() == sentence() == "0 of 3 candidates are recorded, 8 of 8 sheets are in."
    assert len(counted) == 2
    hall.do(room.mark, hall.numbers[3], "expected", "")
    assert sentence() == "0 of 4 candidates are recorded, 11 of 11 sheets are in."
    monkeypatch.setattr(round_tally, "LONGEST_KEPT_SEC", 0.0)
    sentence()
    assert len(counted) == 4


def test_of_brackets_the_lines_shown_are_cut_out_and_each_stands_once() -> None:
    there = {4: "14", 5: "15", 6: "16", 9: "19"}
    spans = [[0, 5], [1, 6], [2, 6], [5, 8], [6, 9], [7, 9], [10, 12]]
    assert standing_pages._among(spans, there) == [["14", "15", "16"], ["16", "19"]]
    assert standing_pages._among(spans, {}) == []


def test_of_more_numbers_than_can_be_heard_again_the_most_doubtful_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(standing_pages, "MOST_AGAIN", 2)
    chances = {"11": 0.9, "12": 0.6, "13": 0.45, "14": 0.1}
    body = {
        "rows": [{"blind_number": number, "chance_of_seat": chance} for number, chance in chances.items()],
        "hear_again": list(chances),
    }
    assert standing_pages._again(body) == ["12", "13"]
    assert standing_pages._again({**body, "hear_again": ["14"]}) == ["14"]


def test_what_an_earlier_version_froze_is_computed_again_by_that_version(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as before:
        before.setattr(standing, "STANDING_VERSION", "1")
        hall.open()
    frozen = hall.look(opening.shown, hall.round_id)
    assert frozen["version"] == "1"
    assert hall.look(standing.round_marks, hall.round_id).hash == frozen["input_hash"]
    compared = hall.look(opening.compare, hall.round_id)
    assert (compared.same, compared.differs) == (True, ())


def test_a_second_person_sees_the_earlier_marks_that_count_in_a_long_round(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    final = hall.drawn(name="Final", kind="final", seats=1, carried_from=hall.round_id, carry_percent=40)
    numbers = [c.candidate_id for c in final.candidates]
    hall.do(sheets_in.recuse, hall.judges[2], numbers[1])  # whose earlier marks of this number don't count either
    for place, number in enumerate(numbers):
        for judge in hall.judges[:2]:
            hall.submit(judge, number, {piece: marks(3 + place) for piece in (hall.scale, hall.etude)})
    hall.database.write(lambda session: setattr(session.get_one(Round, final.id), "second_check", True))

    def tabulated() -> tabulation_pages.Tabulation:
        return next(t for t in hall.look(tabulation_pages.tabulations, hall.audition_id) if t.round_id == final.id)

    hall.database.write(lambda session: standing_pages.ask(session, final.id))
    work_off(hall)
    shown = tabulated()
    assert (shown.total, len(shown.numbers)) == (4, 4)
    monkeypatch.setattr(rounds, "LONG_ROUND", 4)
    whole = tabulated()
    assert (shown.numbers, shown.hash) == (whole.numbers, whole.hash)
    lines = [line for number in shown.numbers for line in number.sheets]
    earlier = [line for line in lines if line.piece.startswith("First round: ")]
    assert len(earlier) == len(lines) / 2 == 24
    # Of the earlier round's eleven sheets one is recused from now; each has two pieces.
    assert sum(line.marks[0] is not None for line in earlier) == 20
    assert not any(name in str(shown) for name in NAMES)

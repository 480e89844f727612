"""Adjudication sheets: drafts, submitting once, corrections as signed versions, what may be entered."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlmodel import select

from app.db.models import AdjudicationSheet, AuditEntry, Candidate, Round, SheetVersion
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import BadInput, Duplicate, FairhearingError, NotFound, WrongState
from app.domain.ids import new_id
from app.domain.panel import ALL_PIECES
from app.judging.rubric import default_rubric
from app.services import audition, draw, panel_setup, roster, sheet_signing, sheets_in
from app.services.sheet_cells import Cell, check_marks, check_remarks

pytestmark = pytest.mark.both_engines

MARKS = {"tone": 7, "pitch": 6, "rhythm": 5, "musicianship": 8}


@pytest.fixture
def panel(scene):
    scene.pieces = [scene.piece("Étude", 0), scene.piece("Scale", 1)]
    scene.judges = [scene.adjudicator(name) for name in ("Ada Brandt", "Bo Sand")]
    for name in ("Mira Sund", "Jo Vale"):
        scene.student(name)
    scene.numbers = [c.candidate_id for c in scene.drawn().candidates]
    scene.full = {piece: dict(MARKS) for piece in scene.pieces}
    return scene


def _draft(scene, marks, remarks=(), judge=0, number=0):
    return scene.database.write(
        lambda s: sheets_in.save_draft(
            s, scene.judges[judge], scene.numbers[number], marks, list(remarks), now=now_utc()
        )
    )


def _correct(scene, marks, reason="misheard bar 3", **more):
    options = {"version_id": new_id(), "remarks": [], **more}
    actor = Actor("adjudicator", scene.judges[0])
    return scene.do(
        sheets_in.correct, scene.judges[0], scene.numbers[0], marks=marks, reason=reason, actor=actor, **options
    )


def test_a_draft_may_be_incomplete_and_is_the_adjudicators_own(panel):
    etude = panel.pieces[0]
    view = _draft(panel, {etude: {"tone": 7, "pitch": None}}, [{"piece_id": etude, "bar": "3", "text": "tied A short"}])
    assert (view.state, view.draft.marks) == ("draft", {etude: {"tone": 7}})
    assert view.draft.remarks == ({"piece_id": etude, "bar": "3", "text": "tied A short"},)
    other = panel.look(sheets_in.sheet, panel.judges[1], panel.numbers[0])
    assert (other.state, other.draft.marks) == ("to hear", {})


def test_a_submitted_sheet_is_locked(panel):
    view = panel.submit(panel.judges[0], panel.numbers[0], panel.full)
    assert view.state == "sent"
    assert view.draft.marks == {}
    assert view.versions[0].marks == panel.full
    with pytest.raises(WrongState, match="locked"):
        _draft(panel, {})


def test_the_same_version_again_is_harmless_and_another_one_is_a_duplicate(panel):
    version_id = new_id()
    first = panel.submit(panel.judges[0], panel.numbers[0], panel.full, version_id=version_id)
    assert panel.submit(panel.judges[0], panel.numbers[0], panel.full, version_id=version_id) == first
    with pytest.raises(Duplicate, match="sent already"):
        panel.submit(panel.judges[0], panel.numbers[0], panel.full)
    other = {**panel.full, panel.pieces[0]: {**MARKS, "tone": 1}}
    with pytest.raises(Duplicate, match="under this id"):
        panel.submit(panel.judges[0], panel.numbers[0], other, version_id=version_id)
    with pytest.raises(Duplicate, match="under this id"):
        panel.submit(panel.judges[1], panel.numbers[0], panel.full, version_id=version_id)
    with panel.database.read() as session:
        assert len(session.exec(select(SheetVersion)).all()) == 1
        sent = session.exec(select(AuditEntry).where(AuditEntry.action == "sheet-submitted")).all()
        assert len(sent) == 1


def test_every_mark_is_needed_or_a_reason(panel):
    partial = {panel.pieces[0]: dict(MARKS)}
    with pytest.raises(BadInput, match="4 marks are still missing"):
        panel.submit(panel.judges[0], panel.numbers[0], partial)
    partial[panel.pieces[1]] = {k: v for k, v in MARKS.items() if k != "pitch"}
    with pytest.raises(BadInput, match=r"1 mark is still missing \(Pitch of piece 2\)"):
        panel.submit(panel.judges[0], panel.numbers[0], partial)
    view = panel.submit(panel.judges[0], panel.numbers[0], partial, reason="the scale was not recorded")
    assert view.versions[0].reason == "the scale was not recorded"


def test_corrections_are_new_signed_versions_that_keep_the_old(panel):
    with pytest.raises(WrongState, match="not sent yet"):
        _correct(panel, panel.full)
    panel.submit(panel.judges[0], panel.numbers[0], panel.full)
    with pytest.raises(BadInput, match="reason"):
        _correct(panel, panel.full, reason=" ")
    changed = {**panel.full, panel.pieces[0]: {**MARKS, "rhythm": 9}}
    version_id = new_id()
    view = _correct(panel, changed, version_id=version_id)
    assert _correct(panel, changed, version_id=version_id) == view
    assert [v.version for v in view.versions] == [1, 2]
    assert view.versions[0].marks == panel.full
    assert view.versions[1].marks == changed


def test_signatures_form_a_chain_that_shows_any_change(panel):
    panel.submit(panel.judges[0], panel.numbers[0], panel.full)
    _correct(panel, panel.full, reason="once")
    _correct(panel, panel.full, reason="twice")
    with panel.database.read() as session:
        row = session.exec(select(AdjudicationSheet)).one()
        versions = sheet_signing.versions_of(session, row.id)
        assert sheet_signing.first_broken_signature(row, versions) is None
        assert len({v.signature for v in versions}) == 3
        audited = session.exec(select(AuditEntry).where(AuditEntry.subject == panel.numbers[0])).all()
        assert [e.facts["signature"] for e in audited] == [v.signature for v in versions]
        assert "version 2" in sheet_signing.first_broken_signature(row, [versions[0], versions[2]])
        versions[1].marks = {**versions[1].marks, panel.pieces[0]: {**MARKS, "tone": 10}}
        assert "version 2" in sheet_signing.first_broken_signature(row, versions)
        assert "no version" in sheet_signing.first_broken_signature(row, [])


@pytest.mark.parametrize(
    ("marks", "said"),
    [
        ({"tone": 11}, "off the scale"),
        ({"tone": 0}, "off the scale"),
        ({"tone": 7.5}, "whole number"),
        ({"tone": "7"}, "whole number"),
        ({"tone": True}, "whole number"),
        ({"tone": float("nan")}, "whole number"),
        ({"tone": float("inf")}, "whole number"),
        ({"tone": 10**400}, "off the scale"),
        ({"speed": 7}, "no caption"),
    ],
)
def test_marks_off_the_rubric_are_refused_in_a_sentence(panel, marks, said):
    with pytest.raises(BadInput, match=said):
        _draft(panel, {panel.pieces[0]: marks})


def test_marks_and_remarks_of_other_pieces_are_refused(panel):
    with pytest.raises(BadInput, match="not scored in this round"):
        _draft(panel, {"0" * 32: MARKS})
    with pytest.raises(BadInput, match="not part of this round"):
        _draft(panel, {}, [{"piece_id": "0" * 32, "bar": "1", "text": "x"}])


def test_remarks_are_capped_and_empty_ones_left_out(panel):
    assert _draft(panel, {}, [{"piece_id": None, "bar": None, "text": "  "}]).draft.remarks == ()
    with pytest.raises(BadInput, match="longer than 800"):
        _draft(panel, {}, [{"piece_id": None, "bar": None, "text": "x" * 801}])
    with pytest.raises(BadInput, match="61 remarks"):
        _draft(panel, {}, [{"piece_id": None, "bar": None, "text": "x"}] * 61)
    lines = _draft(panel, {}, [{"piece_id": None, "bar": 3, "text": "<b>two</b>\r\nlines"}]).draft.remarks
    assert lines == ({"piece_id": None, "bar": "3", "text": "<b>two</b>\nlines"},)


def test_sheets_of_another_audition_are_not_there(panel):
    stranger = panel.database.write(
        lambda s: audition.create(s, {"name": "Other", "held_on": now_utc().date()}, actor=Actor("leader"))
    )
    judge = panel.do(panel_setup.add, stranger.id, "Cy Lund").id
    with pytest.raises(NotFound):
        panel.look(sheets_in.sheet, judge, panel.numbers[0])
    with pytest.raises(NotFound):
        panel.submit(judge, panel.numbers[0], panel.full)


def test_nothing_is_entered_for_numbers_that_are_not_heard_or_after_opening(panel):
    with panel.database.read() as session:
        entry = session.get_one(Candidate, panel.numbers[1]).entry_id
    panel.do(roster.change, entry, {"withdrawn": True})
    with pytest.raises(WrongState, match="not being heard"):
        panel.submit(panel.judges[0], panel.numbers[1], panel.full)

    def open_it(session):
        row = session.exec(select(Round)).one()
        row.state = "opened"
        session.add(row)

    panel.submit(panel.judges[0], panel.numbers[0], panel.full)
    panel.database.write(open_it)
    for late in (
        lambda: _correct(panel, panel.full),
        lambda: _draft(panel, {}),
        lambda: panel.do(sheets_in.recuse, panel.judges[1], panel.numbers[0]),
    ):
        with pytest.raises(WrongState, match="opened"):
            late()


def test_scored_once_per_candidate(scene):
    scene.do(audition.change, scene.audition_id, {"scored_per": "candidate"})
    scene.piece()
    judge = scene.adjudicator("Ada Brandt")
    scene.student("Mira Sund")
    number = scene.drawn().candidates[0].candidate_id
    assert scene.submit(judge, number, {ALL_PIECES: MARKS}).versions[0].marks == {"all": MARKS}


def test_a_round_with_fewer_pieces_asks_for_their_marks_only(panel):
    drawn = panel.drawn(name="Final", kind="final", piece_ids=[panel.pieces[1]])
    assert panel.look(draw.one_round, drawn.id).piece_ids == (panel.pieces[1],)
    sheet = panel.submit(panel.judges[0], drawn.candidates[0].candidate_id, {panel.pieces[1]: MARKS})
    assert sheet.state == "sent"


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["p", "tone", "text", "bar"]) | st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=12,
)


@settings(deadline=None)
@given(JUNK, JUNK)
def test_whatever_is_sent_as_marks_or_remarks_gives_clean_values_or_one_sentence(marks, remarks):
    cell = Cell(None, None, None, None, default_rubric(), ("p",), ("p",))
    for check, value in ((check_marks, marks), (check_marks, {"p": marks}), (check_remarks, remarks)):
        try:
            checked = check(cell, value)
        except FairhearingError:
            continue
        if check is check_marks:
            assert all(1 <= mark <= 10 and type(mark) is int for row in checked.values() for mark in row.values())
        else:
            assert all(set(remark) == {"piece_id", "bar", "text"} for remark in checked)

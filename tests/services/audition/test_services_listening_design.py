"""How the panel listens: own orders, hidden repeats, the practice take; none of it counts, none of it tells."""

import io
import json
import zipfile

import numpy as np
import pytest
from plain_wav import encoded
from sqlmodel import select

from app.db.models import Candidate, ExtraHearing, SheetVersion
from app.domain.actor import Actor
from app.domain.errors import BadAudio, BadInput, NotFound, WrongState
from app.domain.ids import new_id
from app.files.store import TakeStore
from app.services import (
    draw,
    family,
    hearing,
    opening,
    panel,
    practice_take,
    progress,
    rehearing,
    retention,
    sheets_in,
    standing,
    storing,
    verifying,
)
from app.services.access import AdjudicatorPrincipal

LEADER = Actor("leader", "0" * 32)
CAPTIONS = ("tone", "pitch", "rhythm", "musicianship")
STUDENTS = ("Mira Sund", "Jo Vale", "Ola Ek", "Tove Ruud", "Siri Moen", "Lars Bye")


def tone_wav(seconds=2.5, rate=22_050):
    t = np.arange(int(seconds * rate)) / rate
    sound = 0.3 * np.sin(2 * np.pi * 330 * t) * np.clip(np.minimum(t - 0.4, seconds - 0.4 - t) * 10, 0, 1)
    return encoded((sound * 32767).astype("<i2").tobytes(), rate)


def marks(value):
    return dict.fromkeys(CAPTIONS, value)


@pytest.fixture
def hall(scene):
    scene.etude = scene.piece("Étude")
    scene.judges = [scene.adjudicator(name) for name in ("Ada Brandt", "Bo Sand", "Cy Lund", "Di Holm")]
    for name in STUDENTS:
        scene.student(name)
    scene.declare(measured_weights={})
    return scene


@pytest.fixture
def store(tmp_path):
    return TakeStore(tmp_path / "takes")


def recorded(hall, **plan):
    drawn = hall.drawn(seats=2, listening_order="own", hidden_repeats=2, **plan)

    def all_heard(session, *, actor):
        for candidate in session.exec(select(Candidate)).all():
            candidate.state = "heard"
            session.add(candidate)

    hall.do(all_heard)
    return drawn


def shown_to(hall, judge):
    return hall.look(panel.overview, AdjudicatorPrincipal(hall.audition_id, judge, "A", new_id()))


def test_everyone_hears_everyone_in_an_order_of_their_own_with_the_repeats_among_them(hall):
    drawn = recorded(hall)
    seen = [shown_to(hall, judge) for judge in hall.judges]
    ids = [[c.candidate_id for c in view.candidates] for view in seen]
    assert len({tuple(order) for order in ids}) == 4
    numbers = {c.candidate_id for c in drawn.candidates}
    assert all(len(order) == 8 and numbers < set(order) for order in ids)
    again = set(ids[0]) - numbers
    assert all(set(order) - numbers == again for order in ids)
    # Four rows of a Williams square in reversed pairs: nobody is early or late on the whole.
    places = hall.look(lambda s: hearing.positions(s, draw.get_round(s, drawn.id), hall.judges, set()))
    plain = {judge: [c for c in order if c in numbers] for judge, order in zip(hall.judges, ids, strict=True)}
    for number in numbers:
        assert sum(order.index(number) + 1 for order in plain.values()) == 4 * 3.5
        assert all(places[(judge, number)] >= plain[judge].index(number) + 1 for judge in hall.judges)


def test_a_repeat_looks_like_any_number(hall):
    drawn = recorded(hall)
    view = shown_to(hall, hall.judges[0])
    by_id = {c.candidate_id: c for c in view.candidates}
    numbers = {c.candidate_id for c in drawn.candidates}
    for one in by_id.values():
        assert (one.state, one.practice, len(one.blind_number)) == ("to hear", False, 2)
    assert len({c.blind_number for c in view.candidates}) == 8
    sheets = [hall.look(sheets_in.sheet, hall.judges[0], one) for one in by_id]
    assert len({(s.state, s.agreed, str(s.draft)) for s in sheets}) == 1
    told = hall.look(progress.progress, drawn.id).extras  # the leader's screen does tell
    assert {e.blind_number for e in told} == {by_id[i].blind_number for i in set(by_id) - numbers}


def fill(hall, drawn, repeats_off=0):
    """Marks fall along the playing order; a repeat differs by ``repeats_off`` for adjudicator A."""
    value = {c.candidate_id: 9 - place for place, c in enumerate(drawn.candidates)}
    for column, judge in enumerate(hall.judges):
        for one in shown_to(hall, judge).candidates:
            there = hall.look(lambda s, one=one: s.get(ExtraHearing, one.candidate_id))
            given = (
                value[there.candidate_id] - (repeats_off if column == 0 else 0) if there else value[one.candidate_id]
            )
            hall.submit(judge, one.candidate_id, {hall.etude: marks(given)})


def test_repeats_show_consistency_and_move_nobody(hall):
    drawn = recorded(hall)
    fill(hall, drawn, repeats_off=2)
    shown = hall.look(opening.shown, drawn.id)
    assert [row["blind_number"] for row in shown["rows"]] == [c.blind_number for c in drawn.candidates]
    assert [row["mark"] for row in shown["rows"]] == [9.0, 8.0, 7.0, 6.0, 5.0, 4.0]
    reports = {r["letter"]: r for r in shown["adjudicators"]}
    assert reports["A"]["consistency"] == pytest.approx(2 / 2**0.5)
    assert reports["B"]["consistency"] == 0.0
    assert all(r["marks_given"] == 24 for r in reports.values())
    assert shown["missing"] == []


def test_a_family_gets_the_marks_of_repeats_once_the_round_is_opened(hall, store):
    drawn = recorded(hall)
    fill(hall, drawn)
    repeat = hall.look(lambda s: s.exec(select(ExtraHearing).where(ExtraHearing.kind == "repeat")).first())
    entry = hall.look(lambda s: s.get_one(Candidate, repeat.candidate_id).entry_id)

    def marks_in_the_zip():
        made = family.export(hall.database, store, entry, actor=LEADER)
        with made.file, zipfile.ZipFile(made.file) as archive:
            names = [name for name in archive.namelist() if name.endswith("marks.json")]
            return json.loads(archive.read(names[0])) if names else None

    assert marks_in_the_zip() is None
    opening.open_round(hall.database, drawn.id, reason="nothing is measured here", actor=LEADER)
    given = marks_in_the_zip()
    assert len(given) == 8  # four adjudicators, twice
    assert {one.get("heard_again_as", "") for one in given} == {"", repeat.blind_number}
    assert len({str(one["marks"]) for one in given}) == 1


def test_a_repeat_without_a_sheet_holds_nothing_up(hall):
    drawn = recorded(hall)
    for judge in hall.judges:
        for c in drawn.candidates:
            hall.submit(judge, c.candidate_id, {hall.etude: marks(5)})
    shown = hall.look(opening.shown, drawn.id)
    assert shown["missing"] == []
    assert any("no place depends on them" in s for s in shown["sentences"])
    assert "consistency" in shown["adjudicators"][0]["why"]
    before = hall.look(standing.round_marks, drawn.id).hash
    opening.open_round(hall.database, drawn.id, reason="", actor=LEADER)
    compared = hall.look(opening.compare, drawn.id)
    assert (compared.same, compared.differs, compared.input_hash_now) == (True, (), before)


def test_the_design_is_fixed_by_the_draw(hall):
    drawn = hall.drawn(listening_order="own", hidden_repeats=1)
    for change in ({"hidden_repeats": 0}, {"listening_order": "same"}):
        with pytest.raises(WrongState, match="stays"):
            hall.do(draw.change_round, drawn.id, change)
    with pytest.raises(BadInput, match="between 0 and 20"):
        hall.round(hidden_repeats=21)
    with pytest.raises(BadInput, match="say 'same' or 'own'"):
        hall.round(listening_order="shuffled")
    with pytest.raises(BadInput, match="at most half"):
        hall.drawn(hidden_repeats=4)


def practised(hall, store, round_id):
    return practice_take.keep_recording(
        hall.database, store, round_id, hall.etude, io.BytesIO(tone_wav()), actor=LEADER
    )


def test_the_practice_take_comes_first_and_shows_what_was_agreed_after_the_own_sheet(hall, store):
    round_id = hall.round()
    view = practised(hall, store, round_id)
    assert (view.is_set, view.has_recording, view.piece_title) == (False, True, "Étude")
    hall.do(draw.commit_seed, round_id)
    with pytest.raises(WrongState, match="no agreed mark for tone"):
        hall.do(draw.draw_round, round_id)
    view = hall.do(practice_take.agree, round_id, {**marks(6), "tone": 7}, "Clear, a little thin above.")
    assert view.is_set
    hall.do(draw.draw_round, round_id)

    judge = hall.judges[0]
    first = shown_to(hall, judge).candidates[0]
    assert (first.practice, first.blind_number, len(first.takes)) == (True, "", 1)
    assert hall.look(sheets_in.sheet, judge, first.candidate_id).agreed is None
    principal = AdjudicatorPrincipal(hall.audition_id, judge, "A", new_id())
    heard = hall.look(panel.recording, principal, first.takes[0].take_id)
    assert heard.playback_sha256 == hall.look(practice_take.playback_of, round_id)
    sent = hall.submit(judge, first.candidate_id, {hall.etude: marks(4)})
    assert (sent.agreed.marks["tone"], sent.agreed.note) == (7, "Clear, a little thin above.")
    with pytest.raises(NotFound, match="ears are set by ears"):
        hall.look(panel.findings, principal, first.takes[0].take_id)
    with pytest.raises(WrongState, match="stays as it was sent"):
        hall.do(
            sheets_in.correct, judge, first.candidate_id, version_id=new_id(), marks={hall.etude: marks(6)},
            remarks=[], reason="to agree",
        )  # fmt: skip
    with pytest.raises(WrongState, match="nothing to recuse"):
        hall.do(sheets_in.recuse, judge, first.candidate_id)
    shown = hall.look(opening.shown, round_id)
    assert shown["rows"] == []  # the practice take's sheet is in no result
    for work in (practice_take.remove, lambda s, r, actor: practice_take.agree(s, r, marks(5), "", actor=actor)):
        with pytest.raises(WrongState, match="stays as it is"):
            hall.do(work, round_id)


def test_a_practice_recording_is_kept_like_a_take_and_moves_with_them(hall, store, tmp_path):
    round_id = hall.round()
    practised(hall, store, round_id)
    playback = hall.look(practice_take.playback_of, round_id)
    assert hall.look(retention.is_wanted, playback)
    other = TakeStore(tmp_path / "other")
    copied, _ = storing.copy_takes(hall.database, store, other, hall.audition_id, lambda done, of: None)
    assert copied == 1  # a plain WAV: what was received is what a player plays
    assert other.is_true(playback)
    hall.do(practice_take.remove, round_id)
    assert not hall.look(retention.is_wanted, playback)


def test_a_practice_take_that_can_not_be_one_is_refused_in_a_sentence(hall, store):
    round_id = hall.round()
    with pytest.raises(WrongState, match="choose its recording first"):
        hall.do(practice_take.agree, round_id, marks(5), "")
    with pytest.raises(NotFound, match="no practice take"):
        hall.look(practice_take.playback_of, round_id)
    with pytest.raises(BadInput, match="of a piece that this round hears"):
        practice_take.keep_recording(hall.database, store, round_id, "f" * 32, io.BytesIO(tone_wav()), actor=LEADER)
    with pytest.raises((BadAudio, BadInput)):
        practice_take.keep_recording(hall.database, store, round_id, hall.etude, io.BytesIO(b"no sound"), actor=LEADER)
    practised(hall, store, round_id)
    with pytest.raises(BadInput, match="off the scale"):
        hall.do(practice_take.agree, round_id, {**marks(5), "tone": 11}, "")
    with pytest.raises(BadInput, match="no caption 'posture'"):
        hall.do(practice_take.agree, round_id, {**marks(5), "posture": 5}, "")
    with pytest.raises(NotFound, match="none of an earlier round"):
        hall.do(practice_take.choose_take, round_id, "f" * 32)
    hall.do(practice_take.remove, round_id)
    assert not hall.look(practice_take.shown, round_id).has_recording


def test_kept_practice_recordings_are_checked_and_never_swept_away(hall, store):
    practised(hall, store, hall.round())
    assert verifying.remove_left_over(hall.database, store, older_than_sec=0.0) == 0
    with hall.database.read() as session:
        assert all(check.holds for check in verifying.verify(session, store))
    for sha256 in list(store.every()):
        store.local_path(sha256).chmod(0o600)
        store.local_path(sha256).write_bytes(b"changed")
    with hall.database.read() as session:
        problems = [p for check in verifying.verify(session, store) for p in check.problems]
    assert sum("practice take" in p for p in problems) == len(list(store.every())) > 0


def test_orders_of_hearing_that_were_changed_afterwards_are_found(hall, store):
    drawn = recorded(hall)

    def problems():
        with hall.database.read() as session:
            checks = {check.name: check for check in verifying.verify(session, store)}
        assert checks["orders of hearing"].count == 1
        return checks["orders of hearing"].problems

    assert problems() == ()

    def swap(session, *, actor):
        row = draw.get_round(session, drawn.id)
        orders = {judge: list(order) for judge, order in row.hearing_orders.items()}
        first = orders[hall.judges[0]]
        first[0], first[1] = first[1], first[0]
        row.hearing_orders = orders
        session.add(row)

    hall.do(swap)
    assert "not those that the draw laid out" in problems()[0]
    hall.do(swap)
    assert problems() == ()

    def lose_one(session, *, actor):
        heard_twice = set(session.exec(select(ExtraHearing.candidate_id)).all())
        once = [one.candidate_id for one in drawn.candidates if one.candidate_id not in heard_twice]
        session.delete(session.get(Candidate, once[0]))

    hall.do(lose_one)
    assert "every number once" in problems()[0]


def test_removing_a_round_or_a_piece_takes_its_practice_take_along(hall, store):
    round_id = hall.round()
    practised(hall, store, round_id)
    hall.do(draw.remove_round, round_id)
    with pytest.raises(NotFound):
        hall.look(practice_take.shown, round_id)


def test_a_re_hearing_gets_the_seats_in_question(hall):
    drawn = hall.drawn(seats=3)
    values = (9, 6, 6, 6, 6, 2)
    for judge in hall.judges:
        for c, value in zip(drawn.candidates, values, strict=True):
            hall.submit(judge, c.candidate_id, {hall.etude: marks(value)})
    shown = hall.look(opening.shown, drawn.id)
    numbers = [c.blind_number for c in drawn.candidates]
    tied = numbers[1:5]
    again = hall.do(rehearing.create, drawn.id, tied, shown)
    assert (again.kind, again.name, again.seats, len(again.entry_ids)) == ("rehearing", "Re-hearing", 2, 4)
    assert hall.do(rehearing.create, drawn.id, tied, shown).name == "Re-hearing 2"
    assert rehearing.seats_among(shown["rows"], numbers[4:], 1) is None  # the one seat is held by the first
    for wrong, words in ((tied[:1], "two numbers or more"), ([tied[0], "77x"], "not in this round's standing")):
        with pytest.raises(BadInput, match=words):
            hall.do(rehearing.create, drawn.id, wrong, shown)
    with pytest.raises(WrongState, match="before the draw"):
        hall.do(rehearing.create, again.id, tied, shown)


def test_questions_wait_for_the_sheets_and_a_changed_sheet_shows_in_the_comparison(hall):
    drawn = hall.drawn(seats=2)
    for judge in hall.judges:
        for place, c in enumerate(drawn.candidates):
            if (judge, place) != (hall.judges[0], 0):
                hall.submit(judge, c.candidate_id, {hall.etude: marks(9 - place)})
    shown = hall.look(opening.shown, drawn.id)
    assert shown["questions"] == []
    assert "once every sheet is in" in shown["questions_wait"]
    with pytest.raises(WrongState, match="not opened"):
        hall.look(opening.compare, drawn.id)
    opening.open_round(hall.database, drawn.id, reason="A fell ill", actor=LEADER)
    assert hall.look(opening.shown, drawn.id)["questions_wait"] is None

    def tamper(session, *, actor):
        version = session.exec(select(SheetVersion)).first()
        version.marks = {hall.etude: marks(1)}
        session.add(version)

    hall.do(tamper)
    compared = hall.look(opening.compare, drawn.id)
    assert not compared.same
    assert "has changed since" in compared.sentence
    assert compared.input_hash != compared.input_hash_now
    assert any("when opened" in line and "now." in line for line in compared.differs)

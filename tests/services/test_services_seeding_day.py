"""The demonstration's audition of today: planned, announced, under its seal."""

from datetime import datetime, timedelta

import pytest
from sqlmodel import select

from app.db.models import Audition, Candidate, Piece, Round, SightSheet, Take
from app.packaged import packaged_folder
from app.services import day_printing, demo_doors, door, recusal, seeding, verifying

NOW = datetime.fromisoformat("2026-12-05T10:07:31+01:00")


@pytest.fixture
def seeded(database):
    return seeding.set_up(database, seeding.read_scenario(packaged_folder("seed_data")), now=NOW)


def test_a_new_user_finds_a_day_that_is_about_to_begin(seeded, database, store):
    with database.read() as session:
        today, main = session.exec(select(Audition).order_by(Audition.created_at)).all()
        assert (main.id, demo_doors.demo_audition(session).id) == (seeded.audition_id, seeded.audition_id)
        assert (today.name, today.held_on) == ("Winter mock audition", NOW.date())
        [row] = session.exec(select(Round).where(Round.audition_id == today.id)).all()
        view = door.look(session, today.id, None, now=NOW)
        starts = datetime.fromisoformat(view.plan["starts_at"])
        assert timedelta(minutes=60) < starts - NOW <= timedelta(minutes=75)
        assert starts.minute % 15 == 0
        assert starts.utcoffset() == NOW.utcoffset()
        assert len(view.turns) == 10
        assert {line.turn.room_id for line in view.turns} == {room["id"] for room in view.rooms}
        assert all(line.turn.planned_at and line.turn.state == "expected" for line in view.turns)
        assert view.counts["overdue"] == 0  # there is time to look around before anybody is late
        assert len({line.name for line in view.turns}) == 9  # one student on two instruments
        [theo] = [line for line in view.turns if line.enlarged_music]
        assert (theo.extra_time_percent, theo.accommodation) == (50, "reads large print")
        assert [line.name for line in view.turns if not line.consent] == ["Rosa Quarmby"]
        assert [one.letter for one in recusal.declared(session, today.id)] == ["A"]
        kinds = session.exec(select(Piece.kind).where(Piece.audition_id == today.id).order_by(Piece.position)).all()
        assert kinds == ["generated", "sight-reading"]
        assert session.exec(select(SightSheet)).all() == []
        assert session.exec(select(Take)).all() == []
        for pdf in (
            day_printing.slips(session, row.id, audition_id=None),
            day_printing.door_sheet(session, row.id, audition_id=None),
            day_printing.schedule_sheet(session, row.id, now=NOW, audition_id=None),
            day_printing.script(session, row.id, audition_id=None),
        ):
            assert pdf.startswith(b"%PDF")
        checks = verifying.verify(session, store)
    assert all(check.holds for check in checks)


def test_the_main_audition_is_as_it_was(seeded, database):
    with database.read() as session:
        assert session.exec(select(Round).where(Round.audition_id == seeded.audition_id)).all() == []
        pieces = session.exec(select(Piece.kind).where(Piece.audition_id == seeded.audition_id)).all()
        assert sorted(pieces) == ["generated", "notation", "untyped"]
        drawn = session.exec(select(Candidate)).all()
    assert len(drawn) == 10  # of today's round


def test_what_nobody_typed_in_is_played_by_each_on_the_own_instrument(seeded, database):
    scenario = seeding.read_scenario(packaged_folder("seed_data"))
    solo = [take for take in seeding.takes_to_make(database, scenario, seeded) if take.round_key == "solo"]
    assert {take.piece_key for take in solo} == {"song"}
    first = {take.piece.instrument: take.piece.notes[0] for take in solo}
    assert {key: note.sounding_midi for key, note in first.items()} == {"clarinet-bb": 58, "sax-alto": 51}
    assert {note.written_pitch for note in first.values()} == {"C4"}

"""An opened standing rests on what was measured then: takes measured again later do not make it look changed."""

import dataclasses

import pytest
from printing_hall import Hall
from sqlmodel import select

from app.db.models import Findings, SheetVersion
from app.domain.findings import findings_from_dict, findings_to_dict
from app.services import measuring, opening, standing

pytestmark = pytest.mark.both_engines


@pytest.fixture
def hall(database) -> Hall:
    return Hall(database)


def remeasure(hall: Hall, version: str) -> None:
    """Worse findings of every take, under another version of the algorithm."""

    def add(session) -> None:
        for found in session.exec(select(Findings)).all():
            worse = findings_from_dict(found.payload)
            sharp = tuple(dataclasses.replace(note, deviation_cents=45.0) for note in worse.notes)
            worse = dataclasses.replace(worse, notes=sharp)
            row = {"take_id": found.take_id, "input_hash": "1" * 64, "algorithm_version": version}
            measuring.save_findings(session, {**row, "payload": findings_to_dict(worse)})

    hall.database.write(add)


def test_a_season_measured_again_leaves_an_opened_standing_as_it_was(hall):
    hall.open()
    before = hall.look(standing.round_marks, hall.round_id).hash
    remeasure(hall, "later")
    assert hall.look(standing.round_marks, hall.round_id).hash != before  # the new findings would count today
    assert hall.look(opening.recompute, hall.round_id) is None
    compared = hall.look(opening.compare, hall.round_id)
    assert (compared.same, compared.differs) == (True, ())
    assert compared.input_hash == compared.input_hash_now == before


def test_a_sheet_that_was_changed_shows_all_the_same(hall):
    hall.open()
    remeasure(hall, "later")

    def tamper(session) -> None:
        version = session.exec(select(SheetVersion)).first()
        version.marks = {piece: {**given, "pitch": 1} for piece, given in version.marks.items()}
        session.add(version)

    hall.database.write(tamper)
    assert "has changed since" in (hall.look(opening.recompute, hall.round_id) or "")
    assert not hall.look(opening.compare, hall.round_id).same

"""A piece that nobody typed in, from findings to sheet and standing: all that can be said, and no measured mark."""

import dataclasses
from typing import Any

import pytest
from audition_scene import LEADER, Scene
from heard_take import heard_findings
from printing_hall import NAMES, RECIPE, Hall, marks, text_of
from sqlmodel import Session, select

from app.db.database import Database
from app.db.models import Audition, Candidate, Findings, Job, Round, Take
from app.domain.errors import NotFound, WrongState
from app.domain.findings import Findings as MeasuredFindings
from app.domain.findings import findings_to_dict
from app.domain.ids import new_id
from app.services import (
    declaring,
    heard_picture,
    measuring,
    opening,
    panel,
    panel_music,
    past_rounds,
    pieces,
    printing,
    section,
    standing,
    student_page,
)
from app.services.access import AdjudicatorPrincipal, StudentPrincipal
from app.services.printed_round import load_round
from app.services.sheet_cells import round_pieces
from app.services.sheet_models import comment_sheet_model


@pytest.fixture
def hall(database: Database) -> Hall:
    return Hall(database)


def heard(hall: Hall, candidate_id: str, findings: MeasuredFindings | None = None) -> str:
    """A take of the untyped étude with its findings."""

    def add(session: Session) -> str:
        take = Take(
            candidate_id=candidate_id, piece_id=hall.etude, sha256="2" * 64, size_bytes=1, container="wav",
            playback_sha256="2" * 64, duration_sec=8.3, sample_rate_hz=44100, channels=1,
        )  # fmt: skip
        session.add(take)
        session.flush()
        payload = findings_to_dict(findings or heard_findings())
        session.add(Findings(take_id=take.id, input_hash="1" * 64, algorithm_version="test", payload=payload))
        return take.id

    return hall.database.write(add)


def test_the_sheet_says_and_shows_what_was_heard_and_why_no_more(hall: Hall) -> None:
    heard(hall, hall.numbers[0])
    hall.open()
    with hall.database.read() as session:
        model = comment_sheet_model(session, load_round(session, hall.round_id, with_music=True), hall.numbers[0])
    part = model.parts[1]
    assert (part.engraving, part.marks, part.why_no_findings) == (None, None, None)
    assert part.trace is not None
    assert "neither notes nor rhythm could be judged" in part.findings[0].sentence
    assert any("A♭ in the second space lay 22 cents sharp" in f.sentence for f in part.findings)
    assert {e.piece_title for e in model.practice} == {"F major scale", "Étude from paper"}
    text = text_of(printing.print_comment_sheet(hall.database, hall.numbers[0], actor=LEADER).pdf)
    assert "without notation · own tuning A = 441." in text
    assert "no measured mark" in text
    assert [row.measured for row in model.blocks[1].rows] == [None] * 4


def test_a_take_that_holds_no_tones_says_so(hall: Hall) -> None:
    nothing = dataclasses.replace(heard_findings(), usable=False, warnings=("The take holds no steady tones.",))
    heard(hall, hall.numbers[1], nothing)
    hall.open()
    with hall.database.read() as session:
        model = comment_sheet_model(session, load_round(session, hall.round_id, with_music=False), hall.numbers[1])
    assert (model.parts[1].trace, model.parts[1].why_no_findings) == (None, "The take holds no steady tones.")


def test_a_take_whose_measuring_was_set_aside_says_so_to_panel_and_student(hall: Hall) -> None:
    take_id = heard(hall, hall.numbers[0])

    def set_aside(session: Session) -> None:
        session.delete(session.exec(select(Findings).where(Findings.take_id == take_id)).one())
        job = Job(
            id=new_id(), kind=measuring.KIND, key="k", subject=take_id, state="failed", error="The file breaks off."
        )
        session.add(job)

    hall.database.write(set_aside)
    hall.open()
    with hall.database.read() as session:
        with pytest.raises(NotFound, match="could not be measured"):
            panel.findings(session, _seat(hall, hall.judges[0]), take_id)
        model = comment_sheet_model(session, load_round(session, hall.round_id, with_music=False), hall.numbers[0])
        entry = session.get_one(Candidate, hall.numbers[0]).entry_id
        mine = StudentPrincipal(hall.audition_id, entry, "0" * 32)
        own = student_page.marked_part(session, mine, hall.numbers[0], hall.etude)
    assert model.parts[1].why_no_findings == "this take could not be measured; your section leader sees why."
    assert (own.wide, own.figures, own.practice.pitched) == (None, (), True)


def _standing(hall: Hall) -> dict[str, Any]:
    return hall.look(opening.shown, hall.round_id)


@pytest.mark.parametrize("scored_per", ["piece", "candidate"])
def test_no_measured_mark_enters_the_standing(hall: Hall, scored_per: str) -> None:
    """Nor does a take without one hide the marks of the takes that have one, where all pieces are marked together."""

    def together(session: Session) -> None:
        audition = session.get_one(Audition, hall.audition_id)
        audition.scored_per = scored_per
        declaring.get_audition(session, audition.id)

    hall.database.write(together)
    with hall.database.read() as session:
        before = standing.round_marks(session, hall.round_id)
    shown = _standing(hall) if scored_per == "piece" else None
    for number in hall.numbers:
        heard(hall, number)
    with hall.database.read() as session:
        after = standing.round_marks(session, hall.round_id)
    assert [take.piece_id for take in before.measured] == [hall.scale]
    assert after.measured == before.measured
    assert after.measuring == ()
    if shown is not None:
        assert _standing(hall) == shown


def test_the_section_report_takes_its_tendencies_against_the_auditions_reference(hall: Hall) -> None:
    for number in hall.numbers[:2]:
        heard(hall, number)
    with hall.database.read() as session:
        model = section._model(session, hall.round_id)
    (instrument,) = model.pitch
    rows = dict(zip(instrument.names, instrument.tendencies, strict=True))
    # 22 cents above the take's own tuning, which lay 6 above 440 Hz
    assert rows["A♭4"].mean_cents == pytest.approx(28.0, abs=1.5)
    assert rows["A♭4"].players == 2
    assert [part.title for part in model.pieces] == ["F major scale"]
    assert all("Étude" not in line for line in model.next_rehearsal if line.startswith("Bar"))


def test_an_earlier_take_without_notation_is_no_figure_to_compare_with(hall: Hall) -> None:
    heard(hall, hall.numbers[1])
    with hall.database.read() as session:
        assert past_rounds.measured_takes(session, hall.numbers[1]) == {}
        assert len(past_rounds.measured_takes(session, hall.numbers[0])) == 1


def _seat(hall: Hall, adjudicator_id: str) -> AdjudicatorPrincipal:
    return AdjudicatorPrincipal(hall.audition_id, adjudicator_id, "A", "0" * 32)


def test_a_panel_gets_findings_and_picture_after_its_sheet_and_no_name(hall: Hall) -> None:
    take_id = heard(hall, hall.numbers[0])
    with hall.database.read() as session:
        found = panel.findings(session, _seat(hall, hall.judges[0]), take_id)
        assert panel.waveform(session, _seat(hall, hall.judges[0]), take_id).bars == []
        with pytest.raises(NotFound, match="no notation here"):
            panel_music.music(session, _seat(hall, hall.judges[0]), hall.etude)
        names = [c.entry_id for c in session.exec(select(Candidate)).all()]
    assert found["picture"].startswith("<svg")
    assert "trace" not in found["pitch"]
    for secret in ("Mira Sund", "Jo Vale", *names):
        assert secret not in str(found)


def test_the_students_page_shows_the_picture_with_every_note_to_choose(hall: Hall) -> None:
    take_id = heard(hall, hall.numbers[0])
    hall.open()
    with hall.database.read() as session:
        entry = session.get_one(Candidate, hall.numbers[0]).entry_id
        mine = StudentPrincipal(hall.audition_id, entry, "0" * 32)
        page = student_page.page(session, mine)
        part = student_page.marked_part(session, mine, hall.numbers[0], hall.etude)
        other = StudentPrincipal(hall.audition_id, session.get_one(Candidate, hall.numbers[1]).entry_id, "0" * 32)
        with pytest.raises(NotFound):
            student_page.marked_part(session, other, hall.numbers[0], hall.etude)
        unmeasured = student_page.marked_part(session, other, hall.numbers[1], hall.etude)
    own = page.rounds[0].parts[1]
    assert own.take is not None
    assert own.take.take_id == take_id
    assert own.part.trace is not None
    assert part.wide is not None
    assert part.narrow is not None
    ids = [n.note_id for n in heard_findings().notes]
    assert [s.engraved_id for s in part.sounds] == [f.engraved_id for f in part.figures] == ids
    assert [n.engraved_id for n in part.wide.notes] == [n.engraved_id for n in part.narrow.notes] == ids
    assert part.practice is not None
    assert (part.practice.tonic_name, part.practice.tonic_semitone, part.practice.tempo_assumed) == ("", 66 % 12, True)
    assert [t.name for t in part.practice.tones] == ["E", "F♯", "A♭", "A", "B", "C♯"]
    lies = [t.lies_cents for t in part.practice.tones if t.name == "A♭"]
    assert lies == [pytest.approx(22.0, abs=1.5)]
    assert [(r.name, r.where) for r in part.practice.returns[:1]] == [("E", "0:04 and 0:07")]
    assert (unmeasured.wide, unmeasured.figures, unmeasured.practice.tones) == (None, (), ())


def test_a_panel_without_a_sheet_gets_nothing(hall: Hall) -> None:
    late = hall.adjudicator("Dee Holm")
    take_id = heard(hall, hall.numbers[0])
    with hall.database.read() as session, pytest.raises(WrongState, match="once your own sheet"):
        panel.findings(session, _seat(hall, late), take_id)


def test_findings_with_notation_have_no_picture_and_stay_whole() -> None:
    payload = findings_to_dict(dataclasses.replace(heard_findings(), notated=True))
    assert heard_picture.picture(payload) is None
    assert heard_picture.without_trace(payload) == payload
    older = {key: value for key, value in payload.items() if key != "notated"}
    assert heard_picture.picture(older) is None


def test_a_piece_weighs_what_it_weighs_among_those_that_the_round_hears(hall: Hall) -> None:
    hall.open()
    with hall.database.read() as session:
        loaded = load_round(session, hall.round_id, with_music=False)
        weights = {hall.scale: 30.0, hall.etude: 70.0, "of another round": 100.0}
        rule = dataclasses.replace(loaded.marks.rule, piece_weights=weights)
        loaded = dataclasses.replace(loaded, marks=dataclasses.replace(loaded.marks, rule=rule))
        model = comment_sheet_model(session, loaded, hall.numbers[0])
    assert [block.title for block in model.blocks] == ["F major scale (30 %)", "Étude from paper (70 %)"]


@pytest.mark.parametrize("typed", [False, True])
def test_a_score_sheet_prints_yardsticks_only_where_something_is_measured(database: Database, typed: bool) -> None:
    scene = Scene(database)
    piece = scene.piece("Étude from paper", 0)
    if typed:
        scene.do(pieces.add, scene.audition_id, pieces.from_recipe(RECIPE, title="F major scale"))
    judges = [scene.adjudicator(name) for name in ("Ada Brandt", "Bo Sand")]
    for name in NAMES[:2]:
        scene.student(name)
    scene.declare(measured_weights={"pitch": 0.2, "rhythm": 0.2})
    drawn = scene.drawn(seats=1)
    with database.read() as session:
        ids = [p.id for p in round_pieces(session, session.get_one(Round, drawn.id))]
    assert piece in ids
    for place, candidate in enumerate(drawn.candidates):
        for judge in judges:
            scene.submit(judge, candidate.candidate_id, {one: marks(8 - place) for one in ids})
    opening.open_round(database, drawn.id, reason="no takes were kept", actor=LEADER)
    pdf = printing.print_score_sheet(database, drawn.id, named=True, actor=LEADER).pdf
    text = text_of(pdf)
    assert text.count("Measured mark for") == (2 if typed else 0)
    assert ("the adjudicators' marks alone count" in text) is not typed

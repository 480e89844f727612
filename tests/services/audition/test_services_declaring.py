"""Rubric and rule: declared before the first take, frozen by it; the audition's one next step."""

from datetime import date

import pytest

from app.db.models import AuditEntry, Take
from app.domain.errors import BadInput, NotFound, WrongState
from app.judging.rubric import default_rubric
from app.services import audition, custody, declaring, draw

pytestmark = pytest.mark.both_engines


def _take(scene, candidate_id, piece_id):
    def add(session):
        session.add(
            Take(
                candidate_id=candidate_id,
                piece_id=piece_id,
                sha256="a" * 64,
                size_bytes=1,
                container="wav",
                playback_sha256="b" * 64,
                duration_sec=1.0,
                sample_rate_hz=44100,
                channels=1,
            )
        )

    scene.database.write(add)


def test_declaring_keeps_a_hash_of_everything_it_fixes(scene):
    with pytest.raises(WrongState, match="pieces first"):
        scene.do(declaring.declare, scene.audition_id)
    scene.piece()
    scene.adjudicator("Ada Brandt")
    with pytest.raises(WrongState, match="not declared yet"):
        scene.look(declaring.require_declared, scene.audition_id)
    scene.declare()
    view = scene.look(audition.one, scene.audition_id)
    assert view.rule_hash == scene.look(lambda s: declaring.declaration_hash(declaring.get_audition(s, view.id)))
    assert view.rule_declared_at is not None
    assert not view.rule_frozen
    scene.look(declaring.require_declared, scene.audition_id)
    scene.do(declaring.declare, scene.audition_id)
    with scene.database.read() as session:
        actions = [e.action for e in custody.chain_entries(session, scene.audition_id)]
    assert actions.count("rule-declared") == 1


@pytest.mark.parametrize("changes", [{"a4_hz": 442.0}, {"temperament": "just"}, {"scored_per": "candidate"}])
def test_what_the_rule_rests_on_must_be_declared_anew_when_it_changes(scene, changes):
    scene.piece()
    scene.declare()
    scene.do(audition.change, scene.audition_id, {"name": "Renamed"})
    assert scene.look(audition.one, scene.audition_id).rule_declared_at is not None
    scene.do(audition.change, scene.audition_id, changes)
    assert scene.look(audition.one, scene.audition_id).rule_declared_at is None


def test_the_first_take_freezes_rubric_rule_and_reference_pitch(scene):
    piece = scene.piece()
    scene.adjudicator("Ada Brandt")
    scene.student("Mira Sund")
    scene.declare()
    number = scene.drawn().candidates[0].candidate_id
    _take(scene, number, piece)
    assert scene.look(audition.one, scene.audition_id).rule_frozen
    rubric = default_rubric().to_dict()
    for change in (
        lambda: scene.do(declaring.set_rubric, scene.audition_id, rubric),
        lambda: scene.do(declaring.set_rule, scene.audition_id, {"combine": "median"}),
        lambda: scene.do(declaring.declare, scene.audition_id),
        lambda: scene.do(audition.change, scene.audition_id, {"a4_hz": 442.0}),
        lambda: scene.do(audition.change, scene.audition_id, {"scored_per": "candidate"}),
    ):
        with pytest.raises(WrongState, match="first take is in"):
            change()
    scene.do(audition.change, scene.audition_id, {"name": "Renamed", "a4_hz": 440.0})


def test_a_rule_that_does_not_fit_is_refused(scene):
    pieces = [scene.piece("Slow", 0), scene.piece("Fast", 1)]
    scene.adjudicator("Ada Brandt")
    with pytest.raises(WrongState, match="needs 5"):
        scene.declare(combine="trimmed-mean")
    with pytest.raises(BadInput, match="“Fast” has no weight"):
        scene.declare(piece_weights={pieces[0]: 40})
    with pytest.raises(BadInput, match="piece weights name"):
        scene.declare(piece_weights={"0" * 32: 40})
    rubric = default_rubric().to_dict()
    scene.do(declaring.set_rule, scene.audition_id, {"caption_weights": {"tone": 2, "pitch": 1}})
    rubric["captions"] = [c for c in rubric["captions"] if c["key"] != "tone"]
    with pytest.raises(BadInput, match="tone"):
        scene.do(declaring.set_rubric, scene.audition_id, rubric)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"name": " "}, "name"),
        ({"a4_hz": 300.0}, "reference pitch"),
        ({"a4_hz": float("nan")}, "reference pitch"),
        ({"paper": "foolscap"}, "paper"),
        ({"retention_until": date(2026, 3, 13)}, "deletion"),
    ],
)
def test_settings_out_of_range_are_refused(scene, changes, said):
    with pytest.raises(BadInput, match=said):
        scene.do(audition.change, scene.audition_id, changes)


def test_the_next_step_leads_through_the_whole_audition(scene):
    def step():
        return scene.look(audition.one, scene.audition_id).next_step

    seen = [step()]
    piece = scene.piece()
    seen.append(step())
    scene.student("Mira Sund")
    seen.append(step())
    judge = scene.adjudicator("Ada Brandt")
    seen.append(step())
    scene.declare()
    seen.append(step())
    round_id = scene.round()
    seen.append(step())
    scene.do(draw.commit_seed, round_id)
    seen.append(step())
    number = scene.do(draw.draw_round, round_id).candidates[0].candidate_id
    seen.append(step())
    _take(scene, number, piece)
    seen.append(step())
    scene.submit(judge, number, {piece: {"tone": 5, "pitch": 5, "rhythm": 5, "musicianship": 5}})
    seen.append(step())
    for sentence, word in zip(
        seen,
        ["piece", "roster", "adjudicators", "declare", "round", "seed", "Draw", "Record", "listening", "open"],
        strict=True,
    ):
        assert word in sentence
        assert sentence.endswith(".")


def test_the_audit_list_covers_the_audition_and_its_rounds_in_order(scene):
    scene.piece()
    scene.student("Mira Sund")
    scene.drawn()
    trail = scene.look(audition.audit_trail, scene.audition_id)
    assert [e.action for e in trail] == ["audition-made", "entry-added", "round-made", "seed-committed", "drawn"]
    assert all(isinstance(e, AuditEntry) for e in trail)
    with pytest.raises(NotFound):
        scene.look(audition.audit_trail, "0" * 32)


def test_a_click_through_takes_is_part_of_the_declaration_and_frozen_with_it(scene):
    piece = scene.piece()
    scene.adjudicator("Ada Brandt")
    scene.student("Mira Sund")
    scene.declare()
    before = scene.look(audition.one, scene.audition_id).rule_hash
    scene.do(audition.change, scene.audition_id, {"room_sounds": {"count_in_bars": 1}})
    assert scene.look(audition.one, scene.audition_id).rule_hash == before
    scene.do(audition.change, scene.audition_id, {"room_sounds": {"click": True}})
    assert scene.look(audition.one, scene.audition_id).rule_declared_at is None
    scene.declare()
    assert scene.look(audition.one, scene.audition_id).rule_hash != before
    number = scene.drawn().candidates[0].candidate_id
    _take(scene, number, piece)
    with pytest.raises(WrongState, match="stay as they were declared"):
        scene.do(audition.change, scene.audition_id, {"room_sounds": {"click": False}})
    scene.do(audition.change, scene.audition_id, {"room_sounds": {"click": True, "count_in_bars": 2}})

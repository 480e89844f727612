"""Rubric and rule of an audition: declared before the first take, frozen by it."""

from typing import Any

from sqlmodel import Session, col, select

from app.db.models import Adjudicator, Audition, Candidate, Piece, Round, Take
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import BadInput, NotFound, WrongState
from app.domain.panel import Rubric, Rule
from app.judging.rubric import default_rubric, validate_rubric
from app.judging.rule import default_rule, panel_refusal, rule_sentence, validate_rule
from app.services import custody, room_sounds, shares

FROZEN = "The first take is in, so rubric, rule and reference pitch stay as they were declared."


def get_audition(session: Session, audition_id: str) -> Audition:
    """The audition's row; raises ``NotFound``."""
    audition = session.get(Audition, audition_id)
    if audition is None:
        raise NotFound("This audition is not there any more; go back to the list.")
    return audition


def is_frozen(session: Session, audition_id: str) -> bool:
    """Whether a take is in, voided ones included: the rule must not follow from what was heard."""
    first = session.exec(
        select(Take.id)
        .where(Take.candidate_id == Candidate.id, Candidate.round_id == Round.id, Round.audition_id == audition_id)
        .limit(1)
    ).first()
    return first is not None


def require_declared(session: Session, audition_id: str) -> None:
    """Raise ``WrongState`` unless the rule is declared; called before a take is kept."""
    if get_audition(session, audition_id).rule_declared_at is None:
        raise WrongState("The rule is not declared yet; rubric and rule are declared before the first take is kept.")


def rubric_of(audition: Audition) -> Rubric:
    """The audition's rubric, or the default one while none was set."""
    return validate_rubric(audition.rubric) if audition.rubric else default_rubric()


def rule_of(audition: Audition) -> Rule:
    """The audition's rule, or the default one while none was set."""
    if audition.rule:
        return validate_rule(audition.rule, rubric_of(audition))
    rule, keys = default_rule(), set(rubric_of(audition).keys)
    if keys.issuperset(rule.measured_weights):
        return rule
    return Rule(tie_chain=("head-to-head",))


def sentence_of(session: Session, audition: Audition) -> str:
    """The rule in words, with this audition's captions and pieces."""
    titles = {p.id: p.title for p in _pieces(session, audition.id)}
    return rule_sentence(rule_of(audition), rubric_of(audition), titles)


def set_rubric(session: Session, audition_id: str, values: dict[str, Any], *, actor: Actor) -> None:
    """Replace the rubric. The rule must still fit it."""
    audition = _unfrozen(session, audition_id)
    rubric = validate_rubric(values)
    if audition.rule:
        validate_rule(audition.rule, rubric)
    audition.rubric = rubric.to_dict()
    session.add(audition)
    custody.record(
        session, audition_id, actor, "rubric-set", audition_id, {"hash": custody.content_hash(audition.rubric)}
    )
    undeclare(session, audition, actor=actor)


def set_rule(session: Session, audition_id: str, values: dict[str, Any], *, actor: Actor) -> None:
    """Replace the rule."""
    audition = _unfrozen(session, audition_id)
    pieces = [p.id for p in _pieces(session, audition_id)]
    audition.rule = validate_rule(values, rubric_of(audition), pieces).to_dict()
    session.add(audition)
    custody.record(session, audition_id, actor, "rule-set", audition_id, {"hash": custody.content_hash(audition.rule)})
    undeclare(session, audition, actor=actor)


def declare(session: Session, audition_id: str, *, actor: Actor) -> None:
    """Declare rubric and rule as they stand; their hash is kept. Harmless when nothing changed since."""
    audition = _unfrozen(session, audition_id)
    pieces = _pieces(session, audition_id)
    if not pieces:
        raise WrongState("Add the pieces first: the rule weighs them.")
    rubric = rubric_of(audition)
    rule = validate_rule(rule_of(audition).to_dict(), rubric, [p.id for p in pieces])
    unweighted = [p.title for p in pieces if rule.piece_weights and p.id not in rule.piece_weights]
    if unweighted:
        raise BadInput(f"“{unweighted[0]}” has no weight in the rule; give every piece one, or none to any.")
    panel = session.exec(select(Adjudicator.id).where(Adjudicator.audition_id == audition_id)).all()
    refusal = panel_refusal(rule, len(panel))
    refusal = refusal or shares.declared_refusal(session, audition_id, rule)
    if refusal is not None:
        raise WrongState(refusal)
    audition.rubric, audition.rule = rubric.to_dict(), rule.to_dict()
    declared_hash = declaration_hash(audition)
    if audition.rule_declared_at is not None and audition.rule_hash == declared_hash:
        return
    audition.rule_declared_at = now_utc()
    audition.rule_hash = declared_hash
    session.add(audition)
    custody.record(session, audition_id, actor, "rule-declared", audition_id, {"hash": declared_hash})


def declaration_hash(audition: Audition) -> str:
    """sha256 of everything the declaration fixes."""
    fixed = {
        "rubric": audition.rubric,
        "rule": audition.rule,
        "scored_per": audition.scored_per,
        "a4_hz": audition.a4_hz,
        "temperament": audition.temperament,
    }
    if room_sounds.sounds_of(audition).click:  # hashes of auditions without a click stay what they were
        fixed["click"] = True
    return custody.content_hash(fixed)


def undeclare(session: Session, audition: Audition, *, actor: Actor) -> None:
    """Something the declaration fixed has changed before the first take: it must be declared anew."""
    if audition.rule_declared_at is not None and declaration_hash(audition) != audition.rule_hash:
        audition.rule_declared_at = audition.rule_hash = None
        session.add(audition)
        custody.record(session, audition.id, actor, "rule-undeclared", audition.id, {})


def _unfrozen(session: Session, audition_id: str) -> Audition:
    audition = get_audition(session, audition_id)
    if is_frozen(session, audition_id):
        raise WrongState(FROZEN)
    return audition


def _pieces(session: Session, audition_id: str) -> list[Piece]:
    return list(session.exec(select(Piece).where(Piece.audition_id == audition_id).order_by(col(Piece.position))).all())

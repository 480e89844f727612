"""Auditions: making them, changing them, and the one sentence that says what to do next."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import (
    AdjudicationSheet,
    Adjudicator,
    AuditEntry,
    Audition,
    Candidate,
    Piece,
    Recusal,
    Round,
    Share,
    Take,
)
from app.domain.actor import Actor
from app.domain.errors import BadInput, WrongState
from app.domain.texts import one_line
from app.services import custody, declaring, room_sounds, roster, shares
from app.services.attendance import NOT_HEARD

LOWEST_A4_HZ, HIGHEST_A4_HZ = 392.0, 466.0  # our choice: from French baroque to high church pitch
_CHOICES = {
    "temperament": ("equal", "just"),
    "note_names": ("american", "british"),
    "paper": ("letter", "a4"),
    "scored_per": ("piece", "candidate"),
}
_DECLARED = frozenset({"a4_hz", "temperament", "scored_per"})  # fixed by the declaration of the rule


@dataclass(frozen=True, slots=True)
class Counts:
    """How much of everything is there."""

    pieces: int
    entries: int
    adjudicators: int
    rounds: int
    takes: int


@dataclass(frozen=True, slots=True)
class AuditionView:
    """An audition as the leader sees it."""

    id: str
    name: str
    organisation: str
    held_on: date
    a4_hz: float
    temperament: str
    note_names: str
    paper: str
    scored_per: str
    rubric: dict[str, Any]
    rule: dict[str, Any]
    rule_sentence: str
    rule_declared_at: datetime | None
    rule_hash: str | None
    rule_frozen: bool
    retention_until: date | None
    consent_required: bool
    room_sounds: dict[str, Any]
    created_at: datetime
    counts: Counts
    next_step: str


def auditions(session: Session) -> list[AuditionView]:
    """Every audition, the latest day first."""
    rows = session.exec(select(Audition).order_by(col(Audition.held_on).desc(), col(Audition.created_at).desc())).all()
    return [_view(session, row) for row in rows]


def one(session: Session, audition_id: str) -> AuditionView:
    """One audition."""
    return _view(session, declaring.get_audition(session, audition_id))


def create(session: Session, values: dict[str, Any], *, actor: Actor) -> AuditionView:
    """A new audition with the default rubric and rule, neither declared yet."""
    row = Audition(name="", held_on=values["held_on"])
    _set(row, values)
    row.rubric = declaring.rubric_of(row).to_dict()
    row.rule = declaring.rule_of(row).to_dict()
    session.add(row)
    session.flush()
    custody.record(session, row.id, actor, "audition-made", row.id, {})
    return _view(session, row)


def change(session: Session, audition_id: str, changes: dict[str, Any], *, actor: Actor) -> AuditionView:
    """Change settings. What the declared rule rests on stays once the first take is in."""
    row = declaring.get_audition(session, audition_id)
    moved = {key for key in _DECLARED & set(changes) if changes[key] != getattr(row, key)}
    sounds = changes.get("room_sounds")
    if sounds is not None and bool(sounds.get("click")) != room_sounds.sounds_of(row).click:
        moved.add("click")
    if moved and declaring.is_frozen(session, audition_id):
        raise WrongState(declaring.FROZEN)
    _set(row, changes)
    session.add(row)
    session.flush()
    custody.record(session, audition_id, actor, "audition-changed", audition_id, {"fields": sorted(changes)})
    declaring.undeclare(session, row, actor=actor)
    return _view(session, row)


def audit_trail(session: Session, audition_id: str) -> list[AuditEntry]:
    """Every audit entry of the audition and its rounds, in the order they happened."""
    return custody.merged([custody.chain_entries(session, chain) for chain in _chains(session, audition_id)])


def audit_page(session: Session, audition_id: str, *, offset: int, limit: int) -> tuple[int, list[AuditEntry]]:
    """(how many entries there are, some of them from ``offset`` on), by the clock as it stood.

    A clock set back may put entries of one chain out of their order here; :func:`audit_trail` never does.
    """
    chains = _chains(session, audition_id)
    total = _count(session, select(sa.func.count()).select_from(AuditEntry).where(col(AuditEntry.chain).in_(chains)))
    order = (col(AuditEntry.at), col(AuditEntry.chain), col(AuditEntry.seq))
    page = session.exec(  # only what the index holds is sorted, not what was done
        select(AuditEntry.chain, AuditEntry.seq)
        .where(col(AuditEntry.chain).in_(chains))
        .order_by(*order)
        .offset(offset)
        .limit(limit)
    ).all()
    rows = session.exec(
        select(AuditEntry).where(sa.tuple_(col(AuditEntry.chain), col(AuditEntry.seq)).in_(page)).order_by(*order)
    ).all()
    return total, list(rows)


def _chains(session: Session, audition_id: str) -> list[str]:
    declaring.get_audition(session, audition_id)
    return [audition_id, *session.exec(select(Round.id).where(Round.audition_id == audition_id)).all()]


def _set(row: Audition, values: dict[str, Any]) -> None:
    if "name" in values:
        row.name = one_line(values["name"], what="name of the audition", longest=160)
    if "organisation" in values:
        row.organisation = one_line(values["organisation"], what="organisation", longest=160, required=False)
    for key in ("held_on", "retention_until", "consent_required"):
        if key in values:
            setattr(row, key, values[key])
    for key, choices in _CHOICES.items():
        if key in values:
            if values[key] not in choices:
                raise BadInput(f"The setting {key.replace('_', ' ')} must be one of {', '.join(choices)}.")
            setattr(row, key, values[key])
    if "a4_hz" in values:
        if not LOWEST_A4_HZ <= values["a4_hz"] <= HIGHEST_A4_HZ:
            raise BadInput(f"The reference pitch must lie between {LOWEST_A4_HZ:g} and {HIGHEST_A4_HZ:g} Hz.")
        row.a4_hz = float(values["a4_hz"])
    if "room_sounds" in values:
        row.room_sounds = room_sounds.checked(values["room_sounds"])
    if row.retention_until is not None and row.retention_until < row.held_on:
        raise BadInput("The recordings can't be due for deletion before the day of the audition; choose a later date.")


def _count(session: Session, statement: Any) -> int:
    return int(session.exec(statement).one())


def _view(session: Session, row: Audition) -> AuditionView:
    counting = sa.func.count()
    in_panel = select(counting).select_from(Adjudicator).where(Adjudicator.audition_id == row.id)
    counts = Counts(
        pieces=_count(session, select(counting).select_from(Piece).where(Piece.audition_id == row.id)),
        entries=roster.count(session, row.id),
        adjudicators=_count(session, in_panel),
        rounds=_count(session, select(counting).select_from(Round).where(Round.audition_id == row.id)),
        takes=_count(
            session,
            select(counting)
            .select_from(Take)
            .where(Take.candidate_id == Candidate.id, Candidate.round_id == Round.id, Round.audition_id == row.id),
        ),
    )
    return AuditionView(
        id=row.id,
        name=row.name,
        organisation=row.organisation,
        held_on=row.held_on,
        a4_hz=row.a4_hz,
        temperament=row.temperament,
        note_names=row.note_names,
        paper=row.paper,
        scored_per=row.scored_per,
        rubric=declaring.rubric_of(row).to_dict(),
        rule=declaring.rule_of(row).to_dict(),
        rule_sentence=declaring.sentence_of(session, row),
        rule_declared_at=row.rule_declared_at,
        rule_hash=row.rule_hash,
        rule_frozen=declaring.is_frozen(session, row.id),
        retention_until=row.retention_until,
        consent_required=row.consent_required,
        room_sounds=room_sounds.sounds_of(row).to_dict(),
        created_at=row.created_at,
        counts=counts,
        next_step=next_step(session, row, counts),
    )


def next_step(session: Session, row: Audition, counts: Counts) -> str:
    """What the leader does next, in one sentence."""
    if not counts.pieces:
        return "Add the first piece: a notation file, a few typed bars, or a scale."
    if not counts.entries:
        return "Put the students on the roster, one by one or from a CSV table."
    if not counts.adjudicators:
        return "Name the adjudicators; each gets a letter."
    if row.rule_declared_at is None:
        return "Read rubric and rule once more and declare them; the first take freezes them."
    rounds = session.exec(select(Round).where(Round.audition_id == row.id).order_by(col(Round.position))).all()
    if not rounds:
        return "Make the first round."
    for one_round in rounds:
        step = _round_step(session, one_round, counts.adjudicators)
        if step is not None:
            return step
    return f"{rounds[-1].name} is opened: print the sheets, or make another round."


def _round_step(session: Session, row: Round, adjudicators: int) -> str | None:
    if row.state == "setup":
        return f"Fix the seed of {row.name} and note its hash, then draw."
    if row.state == "committed":
        return f"Draw {row.name}: numbers and playing order come from the seed."
    if row.state == "opened":
        return None
    heard = (Candidate.round_id == row.id, col(Candidate.state).not_in(NOT_HEARD))
    everybody = _count(session, select(sa.func.count()).select_from(Candidate).where(*heard))
    if shares.is_handed_in(row) and row.handed_in_at is None:
        until = shares.deadline_of(row).text
        whole = _count(
            session, select(sa.func.count()).select_from(Candidate).where(*heard, Candidate.state == "heard")
        )
        return f"{row.name} is handed in until {until}: {whole} of {everybody} are in; close it after that."
    sent = _count(
        session,
        select(sa.func.count())
        .select_from(AdjudicationSheet)
        .where(AdjudicationSheet.candidate_id == Candidate.id, AdjudicationSheet.state == "submitted", *heard),
    )
    cells = everybody * adjudicators
    own = select(sa.func.count()).select_from(Recusal).where(Recusal.candidate_id == Candidate.id, *heard)
    if shares.is_handed_in(row):
        cells = _count(
            session, select(sa.func.count()).select_from(Share).where(Share.candidate_id == Candidate.id, *heard)
        )
        own = own.where(Share.candidate_id == Recusal.candidate_id, Share.adjudicator_id == Recusal.adjudicator_id)
    recused = _count(session, own)
    waiting = cells - recused - sent
    if waiting <= 0:
        return f"Every sheet of {row.name} is in: look at the standing, then open the round."
    has_take = sa.exists().where(col(Take.candidate_id) == Candidate.id, col(Take.state) == "kept")
    recorded = _count(session, select(sa.func.count()).select_from(Candidate).where(*heard, has_take))
    if recorded < everybody:
        return f"Record {row.name}: {recorded} of {everybody} candidates have a take."
    return f"The panel is listening to {row.name}: {_sheets(waiting)} still to come."


def _sheets(count: int) -> str:
    return "1 sheet" if count == 1 else f"{count} sheets"

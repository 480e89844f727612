"""Rounds and their draw: a seed committed before, blind numbers and playing order from it, names sealed after.

The seed is made here by the system's random source, once per round. Its hash is shown before the draw, the seed itself
after it, and the roster lines' random ids are the keys: anyone can recompute the draw (``app.judging.draw``).
"""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.identities import DeclaredRecusal, Entry, RoundEntry
from app.db.models import LISTENING_ORDERS, ROUND_KINDS, AuditEntry, Candidate, ExtraHearing, Piece, Recusal, Round
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import BadInput, WrongState
from app.domain.texts import one_line
from app.judging import draw as drawing
from app.services import carrying, custody, handing_in, hearing, practice_take, shares
from app.services.declaring import get_audition
from app.services.rounds import get_round

SHOWN_AT_ONCE = 200  # candidates that come with a round; our choice, more than a school has
MOST_SEATS = 500  # our choice
MOST_REPEATS = 20  # our choice: a panel's patience
SEED_BYTES = 32
_FIXED_BY_THE_DRAW = frozenset({"piece_ids", "entry_ids", "carried_from", "carry_percent", "second_check"})


@dataclass(frozen=True, slots=True)
class DrawnCandidate:
    """What the draw gave, without the name behind it."""

    candidate_id: str
    blind_number: str
    playing_order: int
    instrument: str
    state: str


@dataclass(frozen=True, slots=True)
class RoundView:
    """A round as the leader sees it. The seed is None until the draw."""

    id: str
    audition_id: str
    position: int
    name: str
    kind: str
    state: str
    seats: int | None
    piece_ids: tuple[str, ...]  # empty: every piece
    entry_ids: tuple[str, ...] | None  # None: the whole roster
    listening_order: str  # "same" | "own"
    hidden_repeats: int
    candidates: tuple[DrawnCandidate, ...]  # the first in playing order; :func:`candidates` has them all
    candidate_count: int
    seed: str | None
    seed_commitment: str | None
    committed_at: datetime | None
    sealed_at: datetime | None
    opened_at: datetime | None
    carried_from: str | None  # the earlier round whose marks count here as well
    carry_percent: int
    second_check: bool
    handing_in: shares.HandingIn | None  # until when takes are handed in by a link; None: recorded in the room
    excluded_numbers: tuple[str, ...]  # of earlier draws of this audition, kept out of this one


def rounds(session: Session, audition_id: str) -> list[RoundView]:
    """Every round of an audition in order."""
    get_audition(session, audition_id)
    rows = session.exec(select(Round).where(Round.audition_id == audition_id).order_by(col(Round.position))).all()
    return [_view(session, row) for row in rows]


def one_round(session: Session, round_id: str) -> RoundView:
    """One round."""
    return _view(session, get_round(session, round_id))


def candidates(
    session: Session, round_id: str, *, find: str, offset: int, limit: int
) -> tuple[int, list[DrawnCandidate]]:
    """(how many numbers of a round begin with ``find``, some of them from ``offset`` on), in playing order."""
    get_round(session, round_id)
    asked = select(Candidate).where(Candidate.round_id == round_id)
    if wanted := find.strip():
        asked = asked.where(col(Candidate.blind_number).startswith(wanted, autoescape=True))
    total = session.exec(select(sa.func.count()).select_from(asked.subquery())).one()
    page = session.exec(asked.order_by(col(Candidate.playing_order)).offset(offset).limit(limit)).all()
    return total, [_drawn(candidate) for candidate in page]


def create_round(
    session: Session,
    audition_id: str,
    *,
    name: str,
    kind: str,
    seats: int | None,
    piece_ids: Sequence[str],
    entry_ids: Sequence[str] | None,
    listening_order: str = "same",
    hidden_repeats: int = 0,
    actor: Actor,
    carried_from: str | None = None,
    carry_percent: int = 0,
    second_check: bool = False,
) -> RoundView:
    """A new round after the ones there are. ``entry_ids`` None means the whole roster as it stands at the draw."""
    get_audition(session, audition_id)
    if kind not in ROUND_KINDS:
        raise BadInput(f"The kind of a round is one of {', '.join(ROUND_KINDS)}.")
    last = session.exec(select(sa.func.max(Round.position)).where(Round.audition_id == audition_id)).one()
    row = Round(audition_id=audition_id, position=0 if last is None else last + 1, name="", kind=kind)
    plan = {"name": name, "seats": seats, "piece_ids": piece_ids}
    plan |= {"listening_order": listening_order, "hidden_repeats": hidden_repeats}
    _set_plan(session, row, {**plan, "carried_from": carried_from, "carry_percent": carry_percent})
    row.second_check = second_check
    session.add(row)
    session.flush()
    _choose_entries(session, row, entry_ids)
    facts = {"kind": kind, "seats": seats, "chosen": None if entry_ids is None else len(set(entry_ids))}
    custody.record(session, row.id, actor, "round-made", row.id, facts)
    return _view(session, row)


def change_round(session: Session, round_id: str, changes: dict[str, Any], *, actor: Actor) -> RoundView:
    """Change name and seats until the opening; pieces, students and the listening design until the draw."""
    row = get_round(session, round_id)
    if row.state == "opened":
        raise WrongState("This round is opened; its result is fixed. Make a new round instead.")
    if row.state == "drawn" and not _FIXED_BY_THE_DRAW.isdisjoint(changes):
        raise WrongState(
            "This round is drawn, so its pieces, its students and what carries over stay; make a new round for others."
        )
    if row.state == "drawn" and not {"listening_order", "hidden_repeats"}.isdisjoint(changes):
        raise WrongState("This round is drawn, and the draw laid out who hears what in which order; that stays.")
    _set_plan(session, row, changes)
    if "entry_ids" in changes:
        _choose_entries(session, row, changes["entry_ids"])
    session.add(row)
    session.flush()
    facts = {"fields": sorted(changes), "seats": row.seats}
    custody.record(session, row.id, actor, "round-changed", row.id, facts)
    return _view(session, row)


def remove_round(session: Session, round_id: str, *, actor: Actor) -> None:
    """Remove a round whose seed nobody has been shown a hash of yet."""
    row = get_round(session, round_id)
    if row.state != "setup":
        raise WrongState("The hash of this round's seed was shown, so the round stays; leave it undrawn instead.")
    session.exec(sa.delete(RoundEntry).where(col(RoundEntry.round_id) == round_id))
    session.exec(sa.delete(ExtraHearing).where(col(ExtraHearing.round_id) == round_id))
    session.delete(row)
    custody.record(session, row.audition_id, actor, "round-removed", round_id, {})


def commit_seed(session: Session, round_id: str, *, actor: Actor) -> RoundView:
    """Make the round's seed and show its hash. Only once: a second seed would let somebody choose between draws."""
    row = get_round(session, round_id)
    if row.state != "setup":
        raise WrongState("This round's seed is fixed already; go on to the draw.")
    row.seed = secrets.token_hex(SEED_BYTES)
    row.seed_commitment = drawing.commit(row.seed)
    row.committed_at = now_utc()
    row.state = "committed"
    session.add(row)
    session.flush()
    custody.record(session, row.id, actor, "seed-committed", row.id, {"commitment": row.seed_commitment})
    return _view(session, row)


def draw_round(session: Session, round_id: str, *, actor: Actor) -> RoundView:
    """Draw blind numbers and playing order, take up declared recusals, seal the names."""
    row = get_round(session, round_id)
    if row.state == "setup" or row.seed is None:
        raise WrongState("Fix the seed and note its hash first, then draw.")
    if row.state != "committed":
        raise WrongState("This round is drawn already; a new draw needs a new round.")
    handing_in.check_draw(session, row)
    unfinished = practice_take.why_not_drawn(session, row)
    if unfinished is not None:
        raise WrongState(unfinished)
    entries = _entries_to_draw(session, row)
    if not entries:
        raise WrongState("There is nobody to draw: put students on the roster first, or choose some for this round.")
    excluded = _numbers_of_other_rounds(session, row)
    drawn = drawing.draw(row.seed, sorted(entries), cast(drawing.Style, row.kind), exclude=excluded)
    # Rows are written in playing order, so that not even their place in the table tells the roster's order.
    declared = _declared_recusals(session, row.audition_id)
    recused: list[tuple[str, str]] = []
    for entry_id, blind_number, playing_order in drawn:
        candidate = Candidate.model_validate(
            {
                "round_id": row.id,
                "entry_id": entry_id,
                "instrument": entries[entry_id].instrument,
                "blind_number": blind_number,
                "playing_order": playing_order,
            }
        )
        session.add(candidate)
        recused += [(adjudicator_id, candidate.id) for adjudicator_id in declared.get(entry_id, ())]
    session.flush()
    for adjudicator_id, candidate_id in recused:
        session.add(Recusal(adjudicator_id=adjudicator_id, candidate_id=candidate_id))
    hearing.lay_out(session, row, excluded)
    row.state = "drawn"
    row.sealed_at = now_utc()
    session.add(row)
    session.flush()
    facts = {
        "candidates": len(drawn),
        "listening_order": row.listening_order,
        "hidden_repeats": row.hidden_repeats,
        "orders_hash": custody.content_hash(row.hearing_orders),
        "seed": row.seed,
        "commitment": row.seed_commitment,
        "excluded": sorted(excluded),
    }
    custody.record(session, row.id, actor, "drawn", row.id, facts)
    return _view(session, row)


def recompute(session: Session, round_id: str) -> str | None:
    """Draw again from the stored seed: None when commitment, numbers and order come out the same, else a sentence."""
    row = get_round(session, round_id)
    if row.seed is None or row.seed_commitment is None or row.sealed_at is None:
        raise WrongState("This round is not drawn yet, so there is nothing to recompute.")
    stored = [
        (c.entry_id, c.blind_number, c.playing_order)
        for c in session.exec(select(Candidate).where(Candidate.round_id == round_id)).all()
    ]
    excluded = _numbers_of_other_rounds(session, row)
    return drawing.verify(row.seed, row.seed_commitment, stored, cast(drawing.Style, row.kind), exclude=excluded)


def _set_plan(session: Session, row: Round, changes: dict[str, Any]) -> None:
    if "name" in changes:
        row.name = one_line(changes["name"], what="name of the round", longest=120)
    if "seats" in changes:
        seats = changes["seats"]
        if seats is not None and not 1 <= seats <= MOST_SEATS:
            raise BadInput(f"The number of seats lies between 1 and {MOST_SEATS}; leave it empty if none are given.")
        row.seats = seats
    if "listening_order" in changes:
        if changes["listening_order"] not in LISTENING_ORDERS:
            raise BadInput("The panel hears the same order, or each adjudicator its own: say 'same' or 'own'.")
        row.listening_order = changes["listening_order"]
    if "hidden_repeats" in changes:
        if not 0 <= changes["hidden_repeats"] <= MOST_REPEATS:
            raise BadInput(f"The number of hidden repeats lies between 0 and {MOST_REPEATS}.")
        row.hidden_repeats = changes["hidden_repeats"]
    if shares.is_handed_in(row) and (row.listening_order != "same" or row.hidden_repeats):
        raise BadInput(handing_in.OWN_ORDERS)
    if "piece_ids" in changes:
        wanted = list(dict.fromkeys(changes["piece_ids"]))
        there = set(session.exec(select(Piece.id).where(Piece.audition_id == row.audition_id)).all())
        if not there.issuperset(wanted):
            raise BadInput("One of the pieces is not part of this audition; choose again.")
        row.piece_ids = wanted
    if "second_check" in changes:
        row.second_check = bool(changes["second_check"])
    if "carried_from" in changes or "carry_percent" in changes:
        earlier = changes.get("carried_from", row.carried_from)
        carrying.check(session, row, earlier, changes.get("carry_percent", row.carry_percent))


def _choose_entries(session: Session, row: Round, entry_ids: Sequence[str] | None) -> None:
    session.exec(sa.delete(RoundEntry).where(col(RoundEntry.round_id) == row.id))
    if entry_ids is None:
        return
    if not entry_ids:
        raise BadInput("Choose at least one student, or leave the choice open for the whole roster.")
    there = set(session.exec(select(Entry.id).where(Entry.audition_id == row.audition_id)).all())
    if not there.issuperset(entry_ids):
        raise BadInput("One of the students is not on this audition's roster; choose again.")
    for entry_id in sorted(set(entry_ids)):
        session.add(RoundEntry(round_id=row.id, entry_id=entry_id))
    session.flush()


def _drawn(candidate: Candidate) -> DrawnCandidate:
    return DrawnCandidate(
        candidate.id, candidate.blind_number, candidate.playing_order, candidate.instrument, candidate.state
    )


def _declared_recusals(session: Session, audition_id: str) -> dict[str, list[str]]:
    """Who declared a recusal before the draw: {roster line: adjudicator ids}."""
    found: dict[str, list[str]] = {}
    for entry_id, adjudicator_id in session.exec(
        select(DeclaredRecusal.entry_id, DeclaredRecusal.adjudicator_id)
        .where(DeclaredRecusal.entry_id == Entry.id, Entry.audition_id == audition_id)
        .order_by(DeclaredRecusal.adjudicator_id)
    ).all():
        found.setdefault(entry_id, []).append(adjudicator_id)
    return found


def _chosen(session: Session, round_id: str) -> list[str]:
    return sorted(session.exec(select(RoundEntry.entry_id).where(RoundEntry.round_id == round_id)).all())


def _entries_to_draw(session: Session, row: Round) -> dict[str, Entry]:
    chosen = _chosen(session, row.id)
    entries = session.exec(
        select(Entry).where(Entry.audition_id == row.audition_id, col(Entry.withdrawn).is_(False))
    ).all()
    wanted = set(chosen)
    return {e.id: e for e in entries if not wanted or e.id in wanted}


def _numbers_of_other_rounds(session: Session, row: Round) -> frozenset[str]:
    """Numbers drawn in this audition before this round's draw; all of them while it is not drawn.

    A drawn round's own audit entry says which they were: later rounds, and a clock set back, change nothing.
    """
    if row.sealed_at is not None:
        entry = session.exec(
            select(AuditEntry)
            .where(AuditEntry.chain == row.id, AuditEntry.action == "drawn")
            .order_by(col(AuditEntry.seq))  # it stands among the first of thousands
            .limit(1)
        ).first()
        return frozenset(entry.facts.get("excluded", ())) if entry is not None else frozenset()
    others = select(Candidate.blind_number).where(
        Candidate.round_id == Round.id, Round.audition_id == row.audition_id, Round.id != row.id
    )
    return frozenset(session.exec(others).all()) | hearing.repeat_numbers(session, row.audition_id, but=row.id)


def _view(session: Session, row: Round) -> RoundView:
    drawn = row.state in ("drawn", "opened")
    first = session.exec(
        select(Candidate)
        .where(Candidate.round_id == row.id)
        .order_by(col(Candidate.playing_order))
        .limit(SHOWN_AT_ONCE)
    ).all()
    return RoundView(
        id=row.id,
        audition_id=row.audition_id,
        position=row.position,
        name=row.name,
        kind=row.kind,
        state=row.state,
        seats=row.seats,
        piece_ids=tuple(row.piece_ids),
        entry_ids=tuple(_chosen(session, row.id)) or None,
        listening_order=row.listening_order,
        hidden_repeats=row.hidden_repeats,
        candidates=tuple(_drawn(candidate) for candidate in first),
        candidate_count=session.exec(
            select(sa.func.count()).select_from(Candidate).where(Candidate.round_id == row.id)
        ).one(),
        seed=row.seed if drawn else None,
        seed_commitment=row.seed_commitment,
        committed_at=row.committed_at,
        sealed_at=row.sealed_at,
        opened_at=row.opened_at,
        carried_from=row.carried_from,
        carry_percent=row.carry_percent,
        second_check=row.second_check,
        handing_in=shares.plan_of(row),
        excluded_numbers=tuple(sorted(_numbers_of_other_rounds(session, row))) if drawn else (),
    )

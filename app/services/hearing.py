"""In which order each adjudicator hears a round, and what is heard besides: hidden repeats and the practice take.

The design is laid out at the draw, from the draw's own seed, and kept, so that nobody's order changes under a later
version. Orders never come from the roster. A round with own orders or hidden repeats is heard from recordings: its
takes appear on the tablets together, when the last one is in, so that no moment of arrival tells what belongs together.
(A take that is voided afterwards disappears, and its re-take appears, under both of its numbers at once: the one thing
that can tell a repeat, and it takes a voided take of a repeated candidate.)
No name can be reached from this module.
"""

import hmac
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import cast

import numpy as np
from sqlmodel import Session, col, select

from app.db.models import Adjudicator, AuditEntry, Candidate, ExtraHearing, Recusal, Round, Take
from app.judging import draw as drawing
from app.judging.listening_design import Hearing, choose_repeats, design_generator, listening_orders
from app.services import custody, retention
from app.services.attendance import NOT_HEARD

#: What the panel knows the practice take's recording by, before its id is made.
PRACTICE = "practice"


@dataclass(frozen=True, slots=True)
class Heard:
    """A recording the panel may ask for: what to play, and the number it belongs to on the tablet."""

    playback_sha256: str
    subject_id: str  # candidate or extra hearing
    candidate_id: str | None  # who plays, None for the practice take
    round_id: str
    take: Take | None
    extra: ExtraHearing | None


def is_recorded(row: Round) -> bool:
    """Whether the round is heard from recordings only, each take under equal conditions."""
    return row.listening_order == "own" or row.hidden_repeats > 0


def all_recorded(candidates: Sequence[Candidate]) -> bool:
    """Whether every candidate who is heard at all has a take of every piece."""
    return all(c.state == "heard" or c.state in NOT_HEARD for c in candidates)


def extras_of(session: Session, round_id: str) -> list[ExtraHearing]:
    """What a round's panel hears besides its candidates."""
    return list(
        session.exec(
            select(ExtraHearing).where(ExtraHearing.round_id == round_id).order_by(ExtraHearing.blind_number)
        ).all()
    )


def repeat_numbers(session: Session, audition_id: str, *, but: str) -> set[str]:
    """The blind numbers of hidden repeats in an audition's other rounds."""
    return set(
        session.exec(
            select(ExtraHearing.blind_number).where(
                ExtraHearing.round_id == Round.id,
                Round.audition_id == audition_id,
                ExtraHearing.round_id != but,
                ExtraHearing.kind == "repeat",
            )
        ).all()
    )


def lay_out(session: Session, row: Round, excluded: Collection[str]) -> None:
    """Lay out the design of a round that is being drawn. ``excluded`` are numbers that must not come again.

    Raises ``BadInput`` when there are too many hidden repeats for the candidates.
    """
    if not is_recorded(row) or row.seed is None:
        return
    candidates = _candidates(session, row.id)
    ids = [c.id for c in candidates]
    rng = design_generator(row.seed)
    chosen = choose_repeats(ids, row.hidden_repeats, rng, later_only=row.listening_order == "same")
    numbers = drawing.further_numbers(row.seed, len(ids), len(chosen), cast(drawing.Style, row.kind), exclude=excluded)
    repeats = {
        candidate_id: ExtraHearing(round_id=row.id, kind="repeat", blind_number=number, candidate_id=candidate_id)
        for candidate_id, number in zip(chosen, numbers, strict=True)
    }
    panel = session.exec(
        select(Adjudicator.id).where(Adjudicator.audition_id == row.audition_id).order_by(col(Adjudicator.letter))
    ).all()
    recused = _recused(session, row.id)
    orders = listening_orders(ids, panel, rng, own=row.listening_order == "own", repeat_ids=chosen)
    row.hearing_orders = {a: _as_ids(a, heard, repeats, recused) for a, heard in orders.items()}
    for repeat in repeats.values():
        session.add(repeat)
    session.add(row)
    session.flush()


def order_for(
    session: Session, row: Round, adjudicator_id: str, candidates: Sequence[Candidate], extras: Sequence[ExtraHearing]
) -> list[str]:
    """Ids of candidates and extra hearings in the order in which this adjudicator hears them, the practice take first.

    ``candidates`` come in playing order. An adjudicator who joined after the draw gets an order of the same kind.
    """
    practice = [extra.id for extra in extras if extra.kind == PRACTICE]
    if not is_recorded(row) or row.seed is None:
        return practice + [c.id for c in candidates]
    kept = row.hearing_orders.get(adjudicator_id)
    if kept is None:
        repeats = {e.candidate_id: e for e in extras if e.candidate_id is not None}
        ids = [c.id for c in candidates]
        own_seed = sha256(f"{row.seed}:{adjudicator_id}".encode()).digest()
        heard = listening_orders(
            ids,
            [adjudicator_id],
            np.random.default_rng(int.from_bytes(own_seed, "big")),
            own=row.listening_order == "own",
            repeat_ids=[candidate_id for candidate_id in ids if candidate_id in repeats],
        )[adjudicator_id]
        kept = _as_ids(adjudicator_id, heard, repeats, _recused(session, row.id))
    return practice + kept


def why_not_kept(session: Session, row: Round) -> str | None:
    """What is wrong with a drawn round's kept orders of hearing, in a sentence; None when nothing is.

    They are not laid out anew, because a later version of the design may lay them out otherwise: they are held against
    the hash that the audit chain took at the draw, and every number must be heard once in each.
    """
    drawn = session.exec(
        select(AuditEntry).where(AuditEntry.chain == row.id, AuditEntry.action == "drawn").limit(1)
    ).first()
    if drawn is None or drawn.facts.get("orders_hash") != custody.content_hash(row.hearing_orders):
        return f"the orders in which the panel hears round {row.id} are not those that the draw laid out."
    ids = sorted(c.id for c in _candidates(session, row.id))
    repeats = {extra.id for extra in extras_of(session, row.id)}
    for order in row.hearing_orders.values():
        if sorted(one for one in order if one not in repeats) != ids or len(order) != len(set(order)):
            return f"an adjudicator's order in round {row.id} does not hold every number once."
    return None


def positions(
    session: Session, row: Round, adjudicator_ids: Sequence[str], recusals: Collection[tuple[str, str]]
) -> dict[tuple[str, str], int]:
    """{(adjudicator id, candidate id): place in which this adjudicator heard the candidate}, 1 for the first.

    Empty while everybody hears the playing order as it is. The practice take and recused candidates take no place.
    """
    if not is_recorded(row):
        return {}
    candidates = _candidates(session, row.id)
    gone = {c.id for c in candidates if c.state in NOT_HEARD}
    extras = extras_of(session, row.id)
    repeated = {e.id: e.candidate_id for e in extras}
    out: dict[tuple[str, str], int] = {}
    for adjudicator_id in adjudicator_ids:
        place = 0
        for number_id in order_for(session, row, adjudicator_id, candidates, extras):
            candidate_id = repeated.get(number_id, number_id)
            if candidate_id is None or candidate_id in gone or (adjudicator_id, candidate_id) in recusals:
                continue
            place += 1
            if number_id not in repeated:
                out[(adjudicator_id, number_id)] = place
    return out


def take_id_of(extra: ExtraHearing, take_id: str = PRACTICE) -> str:
    """The id under which the panel knows a take of an extra hearing: without the secret nobody can tell what it is."""
    return hmac.new(extra.secret.encode(), take_id.encode(), sha256).hexdigest()[:32]


def find(session: Session, audition_id: str, take_id: str) -> Heard | None:
    """The recording behind an id that the panel of this audition asks for, or None."""
    take = session.get(Take, take_id)
    if take is not None:
        candidate = session.get_one(Candidate, take.candidate_id)
        of_round = session.get_one(Round, candidate.round_id)
        if take.state != "kept" or of_round.audition_id != audition_id:
            return None
        return Heard(retention.playable(take), candidate.id, candidate.id, of_round.id, take, None)
    extras = session.exec(
        select(ExtraHearing).where(ExtraHearing.round_id == Round.id, Round.audition_id == audition_id)
    ).all()
    for extra in extras:
        if extra.candidate_id is None:
            if take_id_of(extra) == take_id and is_set(extra):
                return Heard(practice_playback(session, extra), extra.id, None, extra.round_id, None, extra)
            continue
        kept = session.exec(select(Take).where(Take.candidate_id == extra.candidate_id, Take.state == "kept")).all()
        for own in kept:
            if take_id_of(extra, own.id) == take_id:
                return Heard(retention.playable(own), extra.id, extra.candidate_id, extra.round_id, own, extra)
    return None


def practice_playback(session: Session, extra: ExtraHearing) -> str:
    """The hash of what can be heard of a practice take; raises ``NotFound`` once it was destroyed."""
    chosen = session.get(Take, extra.take_id) if extra.take_id is not None else None
    return retention.playable(extra if chosen is None else chosen)


def is_set(practice: ExtraHearing) -> bool:
    """Whether a practice take has a recording and agreed marks, so that the panel may hear it."""
    return bool(practice.playback_sha256) and bool(practice.agreed.get("marks"))


def _candidates(session: Session, round_id: str) -> list[Candidate]:
    return list(
        session.exec(
            select(Candidate).where(Candidate.round_id == round_id).order_by(col(Candidate.playing_order))
        ).all()
    )


def _recused(session: Session, round_id: str) -> set[tuple[str, str]]:
    rows = session.exec(
        select(Recusal.adjudicator_id, Recusal.candidate_id).where(
            Recusal.candidate_id == Candidate.id, Candidate.round_id == round_id
        )
    ).all()
    return set(rows)


def _as_ids(
    adjudicator_id: str,
    heard: Sequence[Hearing],
    repeats: Mapping[str, ExtraHearing],
    recused: Collection[tuple[str, str]],
) -> list[str]:
    """Hearings as ids. Whoever is recused from a candidate doesn't hear its repeat either."""
    return [
        repeats[h.candidate_id].id if h.repeat else h.candidate_id
        for h in heard
        if not h.repeat or (adjudicator_id, h.candidate_id) not in recused
    ]

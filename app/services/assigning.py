"""Closing the handing in: who is heard, by whom, in which order; and handing a share over. No names here.

The design follows from the draw's seed, so that nobody chooses who hears whom; it is kept, because a later version must
not change what is half heard. It is worked out outside the transaction that keeps it, which checks that nothing moved.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any

import numpy as np
import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import AdjudicationSheet, Adjudicator, Candidate, MoreTime, Recusal, Round, Share, Take
from app.domain.actor import Actor
from app.domain.errors import BadInput, NotFound, WrongState
from app.domain.texts import one_line
from app.judging.assignment import DesignReport, Shares, assign, assign_more, describe, hand_over
from app.services import custody, declaring, shares
from app.services.attendance import NOT_HEARD
from app.services.rounds import get_round

LONGEST_REASON = 300
NOTHING_IN_TIME = "Nothing complete was handed in by the deadline."
MOVED = "Something changed while the shares were worked out; look again, then close once more."


@dataclass(frozen=True, slots=True)
class AdjudicatorShare:
    """How far an adjudicator is with the own share."""

    adjudicator_id: str
    letter: str
    to_hear: int  # the whole share, without recusals
    sent: int
    begun: int


@dataclass(frozen=True, slots=True)
class SharesView:
    """How the handing in stands, for the leader."""

    candidates: int
    complete: int
    partly: int
    absent: int
    waiting: int  # in nothing yet, or with more time, or come in since the closing
    per_candidate: int
    panel: int
    rule_refusal: str | None
    design: DesignReport | None  # None before the closing
    adjudicators: tuple[AdjudicatorShare, ...]
    handed_in_at: datetime | None


def view(session: Session, round_id: str) -> SharesView:
    """Counts, the design, and each adjudicator's progress."""
    row = _handed_in(session, round_id)
    panel = _panel(session, row)
    states = dict(
        session.exec(
            select(Candidate.state, sa.func.count()).where(Candidate.round_id == round_id).group_by(Candidate.state)
        ).all()
    )
    partly = session.exec(
        select(sa.func.count(sa.distinct(col(Take.candidate_id)))).where(
            Take.candidate_id == Candidate.id,
            Candidate.round_id == round_id,
            Take.state == "kept",
            col(Candidate.state).not_in(("heard", *NOT_HEARD)),
        )
    ).one()
    loads = dict.fromkeys((a.id for a in panel), 0)
    for adjudicator_id, count in session.exec(
        select(Share.adjudicator_id, sa.func.count())
        .where(Share.candidate_id == Candidate.id, Candidate.round_id == round_id)
        .group_by(col(Share.adjudicator_id))
    ).all():
        loads[adjudicator_id] = int(count)
    shared = sa.exists().where(col(Share.candidate_id) == Candidate.id)
    there = session.exec(
        select(sa.func.count()).select_from(Candidate).where(Candidate.round_id == round_id, shared)
    ).one()
    for adjudicator_id, count in session.exec(
        select(Share.adjudicator_id, sa.func.count())
        .join(
            Recusal,
            sa.and_(
                col(Recusal.adjudicator_id) == Share.adjudicator_id, col(Recusal.candidate_id) == Share.candidate_id
            ),
        )
        .join(Candidate, col(Candidate.id) == Share.candidate_id)
        .where(Candidate.round_id == round_id)
        .group_by(col(Share.adjudicator_id))
    ).all():
        loads[adjudicator_id] = loads.get(adjudicator_id, 0) - int(count)
    sheets: dict[tuple[str, str], int] = {}
    for adjudicator_id, state, count in session.exec(
        select(AdjudicationSheet.adjudicator_id, AdjudicationSheet.state, sa.func.count())
        .where(AdjudicationSheet.candidate_id == Candidate.id, Candidate.round_id == round_id)
        .group_by(col(AdjudicationSheet.adjudicator_id), col(AdjudicationSheet.state))
    ).all():
        sheets[(adjudicator_id, state)] = int(count)
    rule = declaring.rule_of(declaring.get_audition(session, row.audition_id))
    heard = int(states.get("heard", 0))
    gone = sum(int(states.get(word, 0)) for word in NOT_HEARD)
    everybody = sum(int(count) for count in states.values())
    return SharesView(
        candidates=everybody,
        complete=heard,
        partly=int(partly),
        absent=gone,
        waiting=everybody - gone - there,
        per_candidate=row.per_candidate or len(panel),
        panel=len(panel),
        rule_refusal=shares.rule_refusal(rule, row.per_candidate, len(panel)),
        design=_design(session, row, panel) if there and panel else None,
        adjudicators=tuple(
            AdjudicatorShare(
                a.id, a.letter, loads[a.id], sheets.get((a.id, "submitted"), 0), sheets.get((a.id, "draft"), 0)
            )
            for a in panel
        ),
        handed_in_at=row.handed_in_at,
    )


def _design(session: Session, row: Round, panel: Sequence[Adjudicator]) -> DesignReport:
    """What the shares are like: as it was kept with them, or worked out where the panel is another since."""
    kept = row.design
    if kept.get("panel") == [a.letter for a in panel]:
        return DesignReport(**kept["report"])
    return describe(_shares(session, row.id), [a.id for a in panel], [a.letter for a in panel])


def _keep_design(session: Session, row: Round) -> None:
    """Keep what the shares are like now, so that nobody who only looks has to go through all of them."""
    panel = _panel(session, row)
    found = describe(_shares(session, row.id), [a.id for a in panel], [a.letter for a in panel])
    row.design = {"panel": [a.letter for a in panel], "report": asdict(found)}
    session.add(row)
    session.flush()


def close(database: Database, round_id: str, *, now: datetime, actor: Actor) -> None:
    """Close the handing in: who has not handed in everything is absent, the others are assigned, takes come up.

    Closing again takes in those who came in since with more time. Raises ``WrongState`` before the deadline is over,
    and where marks of shares could not be ranked by the declared rule.
    """
    with database.read() as session:
        row = _handed_in(session, round_id)
        if row.state != "drawn":
            raise WrongState("The handing in is closed between the draw and the opening of a round.")
        until = shares.deadline_of(row)
        if until.is_open(now):
            raise WrongState(f"Students may hand in until {until.text}; close it after that and the minutes of grace.")
        panel = [a.id for a in _panel(session, row)]
        rule = declaring.rule_of(declaring.get_audition(session, row.audition_id))
        refusal = shares.rule_refusal(rule, row.per_candidate, len(panel))
        if refusal is not None:
            raise WrongState(refusal)
        before = _shares(session, round_id)
        newcomers, late = _sorted_out(session, row, before, now)
        if not newcomers and not late:
            raise WrongState("Nothing has come in that the panel does not have already.")
        recusals = _recusals(session, round_id)
        seed, first = str(row.seed), row.handed_in_at is None or not before
    size = row.per_candidate or len(panel)
    rng = _generator(seed, "shares" if first else f"shares:{len(before)}")
    found: Shares = {}
    if newcomers and first and size >= 2:
        found = assign(newcomers, panel, size, rng, recusals=recusals)
    elif newcomers:
        found = assign_more(before, newcomers, panel, size, rng, recusals=recusals)

    def keep(session: Session) -> None:
        again = _handed_in(session, round_id)
        if again.state != "drawn" or (_sorted_out(session, again, _shares(session, round_id), now)) != (
            newcomers,
            late,
        ):
            raise WrongState(MOVED)
        for candidate_id in late:
            candidate = session.get_one(Candidate, candidate_id)
            candidate.state, candidate.state_reason = "absent", NOTHING_IN_TIME
            session.add(candidate)
        _add(session, again, found)
        again.handed_in_at = again.handed_in_at or now
        _keep_design(session, again)
        facts = {
            "heard": len(newcomers),
            "absent": len(late),
            "per_candidate": size,
            "design": custody.content_hash({c: sorted(own) for c, own in found.items()}),
        }
        custody.record(session, round_id, actor, "handing-in-closed", round_id, facts)

    database.write(keep)


def give_share(database: Database, round_id: str, adjudicator_id: str, reason: str, *, actor: Actor) -> None:
    """Give what an adjudicator has not sent to the others, with the reason; sheets that are sent stay theirs.

    Raises ``BadInput`` when the panel would no longer hang together.
    """
    tidy = one_line(reason, what="reason", longest=LONGEST_REASON)
    with database.read() as session:
        row = _handed_in(session, round_id)
        if row.state != "drawn" or row.handed_in_at is None:
            raise WrongState("Shares are handed over between the closing of the handing in and the opening.")
        panel = _panel(session, row)
        leaving = next((a for a in panel if a.id == adjudicator_id), None)
        if leaving is None:
            raise NotFound("This adjudicator is not on the panel any more; reload the page.")
        before = _shares(session, round_id)
        sent = _sent(session, round_id, adjudicator_id)
        recusals = _recusals(session, round_id)
    given = sum(adjudicator_id in own and c not in sent for c, own in before.items())
    if not given:
        raise WrongState(f"Adjudicator {leaving.letter} has sent every sheet of the share, so nothing is left to give.")
    rng = _generator(str(row.seed), f"hand-over:{adjudicator_id}:{len(sent)}")
    after = hand_over(before, adjudicator_id, sent, [a.id for a in panel], rng, recusals=recusals)

    def keep(session: Session) -> None:
        again = _handed_in(session, round_id)
        if _shares(session, round_id) != before or _sent(session, round_id, adjudicator_id) != sent:
            raise WrongState(MOVED)
        moved = [c for c, own in before.items() if adjudicator_id in own and c not in sent]
        for candidate_id in moved:
            session.delete(session.get_one(Share, (adjudicator_id, candidate_id)))
        drafts = session.exec(
            select(AdjudicationSheet).where(
                AdjudicationSheet.adjudicator_id == adjudicator_id,
                AdjudicationSheet.candidate_id == Candidate.id,
                Candidate.round_id == round_id,
                AdjudicationSheet.state == "draft",
            )
        ).all()
        for draft in drafts:
            session.delete(draft)
        session.flush()
        _add(session, again, {c: tuple(a for a in after[c] if a not in before[c]) for c in moved})
        _keep_design(session, again)
        facts = {"letter": leaving.letter, "numbers": len(moved), "reason_hash": custody.content_hash(tidy)}
        custody.record(session, round_id, actor, "share-handed-over", adjudicator_id, facts)

    database.write(keep)


def _handed_in(session: Session, round_id: str) -> Round:
    row = get_round(session, round_id)
    if not shares.is_handed_in(row):
        raise WrongState("This round is recorded in the room; nothing is handed in by a link.")
    return row


def _panel(session: Session, row: Round) -> Sequence[Adjudicator]:
    panel = session.exec(
        select(Adjudicator).where(Adjudicator.audition_id == row.audition_id).order_by(col(Adjudicator.letter))
    ).all()
    if not panel:
        raise BadInput("There is no adjudicator yet; name the panel first.")
    return panel


def _shares(session: Session, round_id: str) -> dict[str, tuple[str, ...]]:
    found: dict[str, list[str]] = {}
    for candidate_id, adjudicator_id in session.exec(
        select(Share.candidate_id, Share.adjudicator_id)
        .where(Share.candidate_id == Candidate.id, Candidate.round_id == round_id)
        .order_by(col(Candidate.playing_order), col(Share.adjudicator_id))
    ).all():
        found.setdefault(candidate_id, []).append(adjudicator_id)
    return {candidate_id: tuple(own) for candidate_id, own in found.items()}


def _sorted_out(
    session: Session, row: Round, there: Mapping[str, object], now: datetime
) -> tuple[list[str], list[str]]:
    """(who is to be assigned, who becomes absent), both in playing order."""
    rows = session.exec(
        select(Candidate.id, Candidate.state, MoreTime)
        .join(MoreTime, col(MoreTime.candidate_id) == Candidate.id, isouter=True)
        .where(Candidate.round_id == row.id)
        .order_by(col(Candidate.playing_order))
    ).all()
    newcomers = [c for c, state, _ in rows if state == "heard" and c not in there]
    late = [
        c
        for c, state, more in rows
        if state not in ("heard", *NOT_HEARD) and c not in there and not shares.deadline_of(row, more).is_open(now)
    ]
    return newcomers, late


def _recusals(session: Session, round_id: str) -> frozenset[tuple[str, str]]:
    rows = session.exec(
        select(Recusal.adjudicator_id, Recusal.candidate_id).where(
            Recusal.candidate_id == Candidate.id, Candidate.round_id == round_id
        )
    ).all()
    return frozenset((adjudicator_id, candidate_id) for adjudicator_id, candidate_id in rows)


def _sent(session: Session, round_id: str, adjudicator_id: str) -> frozenset[str]:
    return frozenset(
        session.exec(
            select(AdjudicationSheet.candidate_id).where(
                AdjudicationSheet.adjudicator_id == adjudicator_id,
                AdjudicationSheet.candidate_id == Candidate.id,
                Candidate.round_id == round_id,
                AdjudicationSheet.state == "submitted",
            )
        ).all()
    )


def _generator(seed: str, word: str) -> np.random.Generator:
    return np.random.default_rng(int(sha256(f"{seed}:{word}".encode()).hexdigest(), 16))


def _add(session: Session, row: Round, found: Mapping[str, Iterable[str]]) -> None:
    """Keep further shares; each adjudicator hears them in a random order from the seed, after what there is."""
    own: dict[str, list[str]] = {}
    for candidate_id, adjudicator_ids in found.items():
        for adjudicator_id in adjudicator_ids:
            own.setdefault(adjudicator_id, []).append(candidate_id)
    last = dict(
        session.exec(
            select(Share.adjudicator_id, sa.func.max(Share.place))
            .where(Share.candidate_id == Candidate.id, Candidate.round_id == row.id)
            .group_by(col(Share.adjudicator_id))
        ).all()
    )
    rows: list[dict[str, Any]] = []
    for adjudicator_id, candidate_ids in sorted(own.items()):
        order = sorted(candidate_ids, key=lambda c: sha256(f"{row.seed}:{adjudicator_id}:{c}".encode()).hexdigest())
        for place, candidate_id in enumerate(order, start=1 + int(last.get(adjudicator_id) or 0)):
            rows.append({"adjudicator_id": adjudicator_id, "candidate_id": candidate_id, "place": place})
    if rows:
        session.execute(sa.insert(Share), rows)

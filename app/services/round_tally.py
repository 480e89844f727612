"""How far a round is in numbers: recorded, sent, due. No name can be reached from this module.

The database counts. Of a long round that is a tenth of a second, and screens ask every few seconds, so the numbers are
kept in this process for as long as nothing was done: whatever changes them is recorded on the round's audit chain or
the audition's in the same transaction, and the last entries of the two are two look-ups in an index.
"""

import time
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import Absence, AdjudicationSheet, Candidate, Recusal, Round, Share, Take
from app.services import custody, shares
from app.services.attendance import NOT_HEARD
from app.services.rounds import is_long

MOST_ROUNDS = 64  # our choice: numbers of more rounds than anybody looks at on a day
LONGEST_KEPT_SEC = 60.0  # our choice: something done without an entry would show a minute late, not never


@dataclass(frozen=True, slots=True)
class Tally:
    """The numbers of a round."""

    everybody: int  # candidates to be heard
    complete: int  # of those, how many have a kept take of every piece
    sent: int  # sheets that are in
    due: int  # sheets that are in or wanted


_kept: dict[str, tuple[tuple[str, int, int], float, Tally]] = {}  # by round: what it rests on, when, the numbers


def tally(session: Session, row: Round, *, pieces: int, panel: int) -> Tally:
    """The numbers of a round of so many pieces and adjudicators; those of a long one as they were last counted."""
    if not is_long(session, row):
        return _count(session, row, pieces, panel)
    rests_on = (custody.heads(session, [row.audition_id, row.id]), pieces, panel)
    before, now = _kept.get(row.id), time.monotonic()
    if before is not None and before[0] == rests_on and now - before[1] < LONGEST_KEPT_SEC:
        return before[2]
    found = _count(session, row, pieces, panel)
    _kept.pop(row.id, None)
    _kept[row.id] = (rests_on, now, found)
    for oldest in list(_kept)[:-MOST_ROUNDS]:
        _kept.pop(oldest, None)
    return found


def _count(session: Session, row: Round, pieces: int, panel: int) -> Tally:
    heard: tuple[Any, ...] = (Candidate.round_id == row.id, col(Candidate.state).not_in(NOT_HEARD))
    everybody = session.exec(select(sa.func.count()).select_from(Candidate).where(*heard)).one()
    whole = (
        select(Take.candidate_id)
        .where(Take.candidate_id == Candidate.id, Take.state == "kept", *heard)
        .group_by(col(Take.candidate_id))
        .having(sa.func.count() >= pieces)  # there are never two kept takes of one piece
    )
    complete = session.exec(select(sa.func.count()).select_from(whole.subquery())).one()
    sent = session.exec(
        select(sa.func.count())
        .select_from(AdjudicationSheet)
        .where(AdjudicationSheet.candidate_id == Candidate.id, AdjudicationSheet.state == "submitted", *heard)
    ).one()
    missing = set()  # few: recusals and absences are noted by hand
    for table in (Recusal, Absence):
        cells = select(col(table.candidate_id), col(table.adjudicator_id)).where(
            table.candidate_id == Candidate.id, *heard
        )
        if shares.is_handed_in(row):
            cells = cells.where(Share.candidate_id == table.candidate_id, Share.adjudicator_id == table.adjudicator_id)
        missing |= set(session.exec(cells).all())
    cells_in_all = everybody * panel
    if shares.is_handed_in(row):
        cells_in_all = session.exec(
            select(sa.func.count()).select_from(Share).where(Share.candidate_id == Candidate.id, *heard)
        ).one()
    return Tally(everybody, complete, sent, cells_in_all - len(missing))

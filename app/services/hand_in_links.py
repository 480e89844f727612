"""Links to hand takes in by, and who has handed in: for the leader alone, because names stand beside.

A link is a bearer token of one roster line and one round (``app.services.student_links`` says why a token); it shows no
result, so it may be given out before anything is opened, and a new one makes the one before useless.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.identities import Entry, Student
from app.db.models import AccessToken, Candidate, MoreTime, Round, Take
from app.domain.actor import Actor
from app.domain.errors import NotFound, WrongState
from app.domain.handing_in import moment_in_zone
from app.files.marks_table import Value, write_csv
from app.services import custody, shares
from app.services.access import hash_secret, new_token
from app.services.attendance import NOT_HEARD
from app.services.rounds import get_round
from app.services.sheet_cells import round_pieces

AFTERWARDS = timedelta(days=60)  # our choice: receipts can be read for a while
LARGEST_PAGE = 200  # lines of a list asked for at once; our choice
TABLE_COLUMNS = ("name", "instrument", "school", "teacher", "number", "link", "deadline")
REMINDER_COLUMNS = ("name", "instrument", "school", "teacher", "number", "pieces_in", "pieces", "deadline")


@dataclass(frozen=True, slots=True)
class MadeLink:
    """A fresh link. The only moment its secret is known."""

    candidate_id: str
    secret: str
    expires_at: datetime


@dataclass(frozen=True, slots=True)
class Line:
    """Who has handed in what."""

    candidate_id: str
    name: str
    school: str
    blind_number: str
    state: str
    pieces_in: int
    due_text: str
    more_time: bool
    has_link: bool


@dataclass(frozen=True, slots=True)
class Lines:
    """A page of the list, and how many lines there are in all."""

    total: int
    lines: tuple[Line, ...]


def make(session: Session, candidate_id: str, *, actor: Actor, now: datetime) -> MadeLink:
    """A link for one candidate; the one before stops working."""
    candidate = session.get(Candidate, candidate_id)
    if candidate is None:
        raise NotFound("This candidate is not there any more; reload the page.")
    return _make(session, _drawn(session, candidate.round_id), [candidate], actor=actor, now=now)[0]


def table(
    session: Session, round_id: str, url_of: Callable[[str], str], *, only_missing: bool, actor: Actor, now: datetime
) -> bytes:
    """Fresh links for all candidates, or those who have not handed in, as CSV for a mail merge; earlier ones end."""
    row = _drawn(session, round_id)
    rows = [(c, s, more) for c, s, more in _people(session, row) if c.state not in NOT_HEARD]
    if only_missing:
        rows = [one for one in rows if one[0].state != "heard"]
    if not rows:
        raise WrongState("Nobody is left to send a link to.")
    made = {link.candidate_id: link for link in _make(session, row, [c for c, _, _ in rows], actor=actor, now=now)}
    lines: list[Sequence[Value]] = [
        (s.name, c.instrument, s.school, s.teacher, c.blind_number, url_of(made[c.id].secret), _due(row, more))
        for c, s, more in rows
    ]
    return write_csv([TABLE_COLUMNS, *lines])


def reminders(session: Session, round_id: str) -> bytes:
    """Who has not handed in everything, as CSV: to remind them, or their teachers."""
    row = _drawn(session, round_id)
    counts, wanted = _pieces_in(session, row), len(round_pieces(session, row))
    lines: list[Sequence[Value]] = [
        (s.name, c.instrument, s.school, s.teacher, c.blind_number, counts.get(c.id, 0), wanted, _due(row, more))
        for c, s, more in _people(session, row)
        if c.state not in ("heard", *NOT_HEARD)
    ]
    return write_csv([REMINDER_COLUMNS, *lines])


def lines(
    session: Session,
    round_id: str,
    *,
    find: str = "",
    only_missing: bool = False,
    offset: int = 0,
    limit: int = LARGEST_PAGE,
    now: datetime,
) -> Lines:
    """Who has handed in, by number: a page of those whose name, school or number holds ``find``."""
    row = get_round(session, round_id)
    if not shares.is_handed_in(row):
        raise WrongState("This round is recorded in the room; nothing is handed in by a link.")
    asked = (
        select(Candidate, Student, MoreTime)
        .join(Entry, col(Entry.id) == Candidate.entry_id)
        .join(Student, col(Student.id) == Entry.student_id)
        .join(MoreTime, col(MoreTime.candidate_id) == Candidate.id, isouter=True)
        .where(*_of_list(round_id, only_missing=only_missing))
    )
    if find.strip():
        wanted = find.strip()
        asked = asked.where(
            sa.or_(
                col(Candidate.blind_number) == wanted,
                col(Student.name).icontains(wanted, autoescape=True),
                col(Student.school).icontains(wanted, autoescape=True),
            )
        )
    counted = asked if find.strip() else select(Candidate).where(*_of_list(round_id, only_missing=only_missing))
    total = session.scalar(counted.with_only_columns(sa.func.count(), maintain_column_froms=True)) or 0
    # Ids first: who stands behind a number is looked up for one page only.
    ids = counted.with_only_columns(col(Candidate.id), maintain_column_froms=True)
    on_page = ids.order_by(col(Candidate.playing_order)).offset(offset).limit(min(limit, LARGEST_PAGE))
    page = session.exec(
        asked.where(col(Candidate.id).in_(session.scalars(on_page).all())).order_by(col(Candidate.playing_order))
    ).all()
    counts = _pieces_in(session, row, [candidate.id for candidate, _, _ in page])
    linked = set(
        session.exec(
            select(AccessToken.entry_id).where(
                AccessToken.round_id == round_id,
                col(AccessToken.entry_id).in_([candidate.entry_id for candidate, _, _ in page]),
                col(AccessToken.withdrawn_at).is_(None),
                col(AccessToken.expires_at) > now,
            )
        ).all()
    )
    return Lines(
        total,
        tuple(
            Line(
                candidate_id=c.id,
                name=s.name,
                school=s.school,
                blind_number=c.blind_number,
                state=c.state,
                pieces_in=counts.get(c.id, 0),
                due_text=_due(row, more),
                more_time=more is not None,
                has_link=c.entry_id in linked,
            )
            for c, s, more in page
        ),
    )


def _of_list(round_id: str, *, only_missing: bool) -> tuple[Any, ...]:
    """Which candidates a list is about."""
    missing = col(Candidate.state).not_in(("heard", *NOT_HEARD))
    return (Candidate.round_id == round_id, *((missing,) if only_missing else ()))


def _people(session: Session, row: Round) -> list[tuple[Candidate, Student, MoreTime | None]]:
    found = session.exec(
        select(Candidate, Student, MoreTime)
        .join(Entry, col(Entry.id) == Candidate.entry_id)
        .join(Student, col(Student.id) == Entry.student_id)
        .join(MoreTime, col(MoreTime.candidate_id) == Candidate.id, isouter=True)
        .where(Candidate.round_id == row.id)
        .order_by(col(Student.name), col(Candidate.instrument))
    ).all()
    return [(candidate, student, more) for candidate, student, more in found]


def _pieces_in(session: Session, row: Round, candidate_ids: Sequence[str] | None = None) -> dict[str, int]:
    asked = (
        select(Take.candidate_id, sa.func.count(sa.distinct(col(Take.piece_id))))
        .where(Take.candidate_id == Candidate.id, Candidate.round_id == row.id, Take.state == "kept")
        .group_by(col(Take.candidate_id))
    )
    if candidate_ids is not None:
        asked = asked.where(col(Take.candidate_id).in_(list(candidate_ids)))
    return {candidate_id: int(count) for candidate_id, count in session.exec(asked).all()}


def _due(row: Round, more: MoreTime | None) -> str:
    until = shares.deadline_of(row, more)
    return moment_in_zone(until.due_at, until.zone)


def _drawn(session: Session, round_id: str) -> Round:
    row = get_round(session, round_id)
    if not shares.is_handed_in(row):
        raise WrongState("This round is recorded in the room; set a deadline on the Draw screen to have it handed in.")
    if row.state != "drawn":
        raise WrongState("Links to hand in by are made between the draw and the opening of a round.")
    return row


def _make(
    session: Session, row: Round, candidates: Sequence[Candidate], *, actor: Actor, now: datetime
) -> list[MadeLink]:
    ids = {c.entry_id for c in candidates}
    earlier = session.exec(
        select(AccessToken).where(AccessToken.round_id == row.id, col(AccessToken.withdrawn_at).is_(None))
    ).all()
    for token in earlier:
        if token.entry_id in ids:
            token.withdrawn_at = now
            session.add(token)
    life = max(shares.deadline_of(row).closes_at - now, timedelta()) + AFTERWARDS
    made = []
    for candidate in candidates:
        secret, _ = new_token(
            session,
            role="student",
            now=now,
            life=life,
            audition_id=row.audition_id,
            entry_id=candidate.entry_id,
            round_id=row.id,
            label=f"Number {candidate.blind_number}",
            flush=False,
        )
        made.append(MadeLink(candidate.id, secret, now + life))
    session.flush()
    facts = {"links": len(made), "candidates_hash": hash_secret(",".join(sorted(c.id for c in candidates)))}
    custody.record(session, row.id, actor, "hand-in-links-made", row.id, facts)
    return made

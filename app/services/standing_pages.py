"""Standings of long rounds: worked out once, by a worker, and shown a page at a time. No name can be reached from here.

Twenty thousand candidates and a hundred adjudicators take half a minute to rank and give ten megabytes. So the lines
of a long round are rows of their own, with what the round's audit chains said when they were worked out: every mark,
recusal and setting is recorded there, so a chain that has grown since says that the lines are of yesterday. An opened
round's lines are its frozen standing's. Nothing rests on them: opening a round works everything out anew.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import Candidate, Findings, Job, Round, StandingLine, Take, WorkedStanding
from app.db.types import now_utc
from app.domain.errors import WrongState
from app.jobs.ledger import Progress, Save
from app.services import custody, queueing, standing, tabulation
from app.services.rounds import get_round, is_long

KIND = "work-out-standing"
PRIORITY = 5  # our choice: a leader waits for it, but a take whose candidate waits comes before
MOST_AGAIN = 500  # numbers to hear again that a screen offers, as many as can be asked for at once
AT_ONCE = 1000  # lines written in one statement
_MANY = re.compile(r"((?:[\w-]+, ){20})((?:[\w-]+, ){19,}[\w-]+) and [\w-]+")


@dataclass(frozen=True, slots=True)
class Working:
    """How far the working out of a long round's standing is."""

    state: str  # none | queued | running | failed | done
    progress: float  # 0 to 1
    text: str
    worked_out_at: datetime | None  # of the lines that are shown
    is_current: bool  # nothing they rest on has changed since


@dataclass(frozen=True, slots=True)
class StandingPage:
    """What is kept beside the lines, some of the lines, and how many were found."""

    content: Mapping[str, Any]
    rows: list[dict[str, Any]]
    brackets: list[list[str]]
    total: int


def is_kept(session: Session, row: Round) -> bool:
    """Whether there are lines to show; of an opened round only those of its frozen standing."""
    worked = session.get(WorkedStanding, row.id)
    return worked is not None and (row.state != "opened" or worked.rests_on == row.standing_hash)


def working(session: Session, row: Round) -> Working:
    """How far the newest working out is, and whether the lines are of today."""
    worked = session.get(WorkedStanding, row.id)
    job = session.exec(
        select(Job).where(Job.kind == KIND, Job.subject == row.id).order_by(col(Job.created_at).desc()).limit(1)
    ).first()
    return Working(
        state=job.state if job is not None else "none",
        progress=round(job.progress, 3) if job is not None else 0.0,
        text=("" if job is None else job.error if job.state == "failed" else job.progress_text),
        worked_out_at=worked.worked_out_at if worked is not None else None,
        is_current=worked is not None and _is_current(session, row, worked),
    )


def ask(session: Session, round_id: str) -> Working:
    """Have a worker work the standing out as things are now. Asking again while one does is harmless."""
    row = get_round(session, round_id)
    if row.state not in ("drawn", "opened"):
        raise WrongState("There is no standing before the draw; draw the round first.")
    if not is_long(session, row):
        raise WrongState("The standing of this round is worked out whenever it is looked at; open its screen.")
    busy = session.exec(
        select(Job.id).where(Job.kind == KIND, Job.subject == round_id, col(Job.state).in_(("queued", "running")))
    ).first()
    if busy is None:
        key = f"{KIND}:{round_id}:{_heads(session, row)[:32]}"
        job = queueing.enqueue(session, KIND, key, {"round_id": round_id}, PRIORITY, subject=round_id)
        job.created_at = now_utc()  # the newest is the one that is told of
        queueing.requeue(session, job)
    return working(session, row)


def page(
    session: Session, row: Round, *, find: str, candidate_ids: Any | None, offset: int, limit: int
) -> StandingPage:
    """A page of the lines, in order of place, of those whose number begins with ``find`` or who are among the ids.

    ``candidate_ids`` is a further selection of ids, by whoever may know names.
    """
    worked = session.get_one(WorkedStanding, row.id)
    asked = select(StandingLine).where(StandingLine.round_id == row.id)
    if wanted := find.strip():
        found = [col(StandingLine.blind_number).startswith(wanted, autoescape=True)]
        if candidate_ids is not None:
            found.append(col(StandingLine.candidate_id).in_(candidate_ids))
        asked = asked.where(sa.or_(*found))
    total = session.scalar(asked.with_only_columns(sa.func.count(), maintain_column_froms=True)) or 0
    lines = session.exec(asked.order_by(col(StandingLine.position)).offset(offset).limit(limit)).all()
    there = {line.position: line.blind_number for line in lines}
    spans = [
        [there[at] for at in range(max(first, min(there)), min(last, max(there)) + 1) if at in there]
        for first, last in worked.content["spans"]
        if there and first <= max(there) and last >= min(there)
    ]
    brackets = [span for span in spans if len(span) > 1]
    return StandingPage(worked.content, [line.content for line in lines], brackets, total)


def keep(session: Session, row: Round, body: Mapping[str, Any], rests_on: str, until: datetime | None) -> None:
    """Keep a standing's lines and what is said beside them, in place of those there were."""
    session.exec(sa.delete(StandingLine).where(col(StandingLine.round_id) == row.id))
    places = {line["blind_number"]: at for at, line in enumerate(body["rows"])}
    spans = [[places[number] for number in bracket if number in places] for bracket in body["brackets"]]
    content = {
        **{key: value for key, value in body.items() if key not in ("rows", "brackets")},
        "hear_again": body["hear_again"][:MOST_AGAIN],
        "sentences": [_shortened(sentence) for sentence in body["sentences"]],
        "missing": [_shortened(sentence) for sentence in body["missing"]],
        "spans": [[min(span), max(span)] for span in spans if span],
    }
    worked = session.get(WorkedStanding, row.id) or WorkedStanding(round_id=row.id, rests_on="", content={})
    worked.rests_on, worked.findings_until, worked.content = rests_on, until, content
    worked.worked_out_at = now_utc()
    session.add(worked)
    session.flush()
    lines = [
        {
            "round_id": row.id,
            "position": at,
            "candidate_id": line["candidate_id"],
            "blind_number": line["blind_number"],
            "content": line,
        }
        for at, line in enumerate(body["rows"])
    ]
    for start in range(0, len(lines), AT_ONCE):
        session.execute(sa.insert(StandingLine), lines[start : start + AT_ONCE])


class WorkOutStanding:
    """The task of kind ``work-out-standing``."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def __call__(self, payload: Mapping[str, Any], progress: Progress) -> Save:
        """Work out one round's standing; the save replaces its lines."""
        round_id = str(payload["round_id"])
        progress(0.0, "reading sheets and findings")
        with self._database.read() as session:
            row = get_round(session, round_id)
            if row.state == "opened" and row.standing is not None:
                return _saving(round_id, row.standing, str(row.standing_hash), None)
            rests_on, until = _heads(session, row), _newest_finding(session)
            marks = standing.round_marks(session, round_id)
        progress(0.4, "ranking")
        body = standing.compute(marks)
        progress(0.8, "writing the lines")
        digest = tabulation.tabulation_hash(body) if body["rows"] else None
        return _saving(round_id, {**body, "tabulation_hash": digest}, rests_on, until)


def _saving(round_id: str, body: Mapping[str, Any], rests_on: str, until: datetime | None) -> Callable[[Session], None]:
    return lambda session: keep(session, get_round(session, round_id), body, rests_on, until)


def _is_current(session: Session, row: Round, worked: WorkedStanding) -> bool:
    if row.state == "opened":
        return worked.rests_on == row.standing_hash
    if worked.rests_on != _heads(session, row):
        return False
    newer = (
        select(Findings.id)
        .join(Take, col(Take.id) == Findings.take_id)
        .join(Candidate, col(Candidate.id) == Take.candidate_id)
        .where(Candidate.round_id == row.id)
        .limit(1)
    )
    if worked.findings_until is not None:
        newer = newer.where(Findings.created_at > worked.findings_until)
    return session.exec(newer).first() is None


def _newest_finding(session: Session) -> datetime | None:
    return session.exec(select(Findings.created_at).order_by(col(Findings.created_at).desc()).limit(1)).first()


def _heads(session: Session, row: Round) -> str:
    """A hash of the last entries of every audit chain that the standing rests on: the same while nothing was done."""
    chains, at = [row.audition_id, row.id], row
    while at.carried_from is not None:
        at = session.get_one(Round, at.carried_from)
        chains.append(at.id)
    return custody.heads(session, chains)


def _shortened(sentence: str) -> str:
    """The same with long lists of numbers cut: nobody reads the names of thousands in a sentence."""
    return _MANY.sub(lambda found: f"{found[1]}and {found[2].count(',') + 2} more", sentence)

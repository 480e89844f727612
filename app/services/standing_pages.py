"""Standings of long rounds: worked out once, by a worker, and shown a page at a time. No name can be reached from here.

Twenty thousand candidates and a hundred adjudicators take half a minute to rank and give ten megabytes. So the lines
of a long round are rows of their own, with what they rest on (``long_work``). An opened round's lines are its frozen
standing's. Nothing rests on them: opening a round works everything out anew.
"""

import re
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import Round, StandingLine, WorkedStanding
from app.jobs.ledger import Progress, Save
from app.services import long_work, standing, tabulation
from app.services.long_work import Basis, Working
from app.services.rounds import get_round

KIND = "work-out-standing"
MOST_AGAIN = 500  # numbers to hear again that a screen offers, as many as can be asked for at once
AT_ONCE = 1000  # lines written in one statement
_MANY = re.compile(r"((?:[\w-]+, ){20})((?:[\w-]+, ){19,}[\w-]+) and [\w-]+")


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
    current = worked is not None and (
        worked.rests_on == row.standing_hash if row.state == "opened" else long_work.is_current(session, row, worked)
    )
    return long_work.working(session, row, KIND, worked.worked_out_at if worked is not None else None, current)


def ask(session: Session, round_id: str) -> Working:
    """Have a worker work the standing out as things are now. Asking again while one does is harmless."""
    return working(session, long_work.ask(session, round_id, KIND))


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
    brackets = _among(worked.content["spans"], there)
    return StandingPage(worked.content, [line.content for line in lines], brackets, total)


def whole(session: Session, row: Round) -> dict[str, Any]:
    """All that is kept of a long round's standing: what is said beside the lines, and every line."""
    worked = session.get_one(WorkedStanding, row.id)
    lines = session.exec(
        select(StandingLine.content).where(StandingLine.round_id == row.id).order_by(col(StandingLine.position))
    ).all()
    return {**worked.content, "rows": list(lines), "brackets": []}


def _among(spans: Sequence[Sequence[int]], there: Mapping[int, str]) -> list[list[str]]:
    """Brackets cut to the lines that are shown, {position: number}; those that lie in another one are left out."""
    positions = sorted(there)
    cut = {(bisect_left(positions, first), bisect_right(positions, last)) for first, last in spans}
    brackets: list[list[str]] = []
    furthest = 0
    for begin, end in sorted(cut, key=lambda span: (span[0], -span[1])):
        if end - begin > 1 and end > furthest:
            brackets.append([there[at] for at in positions[begin:end]])
            furthest = end
    return brackets


def _again(body: Mapping[str, Any]) -> list[str]:
    """Numbers to hear again, in order of place; of more than can be asked for those whose seat is most in doubt."""
    if len(body["hear_again"]) <= MOST_AGAIN:
        return list(body["hear_again"])
    chance = {line["blind_number"]: line["chance_of_seat"] or 0.0 for line in body["rows"]}
    doubtful = set(sorted(body["hear_again"], key=lambda number: abs(chance[number] - 0.5))[:MOST_AGAIN])
    return [number for number in body["hear_again"] if number in doubtful]


def keep(session: Session, row: Round, body: Mapping[str, Any], basis: Basis) -> None:
    """Keep a standing's lines and what is said beside them, in place of those there were."""
    session.exec(sa.delete(StandingLine).where(col(StandingLine.round_id) == row.id))
    places = {line["blind_number"]: at for at, line in enumerate(body["rows"])}
    listed = [[places[number] for number in bracket if number in places] for bracket in body["brackets"]]
    spans = body.get("bracket_spans") or [[min(span), max(span)] for span in listed if span]
    content = {
        **{key: value for key, value in body.items() if key not in ("rows", "brackets", "bracket_spans")},
        "hear_again": _again(body),
        "sentences": [shortened(sentence) for sentence in body["sentences"]],
        "missing": [shortened(sentence) for sentence in body["missing"]],
        "spans": spans,
    }
    worked = session.get(WorkedStanding, row.id) or WorkedStanding(round_id=row.id, rests_on="", content={})
    worked.content = content
    long_work.note(worked, basis)
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
                return _saving(round_id, row.standing, Basis(str(row.standing_hash), None, 0))
            basis = long_work.basis(session, row)
            marks = standing.round_marks(session, round_id)
        progress(0.4, "ranking")
        body = standing.compute(marks)
        progress(0.8, "writing the lines")
        digest = tabulation.tabulation_hash(body) if body["rows"] else None
        return _saving(round_id, {**body, "tabulation_hash": digest}, basis)


def _saving(round_id: str, body: Mapping[str, Any], basis: Basis) -> Callable[[Session], None]:
    return lambda session: keep(session, get_round(session, round_id), body, basis)


def shortened(sentence: str) -> str:
    """The same with long lists of numbers cut: nobody reads the names of thousands in a sentence."""
    return _MANY.sub(lambda found: f"{found[1]}and {found[2].count(',') + 2} more", sentence)

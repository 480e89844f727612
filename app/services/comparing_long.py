"""Comparing a long opened round with what its marks give today: by a worker, kept until somebody looks. No names."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from sqlmodel import Session

from app.db.database import Database
from app.db.models import WorkedComparison
from app.domain.errors import WrongState
from app.jobs.ledger import Progress, Save
from app.services import long_work, opening
from app.services.long_work import Working
from app.services.opening import Compared
from app.services.rounds import get_round, is_long

KIND = "compare-standing"
MOST_DIFFERENCES = 100  # told of a long round, the rest is counted; our choice
NOT_COMPARED = "So long a round takes a while to compute again; have it compared."


def view(session: Session, round_id: str) -> Compared:
    """An opened round beside what its marks give: computed now or, of a long round, as a worker found it last."""
    row = get_round(session, round_id)
    if not is_long(session, row):
        return opening.compare(session, round_id)
    if row.state != "opened":  # the standing itself is megabytes
        raise WrongState(opening.NOT_OPENED)
    kept = session.get(WorkedComparison, round_id)
    working = long_work.of_kept(session, row, KIND, kept)
    if kept is None:
        return Compared(None, NOT_COMPARED, row.standing_hash or "", "", "", (), working)
    return Compared(**{**kept.content, "differs": tuple(kept.content["differs"]), "working": working})


def ask(session: Session, round_id: str) -> Working:
    """Have a worker compare a long opened round. Asking again while one does is harmless."""
    if get_round(session, round_id).state != "opened":
        raise WrongState(opening.NOT_OPENED)
    row = long_work.ask(session, round_id, KIND)
    return long_work.of_kept(session, row, KIND, session.get(WorkedComparison, round_id))


class CompareStanding:
    """The task of kind ``compare-standing``."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def __call__(self, payload: Mapping[str, Any], progress: Progress) -> Save:
        """Compute the round again; the save replaces what was kept."""
        round_id = str(payload["round_id"])
        progress(0.0, "reading sheets and findings, ranking")
        with self._database.read() as session:
            basis = long_work.basis(session, get_round(session, round_id))
            compared = opening.compare(session, round_id)
        progress(0.95, "writing what was found")
        content = asdict(compared)
        del content["working"]
        more = len(compared.differs) - MOST_DIFFERENCES
        if more > 0:
            said = f"{more} more {'number differs' if more == 1 else 'numbers differ'}."
            content["differs"] = [*compared.differs[:MOST_DIFFERENCES], said]

        def save(session: Session) -> None:
            kept = session.get(WorkedComparison, round_id) or WorkedComparison(round_id=round_id, rests_on="")
            kept.content = content
            long_work.note(kept, basis)
            session.add(kept)

        return save

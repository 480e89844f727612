"""Opening a long round: a worker computes its standing and freezes it, while the leader's screen says how far it is."""

from collections.abc import Mapping
from typing import Any

from sqlmodel import Session

from app.db.database import Database
from app.domain.actor import Actor
from app.domain.ids import new_id
from app.jobs.ledger import Progress, Save
from app.services import long_work, opening, queueing
from app.services.opening import OPENING
from app.services.rounds import is_long


def ask(session: Session, round_id: str, *, reason: str, actor: Actor) -> bool:
    """Have a worker open a round if it is long; returns whether it is. Asking again while one does is harmless."""
    row = opening.require_sealed(session, round_id)
    if not is_long(session, row):
        return False
    if not long_work.is_busy(session, round_id, OPENING):
        payload = {"round_id": round_id, "reason": reason, "role": actor.role, "actor": actor.id}
        key = f"{OPENING}:{round_id}:{new_id()}"  # each asking has its own reason
        queueing.enqueue(session, OPENING, key, payload, long_work.PRIORITY, subject=round_id)
    return True


class OpenRound:
    """The task of kind ``open-round``. What keeps the round from being opened is the job's error."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def __call__(self, payload: Mapping[str, Any], progress: Progress) -> Save:
        """Compute the standing; the save freezes it if nothing it rests on has changed meanwhile."""
        actor = Actor(payload["role"], payload["actor"])
        with self._database.read() as session:
            return opening.prepare(
                session, payload["round_id"], reason=payload["reason"], actor=actor, progress=progress
            )

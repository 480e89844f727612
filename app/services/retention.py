"""How long recordings are kept, and what is said once one is gone. No name is reached from here."""

from datetime import date

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import Audition, DayRecording, ExtraHearing, Take
from app.domain.errors import NotFound


def playable(recorded: Take | ExtraHearing) -> str:
    """The hash of what can be heard of a take or practice take; raises ``NotFound`` once it was destroyed."""
    if recorded.destroyed_at is not None:
        raise NotFound(f"This recording was destroyed on {recorded.destroyed_at:%Y-%m-%d}; its results are kept.")
    return recorded.playback_sha256


def is_wanted(session: Session, sha256: str) -> bool:
    """Whether a kept take, a day's long recording, or a kept practice recording by itself needs this hash.

    A practice take that was chosen from an earlier round goes with its take.
    """
    of_take = sa.or_(col(Take.sha256) == sha256, col(Take.playback_sha256) == sha256)
    if session.exec(select(Take.id).where(of_take, col(Take.destroyed_at).is_(None)).limit(1)).first() is not None:
        return True
    of_day = select(DayRecording.id).where(DayRecording.sha256 == sha256, col(DayRecording.removed_at).is_(None))
    if session.exec(of_day.limit(1)).first() is not None:
        return True
    of_practice = sa.or_(col(ExtraHearing.sha256) == sha256, col(ExtraHearing.playback_sha256) == sha256)
    alone = (
        select(ExtraHearing.id)
        .where(of_practice, col(ExtraHearing.take_id).is_(None), col(ExtraHearing.destroyed_at).is_(None))
        .limit(1)
    )
    return session.exec(alone).first() is not None


def sentence(audition: Audition, kept: int, today: date) -> str:
    """What the leader should know about an audition's recordings, of which ``kept`` are still there."""
    if not kept:
        return "No recording of this audition is kept."
    count = "1 recording is kept" if kept == 1 else f"{kept} recordings are kept"
    if audition.retention_until is None:
        return f"{count}, and no day is set on which they go; set one in Set-up, Details."
    if audition.retention_until < today:
        return f"{count}, though they were to go by {audition.retention_until.isoformat()}: destroy them now."
    return f"{count} until {audition.retention_until.isoformat()}."

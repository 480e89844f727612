"""What happens on the day: rooms, turns, restarts, absences, sight-reading."""

from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Field, SQLModel

from app.db.types import UtcDateTime, now_utc
from app.domain.ids import new_id


class RecordingRoom(SQLModel, table=True):
    """A room candidates are recorded in; an audition may use several at once."""

    id: str = Field(default_factory=new_id, primary_key=True)
    audition_id: str = Field(foreign_key="audition.id", index=True)
    position: int = 0
    name: str = Field(max_length=80)


class Turn(SQLModel, table=True):
    """Where and when a candidate plays: what the door and the recording rooms work from. No panel sees it."""

    candidate_id: str = Field(primary_key=True, foreign_key="candidate.id")
    room_id: str | None = Field(default=None, foreign_key="recordingroom.id", index=True)
    place: int  # order of calling within the round; the draw's until somebody is late or put back
    planned_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # as it was announced
    check_in_by: datetime | None = Field(default=None, sa_type=UtcDateTime)
    checked_in_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    called_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    entered_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    left_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class Restart(SQLModel, table=True):
    """Somebody began a piece again while being recorded."""

    id: str = Field(primary_key=True)  # made by the client: a resend is harmless
    candidate_id: str = Field(foreign_key="candidate.id", index=True)
    piece_id: str = Field(foreign_key="piece.id")
    counted_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class Absence(SQLModel, table=True):
    """An adjudicator was away while this candidate was heard: the cell is missing, never zero."""

    __table_args__ = (sa.UniqueConstraint("adjudicator_id", "candidate_id"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    adjudicator_id: str = Field(foreign_key="adjudicator.id", index=True)
    candidate_id: str = Field(foreign_key="candidate.id", index=True)
    reason: str = Field(default="", max_length=300)
    noted_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class SightSheet(SQLModel, table=True):
    """The notes one candidate read at sight, from the moment they were shown or printed."""

    __table_args__ = (sa.UniqueConstraint("candidate_id", "piece_id"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    candidate_id: str = Field(foreign_key="candidate.id", index=True)
    piece_id: str = Field(foreign_key="piece.id", index=True)
    seed: str = Field(max_length=64)
    fingerprint: str = Field(max_length=64)  # app.material.sight_reading: the same melody in any key
    unsealed_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    study_began_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # None while only printed
    unsealed_by: str = Field(max_length=80)

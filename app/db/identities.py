"""Names and what leads to them. Only the modules on the allow-list of the layering contract may import this.

Code that serves adjudicators can't: a test and import-linter hold that.
"""

from datetime import date, datetime

import sqlalchemy as sa
from sqlmodel import Field, SQLModel

from app.db.models.columns import only_when_asked
from app.db.types import UtcDateTime, now_utc
from app.domain.ids import new_id


class Student(SQLModel, table=True):
    """A person. Lives across auditions so that progress can be shown."""

    id: str = Field(default_factory=new_id, primary_key=True)
    name: str = Field(max_length=160)
    school: str = Field(default="", max_length=160)
    teacher: str = Field(default="", max_length=160)
    year: str = Field(default="", max_length=20)
    consent_on: date | None = None
    consent_by: str = Field(default="", max_length=160)
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class Entry(SQLModel, table=True):
    """A roster line: a student on one instrument in one audition."""

    __table_args__ = (sa.UniqueConstraint("audition_id", "student_id", "instrument"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    audition_id: str = Field(foreign_key="audition.id", index=True)
    student_id: str = Field(foreign_key="student.id", index=True)
    instrument: str = Field(max_length=40)
    accommodation: str = Field(default="", max_length=300)
    extra_time_percent: int = 0  # of study time and of the time in the room
    enlarged_music: bool = False
    withdrawn: bool = False


class RoundEntry(SQLModel, table=True):
    """A roster line chosen for a round before its draw. A round without any takes the whole roster."""

    __table_args__ = (sa.UniqueConstraint("round_id", "entry_id"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    round_id: str = Field(foreign_key="round.id", index=True)
    entry_id: str = Field(foreign_key="entry.id", index=True)


class DeclaredRecusal(SQLModel, table=True):
    """A recusal declared before the draw, against a roster line; the draw turns it into ``models.Recusal``."""

    __table_args__ = (sa.UniqueConstraint("adjudicator_id", "entry_id"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    adjudicator_id: str = Field(foreign_key="adjudicator.id", index=True)
    entry_id: str = Field(foreign_key="entry.id", index=True)
    reason: str = Field(default="", max_length=300)


class TakeOrigin(SQLModel, table=True):
    """Where a take came from: its upload file name may carry a name, so it stands here."""

    take_id: str = Field(primary_key=True, foreign_key="take.id")
    file_name: str = Field(default="", max_length=255)
    via: str = Field(default="screen", max_length=20)


class PrintedModel(SQLModel, table=True):
    """What one printed sheet was drawn from, frozen: it carries a name, so it stands here."""

    document_id: str = Field(primary_key=True, foreign_key="document.id")
    content: bytes  # app.sheets.freezing


class WorkedPaper(SQLModel, table=True):
    """What a worker printed of a long round: its score sheet, which carries names, or when all comment sheets were."""

    __mapper_args__ = only_when_asked("pdf")

    round_id: str = Field(primary_key=True, foreign_key="round.id")
    kind: str = Field(primary_key=True, max_length=40)  # of the job that printed it
    rests_on: str = Field(max_length=64)  # as a standing's
    findings_until: datetime | None = Field(default=None, sa_type=UtcDateTime)
    findings_seen: int = 0
    sheets: int  # how many were printed
    pdf: bytes  # empty for comment sheets: each is drawn again from what is kept of it
    worked_out_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)

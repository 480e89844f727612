"""After the day: consent, destruction, what a family may ask for, next year's audition."""

from datetime import date, datetime

from pydantic import Field

from app.api.schemas.envelope import In, Out


class ConsentIn(In):
    """Who gave consent to record, and when."""

    given_on: date
    given_by: str = Field(max_length=400)


class DestroyIn(In):
    """Whose recordings go, and why. Without a roster line: all of the audition."""

    entry_id: str | None = Field(default=None, pattern="^[0-9a-f]{32}$")
    reason: str = Field(max_length=1000)


class CertificateOut(Out):
    """A certificate of destruction in the list."""

    id: str
    made_at: datetime
    reason: str
    takes: int
    one_student: bool


class RecordingsOut(Out):
    """What is kept of an audition's recordings, and what was destroyed."""

    kept: int
    days: int
    bytes: int
    destroyed: int
    unfinished: int
    retention_until: date | None
    sentence: str
    not_opened: list[str]
    certificates: list[CertificateOut]


class CopyIn(In):
    """Next year's audition."""

    name: str = Field(max_length=400)
    held_on: date

"""The roster."""

from datetime import date

from pydantic import Field

from app.api.schemas.envelope import In, Out


class EntryIn(In):
    """A student on an instrument."""

    name: str = Field(max_length=1000)
    instrument: str = Field(max_length=1000)
    school: str = Field(default="", max_length=1000)
    teacher: str = Field(default="", max_length=1000)
    year: str = Field(default="", max_length=1000)
    consent_on: date | None = None
    consent_by: str = Field(default="", max_length=1000)
    accommodation: str = Field(default="", max_length=1000)
    extra_time_percent: int = 0
    enlarged_music: bool = False


class EntryChangeIn(In):
    """What changes; fields left out stay."""

    name: str = Field(default="", max_length=1000)
    instrument: str = Field(default="", max_length=1000)
    school: str = Field(default="", max_length=1000)
    teacher: str = Field(default="", max_length=1000)
    year: str = Field(default="", max_length=1000)
    consent_on: date | None = None
    consent_by: str = Field(default="", max_length=1000)
    accommodation: str = Field(default="", max_length=1000)
    extra_time_percent: int = 0
    enlarged_music: bool = False
    withdrawn: bool = False


class EntryOut(Out):
    """A roster line as the leader sees it."""

    entry_id: str
    student_id: str
    name: str
    school: str
    teacher: str
    year: str
    instrument: str
    consent_on: date | None
    consent_by: str
    accommodation: str
    extra_time_percent: int
    enlarged_music: bool
    withdrawn: bool


class RejectedOut(Out):
    """A line of a table that can't be used."""

    line: int
    sentence: str


class RosterReadingOut(Out):
    """What became of a table."""

    added: int
    rejected: list[RejectedOut]
    ignored_columns: list[str]

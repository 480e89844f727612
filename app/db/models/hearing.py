"""What the panel writes, on tablets and on paper: adjudication sheets, their versions, hearings that count nowhere."""

from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Field, SQLModel

from app.db.models.columns import one_of, only_when_asked
from app.db.types import UtcDateTime, now_utc
from app.domain.ids import new_id

EXTRA_KINDS = ("practice", "repeat")
SHEET_STATES = ("draft", "submitted")


class AdjudicationSheet(SQLModel, table=True):
    """One adjudicator's marks and remarks for one candidate. The draft lives here, what counts in versions."""

    __table_args__ = (
        one_of("state", *SHEET_STATES),
        sa.UniqueConstraint("adjudicator_id", "candidate_id"),
        # What lists count, without the drafts.
        sa.Index("ix_adjudicationsheet_candidate_id_state_adjudicator_id", "candidate_id", "state", "adjudicator_id"),
    )

    id: str = Field(default_factory=new_id, primary_key=True)
    adjudicator_id: str = Field(foreign_key="adjudicator.id", index=True)
    candidate_id: str = Field(foreign_key="candidate.id")
    state: str = "draft"
    draft: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)
    updated_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class SheetVersion(SQLModel, table=True):
    """A submitted sheet or a later correction; never changed, the highest version counts."""

    __table_args__ = (sa.UniqueConstraint("sheet_id", "version"),)

    id: str = Field(primary_key=True)  # made by the client: a resend is harmless
    sheet_id: str = Field(foreign_key="adjudicationsheet.id", index=True)
    version: int
    marks: dict[str, Any] = Field(sa_type=sa.JSON)  # {piece id or "all": {caption: mark}}
    remarks: list[Any] = Field(default_factory=list, sa_type=sa.JSON)  # [{piece_id, bar, text}]
    reason: str = Field(default="", max_length=300)  # of a correction
    signature: str = Field(max_length=64)  # sha256 over content, adjudicator and predecessor
    submitted_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class ExtraHearing(SQLModel, table=True):
    """Something a panel hears that stands in no result: the practice take, or a hidden repeat of a candidate.

    To the panel a repeat's id and number look like a candidate's; that is why both stand apart from ``Candidate``.
    """

    __table_args__ = (one_of("kind", *EXTRA_KINDS), sa.UniqueConstraint("round_id", "blind_number"))

    id: str = Field(default_factory=new_id, primary_key=True)
    round_id: str = Field(foreign_key="round.id", index=True)
    kind: str
    blind_number: str = Field(default="", max_length=12)  # of a repeat; empty for the one practice take
    candidate_id: str | None = Field(default=None, foreign_key="candidate.id")  # who is heard again
    secret: str = Field(default_factory=new_id)  # what the ids of its takes are made from
    piece_id: str | None = Field(default=None, foreign_key="piece.id")  # of the practice take, as all that follow
    take_id: str | None = Field(default=None, foreign_key="take.id")  # where it was chosen from an earlier round
    sha256: str = Field(default="", max_length=64)
    playback_sha256: str = Field(default="", max_length=64)
    duration_sec: float = 0.0
    peaks: list[Any] = Field(default_factory=list, sa_type=sa.JSON)
    agreed: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # {"marks": {caption: mark}, "note": text}
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    destroyed_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # a recording of its own is gone


class ExtraSheet(SQLModel, table=True):
    """An adjudicator's sheet for something that stands in no result. Versions are only ever added."""

    __table_args__ = (one_of("state", *SHEET_STATES), sa.UniqueConstraint("adjudicator_id", "extra_id"))

    id: str = Field(default_factory=new_id, primary_key=True)
    adjudicator_id: str = Field(foreign_key="adjudicator.id", index=True)
    extra_id: str = Field(foreign_key="extrahearing.id", index=True)
    state: str = "draft"
    recused: bool = False
    draft: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)
    versions: list[Any] = Field(default_factory=list, sa_type=sa.JSON)  # as SheetVersion, in order
    updated_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class PaperSheet(SQLModel, table=True):
    """A sheet typed in from paper, and whether a second person found the same marks on the paper."""

    __table_args__ = (one_of("state", "unchecked", "to check", "agrees", "differs"),)

    sheet_id: str = Field(primary_key=True, foreign_key="adjudicationsheet.id")
    bundle_id: str = Field(max_length=32, index=True)  # made by the client: a resend is harmless
    typed_by: str = Field(max_length=80)
    typed_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    state: str = "unchecked"  # "unchecked": chance did not choose it
    checked_by: str = Field(default="", max_length=80)
    checked_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    differences: list[Any] = Field(default_factory=list, sa_type=sa.JSON)  # sentences, marks as typed and as on paper


class TabulationCheck(SQLModel, table=True):
    """A second person has confirmed a round's tabulation on a device of their own; one per state of the marks."""

    id: str = Field(default_factory=new_id, primary_key=True)
    round_id: str = Field(foreign_key="round.id", index=True)
    input_hash: str = Field(max_length=64)  # everything the tabulation rests on
    tabulation_hash: str = Field(max_length=64)  # of the tabulation as it was shown
    token_id: str = Field(foreign_key="accesstoken.id")
    person: str = Field(max_length=120)  # as the second person signed, no student
    confirmed_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class WorkedStanding(SQLModel, table=True):
    """The standing of a long round as it was worked out, without its lines. Nothing rests on it."""

    round_id: str = Field(primary_key=True, foreign_key="round.id")
    rests_on: str = Field(max_length=64)  # app.services.standing_pages; of an opened round its standing's hash
    findings_until: datetime | None = Field(default=None, sa_type=UtcDateTime)
    findings_seen: int = 0  # of the round, since a while before that moment
    content: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)
    worked_out_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class WorkedReport(SQLModel, table=True):
    """The section report of a long round as it was worked out. Nothing rests on it; it holds no name and no number."""

    __mapper_args__ = only_when_asked("pdf")

    round_id: str = Field(primary_key=True, foreign_key="round.id")
    rests_on: str = Field(max_length=64)  # as a standing's
    findings_until: datetime | None = Field(default=None, sa_type=UtcDateTime)
    findings_seen: int = 0
    content: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.services.section.SectionView
    pdf: bytes
    worked_out_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class WorkedComparison(SQLModel, table=True):
    """A long round's frozen standing beside what its marks gave when a worker compared them. Nothing rests on it."""

    round_id: str = Field(primary_key=True, foreign_key="round.id")
    rests_on: str = Field(max_length=64)  # as a standing's
    findings_until: datetime | None = Field(default=None, sa_type=UtcDateTime)
    findings_seen: int = 0
    content: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.services.opening.Compared
    worked_out_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class StandingLine(SQLModel, table=True):
    """One candidate's line of a long round's standing, without a name."""

    __table_args__ = (sa.UniqueConstraint("round_id", "position"), sa.UniqueConstraint("round_id", "blind_number"))

    candidate_id: str = Field(primary_key=True, foreign_key="candidate.id")
    round_id: str = Field(foreign_key="round.id")
    position: int  # from 0, in order of place
    blind_number: str = Field(max_length=12)
    content: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.domain.standing.StandingRow

"""Who gets in, what was done, and what was kept or destroyed."""

from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Field, SQLModel

from app.db.models.columns import one_of
from app.db.types import UtcDateTime, now_utc
from app.domain.ids import new_id

LINK_ROLES = ("leader", "proctor", "adjudicator", "checker", "student")


class AccessLink(SQLModel, table=True):
    """A one-time join link. Only the hash of its secret is kept."""

    __table_args__ = (one_of("role", *LINK_ROLES),)

    id: str = Field(default_factory=new_id, primary_key=True)
    audition_id: str | None = Field(default=None, foreign_key="audition.id", index=True)
    role: str
    adjudicator_id: str | None = Field(default=None, foreign_key="adjudicator.id")
    room_id: str | None = Field(default=None, foreign_key="recordingroom.id")
    label: str = Field(default="", max_length=80)
    secret_hash: str = Field(max_length=64, unique=True)
    expires_at: datetime = Field(sa_type=UtcDateTime)
    used_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    withdrawn_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class AccessToken(SQLModel, table=True):
    """A tablet's bearer token, a leader's session or a student's private link. Only its hash is kept."""

    __table_args__ = (
        one_of("role", *LINK_ROLES),
        sa.Index("ix_accesstoken_audition_id_role", "audition_id", "role"),  # the few tablets among many links
    )

    id: str = Field(default_factory=new_id, primary_key=True)
    token_hash: str = Field(max_length=64, unique=True)
    role: str
    leader_id: str | None = Field(default=None, foreign_key="leader.id")
    audition_id: str | None = Field(default=None, foreign_key="audition.id")
    adjudicator_id: str | None = Field(default=None, foreign_key="adjudicator.id")
    entry_id: str | None = Field(default=None, foreign_key="entry.id", index=True)  # of a student's private link
    room_id: str | None = Field(default=None, foreign_key="recordingroom.id")  # of a recording room's tablet
    round_id: str | None = Field(default=None, foreign_key="round.id", index=True)  # of a link to hand takes in
    label: str = Field(default="", max_length=80)
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    expires_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    withdrawn_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class AuditEntry(SQLModel, table=True):
    """Append-only, hash-chained per chain. Carries ids and numbers, never names."""

    __table_args__ = (
        sa.UniqueConstraint("chain", "seq"),
        sa.Index("ix_auditentry_chain_at_seq", "chain", "at", "seq"),  # in the order the audit list is read
    )

    id: str = Field(default_factory=new_id, primary_key=True)
    chain: str = Field(max_length=40)  # a round's id, an audition's id, or "site"
    seq: int
    at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    actor: str = Field(max_length=80)  # "leader:<id>", "adjudicator:<id>", "system"
    action: str = Field(max_length=60)
    subject: str = Field(default="", max_length=120)
    facts: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)
    previous_hash: str = Field(max_length=64)
    hash: str = Field(max_length=64)


class Document(SQLModel, table=True):
    """One printed sheet. What it was drawn from stands in ``PrintedModel`` beside the names, because it holds some."""

    id: str = Field(default_factory=new_id, primary_key=True)
    round_id: str = Field(foreign_key="round.id", index=True)
    kind: str = Field(max_length=40)  # score-sheet | comment-sheet
    candidate_id: str | None = Field(default=None, foreign_key="candidate.id", index=True)
    template_version: str = Field(max_length=20)
    model_hash: str = Field(max_length=64)
    pdf_sha256: str = Field(max_length=64)
    made_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class DestructionCertificate(SQLModel, table=True):
    """Which recordings were destroyed, when, by whom and why. Numbers, dates and hashes, no names."""

    id: str = Field(default_factory=new_id, primary_key=True)
    audition_id: str = Field(foreign_key="audition.id", index=True)
    made_at: datetime = Field(sa_type=UtcDateTime)
    actor: str = Field(max_length=80)
    reason: str = Field(default="", max_length=300)
    facts: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.services.destroying
    audit_hash: str = Field(max_length=64)

"""Adjudicators, their links and tablets, recusals: the leader's side."""

from datetime import datetime

from pydantic import Field

from app.api.schemas.envelope import ID_PATTERN, In, Out


class AdjudicatorIn(In):
    """An adjudicator by name."""

    name: str = Field(max_length=1000)


class ProctorLinkIn(In):
    """What to call a recording room's tablet, and the room it stands in when there are several."""

    label: str = Field(default="", max_length=1000)
    room_id: str | None = Field(default=None, pattern=ID_PATTERN)


class RecusalIn(In):
    """An adjudicator does not score a student."""

    adjudicator_id: str = Field(pattern=ID_PATTERN)
    entry_id: str = Field(pattern=ID_PATTERN)
    reason: str = Field(default="", max_length=1000)


class AdjudicatorOut(Out):
    """An adjudicator as the leader sees them."""

    id: str
    letter: str
    name: str
    joined: bool


class AddressOut(Out):
    """The same link at another address."""

    url: str
    qr_svg: str


class LinkOut(Out):
    """A one-time link, shown once."""

    url: str
    qr_svg: str
    expires_at: datetime
    secure: AddressOut | None  # for devices that trust this server; None: there is none, or ``url`` is it


class TabletOut(Out):
    """A tablet that was let in, or a link that waits."""

    token_id: str
    role: str
    label: str
    state: str
    created_at: datetime | None
    expires_at: datetime | None


class RecusalOut(Out):
    """A declared recusal."""

    id: str
    adjudicator_id: str
    letter: str
    entry_id: str
    student_name: str
    reason: str


class ProposedOut(Out):
    """A recusal proposed from the teacher column."""

    adjudicator_id: str
    letter: str
    entry_id: str
    student_name: str
    reason: str

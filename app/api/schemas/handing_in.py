"""Handing in by a link: the leader's plan and lists, and a student's own page."""

from datetime import date, datetime

from pydantic import Field

from app.api.schemas.envelope import ID_PATTERN, In, Out
from app.files.chunk_spool import MAX_CHUNKS
from app.services.intake import LONGEST_FILE_NAME


class HandingInIn(In):
    """Until when, on the clocks of a zone; ``due`` None: the round is recorded in the room."""

    due: datetime | None = Field(description="Date and time of day without a zone: 2026-05-01T18:00.")
    zone: str = Field(default="", max_length=64, description="A name of the IANA time zone database.")
    grace_min: int = 0
    per_candidate: int | None = None


class HandingInOut(Out):
    """The plan of a round that is handed in."""

    due_at: datetime
    closes_at: datetime
    due_text: str
    zone: str
    grace_min: int
    per_candidate: int | None
    handed_in_at: datetime | None


class MoreTimeIn(In):
    """A later deadline for one candidate, on the same clocks."""

    due: datetime
    reason: str = Field(max_length=1000)


class MoreTimeOut(Out):
    """The candidate's own deadline."""

    due_at: datetime
    closes_at: datetime
    text: str


class HandInLinkOut(Out):
    """A fresh link, shown once."""

    candidate_id: str
    url: str
    qr_svg: str
    expires_at: datetime


class HandInLineOut(Out):
    """Who has handed in what."""

    candidate_id: str
    name: str
    school: str
    blind_number: str
    state: str
    pieces_in: int
    due_text: str
    more_time: bool
    has_link: bool


class HandInLinesOut(Out):
    """A page of the list, and how many lines there are in all."""

    total: int
    lines: list[HandInLineOut]


class DesignOut(Out):
    """How balanced the shares are."""

    smallest_share: int
    largest_share: int
    fewest_shared: int
    most_shared: int
    connected: bool
    sentence: str


class AdjudicatorShareOut(Out):
    """How far an adjudicator is."""

    adjudicator_id: str
    letter: str
    to_hear: int
    sent: int
    begun: int


class SharesOut(Out):
    """How the handing in and the hearing stand."""

    candidates: int
    complete: int
    partly: int
    absent: int
    waiting: int
    per_candidate: int
    panel: int
    rule_refusal: str | None
    design: DesignOut | None
    adjudicators: list[AdjudicatorShareOut]
    handed_in_at: datetime | None


class HandOverIn(In):
    """Whose share goes to the others, and why."""

    adjudicator_id: str = Field(pattern=ID_PATTERN)
    reason: str = Field(max_length=1000)


class ReceiptOut(Out):
    """A take that came in."""

    take_id: str
    counts: bool
    received_at: datetime
    received_text: str
    sha256: str
    size_bytes: int
    duration_sec: float
    sentences: list[str]


class OwnPieceToHandInOut(Out):
    """A piece to hand in."""

    piece_id: str
    title: str
    about: list[str]
    marked_sec: float | None
    shortest_sec: float | None
    takes: list[ReceiptOut]


class HandInPageOut(Out):
    """A student's page to hand in by."""

    student: str
    audition: str
    organisation: str
    round_name: str
    blind_number: str
    instrument: str
    about: list[str]
    due_at: datetime
    closes_at: datetime
    due_text: str
    zone: str
    grace_min: int
    more_time: bool
    now: datetime
    is_open: bool
    why_closed: str | None
    consent_required: bool
    consent_on: date | None
    consent_by: str
    pieces: list[OwnPieceToHandInOut]
    complete: bool
    cautions: list[str]


class OwnConsentIn(In):
    """Who gives consent, and when."""

    given_on: date
    given_by: str = Field(max_length=1000)


class FileIn(In):
    """A file that is about to be sent."""

    piece_id: str = Field(pattern=ID_PATTERN)
    file_name: str = Field(default="", max_length=LONGEST_FILE_NAME)
    size_bytes: int


class FileHereOut(Out):
    """What is here of a file; ``taken``: it is a take already."""

    chunks: list[int]
    taken: bool


class FileWholeIn(In):
    """How many chunks the file has."""

    chunks: int = Field(ge=1, le=MAX_CHUNKS)

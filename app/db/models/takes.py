"""Recordings, what is measured from them, and the jobs that measure."""

from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Field, SQLModel

from app.db.models.columns import one_of, only_when_asked
from app.db.types import UtcDateTime, now_utc
from app.domain.ids import new_id

TAKE_STATES = ("kept", "voided")
JOB_STATES = ("queued", "running", "done", "failed")
CUT_KINDS = ("playing", "talk", "noise")
CUT_STATES = ("proposed", "confirmed", "set aside")
VOID_CAUSES = ("equipment", "noise", "injury", "other")


class Take(SQLModel, table=True):
    """One recorded performance of one piece by one candidate; immutable but for being voided."""

    __table_args__ = (
        one_of("state", *TAKE_STATES),
        one_of("void_cause", "", *VOID_CAUSES),
        # What lists count: without it a state's takes would be read with all they hold to be counted.
        sa.Index("ix_take_candidate_id_state_piece_id", "candidate_id", "state", "piece_id"),
    )
    __mapper_args__ = only_when_asked("peaks")

    id: str = Field(default_factory=new_id, primary_key=True)  # made by the client: a resend is harmless
    candidate_id: str = Field(foreign_key="candidate.id")
    piece_id: str = Field(foreign_key="piece.id", index=True)
    sha256: str = Field(max_length=64)  # of the bytes as received
    size_bytes: int
    container: str = Field(max_length=20)  # wav | aiff | flac | mp3 | m4a | aac | ogg | webm
    playback_sha256: str = Field(max_length=64)  # clean WAV without tags, what a panel hears
    duration_sec: float
    sample_rate_hz: int
    channels: int
    quality: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.files.checks
    peaks: list[Any] = Field(default_factory=list, sa_type=sa.JSON)  # waveform for the player
    state: str = "kept"
    void_cause: str = Field(default="", max_length=20)
    void_reason: str = Field(default="", max_length=300)
    voided_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    replaces: str | None = Field(default=None, foreign_key="take.id")
    received_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    destroyed_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # the recording is gone, results stay


class DayRecording(SQLModel, table=True):
    """A recorder that ran all day: one long file, to be cut into takes. No panel sees it."""

    __mapper_args__ = only_when_asked("peaks")

    id: str = Field(default_factory=new_id, primary_key=True)  # made by the client: a resend is harmless
    round_id: str = Field(foreign_key="round.id", index=True)
    room_id: str | None = Field(default=None, foreign_key="recordingroom.id")  # where it stood; None: unknown
    started_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # by the recorder's or the proctor's clock
    sha256: str = Field(max_length=64)  # of the bytes as received
    size_bytes: int = Field(sa_type=sa.BigInteger)  # hours may pass 2 GB
    container: str = Field(default="", max_length=20)  # empty until it was looked over, as all that follow
    duration_sec: float = 0.0
    sample_rate_hz: int = 0
    channels: int = 0
    peaks: list[Any] = Field(default_factory=list, sa_type=sa.JSON)  # app.files.long_recording
    notes: list[Any] = Field(default_factory=list, sa_type=sa.JSON)  # sentences
    cut_by: str = Field(default="", max_length=40)  # version of what cut it; empty: not cut yet
    received_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    removed_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # the long file is gone, its takes stay


class DayCut(SQLModel, table=True):
    """One stretch of a day's recording, proposed until somebody confirms it; confirmed, it has become a take."""

    __table_args__ = (one_of("kind", *CUT_KINDS), one_of("state", *CUT_STATES))

    id: str = Field(default_factory=new_id, primary_key=True)  # of an added one made by the client
    recording_id: str = Field(foreign_key="dayrecording.id", index=True)
    start_sec: float
    end_sec: float
    kind: str = "playing"
    fits: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.services.day_sorting
    candidate_id: str | None = Field(default=None, foreign_key="candidate.id")
    piece_id: str | None = Field(default=None, foreign_key="piece.id")
    word: str = Field(default="", max_length=20)  # sure | likely | can't tell; empty where nothing is proposed
    repeated: bool = False  # another cut of the same candidate and piece is the fuller one
    by_hand: bool = False  # moved by a person: no later proposal touches it
    state: str = "proposed"
    take_id: str = Field(default_factory=new_id, max_length=32, unique=True)  # of the take it is, or will be
    edition: int = 1  # counted up at each change: two people on two devices notice each other
    changed_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class Findings(SQLModel, table=True):
    """Findings of one take under one algorithm version and one reading of the piece."""

    __table_args__ = (sa.UniqueConstraint("take_id", "input_hash", "algorithm_version"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    take_id: str = Field(foreign_key="take.id", index=True)
    input_hash: str = Field(max_length=64)
    algorithm_version: str = Field(max_length=40)
    payload: dict[str, Any] = Field(sa_type=sa.JSON)
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime, index=True)


class Job(SQLModel, table=True):
    """Work for the workers. ``key`` makes enqueuing twice harmless."""

    __table_args__ = (
        one_of("state", *JOB_STATES),
        # In the order waiting jobs are claimed: otherwise each claim would sort all that wait.
        sa.Index("ix_job_state_priority_created_at_id", "state", "priority", "created_at", "id"),
    )

    id: str = Field(default_factory=new_id, primary_key=True)
    kind: str = Field(max_length=40)
    key: str = Field(max_length=200, unique=True)
    subject: str = Field(default="", max_length=40, index=True)  # id of what the work is about
    payload: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)
    priority: int = 0  # higher first
    state: str = "queued"
    attempts: int = 0
    max_attempts: int = 3
    lease_until: float = 0.0  # seconds since the epoch; of a queued job: not to be started before
    worker: str = Field(default="", max_length=80)
    progress: float = 0.0  # 0 to 1
    progress_text: str = Field(default="", max_length=120)
    error: str = Field(default="", max_length=1000)
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    finished_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class PrintedMusic(SQLModel, table=True):
    """Engraved music as it stood on printed sheets, once for all of them."""

    digest: str = Field(max_length=64, primary_key=True)
    content: bytes  # app.sheets.freezing

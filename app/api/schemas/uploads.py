"""Recordings on their way in, as they come in and go out."""

from pydantic import Field

from app.api.schemas.envelope import ID_PATTERN, In, Out
from app.api.schemas.takes import TakeOut
from app.files.chunk_spool import MAX_CHUNKS


class BeginIn(In):
    """What is being recorded."""

    candidate_id: str = Field(pattern=ID_PATTERN)
    piece_id: str = Field(pattern=ID_PATTERN)
    sample_rate_hz: int


class FinishIn(BeginIn):
    """The whole: how many chunks, and the hash of the WAV file they make."""

    chunks: int = Field(ge=1, le=MAX_CHUNKS)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")
    replaces: str | None = Field(default=None, pattern=ID_PATTERN)


class ChunkOut(Out):
    """A chunk that is durable."""

    seq: int
    sha256: str


class ProgressOut(Out):
    """What is here of a recording: chunks, or the take it has become."""

    chunks: list[int]
    take: TakeOut | None


class UnfinishedOut(Out):
    """A recording that was begun and not finished."""

    upload_id: str
    candidate_id: str
    blind_number: str
    piece_id: str
    piece_title: str
    duration_sec: float
    silent_sec: float

"""Takes, the recording room and measuring, as they come in and go out."""

from datetime import datetime
from typing import Any, Literal

from pydantic import Field

from app.api.schemas.envelope import In, Out


class QualityOut(Out):
    """The technical verdict on a take: a word, sentences for the proctor, and the figures behind them."""

    word: str
    sentences: list[str]
    duration_sec: float
    level_db: float | None
    peak_db: float | None
    room_db: float | None
    sounding_sec: float
    lead_sec: float
    played_sec: float | None = None  # takes checked by an earlier version have none
    clipped_places: int
    dropouts: int
    first_dropout_sec: float | None
    longest_dropout_ms: float
    damaged_packets: int


class TakeOut(Out):
    """A take as leader and proctor see it."""

    take_id: str
    candidate_id: str
    piece_id: str
    state: str
    void_cause: str
    void_reason: str
    replaces: str | None
    duration_sec: float
    sample_rate_hz: int
    channels: int
    container: str
    size_bytes: int
    sha256: str
    quality: QualityOut
    received_at: datetime


class TakeReplyOut(Out):
    """The take that was kept."""

    take: TakeOut


class VoidIn(In):
    """Why a take does not count."""

    cause: Literal["equipment", "noise", "injury", "other"] = "other"
    reason: str = Field(max_length=1000)


class BarOut(Out):
    """Where a bar begins."""

    bar: str
    at_sec: float


class PeaksOut(Out):
    """The waveform (greatest absolute value of equal parts, 0 to 1) and, once measured, where bars begin."""

    duration_sec: float
    peaks: list[float]
    bars: list[BarOut]


class MeasuringOut(Out):
    """How far the measuring of a take is."""

    state: str
    progress: float
    text: str


class FindingsOut(Out):
    """The newest findings of a take. ``stale``: piece, settings or algorithm changed since.

    ``picture`` is SVG where the piece has no notation, whose notes the screen would draw lanes of.
    """

    take_id: str
    measuring: MeasuringOut
    findings: dict[str, Any] | None
    picture: str | None
    stale: bool


class RoomSoundsOut(Out):
    """What the recording room sounds before a take, and whether a click goes on through it."""

    tuning_note: bool
    count_in_bars: int
    metronome: bool
    click: bool


class RoomAuditionOut(Out):
    """The audition, as far as the recording room needs it."""

    id: str
    name: str
    a4_hz: float
    sounds: RoomSoundsOut


class PulseOut(Out):
    """How a piece is counted in."""

    beats_per_minute: float
    beats: int
    count_in_beats: int
    assumed: bool
    sentence: str


class RoomRoundOut(Out):
    """A round by name."""

    id: str
    name: str
    state: str


class RoomPieceOut(Out):
    """A piece in the order played."""

    piece_id: str
    title: str
    position: int
    kind: str
    marked_sec: float | None  # of the excerpt at its printed mark; None without notation
    shortest_sec: float | None  # less playing than this can't be all of it


class RecordingRoomOut(Out):
    """A recording room by name."""

    id: str
    name: str


class RoomTakeOut(Out):
    """A take as the recording room sees it."""

    take_id: str
    piece_id: str
    state: str
    void_cause: str
    void_reason: str
    duration_sec: float
    word: str
    sentences: list[str]


class RoomCandidateOut(Out):
    """A candidate with the name."""

    candidate_id: str
    blind_number: str
    playing_order: int
    name: str
    instrument: str
    written_a: str
    state: str
    state_reason: str
    accommodation: str
    consent: bool
    extra_time_percent: int
    enlarged_music: bool
    room_id: str | None
    place: int
    called_at: datetime | None
    entered_at: datetime | None
    left_at: datetime | None
    restarts: dict[str, int]
    last_restarts: dict[str, str]
    takes: list[RoomTakeOut]


class RoomOut(Out):
    """Everything the recording room's screen shows."""

    audition: RoomAuditionOut
    rounds: list[RoomRoundOut]
    round: RoomRoundOut | None
    rooms: list[RecordingRoomOut]
    room_id: str | None
    restarts: str
    study_sec: int
    pieces: list[RoomPieceOut]
    script: list[str]
    candidates: list[RoomCandidateOut]
    total: int
    drawn: int
    next: RoomCandidateOut | None
    chosen: RoomCandidateOut | None


class CandidateIn(In):
    """Whether a candidate is there."""

    state: str = Field(max_length=20)
    reason: str = Field(default="", max_length=1000)

"""A day kept on one recorder, as it comes in and goes out. Only the recording room and the leader see any of it."""

from datetime import datetime
from typing import Literal

from pydantic import AwareDatetime, Field

from app.api.schemas.envelope import ID_PATTERN, In, Out

SHA256_PATTERN = "^[0-9a-f]{64}$"
MOST_SEC = 15 * 3600.0


class DayBeginIn(In):
    """The long file that is about to be sent."""

    round_id: str = Field(pattern=ID_PATTERN)
    size_bytes: int = Field(ge=1, le=2**40)
    room_id: str | None = Field(default=None, pattern=ID_PATTERN)
    started_at: AwareDatetime | None = None


class DaySettingsIn(In):
    """When the recorder was started, and where it stood; null: not known."""

    room_id: str | None = Field(default=None, pattern=ID_PATTERN)
    started_at: AwareDatetime | None = None


class ComingOut(Out):
    """How far a long file is."""

    recording_id: str
    round_id: str
    size_bytes: int
    part_bytes: int
    parts: list[int]
    arrived: bool
    silent_sec: float


class PartOut(Out):
    """A part that is durable."""

    seq: int


class RecordingLineOut(Out):
    """A recording in the list."""

    recording_id: str
    round_id: str
    room_id: str | None
    started_at: datetime | None
    received_at: datetime
    removed_at: datetime | None
    duration_sec: float
    size_bytes: int
    state: str
    progress: float
    text: str
    open_cuts: int
    confirmed: int


class DayListOut(Out):
    """The recordings of a round, and those still on their way."""

    recordings: list[RecordingLineOut]
    coming: list[ComingOut]


class LikenessOut(Out):
    """How much of a piece was heard in a cut."""

    piece_id: str
    percent: int


class CutOut(Out):
    """One cut."""

    cut_id: str
    start_sec: float
    end_sec: float
    kind: str
    candidate_id: str | None
    piece_id: str | None
    word: str
    repeated: bool
    by_hand: bool
    state: str
    edition: int
    take_id: str | None
    take_state: str | None
    likeness: list[LikenessOut]
    sentence: str


class DayPieceOut(Out):
    """A piece of the round."""

    piece_id: str
    title: str


class DayNumberOut(Out):
    """A number that could have played, and of which pieces a take is there."""

    candidate_id: str
    blind_number: str
    name: str
    recorded: list[str]


class DayRoomOut(Out):
    """A recording room of the audition."""

    id: str
    name: str


class DayOut(Out):
    """Everything the screen shows of one recording, names included: it is the proctor's."""

    line: RecordingLineOut
    peaks: list[float]
    notes: list[str]
    cuts: list[CutOut]
    pieces: list[DayPieceOut]
    candidates: list[DayNumberOut]
    rooms: list[DayRoomOut]
    sentence: str


class CutChangeIn(In):
    """What to change of a cut. What is left out stays; null for a candidate or piece takes it off."""

    edition: int
    start_sec: float | None = Field(default=None, ge=0, le=MOST_SEC)
    end_sec: float | None = Field(default=None, ge=0, le=MOST_SEC)
    candidate_id: str | None = Field(default=None, pattern=ID_PATTERN)
    piece_id: str | None = Field(default=None, pattern=ID_PATTERN)
    state: Literal["proposed", "set aside"] | None = None


class CutAddIn(In):
    """A further cut; ``id`` is the sender's own random id."""

    id: str = Field(pattern=ID_PATTERN)
    start_sec: float = Field(ge=0, le=MOST_SEC)
    end_sec: float = Field(ge=0, le=MOST_SEC)


class CutSplitIn(In):
    """Where to make two of one; ``id`` becomes the second's."""

    edition: int
    id: str = Field(pattern=ID_PATTERN)
    at_sec: float = Field(ge=0, le=MOST_SEC)


class EditionIn(In):
    """The edition of the cut that the person saw."""

    edition: int


class CandidateChoiceIn(In):
    """Whose cuts to confirm."""

    candidate_id: str = Field(pattern=ID_PATTERN)


class OutcomeOut(Out):
    """What came of confirming one cut: its take, or why not."""

    cut_id: str
    take_id: str | None
    sentence: str


class ConfirmedOut(Out):
    """What came of confirming all cuts of one candidate, and the recording as it is now."""

    outcomes: list[OutcomeOut]
    day: DayOut

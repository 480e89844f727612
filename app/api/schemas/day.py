"""The audition day: rooms, plan, door, turns, restarts."""

from datetime import datetime
from typing import Any, Literal

from pydantic import Field

from app.api.schemas.envelope import ID_PATTERN, In, Out
from app.api.schemas.takes import RecordingRoomOut


class RoomNameIn(In):
    """What a recording room is called."""

    name: str = Field(max_length=1000)


class PauseIn(In):
    """A planned break."""

    at: datetime
    minutes: float
    what: str = Field(default="Break", max_length=1000)


class DayIn(In):
    """How a round's day is meant to run."""

    starts_at: datetime
    minutes: float
    change_minutes: float = 1
    warm_up_minutes: float = 10
    check_in_minutes: float = 30
    late_rule: str = Field(default="end", max_length=20)
    pauses: list[PauseIn] = Field(default=[], max_length=100)
    study_sec: int = 30
    restarts: str = Field(default="none", max_length=20)
    panel_sees_restarts: bool = False
    script: list[str] = Field(default=[], max_length=100)


class PauseNowIn(In):
    """A break that begins now, after whoever is playing."""

    minutes: float
    what: str = Field(max_length=1000)


class ReasonIn(In):
    """A reason, where one is due."""

    reason: str = Field(default="", max_length=1000)


class TurnDeedIn(In):
    """What happens to a candidate's turn."""

    deed: Literal["call", "enter", "leave", "put-back", "move"]
    room_id: str | None = Field(default=None, pattern=ID_PATTERN)
    reason: str = Field(default="", max_length=1000)


class RestartIn(In):
    """A piece was begun again. The id is made by the sender, so that sending it twice is harmless."""

    id: str = Field(max_length=64)
    piece_id: str = Field(pattern=ID_PATTERN)


class RestartOut(Out):
    """How often the piece was begun again, and what the declared policy says when it is too often."""

    count: int
    sentence: str | None


class TurnOut(Out):
    """One number in the schedule."""

    candidate_id: str
    blind_number: str
    room_id: str | None
    place: int
    state: str
    stage: str
    warm_up_at: datetime | None
    plays_at: datetime | None
    ends_at: datetime | None
    planned_at: datetime | None
    check_in_by: datetime | None
    checked_in_at: datetime | None
    called_at: datetime | None
    entered_at: datetime | None
    left_at: datetime | None
    behind_minutes: float | None
    overdue: bool


class DoorTurnOut(Out):
    """A line of the door's list, with the name."""

    turn: TurnOut
    name: str
    school: str
    instrument: str
    accommodation: str
    extra_time_percent: int
    enlarged_music: bool
    consent: bool
    state_reason: str


class RoomBoardOut(Out):
    """What is called out for one room."""

    room_id: str | None
    name: str
    in_the_room: str | None
    on_deck: str | None
    on_deck_called: bool
    warm_up: list[str]
    behind_minutes: float | None


class DoorRoundOut(Out):
    """A round by name."""

    id: str
    name: str
    state: str


class DoorAuditionOut(Out):
    """The audition by name."""

    id: str
    name: str


class DoorViewOut(Out):
    """Everything the door's screen shows."""

    audition: DoorAuditionOut
    rounds: list[DoorRoundOut]
    round: DoorRoundOut | None
    now: datetime
    plan: dict[str, Any] | None
    late_rule: str
    restarts: str
    suggested_minutes: float | None
    rooms: list[RecordingRoomOut]
    boards: list[RoomBoardOut]
    turns: list[DoorTurnOut]
    total: int
    offset: int
    counts: dict[str, int]
    sentence: str


class ClosedOut(Out):
    """How many were marked as no-show."""

    no_shows: int

"""What the printed pieces of the audition day are drawn from: frozen, texts as they are printed, times by the day's
own clock."""

from dataclasses import dataclass

from app.sheets.models import Paper


@dataclass(frozen=True, slots=True)
class DayHeading:
    """What every piece says at its head."""

    audition: str
    organisation: str
    held_on: str
    round_name: str
    paper: Paper
    language: str = "en-US"


@dataclass(frozen=True, slots=True)
class Slip:
    """One candidate's number. No name stands on it: the proctor hands it to the right person by the door list."""

    blind_number: str
    instrument: str
    room: str
    check_in_by: str
    warm_up_at: str
    plays_at: str


@dataclass(frozen=True, slots=True)
class DoorLine:
    """A line of the door list."""

    plays_at: str
    check_in_by: str
    blind_number: str
    name: str
    school: str
    instrument: str
    room: str
    notes: str  # accommodation, missing consent, state


@dataclass(frozen=True, slots=True)
class ScheduleLine:
    """A number in a room's schedule."""

    warm_up_at: str
    plays_at: str
    blind_number: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class RoomSchedule:
    """One room's numbers in order."""

    room: str
    lines: tuple[ScheduleLine, ...]


@dataclass(frozen=True, slots=True)
class ScriptModel:
    """What the proctor reads and does for every candidate."""

    heading: DayHeading
    sentences: tuple[str, ...]
    pieces: tuple[tuple[str, str], ...]  # title, and what is done before it
    declared: tuple[str, ...]  # restart policy, lateness


@dataclass(frozen=True, slots=True)
class BlankCaption:
    """A caption and what its levels mean."""

    name: str
    levels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BlankSheetModel:
    """Empty adjudication sheets of one adjudicator; the boxes stand in the order in which they are typed in."""

    heading: DayHeading
    letter: str
    low: int
    high: int
    captions: tuple[BlankCaption, ...]
    rows: tuple[str, ...]  # pieces, or one row for the whole performance
    numbers: tuple[tuple[str, str], ...]  # blind number, and why it stays empty ("" when it is to be marked)

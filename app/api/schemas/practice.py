"""The practice take, as the leader sets it."""

from pydantic import Field

from app.api.schemas.envelope import ID_PATTERN, In, Out


class EarlierTakeOut(Out):
    """A take of an earlier round that could serve as practice take."""

    take_id: str
    label: str


class PracticeOut(Out):
    """The practice take of a round."""

    is_set: bool
    piece_id: str | None
    piece_title: str
    duration_sec: float
    has_recording: bool
    marks: dict[str, int]
    note: str
    is_fixed: bool
    sentence: str
    earlier_takes: list[EarlierTakeOut]


class ChosenTakeIn(In):
    """The take of an earlier round that is to be the practice take."""

    take_id: str = Field(pattern=ID_PATTERN)


class AgreedIn(In):
    """The agreed marks by caption, and a word on them."""

    marks: dict[str, int] = Field(max_length=40)
    note: str = Field(default="", max_length=4000)

"""The second person: tabulations to confirm, sheets from paper to type again. No field could hold a student's name."""

from datetime import datetime
from typing import Any

from pydantic import Field

from app.api.schemas.envelope import ID_PATTERN, In, Out


class TypedSheetIn(In):
    """One sheet typed in from paper."""

    version_id: str = Field(max_length=64)
    adjudicator_id: str = Field(pattern=ID_PATTERN)
    candidate_id: str = Field(pattern=ID_PATTERN)
    marks: dict[str, Any]
    remarks: list[dict[str, Any]] = Field(default=[], max_length=500)
    reason: str = Field(default="", max_length=1000)


class BundleIn(In):
    """A bundle of sheets, kept whole or not at all."""

    bundle_id: str = Field(max_length=64)
    sheets: list[TypedSheetIn] = Field(max_length=5000)
    share_percent: int = 20


class PaperCorrectIn(In):
    """A typed sheet, corrected by the paper."""

    version_id: str = Field(max_length=64)
    marks: dict[str, Any]
    reason: str = Field(max_length=1000)


class PaperSheetOut(Out):
    """A sheet that came in on paper."""

    sheet_id: str
    bundle_id: str
    letter: str
    adjudicator_id: str
    candidate_id: str
    blind_number: str
    state: str
    differences: list[str]
    marks: dict[str, dict[str, int]]


class SheetLineOut(Out):
    """One adjudicator's marks for one number and piece."""

    letter: str
    piece: str
    marks: list[float | None]


class TabulatedNumberOut(Out):
    """A number's place and total, and the marks they come from."""

    place: int | None
    tied: bool
    blind_number: str
    total: float | None
    sheets: list[SheetLineOut]


class TabulationOut(Out):
    """A round's tabulation with the hash that two people compare."""

    round_id: str
    round_name: str
    state: str
    required: bool
    rule_sentence: str
    captions: list[str]
    numbers: list[TabulatedNumberOut]
    total: int
    offset: int
    not_heard: list[dict[str, str]]
    sentences: list[str]
    missing: list[str]
    hash: str
    confirmed_by: str | None
    confirmed_at: datetime | None


class ToCheckOut(Out):
    """A sheet to be typed again from the paper, without what was typed before."""

    sheet_id: str
    round_name: str
    letter: str
    blind_number: str
    rows: list[tuple[str, str]]
    captions: list[tuple[str, str]]
    low: int
    high: int


class CheckOut(Out):
    """Everything the second person's screen shows."""

    audition_name: str
    tabulations: list[TabulationOut]
    to_check: list[ToCheckOut]


class ConfirmIn(In):
    """The hash that was looked at, and who confirms it."""

    hash: str = Field(max_length=64)
    person: str = Field(max_length=1000)


class CheckSheetIn(In):
    """The marks as the second person reads them on the paper."""

    marks: dict[str, Any]


class CheckedOut(Out):
    """Whether both people read the same, and where they did not."""

    agrees: bool
    differences: list[str]

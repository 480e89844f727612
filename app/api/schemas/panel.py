"""What goes to an adjudicator's tablet. No type here has a field a student's name could be put in.

A test lists every field of this module; whoever adds one has to say there what it is.
"""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from app.api.schemas.envelope import ID_PATTERN, In, Out

SheetState = Literal["to hear", "draft", "sent", "recused", "away"]

#: Whole or not is judged with a sentence later; here only real numbers get in, no truth values and no texts.
MarkIn = Annotated[int, Field(strict=True)] | Annotated[float, Field(strict=True, allow_inf_nan=False)] | None
MarksIn = Annotated[dict[str, Annotated[dict[str, MarkIn], Field(max_length=40)]], Field(max_length=60)]


class RemarkIn(In):
    """A sentence, tied to a bar of a piece or to neither."""

    piece_id: str | None = Field(default=None, pattern=ID_PATTERN)
    bar: str | None = Field(default=None, max_length=20)
    text: str = Field(max_length=4000)


RemarksIn = Annotated[list[RemarkIn], Field(max_length=500)]


class DraftIn(In):
    """What was entered so far."""

    marks: MarksIn = Field(default={})
    remarks: RemarksIn = Field(default=[])


class SubmitIn(In):
    """A sheet to be locked. ``reason`` says why marks are missing, if any are."""

    version_id: str = Field(pattern=ID_PATTERN)
    marks: MarksIn
    remarks: RemarksIn = Field(default=[])
    reason: str = Field(default="", max_length=1000)


class CorrectIn(In):
    """A correction of a sent sheet."""

    version_id: str = Field(pattern=ID_PATTERN)
    marks: MarksIn
    remarks: RemarksIn = Field(default=[])
    reason: str = Field(max_length=1000)


class RemarkOut(Out):
    """An adjudicator's own remark."""

    piece_id: str | None
    bar: str | None
    text: str


class VersionOut(Out):
    """A version of the adjudicator's own sheet."""

    id: str
    version: int
    marks: dict[str, dict[str, int]]
    remarks: list[RemarkOut]
    reason: str
    signature: str
    submitted_at: datetime


class DraftOut(Out):
    """The adjudicator's own draft."""

    marks: dict[str, dict[str, int]]
    remarks: list[RemarkOut]


class AgreedOut(Out):
    """What was agreed on the practice take: the leader's marks and a word on them."""

    marks: dict[str, int]
    note: str


class SheetOut(Out):
    """The adjudicator's own sheet for one number."""

    candidate_id: str
    blind_number: str
    state: SheetState
    draft: DraftOut
    versions: list[VersionOut]
    agreed: AgreedOut | None


class PanelAuditionOut(Out):
    """The audition: its title and its reference pitch."""

    name: str
    a4_hz: float


class PanelRoundOut(Out):
    """The round: its title and state."""

    id: str
    name: str
    state: Literal["drawn", "opened"]


class LetterOut(Out):
    """Which adjudicator this tablet belongs to."""

    letter: str


class PanelPieceOut(Out):
    """A piece and its bars."""

    piece_id: str
    title: str
    bars: list[str]


class PanelTakeOut(Out):
    """A take that can be heard."""

    take_id: str
    piece_id: str
    duration_sec: float


class PanelCandidateOut(Out):
    """A number."""

    candidate_id: str
    blind_number: str
    state: SheetState
    takes: list[PanelTakeOut]
    restarts: dict[str, int] | None
    practice: bool


class LevelOut(Out):
    """A level of a caption."""

    from_: int = Field(alias="from")
    to: int
    descriptor: str


class CaptionOut(Out):
    """A caption of the rubric."""

    key: str
    name: str
    levels: list[LevelOut]


class RubricOut(Out):
    """The rubric, its sentences in sight while marking."""

    low: int
    high: int
    captions: list[CaptionOut]


class PanelOut(Out):
    """The panel's screen."""

    audition: PanelAuditionOut
    round: PanelRoundOut | None
    rounds: list[PanelRoundOut]
    adjudicator: LetterOut
    rubric: RubricOut
    scored_per: Literal["piece", "candidate"]
    pieces: list[PanelPieceOut]
    candidates: list[PanelCandidateOut]
    waiting: str | None


class BarAtOut(Out):
    """Where one pass of a bar begins in the take."""

    bar: str
    at_sec: float


class WaveformOut(Out):
    """What the player draws."""

    duration_sec: float
    peaks: list[float]
    bars: list[BarAtOut]


class PrintedBarOut(Out):
    """Where a bar stands in the picture, in the units of its view box."""

    bar: str
    left: float
    top: float
    right: float
    bottom: float


class MusicOut(Out):
    """The engraved music of a piece."""

    svg: str
    bars: list[PrintedBarOut]

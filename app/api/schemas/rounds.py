"""Rounds, their draw and their progress."""

from datetime import datetime
from typing import Any, Literal

from pydantic import Field

from app.api.schemas.envelope import ID_PATTERN, In, Out
from app.api.schemas.handing_in import HandingInOut

Kind = Literal["first", "rehearing", "final"]
ListeningOrder = Literal["same", "own"]


class RoundIn(In):
    """A new round."""

    name: str = Field(max_length=1000)
    kind: Kind = "first"
    seats: int | None = None
    piece_ids: list[str] = Field(default=[], max_length=200)
    entry_ids: list[str] | None = Field(default=None, max_length=5000)
    carried_from: str | None = Field(default=None, pattern=ID_PATTERN)
    carry_percent: int = 0
    second_check: bool = False
    listening_order: ListeningOrder = "same"
    hidden_repeats: int = 0


class RoundChangeIn(In):
    """What changes; fields left out stay."""

    name: str = Field(default="", max_length=1000)
    seats: int | None = None
    piece_ids: list[str] = Field(default=[], max_length=200)
    entry_ids: list[str] | None = Field(default=None, max_length=5000)
    carried_from: str | None = Field(default=None, pattern=ID_PATTERN)
    carry_percent: int = 0
    second_check: bool = False
    listening_order: ListeningOrder = "same"
    hidden_repeats: int = 0


class DrawnCandidateOut(Out):
    """What the draw gave, without the name behind it."""

    candidate_id: str
    blind_number: str
    playing_order: int
    instrument: str
    state: str


class RoundOut(Out):
    """A round. The seed is None until the draw."""

    id: str
    audition_id: str
    position: int
    name: str
    kind: str
    state: str
    seats: int | None
    piece_ids: list[str]
    entry_ids: list[str] | None
    listening_order: ListeningOrder
    hidden_repeats: int
    candidates: list[DrawnCandidateOut]
    candidate_count: int
    seed: str | None
    seed_commitment: str | None
    committed_at: datetime | None
    sealed_at: datetime | None
    opened_at: datetime | None
    carried_from: str | None
    carry_percent: int
    second_check: bool
    handing_in: HandingInOut | None
    excluded_numbers: list[str]


class MeasuringOut(Out):
    """How far the measuring of a take is."""

    state: str
    progress: float
    text: str


class ProgressTakeOut(Out):
    """A take and how it is being measured."""

    piece_id: str
    take_id: str
    word: str
    measuring: MeasuringOut


class ProgressCandidateOut(Out):
    """A number, its takes and its sheets by adjudicators' letters."""

    candidate_id: str
    blind_number: str
    playing_order: int
    state: str
    takes: list[ProgressTakeOut]
    sheets: dict[str, str]


class ProgressExtraOut(Out):
    """The practice take or a hidden repeat, and its sheets by letters."""

    kind: str
    blind_number: str
    repeats: str
    sheets: dict[str, str]


class ProgressPieceOut(Out):
    """A piece of the round."""

    piece_id: str
    title: str


class ProgressAdjudicatorOut(Out):
    """An adjudicator by letter."""

    id: str
    letter: str


class ProgressRoundOut(Out):
    """The round."""

    id: str
    name: str
    kind: str
    state: str
    seats: int | None


class ProgressOut(Out):
    """How far a round is."""

    round: ProgressRoundOut
    pieces: list[ProgressPieceOut]
    adjudicators: list[ProgressAdjudicatorOut]
    candidates: list[ProgressCandidateOut]
    total: int
    extras: list[ProgressExtraOut]
    jobs: dict[str, int]
    sentence: str


class OpenIn(In):
    """Why the round is opened although sheets are missing; empty when none is."""

    reason: str = Field(default="", max_length=1000)


class RehearingIn(In):
    """Who is to be heard again, by blind number."""

    numbers: list[str] = Field(max_length=500)


class WorkingOut(Out):
    """How far the working out of a long round's standing is, and of when the lines are that are shown."""

    state: str
    progress: float
    text: str
    worked_out_at: datetime | None
    is_current: bool


class ComparedOut(Out):
    """A frozen standing beside the same computed anew."""

    same: bool | None
    sentence: str
    standing_hash: str
    input_hash: str
    input_hash_now: str
    differs: list[str]
    working: WorkingOut | None


class StandingOut(Out):
    """The standing, with whatever ``app.domain.standing`` gives, and names once the round is opened."""

    opened: bool
    opened_at: datetime | None
    standing_hash: str | None
    tabulation_hash: str | None  # what a second person compares and confirms, until the opening
    why_not_open: str | None
    caption_names: dict[str, str]
    rule_sentence: str
    total_meaning: str
    rows: list[dict[str, Any]]
    brackets: list[list[str]]
    seats: int | None
    empty_seats: int
    agreement: dict[str, Any]
    caption_agreement: dict[str, Any]
    adjudicators: list[dict[str, Any]]
    severity: dict[str, float | None]
    doubt: dict[str, Any]
    hear_again: list[str]
    sentences: list[str]
    questions: list[dict[str, Any]]
    questions_wait: str | None
    missing: list[str]
    not_heard: list[dict[str, str]] = Field(default=[])
    input_hash: str
    version: str
    total: int | None = Field(default=None)  # lines that are found, where a page of them was asked for
    working: WorkingOut | None = Field(default=None)  # of a long round
    being_opened: WorkingOut | None = Field(default=None)  # of a long round


class AbsenceIn(In):
    """An adjudicator is away while these numbers are heard."""

    adjudicator_id: str = Field(pattern=ID_PATTERN)
    candidate_ids: list[str] = Field(max_length=5000)
    reason: str = Field(max_length=1000)


class AbsenceOut(Out):
    """A cell that stays empty because the adjudicator was away."""

    id: str
    adjudicator_id: str
    letter: str
    candidate_id: str
    blind_number: str
    reason: str

"""What the leader sets up: the audition, its material, panel and rounds, and who is heard."""

from datetime import date, datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Field, SQLModel

from app.db.models.columns import one_of, only_when_asked
from app.db.types import UtcDateTime, now_utc
from app.domain.ids import new_id

SCORED_PER = ("piece", "candidate")
PIECE_KINDS = ("notation", "abc", "generated", "sight-reading", "untyped")
ROUND_KINDS = ("first", "rehearing", "final")
LISTENING_ORDERS = ("same", "own")
ROUND_STATES = ("setup", "committed", "drawn", "opened")
CANDIDATE_STATES = ("expected", "present", "late", "absent", "withdrawn", "no-show", "heard")


class Leader(SQLModel, table=True):
    """A section leader's own sign-in."""

    id: str = Field(default_factory=new_id, primary_key=True)
    name: str = Field(max_length=120, unique=True)
    password_hash: str
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class Audition(SQLModel, table=True):
    """One mock audition: a date, a panel, the material, a roster, one or more rounds."""

    __table_args__ = (one_of("scored_per", *SCORED_PER), one_of("temperament", "equal", "just"))

    id: str = Field(default_factory=new_id, primary_key=True)
    name: str = Field(max_length=160)
    organisation: str = Field(default="", max_length=160)
    held_on: date
    a4_hz: float = 440.0
    temperament: str = "equal"  # which reading counts for chord figures
    note_names: str = "american"
    paper: str = "letter"
    scored_per: str = "piece"
    rubric: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.judging.rubric
    rule: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.judging.rule
    rule_declared_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    rule_hash: str | None = None
    retention_until: date | None = None
    consent_required: bool = True  # nobody is recorded before consent is noted
    room_sounds: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.services.room_sounds
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class Piece(SQLModel, table=True):
    """What must be played. The source is kept as handed in; the reading is derived from it."""

    __table_args__ = (one_of("kind", *PIECE_KINDS),)

    id: str = Field(default_factory=new_id, primary_key=True)
    audition_id: str = Field(foreign_key="audition.id", index=True)
    position: int = 0
    title: str = Field(max_length=160)
    kind: str
    instrument: str = "clarinet-bb"  # the instrument whose written pitch the page shows
    source: bytes = b""  # MusicXML, MIDI or ABC as handed in, or the generation recipe as JSON
    source_format: str = ""  # musicxml | mxl | midi | abc | recipe
    options: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # part chosen, excerpt bars
    leader_marks: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # phrases, tonic
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class Adjudicator(SQLModel, table=True):
    """One member of the panel. Students see the letter only."""

    __table_args__ = (sa.UniqueConstraint("audition_id", "letter"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    audition_id: str = Field(foreign_key="audition.id", index=True)
    letter: str = Field(max_length=2)
    name: str = Field(max_length=120)


class Round(SQLModel, table=True):
    """One pass of hearing candidates. A new draw every round."""

    __table_args__ = (
        one_of("kind", *ROUND_KINDS),
        one_of("state", *ROUND_STATES),
        one_of("listening_order", *LISTENING_ORDERS),
    )
    __mapper_args__ = only_when_asked("hearing_orders", "standing")

    id: str = Field(default_factory=new_id, primary_key=True)
    audition_id: str = Field(foreign_key="audition.id", index=True)
    position: int = 0
    name: str = Field(max_length=120)
    kind: str = "first"
    state: str = "setup"
    seats: int | None = None
    piece_ids: list[str] = Field(default_factory=list, sa_type=sa.JSON)  # empty: every piece of the audition
    listening_order: str = "same"  # for every adjudicator, or each its own
    hidden_repeats: int = 0
    hearing_orders: dict[str, list[str]] = Field(default_factory=dict, sa_type=sa.JSON)  # app.services.hearing
    seed: str | None = None  # hexadecimal; shown to the leader only after the draw
    seed_commitment: str | None = None  # sha256 of the seed, shown before the draw
    committed_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    sealed_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    opened_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    standing: dict[str, Any] | None = Field(default=None, sa_type=sa.JSON)  # frozen at opening
    standing_hash: str | None = None
    day: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.domain.day
    carried_from: str | None = Field(default=None, foreign_key="round.id")  # whose marks count here as well
    carry_percent: int = 0  # share of those marks in the total
    second_check: bool = False  # whether a second person confirms the tabulation before the opening
    due_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # of a round that students hand in by a link
    due_zone: str = Field(default="", max_length=64)  # the clocks the deadline was said in
    grace_min: int = 0
    per_candidate: int | None = None  # adjudicators who hear each candidate; None: the whole panel
    handed_in_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # takes came up to the panel
    design: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.services.assigning
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class Candidate(SQLModel, table=True):
    """A roster entry in one round: all the panel ever sees is this row's number and random id."""

    __table_args__ = (
        one_of("state", *CANDIDATE_STATES),
        sa.UniqueConstraint("round_id", "blind_number"),
        sa.UniqueConstraint("round_id", "entry_id"),
        sa.Index("ix_candidate_round_id_playing_order", "round_id", "playing_order"),
    )

    id: str = Field(default_factory=new_id, primary_key=True)
    round_id: str = Field(foreign_key="round.id")
    entry_id: str = Field(foreign_key="entry.id", index=True)
    instrument: str = ""  # copied from the entry: material may depend on it
    blind_number: str = Field(max_length=12)
    playing_order: int
    state: str = "expected"
    state_reason: str = Field(default="", max_length=300)


class Recusal(SQLModel, table=True):
    """An adjudicator does not score this candidate: the cell stays missing, never zero."""

    __table_args__ = (sa.UniqueConstraint("adjudicator_id", "candidate_id"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    adjudicator_id: str = Field(foreign_key="adjudicator.id", index=True)
    candidate_id: str = Field(foreign_key="candidate.id", index=True)
    declared_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class Share(SQLModel, table=True):
    """An adjudicator hears a candidate, in a round where takes are handed in. Other cells are not assigned."""

    adjudicator_id: str = Field(primary_key=True, foreign_key="adjudicator.id")
    candidate_id: str = Field(primary_key=True, foreign_key="candidate.id", index=True)
    place: int  # in this adjudicator's own order of hearing


class MoreTime(SQLModel, table=True):
    """A later deadline for one candidate who hands in by a link, with its reason."""

    candidate_id: str = Field(primary_key=True, foreign_key="candidate.id")
    due_at: datetime = Field(sa_type=UtcDateTime)
    reason: str = Field(default="", max_length=300)
    granted_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)

"""Tables without names of students. Everything the panel's code may touch stands here.

Who stands behind a candidate is in ``app.db.identities``, which only an allow-list of modules may import.
Enumerations are strings checked by the database; marks are integers inside JSON; ids are random.
"""

from datetime import date, datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Field, SQLModel

from app.db.types import UtcDateTime, now_utc
from app.domain.ids import new_id


def _one_of(column: str, *values: str) -> sa.CheckConstraint:
    quoted = ", ".join(f"'{v}'" for v in values)
    return sa.CheckConstraint(f"{column} IN ({quoted})", name=f"{column}_known")


SCORED_PER = ("piece", "candidate")
PIECE_KINDS = ("notation", "abc", "generated", "sight-reading", "untyped")
ROUND_KINDS = ("first", "rehearing", "final")
LISTENING_ORDERS = ("same", "own")
EXTRA_KINDS = ("practice", "repeat")
ROUND_STATES = ("setup", "committed", "drawn", "opened")
CANDIDATE_STATES = ("expected", "present", "late", "absent", "withdrawn", "no-show", "heard")
TAKE_STATES = ("kept", "voided")
JOB_STATES = ("queued", "running", "done", "failed")
SHEET_STATES = ("draft", "submitted")
CUT_KINDS = ("playing", "talk", "noise")
CUT_STATES = ("proposed", "confirmed", "set aside")
VOID_CAUSES = ("equipment", "noise", "injury", "other")
LINK_ROLES = ("leader", "proctor", "adjudicator", "checker", "student")


class Leader(SQLModel, table=True):
    """A section leader's own sign-in."""

    id: str = Field(default_factory=new_id, primary_key=True)
    name: str = Field(max_length=120, unique=True)
    password_hash: str
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class Audition(SQLModel, table=True):
    """One mock audition: a date, a panel, the material, a roster, one or more rounds."""

    __table_args__ = (_one_of("scored_per", *SCORED_PER), _one_of("temperament", "equal", "just"))

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

    __table_args__ = (_one_of("kind", *PIECE_KINDS),)

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
        _one_of("kind", *ROUND_KINDS),
        _one_of("state", *ROUND_STATES),
        _one_of("listening_order", *LISTENING_ORDERS),
    )

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
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class RecordingRoom(SQLModel, table=True):
    """A room candidates are recorded in; an audition may use several at once."""

    id: str = Field(default_factory=new_id, primary_key=True)
    audition_id: str = Field(foreign_key="audition.id", index=True)
    position: int = 0
    name: str = Field(max_length=80)


class Candidate(SQLModel, table=True):
    """A roster entry in one round: all the panel ever sees is this row's number and random id."""

    __table_args__ = (
        _one_of("state", *CANDIDATE_STATES),
        sa.UniqueConstraint("round_id", "blind_number"),
        sa.UniqueConstraint("round_id", "entry_id"),
    )

    id: str = Field(default_factory=new_id, primary_key=True)
    round_id: str = Field(foreign_key="round.id", index=True)
    entry_id: str = Field(foreign_key="entry.id", index=True)
    instrument: str = ""  # copied from the entry: material may depend on it
    blind_number: str = Field(max_length=12)
    playing_order: int
    state: str = "expected"
    state_reason: str = Field(default="", max_length=300)


class Turn(SQLModel, table=True):
    """Where and when a candidate plays: what the door and the recording rooms work from. No panel sees it."""

    candidate_id: str = Field(primary_key=True, foreign_key="candidate.id")
    room_id: str | None = Field(default=None, foreign_key="recordingroom.id", index=True)
    place: int  # order of calling within the round; the draw's until somebody is late or put back
    planned_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # as it was announced
    check_in_by: datetime | None = Field(default=None, sa_type=UtcDateTime)
    checked_in_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    called_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    entered_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    left_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class Restart(SQLModel, table=True):
    """Somebody began a piece again while being recorded."""

    id: str = Field(primary_key=True)  # made by the client: a resend is harmless
    candidate_id: str = Field(foreign_key="candidate.id", index=True)
    piece_id: str = Field(foreign_key="piece.id")
    counted_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class TabulationCheck(SQLModel, table=True):
    """A second person has confirmed a round's tabulation on a device of their own; one per state of the marks."""

    id: str = Field(default_factory=new_id, primary_key=True)
    round_id: str = Field(foreign_key="round.id", index=True)
    input_hash: str = Field(max_length=64)  # everything the tabulation rests on
    tabulation_hash: str = Field(max_length=64)  # of the tabulation as it was shown
    token_id: str = Field(foreign_key="accesstoken.id")
    person: str = Field(max_length=120)  # as the second person signed, no student
    confirmed_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class PaperSheet(SQLModel, table=True):
    """A sheet typed in from paper, and whether a second person found the same marks on the paper."""

    __table_args__ = (_one_of("state", "unchecked", "to check", "agrees", "differs"),)

    sheet_id: str = Field(primary_key=True, foreign_key="adjudicationsheet.id")
    bundle_id: str = Field(max_length=32, index=True)  # made by the client: a resend is harmless
    typed_by: str = Field(max_length=80)
    typed_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    state: str = "unchecked"  # "unchecked": chance did not choose it
    checked_by: str = Field(default="", max_length=80)
    checked_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    differences: list[Any] = Field(default_factory=list, sa_type=sa.JSON)  # sentences, marks as typed and as on paper


class Absence(SQLModel, table=True):
    """An adjudicator was away while this candidate was heard: the cell is missing, never zero."""

    __table_args__ = (sa.UniqueConstraint("adjudicator_id", "candidate_id"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    adjudicator_id: str = Field(foreign_key="adjudicator.id", index=True)
    candidate_id: str = Field(foreign_key="candidate.id", index=True)
    reason: str = Field(default="", max_length=300)
    noted_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class Recusal(SQLModel, table=True):
    """An adjudicator does not score this candidate: the cell stays missing, never zero."""

    __table_args__ = (sa.UniqueConstraint("adjudicator_id", "candidate_id"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    adjudicator_id: str = Field(foreign_key="adjudicator.id", index=True)
    candidate_id: str = Field(foreign_key="candidate.id", index=True)
    declared_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class MoreTime(SQLModel, table=True):
    """A later deadline for one candidate who hands in by a link, with its reason."""

    candidate_id: str = Field(primary_key=True, foreign_key="candidate.id")
    due_at: datetime = Field(sa_type=UtcDateTime)
    reason: str = Field(default="", max_length=300)
    granted_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class Share(SQLModel, table=True):
    """An adjudicator hears a candidate, in a round where takes are handed in. Other cells are not assigned."""

    adjudicator_id: str = Field(primary_key=True, foreign_key="adjudicator.id")
    candidate_id: str = Field(primary_key=True, foreign_key="candidate.id", index=True)
    place: int  # in this adjudicator's own order of hearing


class Take(SQLModel, table=True):
    """One recorded performance of one piece by one candidate; immutable but for being voided."""

    __table_args__ = (_one_of("state", *TAKE_STATES), _one_of("void_cause", "", *VOID_CAUSES))

    id: str = Field(default_factory=new_id, primary_key=True)  # made by the client: a resend is harmless
    candidate_id: str = Field(foreign_key="candidate.id", index=True)
    piece_id: str = Field(foreign_key="piece.id", index=True)
    sha256: str = Field(max_length=64)  # of the bytes as received
    size_bytes: int
    container: str = Field(max_length=20)  # wav | aiff | flac | mp3 | m4a | aac | ogg | webm
    playback_sha256: str = Field(max_length=64)  # clean WAV without tags, what a panel hears
    duration_sec: float
    sample_rate_hz: int
    channels: int
    quality: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.files.checks
    peaks: list[Any] = Field(default_factory=list, sa_type=sa.JSON)  # waveform for the player
    state: str = "kept"
    void_cause: str = Field(default="", max_length=20)
    void_reason: str = Field(default="", max_length=300)
    voided_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    replaces: str | None = Field(default=None, foreign_key="take.id")
    received_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    destroyed_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # the recording is gone, results stay


class DayRecording(SQLModel, table=True):
    """A recorder that ran all day: one long file, to be cut into takes. No panel sees it."""

    id: str = Field(default_factory=new_id, primary_key=True)  # made by the client: a resend is harmless
    round_id: str = Field(foreign_key="round.id", index=True)
    room_id: str | None = Field(default=None, foreign_key="recordingroom.id")  # where it stood; None: unknown
    started_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # by the recorder's or the proctor's clock
    sha256: str = Field(max_length=64)  # of the bytes as received
    size_bytes: int = Field(sa_type=sa.BigInteger)  # hours may pass 2 GB
    container: str = Field(default="", max_length=20)  # empty until it was looked over, as all that follow
    duration_sec: float = 0.0
    sample_rate_hz: int = 0
    channels: int = 0
    peaks: list[Any] = Field(default_factory=list, sa_type=sa.JSON)  # app.files.long_recording
    notes: list[Any] = Field(default_factory=list, sa_type=sa.JSON)  # sentences
    cut_by: str = Field(default="", max_length=40)  # version of what cut it; empty: not cut yet
    received_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    removed_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # the long file is gone, its takes stay


class DayCut(SQLModel, table=True):
    """One stretch of a day's recording, proposed until somebody confirms it; confirmed, it has become a take."""

    __table_args__ = (_one_of("kind", *CUT_KINDS), _one_of("state", *CUT_STATES))

    id: str = Field(default_factory=new_id, primary_key=True)  # of an added one made by the client
    recording_id: str = Field(foreign_key="dayrecording.id", index=True)
    start_sec: float
    end_sec: float
    kind: str = "playing"
    fits: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.services.day_sorting
    candidate_id: str | None = Field(default=None, foreign_key="candidate.id")
    piece_id: str | None = Field(default=None, foreign_key="piece.id")
    word: str = Field(default="", max_length=20)  # sure | likely | can't tell; empty where nothing is proposed
    repeated: bool = False  # another cut of the same candidate and piece is the fuller one
    by_hand: bool = False  # moved by a person: no later proposal touches it
    state: str = "proposed"
    take_id: str = Field(default_factory=new_id, max_length=32, unique=True)  # of the take it is, or will be
    edition: int = 1  # counted up at each change: two people on two devices notice each other
    changed_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class SightSheet(SQLModel, table=True):
    """The notes one candidate read at sight, from the moment they were shown or printed."""

    __table_args__ = (sa.UniqueConstraint("candidate_id", "piece_id"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    candidate_id: str = Field(foreign_key="candidate.id", index=True)
    piece_id: str = Field(foreign_key="piece.id", index=True)
    seed: str = Field(max_length=64)
    fingerprint: str = Field(max_length=64)  # app.material.sight_reading: the same melody in any key
    unsealed_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    study_began_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # None while only printed
    unsealed_by: str = Field(max_length=80)


class Findings(SQLModel, table=True):
    """Findings of one take under one algorithm version and one reading of the piece."""

    __table_args__ = (sa.UniqueConstraint("take_id", "input_hash", "algorithm_version"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    take_id: str = Field(foreign_key="take.id", index=True)
    input_hash: str = Field(max_length=64)
    algorithm_version: str = Field(max_length=40)
    payload: dict[str, Any] = Field(sa_type=sa.JSON)
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class Job(SQLModel, table=True):
    """Work for the workers. ``key`` makes enqueuing twice harmless."""

    __table_args__ = (
        _one_of("state", *JOB_STATES),
        # In the order waiting jobs are claimed: otherwise each claim would sort all that wait.
        sa.Index("ix_job_state_priority_created_at_id", "state", "priority", "created_at", "id"),
    )

    id: str = Field(default_factory=new_id, primary_key=True)
    kind: str = Field(max_length=40)
    key: str = Field(max_length=200, unique=True)
    subject: str = Field(default="", max_length=40, index=True)  # id of what the work is about
    payload: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)
    priority: int = 0  # higher first
    state: str = "queued"
    attempts: int = 0
    max_attempts: int = 3
    lease_until: float = 0.0  # seconds since the epoch; of a queued job: not to be started before
    worker: str = Field(default="", max_length=80)
    progress: float = 0.0  # 0 to 1
    progress_text: str = Field(default="", max_length=120)
    error: str = Field(default="", max_length=1000)
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    finished_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class AdjudicationSheet(SQLModel, table=True):
    """One adjudicator's marks and remarks for one candidate. The draft lives here, what counts in versions."""

    __table_args__ = (_one_of("state", *SHEET_STATES), sa.UniqueConstraint("adjudicator_id", "candidate_id"))

    id: str = Field(default_factory=new_id, primary_key=True)
    adjudicator_id: str = Field(foreign_key="adjudicator.id", index=True)
    candidate_id: str = Field(foreign_key="candidate.id", index=True)
    state: str = "draft"
    draft: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)
    updated_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class SheetVersion(SQLModel, table=True):
    """A submitted sheet or a later correction; never changed, the highest version counts."""

    __table_args__ = (sa.UniqueConstraint("sheet_id", "version"),)

    id: str = Field(primary_key=True)  # made by the client: a resend is harmless
    sheet_id: str = Field(foreign_key="adjudicationsheet.id", index=True)
    version: int
    marks: dict[str, Any] = Field(sa_type=sa.JSON)  # {piece id or "all": {caption: mark}}
    remarks: list[Any] = Field(default_factory=list, sa_type=sa.JSON)  # [{piece_id, bar, text}]
    reason: str = Field(default="", max_length=300)  # of a correction
    signature: str = Field(max_length=64)  # sha256 over content, adjudicator and predecessor
    submitted_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class ExtraHearing(SQLModel, table=True):
    """Something a panel hears that stands in no result: the practice take, or a hidden repeat of a candidate.

    To the panel a repeat's id and number look like a candidate's; that is why both stand apart from ``Candidate``.
    """

    __table_args__ = (_one_of("kind", *EXTRA_KINDS), sa.UniqueConstraint("round_id", "blind_number"))

    id: str = Field(default_factory=new_id, primary_key=True)
    round_id: str = Field(foreign_key="round.id", index=True)
    kind: str
    blind_number: str = Field(default="", max_length=12)  # of a repeat; empty for the one practice take
    candidate_id: str | None = Field(default=None, foreign_key="candidate.id")  # who is heard again
    secret: str = Field(default_factory=new_id)  # what the ids of its takes are made from
    piece_id: str | None = Field(default=None, foreign_key="piece.id")  # of the practice take, as all that follow
    take_id: str | None = Field(default=None, foreign_key="take.id")  # where it was chosen from an earlier round
    sha256: str = Field(default="", max_length=64)
    playback_sha256: str = Field(default="", max_length=64)
    duration_sec: float = 0.0
    peaks: list[Any] = Field(default_factory=list, sa_type=sa.JSON)
    agreed: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # {"marks": {caption: mark}, "note": text}
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    destroyed_at: datetime | None = Field(default=None, sa_type=UtcDateTime)  # a recording of its own is gone


class ExtraSheet(SQLModel, table=True):
    """An adjudicator's sheet for something that stands in no result. Versions are only ever added."""

    __table_args__ = (_one_of("state", *SHEET_STATES), sa.UniqueConstraint("adjudicator_id", "extra_id"))

    id: str = Field(default_factory=new_id, primary_key=True)
    adjudicator_id: str = Field(foreign_key="adjudicator.id", index=True)
    extra_id: str = Field(foreign_key="extrahearing.id", index=True)
    state: str = "draft"
    recused: bool = False
    draft: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)
    versions: list[Any] = Field(default_factory=list, sa_type=sa.JSON)  # as SheetVersion, in order
    updated_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class AccessLink(SQLModel, table=True):
    """A one-time join link. Only the hash of its secret is kept."""

    __table_args__ = (_one_of("role", *LINK_ROLES),)

    id: str = Field(default_factory=new_id, primary_key=True)
    audition_id: str | None = Field(default=None, foreign_key="audition.id", index=True)
    role: str
    adjudicator_id: str | None = Field(default=None, foreign_key="adjudicator.id")
    room_id: str | None = Field(default=None, foreign_key="recordingroom.id")
    label: str = Field(default="", max_length=80)
    secret_hash: str = Field(max_length=64, unique=True)
    expires_at: datetime = Field(sa_type=UtcDateTime)
    used_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    withdrawn_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class AccessToken(SQLModel, table=True):
    """A tablet's bearer token, a leader's session or a student's private link. Only its hash is kept."""

    __table_args__ = (_one_of("role", *LINK_ROLES),)

    id: str = Field(default_factory=new_id, primary_key=True)
    token_hash: str = Field(max_length=64, unique=True)
    role: str
    leader_id: str | None = Field(default=None, foreign_key="leader.id")
    audition_id: str | None = Field(default=None, foreign_key="audition.id")
    adjudicator_id: str | None = Field(default=None, foreign_key="adjudicator.id")
    entry_id: str | None = Field(default=None, foreign_key="entry.id", index=True)  # of a student's private link
    room_id: str | None = Field(default=None, foreign_key="recordingroom.id")  # of a recording room's tablet
    round_id: str | None = Field(default=None, foreign_key="round.id", index=True)  # of a link to hand takes in
    label: str = Field(default="", max_length=80)
    created_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    expires_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    withdrawn_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class AuditEntry(SQLModel, table=True):
    """Append-only, hash-chained per chain. Carries ids and numbers, never names."""

    __table_args__ = (sa.UniqueConstraint("chain", "seq"),)

    id: str = Field(default_factory=new_id, primary_key=True)
    chain: str = Field(max_length=40, index=True)  # a round's id, an audition's id, or "site"
    seq: int
    at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)
    actor: str = Field(max_length=80)  # "leader:<id>", "adjudicator:<id>", "system"
    action: str = Field(max_length=60)
    subject: str = Field(default="", max_length=120)
    facts: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)
    previous_hash: str = Field(max_length=64)
    hash: str = Field(max_length=64)


class Document(SQLModel, table=True):
    """One printed sheet. What it was drawn from stands in ``PrintedModel`` beside the names, because it holds some."""

    id: str = Field(default_factory=new_id, primary_key=True)
    round_id: str = Field(foreign_key="round.id", index=True)
    kind: str = Field(max_length=40)  # score-sheet | comment-sheet
    candidate_id: str | None = Field(default=None, foreign_key="candidate.id")
    template_version: str = Field(max_length=20)
    model_hash: str = Field(max_length=64)
    pdf_sha256: str = Field(max_length=64)
    made_at: datetime = Field(default_factory=now_utc, sa_type=UtcDateTime)


class DestructionCertificate(SQLModel, table=True):
    """Which recordings were destroyed, when, by whom and why. Numbers, dates and hashes, no names."""

    id: str = Field(default_factory=new_id, primary_key=True)
    audition_id: str = Field(foreign_key="audition.id", index=True)
    made_at: datetime = Field(sa_type=UtcDateTime)
    actor: str = Field(max_length=80)
    reason: str = Field(default="", max_length=300)
    facts: dict[str, Any] = Field(default_factory=dict, sa_type=sa.JSON)  # app.services.destroying
    audit_hash: str = Field(max_length=64)


class PrintedMusic(SQLModel, table=True):
    """Engraved music as it stood on printed sheets, once for all of them."""

    digest: str = Field(max_length=64, primary_key=True)
    content: bytes  # app.sheets.freezing

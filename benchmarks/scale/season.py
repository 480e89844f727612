"""A season of a whole state as rows, written in bulk: three rounds of everybody, each in another stage, and one day.

The first round was recorded in the room and is opened: private links and printed sheets are there. The second is
handed in and heard in shares, every sheet is sent. The third is drawn and about to be recorded in rooms,
by everybody on one day; a fourth holds as many as rooms really record on a day, half of whom have played. Rows go in by
COPY, so that 20,000 candidates take some seconds.
"""

import json
import random
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from typing import Any

import psycopg
import sqlalchemy as sa
from sqlmodel import SQLModel

from app.db.identities import DeclaredRecusal, Entry, PrintedModel, Student
from app.db.models import (
    Absence,
    AccessToken,
    AdjudicationSheet,
    Adjudicator,
    AuditEntry,
    Audition,
    Candidate,
    DayRecording,
    Document,
    Findings,
    Job,
    PaperSheet,
    Piece,
    RecordingRoom,
    Recusal,
    Round,
    Share,
    SheetVersion,
    StandingLine,
    Take,
    Turn,
    WorkedStanding,
)
from app.db.types import now_utc
from app.domain.findings import Findings as Measured
from app.domain.findings import findings_to_dict
from app.domain.ids import new_id
from app.judging.assignment import describe
from app.judging.rubric import default_rubric
from app.judging.rule import default_rule
from app.listening.version import ALGORITHM_VERSION
from app.services import custody, measuring
from app.services.access import hash_secret
from benchmarks.scale import server

SHEETS_EACH = 3  # adjudicators who heard a candidate of the round that was handed in
SCHOOLS, TEACHERS, ROOMS = 400, 700, 20
A_DAY = 2_000  # candidates in rooms on one day: a hundred to the room, ten hours
BY_HAND = 300  # absences, recusals, sheets from paper: as many as people note
PEAKS = json.dumps([round(0.5 + 0.4 * ((n * 7) % 11) / 11, 3) for n in range(1000)])
ORDER = (
    Audition, Student, Adjudicator, RecordingRoom, Piece, Entry, DeclaredRecusal, Round, Candidate, Turn, Take,
    Findings, Job, Recusal, Absence, Share, AdjudicationSheet, SheetVersion, PaperSheet, Document, PrintedModel,
    DayRecording, AccessToken, AuditEntry, WorkedStanding, StandingLine,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Season:
    """Ids and secrets that the pages are asked for with."""

    audition: str
    opened: str  # rounds
    handed_in: str
    in_rooms: str
    a_day: str
    candidate: str  # of the round that is handed in
    own: str  # one of the adjudicator's share
    day_recording: str
    adjudicator: str  # bearer secrets
    proctor: str
    student: str
    hand_in: str
    checker: str


class _Rows:
    """Rows by table, with every default of its model filled in."""

    def __init__(self) -> None:
        self.tables: dict[type[SQLModel], list[dict[str, Any]]] = {table: [] for table in ORDER}
        self._defaults: dict[type[SQLModel], dict[str, Any]] = {}

    def add(self, table: type[SQLModel], **values: Any) -> str:
        """Keep a row; returns its id."""
        if table not in self._defaults:
            self._defaults[table] = {
                name: field.get_default(call_default_factory=True)
                for name, field in table.model_fields.items()
                if not field.is_required()
            }
        row = {**self._defaults[table], **values}
        if "id" in table.model_fields and "id" not in values:
            row["id"] = new_id()
        self.tables[table].append(row)
        return str(row.get("id", ""))


def write(url: str, candidates: int, adjudicators: int) -> Season:
    """Write a season into an empty database."""
    rows, season = _season(candidates, adjudicators)
    with psycopg.connect(server.straight(url)) as connection, connection.cursor() as cursor:
        for table in ORDER:
            _copy(cursor, table, rows.tables[table])
        connection.commit()
    return season


def _copy(cursor: "psycopg.Cursor[Any]", table: type[SQLModel], rows: list[dict[str, Any]]) -> None:
    if not rows:
        return
    columns = sa.inspect(table).local_table.columns
    names = [c.name for c in columns]
    as_json = {c.name for c in columns if isinstance(c.type, sa.JSON)}
    quoted = ", ".join(f'"{name}"' for name in names)
    with cursor.copy(f'COPY "{table.__tablename__}" ({quoted}) FROM STDIN') as to:
        for row in rows:
            to.write_row([_said(row[name]) if name in as_json else row[name] for name in names])


def _said(value: Any) -> Any:
    return value if isinstance(value, str) else json.dumps(value)


def _season(candidates: int, adjudicators: int) -> tuple[_Rows, Season]:
    rows, chance = _Rows(), random.Random(5)
    now = now_utc()
    rule = {**default_rule().to_dict(), "combine": "severity-adjusted"}
    audition = rows.add(
        Audition,
        name="Season",
        held_on=date(2026, 3, 7),
        rule_declared_at=now,
        rule=rule,
        rubric=default_rubric().to_dict(),
    )
    pieces = [rows.add(Piece, audition_id=audition, title=title, kind="untyped", position=n)
              for n, title in enumerate(("Étude", "Excerpt"))]  # fmt: skip
    rooms = [rows.add(RecordingRoom, audition_id=audition, name=f"Room {n + 1}", position=n) for n in range(ROOMS)]
    judges = [
        rows.add(Adjudicator, audition_id=audition, letter=_letter(n), name=_teacher(n)) for n in range(adjudicators)
    ]
    entries = []
    for n in range(candidates):
        person = rows.add(
            Student, name=f"{chance.choice(_SYLLABLES)}{chance.choice(_SYLLABLES).lower()} Student{n:05d}",
            school=f"School {n % SCHOOLS}", teacher=f"{_teacher(n % TEACHERS)}", year="11",
            consent_on=date(2026, 2, 1), consent_by="Parent",
        )  # fmt: skip
        entries.append(rows.add(Entry, audition_id=audition, student_id=person, instrument="flute"))
    for n in range(min(BY_HAND, candidates)):
        rows.add(DeclaredRecusal, adjudicator_id=judges[n % adjudicators], entry_id=entries[n])
    common = {
        "audition_id": audition,
        "seed": "0" * 64,
        "seed_commitment": "0" * 64,
        "committed_at": now,
        "sealed_at": now,
    }
    due = now - timedelta(days=1)
    opened = rows.add(Round, name="First round", position=0, state="opened", opened_at=now, **common)
    handed_in = rows.add(
        Round, name="Recorded", position=1, state="drawn", due_at=due, due_zone="UTC", per_candidate=SHEETS_EACH,
        handed_in_at=now, seats=min(500, candidates // 20), second_check=True, **common,
    )  # fmt: skip
    in_rooms = rows.add(
        Round, name="Final", position=3, state="drawn", kind="final",
        day={"starts_at": "2026-03-07T08:00:00+00:00", "minutes": 5.0}, **common,
    )  # fmt: skip
    a_day = rows.add(
        Round, name="Saturday", position=2, state="drawn", kind="final",
        day={"starts_at": (now - timedelta(hours=3)).isoformat(), "minutes": 5.0}, **common,
    )  # fmt: skip
    played = _numbers(rows, opened, entries, "heard", chance)
    sent_in = _numbers(rows, handed_in, entries, "heard", chance)
    called = _numbers(rows, in_rooms, entries, "expected", chance)
    for n, one in enumerate(called):
        rows.add(Turn, candidate_id=one, place=n + 1, room_id=rooms[n % ROOMS])
    for n, one in enumerate(_numbers(rows, a_day, entries[:A_DAY], "present", chance)):
        entered = now - timedelta(hours=3) + timedelta(minutes=6) * (n // ROOMS)
        gone = entered < now - timedelta(minutes=6)
        rows.add(
            Turn, candidate_id=one, place=n + 1, room_id=rooms[n % ROOMS], planned_at=entered,
            check_in_by=entered - timedelta(minutes=30), checked_in_at=now - timedelta(hours=4),
            entered_at=entered if gone else None, left_at=entered + timedelta(minutes=5) if gone else None,
        )  # fmt: skip
    _takes(rows, sent_in, pieces, now, measured=True)
    _takes(rows, played, pieces[:1], now, measured=False)
    _sheets(rows, sent_in, judges, pieces, now, chance)
    _designed(rows, handed_in, judges)
    for n in range(min(BY_HAND, candidates)):
        rows.add(Absence, adjudicator_id=judges[(n + 7) % adjudicators], candidate_id=called[n], reason="On the way")
        rows.add(Recusal, adjudicator_id=judges[n % adjudicators], candidate_id=called[n])
    frozen = _frozen(played, rows.tables[Candidate][: len(played)], judges)
    _opened(rows, opened, frozen, now)
    day_recordings = [
        rows.add(
            DayRecording, round_id=in_rooms, room_id=room, sha256=new_id() * 2, size_bytes=10**9, duration_sec=9000.0,
            peaks=PEAKS,
        )
        for room in rooms
    ]  # fmt: skip
    for n, entry in enumerate(entries):
        rows.add(
            AccessToken, token_hash=hash_secret(f"student {n}"), role="student", audition_id=audition, entry_id=entry,
            label=f"Number {n}", expires_at=now + timedelta(days=100),
        )  # fmt: skip
        rows.add(
            AccessToken, token_hash=hash_secret(f"hand in {n}"), role="student", audition_id=audition, entry_id=entry,
            round_id=handed_in, label=f"Number {n}", expires_at=now + timedelta(days=100),
        )  # fmt: skip
    for n, judge in enumerate(judges):
        rows.add(
            AccessToken, token_hash=hash_secret(f"panel {n}"), role="adjudicator", audition_id=audition,
            adjudicator_id=judge, expires_at=now + timedelta(days=10),
        )  # fmt: skip
    for role in ("proctor", "checker"):
        rows.add(
            AccessToken, token_hash=hash_secret(role), role=role, audition_id=audition,
            expires_at=now + timedelta(days=10),
        )  # fmt: skip
    waiting = entries.index(rows.tables[Candidate][0]["entry_id"])  # whose sheet is not printed yet
    for chain, whom in ((opened, played), (handed_in, sent_in), (in_rooms, called)):
        _chain(rows, chain, whom, now)
    _chain(rows, audition, entries[:1000], now)
    return rows, Season(
        audition, opened, handed_in, in_rooms, a_day, sent_in[-1], sent_in[0], day_recordings[0],
        adjudicator="panel 0", proctor="proctor", student=f"student {waiting}", hand_in="hand in 0", checker="checker",
    )  # fmt: skip


_SYLLABLES = ("Ada", "Bel", "Cor", "Dun", "Eri", "Fay", "Gor", "Hel", "Ina", "Jor", "Kay", "Lio", "Mar", "Nes")


def _teacher(n: int) -> str:
    return f"{_SYLLABLES[n % 14]}{_SYLLABLES[n // 14 % 14].lower()} {_SYLLABLES[n // 196 % 14]}{n:03d}"


def _letter(n: int) -> str:
    return chr(65 + n) if n < 26 else chr(65 + n // 26 - 1) + chr(65 + n % 26)


def _numbers(rows: _Rows, of_round: str, entries: list[str], state: str, chance: random.Random) -> list[str]:
    """Candidates in playing order, which is not the roster's."""
    order = chance.sample(entries, len(entries))
    return [
        rows.add(
            Candidate, round_id=of_round, entry_id=entry, instrument="flute", blind_number=str(10_000 + n),
            playing_order=n + 1, state=state,
        )
        for n, entry in enumerate(order)
    ]  # fmt: skip


def _takes(rows: _Rows, candidates: list[str], pieces: list[str], now: datetime, *, measured: bool) -> list[str]:
    findings = json.dumps(
        findings_to_dict(
            Measured(440.0, 440.4, 61.0, 60.0, (), (), (), {}, {}, {}, {}, (), ALGORITHM_VERSION, duration_sec=60.0)
        )
    )
    found = []
    quality = json.dumps({"word": "good", "sentences": []})
    for n, candidate in enumerate(candidates):
        for piece in pieces:
            take = rows.add(
                Take, candidate_id=candidate, piece_id=piece, sha256=new_id() * 2, size_bytes=10**6, container="wav",
                playback_sha256=new_id() * 2, duration_sec=60.0, sample_rate_hz=48_000, channels=1, quality=quality,
                peaks=PEAKS,
            )  # fmt: skip
            found.append(take)
            if measured:
                rows.add(Job, kind=measuring.KIND, key=take, subject=take, state="done", progress=1.0, created_at=now)
                rows.add(
                    Findings, take_id=take, input_hash="0" * 64, algorithm_version=ALGORITHM_VERSION, payload=findings,
                    created_at=now - timedelta(hours=2) * (1 - n / len(candidates)),
                )  # fmt: skip
    return found


def _sheets(
    rows: _Rows, candidates: list[str], judges: list[str], pieces: list[str], now: datetime, chance: random.Random
) -> None:
    """Shares that hang together, and a sent sheet of each: marks from a candidate's level and a judge's severity."""
    captions = default_rubric().keys
    low, high = default_rubric().low, default_rubric().high
    severe = {judge: chance.gauss(0, 0.8) for judge in judges}
    places = dict.fromkeys(judges, 0)
    for n, candidate in enumerate(candidates):
        level = chance.gauss((low + high) / 2, (high - low) / 5)
        step = 1 + (n // len(judges)) % max(1, (len(judges) - 1) // SHEETS_EACH)
        for k in range(min(SHEETS_EACH, len(judges))):
            judge = judges[(n + k * step) % len(judges)]
            places[judge] += 1
            rows.add(Share, adjudicator_id=judge, candidate_id=candidate, place=places[judge])
            marks = {
                piece: {
                    c: min(high, max(low, round(level + severe[judge] + chance.gauss(0, 0.7)))) for c in captions
                }
                for piece in pieces
            }  # fmt: skip
            sheet = rows.add(
                AdjudicationSheet, adjudicator_id=judge, candidate_id=candidate, state="submitted",
                draft={"marks": marks, "remarks": []}, updated_at=now,
            )  # fmt: skip
            rows.add(
                SheetVersion, sheet_id=sheet, version=1, marks=marks, signature="0" * 64, submitted_at=now,
                remarks=[{"piece_id": pieces[0], "bar": "7", "text": "Hold the tied note its full length."}],
            )  # fmt: skip
            if len(rows.tables[PaperSheet]) < BY_HAND:
                rows.add(PaperSheet, sheet_id=sheet, bundle_id=f"bundle{n // 20}", typed_by="leader:x", typed_at=now)


def _designed(rows: _Rows, of_round: str, judges: list[str]) -> None:
    """What the shares are like, as it is kept when they are laid out."""
    shares: dict[str, list[str]] = {}
    for share in rows.tables[Share]:
        shares.setdefault(share["candidate_id"], []).append(share["adjudicator_id"])
    letters = sorted(_letter(n) for n in range(len(judges)))
    row = next(r for r in rows.tables[Round] if r["id"] == of_round)
    row["design"] = {"panel": letters, "report": asdict(describe(shares, judges))}


def _frozen(candidates: list[str], numbers: list[dict[str, Any]], judges: list[str]) -> dict[str, Any]:
    """A frozen standing as it is kept: a line for everybody, and what is said beside it."""
    lines = [
        {
            "candidate_id": candidate, "blind_number": number["blind_number"], "place": n + 1, "tied": False,
            "total": 9.0 - n / len(candidates) * 8, "mark": 9.0 - n / len(candidates) * 8,
            "captions": dict.fromkeys(default_rubric().keys, 5.0), "pieces": {"all": 5.0}, "adjudicators_counted": 3,
            "place_low": n + 1, "place_high": n + 2, "chance_of_seat": None, "seat": None, "alternate": None,
            "decided_by": None, "why_unplaced": None, "name": None,
        }
        for n, (candidate, number) in enumerate(zip(candidates, numbers, strict=True))
    ]  # fmt: skip
    return {
        "rule_sentence": "", "total_meaning": "", "rows": lines, "brackets": [], "seats": None, "empty_seats": 0,
        "agreement": {}, "caption_agreement": {}, "adjudicators": [{"letter": _letter(n)} for n in range(len(judges))],
        "severity": {}, "doubt": {}, "hear_again": [], "sentences": [], "questions": [], "missing": [], "not_heard": [],
        "input_hash": "0" * 64, "version": "1", "questions_wait": None, "opening": {"reason": "", "without": []},
    }  # fmt: skip


def _opened(rows: _Rows, of_round: str, frozen: Mapping[str, Any], now: datetime) -> None:
    """What an opened round leaves: its frozen standing and a printed sheet of everybody."""
    row = next(r for r in rows.tables[Round] if r["id"] == of_round)
    row |= {"standing": json.dumps(frozen), "standing_hash": "0" * 64}
    beside = {key: value for key, value in frozen.items() if key not in ("rows", "brackets")}
    rows.add(WorkedStanding, round_id=of_round, rests_on="0" * 64, content={**beside, "spans": []}, worked_out_at=now)
    for position, line in enumerate(frozen["rows"]):
        rows.add(
            StandingLine, round_id=of_round, position=position, candidate_id=line["candidate_id"],
            blind_number=line["blind_number"], content=line,
        )  # fmt: skip
    for line in frozen["rows"]:
        document = rows.add(
            Document, round_id=of_round, kind="comment-sheet", candidate_id=line["candidate_id"], template_version="1",
            model_hash=new_id() * 2, pdf_sha256=new_id() * 2, made_at=now,
        )  # fmt: skip
        if line is not frozen["rows"][0]:  # the student whose page is asked for waits for the sheet
            rows.add(PrintedModel, document_id=document, content=b"\0" * 2000)


def _chain(rows: _Rows, chain: str, subjects: Iterable[str], now: datetime) -> None:
    """What was done, twice to everybody."""
    previous = custody.FIRST_PREVIOUS_HASH
    deeds = [("drawn", chain, {"excluded": []})]
    deeds += [(action, subject, {"letter": "A"}) for subject in subjects for action in ("came-in", "went-out")]
    for seq, (action, subject, facts) in enumerate(deeds, start=1):
        entry = AuditEntry(
            chain=chain, seq=seq, at=now, actor="system", action=action, subject=subject, facts=facts,
            previous_hash=previous, hash="",
        )  # fmt: skip
        previous = custody.entry_hash(entry)
        rows.add(AuditEntry, **entry.model_dump(exclude={"id", "hash"}), hash=previous)

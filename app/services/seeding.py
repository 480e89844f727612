"""The demonstration audition: invented people, takes with planted faults, marks of four adjudicators.

Everything goes through the same services as a real audition, so the demonstration is also a rehearsal of them. What is
planted stands in ``seed_data/``: ``scenario.json`` (who and what), ``takes.json`` (faults), ``marks.json`` (marks).
"""

import io
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from sqlmodel import Session, select

from app.db.database import Database
from app.db.models import Adjudicator, Candidate
from app.db.models import Piece as PieceRow
from app.domain.actor import SYSTEM, Actor
from app.domain.errors import BadInput
from app.domain.ids import new_id
from app.domain.piece import Piece
from app.files.abc_text import read_abc
from app.files.store import BlobStore
from app.services import audition as auditions
from app.services import (
    declaring,
    draw,
    intake,
    opening,
    panel_setup,
    passwords,
    pieces,
    recusal,
    roster,
    seeding_day,
    sheets_in,
    sign_in,
)
from app.services.intake import Upload
from app.services.roster_csv import RosterLine

Report = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class Scenario:
    """The three files of ``seed_data/`` and the notation beside them."""

    folder: Path
    cast: Mapping[str, Any]
    takes: Mapping[str, Mapping[str, Mapping[str, Any]]]  # round -> student -> piece -> plan
    marks: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Seeded:
    """Ids by the scenario's own keys."""

    actor: Actor
    audition_id: str
    pieces: Mapping[str, str]
    entries: Mapping[str, str]
    adjudicators: Mapping[str, str]  # by letter


@dataclass(frozen=True, slots=True)
class TakeToMake:
    """One take that is to be synthesised: everything a worker process needs."""

    round_key: str
    student: str
    piece_key: str
    piece: Piece  # as this student's instrument reads it
    plan: Mapping[str, Any]
    seed: int


def read_scenario(folder: Path) -> Scenario:
    """Read the scenario; raises ``BadInput`` when a file is missing or is not JSON."""
    parts = []
    for name in ("scenario.json", "takes.json", "marks.json"):
        try:
            parts.append(json.loads((folder / name).read_text(encoding="utf-8")))
        except (OSError, ValueError) as error:
            raise BadInput(f"The demonstration's file {name} can't be read ({error}); restore it.") from error
    return Scenario(folder, *parts)


def set_up(database: Database, scenario: Scenario, *, now: datetime) -> Seeded:
    """Leader, audition, material, roster, panel, recusals and the declared rule; and today's audition, at ``now``.

    Today's is made first: the demonstration's doors lead to the one made last.
    """
    cast = scenario.cast
    leader = cast["leader"]
    password_hash = passwords.hash_password(leader["password"])
    leader_id = database.write(
        lambda s: sign_in.add_leader(s, name=leader["name"], password_hash=password_hash, actor=SYSTEM)
    )
    actor = Actor("leader", leader_id)
    database.write(lambda s: seeding_day.make(s, cast, now=now, actor=actor))
    values = {**cast["audition"], "held_on": date.fromisoformat(cast["audition"]["held_on"])}
    audition_id = database.write(lambda s: auditions.create(s, values, actor=actor)).id
    piece_ids = {p["key"]: database.write(_piece_adder(scenario, audition_id, p, actor)) for p in cast["pieces"]}
    entries = database.write(lambda s: _roster(s, cast, audition_id, actor))
    panel = {
        a["letter"]: database.write(_adjudicator_adder(audition_id, a["name"], actor)) for a in cast["adjudicators"]
    }
    if any(database.write(_letter_of(panel[letter])) != letter for letter in panel):
        raise BadInput("The demonstration's adjudicators must be listed by letter, A first.")
    for r in cast["recusals"]:
        database.write(_recusal_declarer(audition_id, panel[r["letter"]], entries[r["student"]], r["reason"], actor))
    database.write(lambda s: _declare(s, cast, audition_id, piece_ids, actor))
    return Seeded(actor, audition_id, piece_ids, entries, panel)


def draw_round(database: Database, scenario: Scenario, seeded: Seeded, round_key: str) -> str:
    """Make, commit and draw one round; returns its id."""
    plan = next(r for r in scenario.cast["rounds"] if r["key"] == round_key)
    players = scenario.takes[round_key]
    everybody = len(players) == len(seeded.entries)

    def work(session: Session) -> str:
        made = draw.create_round(
            session,
            seeded.audition_id,
            name=plan["name"],
            kind=plan["kind"],
            seats=plan["seats"],
            piece_ids=[seeded.pieces[key] for key in plan.get("pieces", [])],
            entry_ids=None if everybody else [seeded.entries[key] for key in players],
            actor=seeded.actor,
        )
        draw.commit_seed(session, made.id, actor=seeded.actor)
        draw.draw_round(session, made.id, actor=seeded.actor)
        return made.id

    return database.write(work)


def takes_to_make(database: Database, scenario: Scenario, seeded: Seeded) -> list[TakeToMake]:
    """Every take of the scenario, with the piece as its player's instrument reads it."""
    instruments = {line["key"]: line["instrument"] for line in scenario.cast["roster"]}
    # What nobody typed in must be played from something all the same.
    from_memory = {p["key"]: "\n".join(p["played"]) for p in scenario.cast["pieces"] if "played" in p}
    out: list[TakeToMake] = []
    with database.read() as session:
        rows = {key: session.get_one(PieceRow, piece_id) for key, piece_id in seeded.pieces.items()}
    for round_key, players in scenario.takes.items():
        for student, plans in players.items():
            for piece_key, plan in plans.items():
                page = from_memory.get(piece_key)
                if page is None:
                    piece = pieces.load_piece(rows[piece_key], instruments[student])
                else:
                    piece = read_abc(page, instrument=instruments[student])
                out.append(TakeToMake(round_key, student, piece_key, piece, plan, seed=1000 + len(out)))
    return out


def candidates_of(database: Database, seeded: Seeded, round_id: str) -> dict[str, str]:
    """{student's key: candidate id} of a drawn round."""
    by_entry = {entry_id: key for key, entry_id in seeded.entries.items()}
    with database.read() as session:
        rows = session.exec(select(Candidate).where(Candidate.round_id == round_id)).all()
        return {by_entry[row.entry_id]: row.id for row in rows}


def keep_take(
    database: Database, store: BlobStore, seeded: Seeded, take: TakeToMake, candidate_id: str, wav: bytes
) -> None:
    """Hand one synthesised take in as a recording room would."""
    upload = Upload(
        take_id=new_id(),
        candidate_id=candidate_id,
        piece_id=seeded.pieces[take.piece_key],
        source=io.BytesIO(wav),
        file_name=f"{take.student}-{take.piece_key}.wav",
        via="seed",
    )
    intake.receive(database, store, upload, actor=seeded.actor)


def hand_in_sheets(
    database: Database, scenario: Scenario, seeded: Seeded, round_key: str, candidates: Mapping[str, str]
) -> int:
    """Every adjudicator's marks and remarks of one round, through the same door as a tablet's. Returns how many."""
    marks = scenario.marks["marks"][round_key]
    remarks = scenario.marks["remarks"].get(round_key, {})
    count = 0
    for student, panel in marks.items():
        for letter, per_piece in panel.items():
            said = [
                {"piece_id": seeded.pieces[r["piece"]], "bar": r["bar"], "text": r["text"]}
                for r in remarks.get(student, {}).get(letter, [])
            ]
            database.write(
                _submitter(
                    seeded.adjudicators[letter],
                    candidates[student],
                    {seeded.pieces[key]: given for key, given in per_piece.items()},
                    said,
                )
            )
            count += 1
    return count


def open_rounds(database: Database, scenario: Scenario, seeded: Seeded, rounds: Mapping[str, str]) -> None:
    """Open the rounds whose sheets are all in; ``rounds`` are ids by the scenario's keys."""
    for plan in scenario.cast["rounds"]:
        if plan["opened"]:
            opening.open_round(database, rounds[plan["key"]], reason="", actor=seeded.actor)


def _piece_adder(
    scenario: Scenario, audition_id: str, piece: Mapping[str, Any], actor: Actor
) -> Callable[[Session], str]:
    if "recipe" in piece:
        new = pieces.from_recipe(piece["recipe"], title=piece["title"])
    elif "played" in piece:
        new = pieces.untyped(piece["title"], instrument=piece["instrument"])
    else:
        data = (scenario.folder / piece["file"]).read_bytes()
        new = pieces.from_notation(data, file_name=piece["file"], title=piece["title"], instrument=piece["instrument"])

    def work(session: Session) -> str:
        row = pieces.add(session, audition_id, new, actor=actor)
        if "phrases" in piece:
            reading = pieces.load_piece(row, None)
            phrases = [
                {f"{edge}_note_id": _note_at(reading, *phrase[edge]) for edge in ("start", "peak", "end")}
                for phrase in piece["phrases"]
            ]
            marks = {"phrases": phrases, "tonic": piece["tonic"], "mode": piece["mode"]}
            pieces.change(session, row.id, marks, actor=actor)
        return row.id

    return work


def _note_at(piece: Piece, bar: str, beat: float) -> str:
    for note in piece.notes:
        if note.bar == bar and abs(note.beat - beat) < 0.01 and not note.grace:
            return note.note_id
    raise BadInput(f"The demonstration names bar {bar}, beat {beat:g}, but no note starts there.")


def _roster(session: Session, cast: Mapping[str, Any], audition_id: str, actor: Actor) -> dict[str, str]:
    consent = cast["consent"]
    entries: dict[str, str] = {}
    for line in cast["roster"]:
        wanted = RosterLine(
            name=line["name"],
            instrument=line["instrument"],
            school=line["school"],
            teacher=line["teacher"],
            year=line["year"],
            consent_on=date.fromisoformat(consent["on"]),
            consent_by=consent["by"],
        )
        entries[line["key"]] = roster.add(session, audition_id, wanted, actor=actor).entry_id
    return entries


def _adjudicator_adder(audition_id: str, name: str, actor: Actor) -> Callable[[Session], str]:
    return lambda session: panel_setup.add(session, audition_id, name, actor=actor).id


def _letter_of(adjudicator_id: str) -> Callable[[Session], str]:
    return lambda session: session.get_one(Adjudicator, adjudicator_id).letter


def _recusal_declarer(
    audition_id: str, adjudicator_id: str, entry_id: str, reason: str, actor: Actor
) -> Callable[[Session], object]:
    return lambda session: recusal.declare(
        session, audition_id, adjudicator_id=adjudicator_id, entry_id=entry_id, reason=reason, actor=actor
    )


def _declare(
    session: Session, cast: Mapping[str, Any], audition_id: str, piece_ids: Mapping[str, str], actor: Actor
) -> None:
    audition = declaring.get_audition(session, audition_id)
    weights = {piece_ids[key]: weight for key, weight in cast["piece_weights"].items()}
    declaring.set_rule(session, audition_id, {**audition.rule, "piece_weights": weights}, actor=actor)
    declaring.declare(session, audition_id, actor=actor)


def _submitter(
    adjudicator_id: str, candidate_id: str, marks: Mapping[str, Any], remarks: Iterable[Mapping[str, Any]]
) -> Callable[[Session], object]:
    return lambda session: sheets_in.submit(
        session,
        adjudicator_id,
        candidate_id,
        version_id=new_id(),
        marks=marks,
        remarks=list(remarks),
        actor=Actor("adjudicator", adjudicator_id),
    )

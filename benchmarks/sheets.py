"""How long the sheets of a whole round take: 60 students, two pieces each, everything in a ZIP.

Run with ``.venv/bin/python -m benchmarks.sheets [STUDENTS]``. Takes are not played: findings of a study of 22 bars and
of a scale are made once by listening to a synthesised take, then given to everyone. What is timed is what a leader
waits for: loading the round, engraving, rendering, packing, with the progress it is told on the way. The aim is 30 s
for 60 students on two cores; on a machine that others use too, read the processor time. More than 500 students are
printed as a worker prints them, and fetched in files.
"""

import resource
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import numpy as np
from sqlmodel import Session, col, select

from app.db import schema
from app.db.database import Database
from app.db.models import Candidate, Findings, Take
from app.domain.actor import Actor
from app.domain.findings import findings_to_dict
from app.domain.ids import new_id
from app.listening.measuring import measure
from app.material.performing import Plan, perform
from app.material.sounding import SAMPLE_RATE_HZ, sound, voice_for
from app.services import (
    audition,
    declaring,
    draw,
    long_printing,
    opening,
    panel_setup,
    pieces,
    printing,
    roster,
    rounds,
    sheets_in,
)
from app.services.piece_reading import load_piece
from app.services.roster_csv import RosterLine

LEADER = Actor("leader", "0" * 32)
AIM_SEC = 30.0
STUDY = Path(__file__).parents[1] / "seed_data" / "slack-water.musicxml"
SCALE = {"kind": "scale", "tonic": "F", "mode": "major", "octaves": 2, "instrument": "clarinet-bb"}
FAULTS = (
    {"kind": "short-hold", "bar": "2", "beat": 1, "lost_beats": 0.3},
    {"kind": "wrong", "bar": "4", "beat": 2.5, "semitones": -1},
    {"kind": "pitch", "written": "E5", "cents": -16},
)
CAPTIONS = ("tone", "pitch", "rhythm", "musicianship")


def make_round(database: Database, students: int) -> str:
    """A round in which everybody was heard, measured and marked by four adjudicators."""

    def set_up(session: Session) -> tuple[str, list[str], list[str], list[str]]:
        there = audition.create(session, {"name": "Benchmark", "held_on": date(2026, 3, 7)}, actor=LEADER)
        rows = [
            pieces.add(session, there.id, pieces.from_notation(STUDY.read_bytes()), actor=LEADER),
            pieces.add(session, there.id, pieces.from_recipe(SCALE), actor=LEADER),
        ]
        for n in range(students):
            line = RosterLine(name=f"Student {n:03d}", instrument="clarinet-bb", consent_on=date(2026, 3, 1))
            roster.add(session, there.id, line, actor=LEADER)
        judges = [panel_setup.add(session, there.id, f"Ear {k}", actor=LEADER).id for k in range(4)]
        declaring.declare(session, there.id, actor=LEADER)
        made = draw.create_round(
            session, there.id, name="First", kind="first", seats=12, piece_ids=[], entry_ids=None, actor=LEADER
        )
        draw.commit_seed(session, made.id, actor=LEADER)
        draw.draw_round(session, made.id, actor=LEADER)
        numbers = session.exec(
            select(Candidate.id).where(Candidate.round_id == made.id).order_by(col(Candidate.playing_order))
        ).all()
        return made.id, [r.id for r in rows], judges, list(numbers)

    round_id, piece_ids, judges, numbers = database.write(set_up)
    with database.read() as session:
        readings = {p: load_piece(pieces.get_piece(session, p)) for p in piece_ids}
    payloads = {}
    for piece_id, reading in readings.items():
        random = np.random.default_rng(3)
        plan = Plan(pitch_spread_cents=8.0, timing_spread_ms=15.0, faults=FAULTS if len(reading.bars) > 10 else ())
        samples = sound(perform(reading, plan, random), voice_for(reading.instrument), random)
        payloads[piece_id] = findings_to_dict(measure(samples, SAMPLE_RATE_HZ, reading))

    def hand_in(session: Session) -> None:
        for place, number in enumerate(numbers):
            for piece_id in piece_ids:
                take = Take(
                    candidate_id=number,
                    piece_id=piece_id,
                    sha256="0" * 64,
                    size_bytes=1,
                    container="wav",
                    playback_sha256="0" * 64,
                    duration_sec=60.0,
                    sample_rate_hz=SAMPLE_RATE_HZ,
                    channels=1,
                )
                session.add(take)
                session.flush()
                session.add(
                    Findings(
                        take_id=take.id, input_hash="0" * 64, algorithm_version="bench", payload=payloads[piece_id]
                    )
                )
            for column, judge in enumerate(judges):
                marks = dict.fromkeys(CAPTIONS, 3 + (place + column) % 6)
                remarks = [
                    {"piece_id": piece_ids[0], "bar": str(1 + place % 20), "text": "More air through the long notes."}
                ]
                sheets_in.submit(
                    session,
                    judge,
                    number,
                    version_id=new_id(),
                    marks=dict.fromkeys(piece_ids, marks),
                    remarks=remarks,
                    actor=Actor("adjudicator", judge),
                )

    database.write(hand_in)
    opening.open_round(database, round_id, reason="", actor=LEADER)
    return round_id


def long_round(database: Database, round_id: str) -> None:
    """Print a long round as a worker does, fetch it in files, and say what it took; memory is this process's."""
    began, busy, before = time.perf_counter(), time.process_time(), _most_memory_mb()
    task = long_printing.PrintLong(database, long_printing.COMMENTS)
    payload = {"round_id": round_id, "role": LEADER.role, "actor": LEADER.id}
    database.write(task(payload, lambda share, text: None))
    drawn, worked = time.perf_counter(), time.process_time()
    with database.read() as session:
        count = long_printing.printed_comment_sheets(session, round_id)
    print(
        f"{count} comment sheets by a worker: {drawn - began:.0f} s, {worked - busy:.0f} s of processor time "
        f"({(worked - busy) / count * 1000:.0f} ms each); "
        f"most memory {before:.0f} MB before, {_most_memory_mb():.0f} after"
    )
    for offset in range(0, count, long_printing.MOST_IN_A_FILE):
        began, busy = time.perf_counter(), time.process_time()
        most = long_printing.MOST_IN_A_FILE
        parts = long_printing.comment_sheets_zip(database, round_id, offset=offset, limit=most)
        size = sum(len(part) for part in parts)
        print(
            f"file from {offset + 1}: {size / 1e6:.1f} MB, {time.perf_counter() - began:.0f} s, "
            f"{time.process_time() - busy:.0f} s of processor time; most memory {_most_memory_mb():.0f} MB"
        )


def _most_memory_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> int:
    students = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/fairhearing.db"
        schema.upgrade(url)
        database = Database(url)
        round_id = make_round(database, students)
        if students > rounds.LONG_ROUND:
            long_round(database, round_id)
            database.close()
            return 0
        started = time.perf_counter()
        told: list[tuple[int, int]] = []
        score = printing.print_score_sheet(database, round_id, named=True, actor=LEADER)
        after_score = time.perf_counter()
        busy = time.process_time()
        sheets = printing.print_comment_sheets(
            database, round_id, actor=LEADER, progress=lambda done, total: told.append((done, total))
        )
        packed = printing.zip_of(sheets)
        done = time.perf_counter()
        busy = time.process_time() - busy
        database.close()
    print(f"score sheet of {students} candidates: {after_score - started:.2f} s, {len(score.pdf) / 1000:.0f} kB")
    print(
        f"{len(sheets)} comment sheets in a ZIP: {done - after_score:.2f} s, {len(packed) / 1e6:.1f} MB "
        f"({(done - after_score) / len(sheets) * 1000:.0f} ms each; aim for 60: {AIM_SEC:.0f} s); "
        f"processor time {busy:.2f} s; progress told {len(told)} times, last {told[-1][0]} of {told[-1][1]}"
    )
    return 0 if done - after_score <= AIM_SEC * students / 60 else 1


if __name__ == "__main__":
    raise SystemExit(main())

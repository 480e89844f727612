"""Real worker processes over real rendered takes: takes a minute, how long one takes, and whether memory stays flat.

    python -m benchmarks.scale.workers [--takes 60] [--processes 1 2]      an étude of 40 to 70 s by six instruments
    python -m benchmarks.scale.workers --memory [--takes 500]              one worker over many short takes

Jobs stand in PostgreSQL; workers are those of ``fairhearing work``, which note for each take the wall clock, their own
processor time and their resident memory. Processor time is what a take needs of a core; on a busy machine the clock
says more about the others.
"""

import argparse
import csv
import io
import os
import statistics
import tempfile
import time
from collections.abc import Mapping, Sequence
from datetime import date
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.identities import Entry, Student
from app.db.models import Audition, Candidate, Findings, Job, Piece, Round, Take
from app.db.types import now_utc
from app.domain.ids import new_id
from app.jobs.ledger import Progress, Save
from app.jobs.supervisor import Supervisor
from app.material.generating import generate
from app.material.performing import Plan, perform
from app.material.recipe import recipe_from
from app.material.sounding import SAMPLE_RATE_HZ, sound, voice_for
from app.services import measuring, working
from app.services.ledger import DatabaseLedger
from app.services.logs import set_up_logs
from app.services.storing import open_store
from app.settings import Settings
from benchmarks.listening import ETUDE, INSTRUMENTS, a_take
from benchmarks.scale import server

DIFFERENT = 12  # recordings that are rendered; takes share them
RECIPE = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "clarinet-bb"}
SETTLED = 50  # takes after which memory counts: compilers and caches have filled by then
LOOK_SEC = 1.0
PAGE_KB = os.sysconf("SC_PAGE_SIZE") / 1024
FIELDS = ("take", "wall_sec", "cpu_sec", "resident_mb")


class Noting(measuring.MeasureTake):
    """The task itself, and a line about each time it ran."""

    folder: Path

    def __call__(self, payload: Mapping[str, Any], progress: Progress) -> Save:
        began, used = time.perf_counter(), time.process_time()
        save = super().__call__(payload, progress)
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        line = (payload["take_id"], time.perf_counter() - began, time.process_time() - used, pages * PAGE_KB / 1024)
        with (self.folder / f"{os.getpid()}.csv").open("a", newline="") as file:
            csv.writer(file).writerow(line)
        return save


def run_noting(settings: Settings, parent_pid: int, folder: Path, name: str, stopping: Event) -> None:
    """``app.services.working.run_worker`` with the task above."""
    Noting.folder = folder
    measuring.MeasureTake = Noting  # type: ignore[misc]
    working.POLITENESS = 0  # what else runs here is no tablet of ours
    working.run_worker(settings, parent_pid, name, stopping)


def wav(samples: np.ndarray) -> bytes:
    out = io.BytesIO()
    soundfile.write(out, samples, SAMPLE_RATE_HZ, subtype="PCM_16", format="WAV")
    return out.getvalue()


def recordings(short: bool) -> list[tuple[str, bytes]]:
    """(instrument, WAV) of every different take."""
    if not short:
        return [(INSTRUMENTS[k % len(INSTRUMENTS)], wav(a_take(k)[2])) for k in range(DIFFERENT)]
    piece, found = generate(recipe_from(RECIPE)), []
    for k in range(DIFFERENT):
        rng = np.random.default_rng(k)
        notes = perform(piece, Plan(tempo=float(rng.uniform(0.8, 1.3)), tuning_cents=float(rng.uniform(-15, 15))), rng)
        found.append(("clarinet-bb", wav(sound(notes, voice_for("clarinet-bb"), rng))))
    return found


def enter(session: Session, store: Any, takes: int, short: bool) -> float:
    """Rows and recordings of so many takes, and a job for each. Returns the seconds of sound."""
    audition = Audition(name="Season", held_on=date(2026, 3, 7))
    session.add(audition)
    session.flush()
    source, kind = (repr(RECIPE).replace("'", '"').encode(), "recipe") if short else (ETUDE.read_bytes(), "musicxml")
    piece = Piece(
        audition_id=audition.id, title="Étude", kind="generated" if short else "notation", source=source,
        source_format=kind, instrument="clarinet-bb",
    )  # fmt: skip
    made = Round(audition_id=audition.id, name="Recorded", state="drawn")
    session.add_all([piece, made])
    session.flush()
    kept = [(instrument, store.put(io.BytesIO(data)), data) for instrument, data in recordings(short)]
    seconds = 0.0
    for n in range(takes):
        instrument, stored, data = kept[n % len(kept)]
        length = len(data) / 2 / SAMPLE_RATE_HZ
        student = Student(name=f"Student {n}")
        session.add(student)
        session.flush()
        entry = Entry(audition_id=audition.id, student_id=student.id, instrument=instrument)
        session.add(entry)
        session.flush()
        candidate = Candidate(
            round_id=made.id, entry_id=entry.id, instrument=instrument, blind_number=str(n), playing_order=n
        )
        session.add(candidate)
        session.flush()
        take = Take(
            id=new_id(), candidate_id=candidate.id, piece_id=piece.id, sha256=stored.sha256, container="wav",
            size_bytes=stored.size_bytes, playback_sha256=stored.sha256, duration_sec=length, channels=1,
            sample_rate_hz=SAMPLE_RATE_HZ, received_at=now_utc(),
        )  # fmt: skip
        session.add(take)
        session.flush()
        measuring.ask(session, take)
        seconds += length
    return seconds


def work_off(settings: Settings, database: Database, count: int, folder: Path) -> tuple[float, int]:
    """Have ``count`` workers measure everything. Returns takes a minute, and how often we looked ourselves."""
    ledger = DatabaseLedger(database)
    supervisor = Supervisor(
        run_noting, (settings, os.getpid(), folder), count, lambda name, told: ledger.release(name, forgive=told)
    )
    supervisor.start()
    began, looks = None, 1
    try:
        while True:
            looks += 1
            time.sleep(LOOK_SEC)
            with database.read() as session:
                left = measuring.job_counts(session)
            if began is None and left["running"] == count:  # all are warm
                began, before = time.perf_counter(), left["done"]
            if left["queued"] == 0 and began is not None:
                break  # the last ones run alone, which would say less
        minutes = (time.perf_counter() - began) / 60
        with database.read() as session:
            done = measuring.job_counts(session)["done"] - before
    finally:
        supervisor.stop(within_sec=120)
    return done / minutes, looks


def notes(folder: Path) -> list[dict[str, float]]:
    found = []
    for file in sorted(folder.glob("*.csv")):
        with file.open(newline="") as lines:
            rows = [dict(zip(FIELDS, row, strict=True)) for row in csv.reader(lines)]
        found += [{name: float(row[name]) for name in FIELDS[1:]} for row in rows]
    return found


def quantiles(values: Sequence[float]) -> str:
    cuts = statistics.quantiles(values, n=20)
    return f"{statistics.mean(values):.2f} | {cuts[9]:.2f} | {cuts[18]:.2f} | {max(values):.2f}"


def run(cluster: Any, takes: int, count: int, short: bool) -> tuple[float, list[dict[str, float]], str]:
    """Takes a minute, a note of each, and what the database saw."""
    url = server.with_schema(cluster)
    with tempfile.TemporaryDirectory() as data, tempfile.TemporaryDirectory() as noted:
        settings = Settings(data_dir=Path(data), database_url=url, log_level="warning")
        database = Database(settings.url)
        store = open_store(settings)
        seconds = database.write(lambda session: enter(session, store, takes, short))
        server.analyze(url)
        before = server.transactions(url)
        rate, looks = work_off(settings, database, count, Path(noted))
        after = server.transactions(url)
        with database.read() as session:
            failed = session.exec(select(Job.error).where(Job.state == "failed")).all()
            sizes = [len(str(payload)) for payload in session.exec(select(Findings.payload).limit(20)).all()]
            took = len(session.exec(select(Findings.id).order_by(col(Findings.id))).all())
        database.close()
        assert not failed, failed[:3]
        said = (
            f"{seconds / takes:.1f} s of sound a take; {(after - before - looks) / took:.1f} transactions a take; "
            f"{statistics.mean(sizes) / 1000:.0f} kB of findings a take"
        )
        return rate, notes(Path(noted)), said


def throughput(cluster: Any, takes: int, processes: Sequence[int]) -> None:
    print(
        "| workers | takes a minute | s of processor a take: mean | median | p95 | longest |\n|---|---|---|---|---|---|"
    )
    lines = []
    for count in processes:
        rate, noted, said = run(cluster, takes, count, short=False)
        used = [note["cpu_sec"] for note in noted]
        print(f"| {count} | {rate:.1f} | {quantiles(used)} |", flush=True)
        lines.append(
            f"{count}: {said}; clock over processor time {sum(n['wall_sec'] for n in noted) / sum(used):.2f}; "
            f"{server.load()}; processor seconds {[round(one, 2) for one in sorted(used)]}"
        )
    print(*lines, sep="\n")


def memory(cluster: Any, takes: int) -> None:
    _, noted, said = run(cluster, takes, 1, short=True)
    resident = [note["resident_mb"] for note in noted]
    print("| after takes | resident MB |\n|---|---|")
    for n in sorted({1, 10, SETTLED, *range(100, len(resident) + 1, 100), len(resident)}):
        print(f"| {n} | {resident[n - 1]:.0f} |")
    slope = statistics.linear_regression(range(len(resident) - SETTLED), resident[SETTLED:]).slope
    print(f"From take {SETTLED} on {1000 * slope:+.1f} kB a take; {said}; {server.load()}.")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--takes", type=int)
    parser.add_argument("--processes", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--memory", action="store_true")
    args = parser.parse_args()
    set_up_logs("warning")
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # as app.cli.serving does
    print(server.load())
    with server.databases() as cluster:
        if args.memory:
            memory(cluster, args.takes or 500)
        else:
            throughput(cluster, args.takes or 60, args.processes)


if __name__ == "__main__":
    main()

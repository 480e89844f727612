"""``fairhearing demo``: make the demonstration audition, once, and serve it."""

import argparse
import os
import shutil
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TextIO

from app.cli.options import add_data_option, settings_from
from app.cli.serving import serve, workers
from app.db import schema
from app.db.database import Database
from app.db.types import now_utc
from app.domain.errors import BadInput, Unavailable
from app.packaged import packaged_folder
from app.services import measuring, seeding
from app.services.folder import owned
from app.services.logs import set_up_logs
from app.services.seeding_takes import make_wavs
from app.services.storing import open_store
from app.settings import Settings

BEGUN, COMPLETE = "demo-begun", "demo-complete"  # marker files in the data folder
BAR_WIDTH = 28
MEASURE_LIMIT_SEC = 600.0  # our choice: a machine that needs longer has another problem
POLL_SEC = 0.3


def register(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add_data_option(parser)
    parser.set_defaults(data=Path(".demo"))
    parser.add_argument("--port", type=int, help="port (default 8000; 0: any free one)")
    parser.add_argument("--host", help="address to listen at (default 127.0.0.1)")
    parser.add_argument("--only-make", action="store_true", help="make the data and stop, without serving")


def run(args: argparse.Namespace) -> int:
    """Make what is not there yet, then serve."""
    settings = settings_from(
        args,
        port=args.port,
        host=args.host,
        demo=True,
        log_level="warning",
        workers=max(1, min(2, os.cpu_count() or 1)),
    )
    if not (settings.data_dir / COMPLETE).exists():
        make(settings, sys.stdout)
    if args.only_make:
        return 0
    return serve(settings, announce=lambda address: _say_what_to_look_at(address, sys.stdout))


def make(settings: Settings, out: TextIO) -> None:
    """Make the demonstration in an empty folder; one that was begun and not finished is made anew.

    Raises ``BadInput`` when the folder holds anything else.
    """
    set_up_logs(settings.log_level)
    folder = settings.data_dir
    if folder.exists() and any(folder.iterdir()):
        if not (folder / BEGUN).exists():
            raise BadInput(f"The folder {folder} holds other data; name an empty one with --data.")
        shutil.rmtree(folder)
    show = _progress_bar(out)
    with owned(folder):
        (folder / BEGUN).touch()
        schema.upgrade(settings.url)
        database = Database(settings.url)
        try:
            _fill(settings, database, show)
        finally:
            database.close()
        (folder / COMPLETE).touch()
    show(1.0, "ready")
    print(file=out)


def _fill(settings: Settings, database: Database, show: Callable[[float, str], None]) -> None:
    show(0.0, "setting up the audition")
    scenario = seeding.read_scenario(packaged_folder("seed_data"))
    store = open_store(settings)
    # The workers warm up while the takes are synthesised.
    with workers(settings):
        seeded = seeding.set_up(database, scenario, now=now_utc().astimezone())
        rounds = {key: seeding.draw_round(database, scenario, seeded, key) for key in scenario.takes}
        candidates = {key: seeding.candidates_of(database, seeded, rounds[key]) for key in rounds}
        takes = seeding.takes_to_make(database, scenario, seeded)
        wavs = make_wavs([(t.piece, t.plan, t.seed) for t in takes], processes=settings.workers)
        for k, (take, wav) in enumerate(zip(takes, wavs, strict=True), start=1):
            seeding.keep_take(database, store, seeded, take, candidates[take.round_key][take.student], wav)
            show(0.05 + 0.45 * k / len(takes), f"playing take {k} of {len(takes)}")
        for key in rounds:
            seeding.hand_in_sheets(database, scenario, seeded, key, candidates[key])
        _wait_for_findings(database, len(takes), show)
        seeding.open_rounds(database, scenario, seeded, rounds)


def _wait_for_findings(database: Database, count: int, show: Callable[[float, str], None]) -> None:
    """Until every take is measured. Raises ``Unavailable`` when that fails or does not end."""
    deadline = time.monotonic() + MEASURE_LIMIT_SEC
    while True:
        with database.read() as session:
            jobs = measuring.job_counts(session)
        if jobs["failed"]:
            raise Unavailable(f"{jobs['failed']} takes of the demonstration could not be measured; start it again.")
        show(0.5 + 0.48 * jobs["done"] / count, f"measured {jobs['done']} of {count} takes")
        if jobs["done"] >= count:
            return
        if time.monotonic() > deadline:
            raise Unavailable("Measuring the demonstration's takes did not end; start it again.")
        time.sleep(POLL_SEC)


def _progress_bar(out: TextIO) -> Callable[[float, str], None]:
    """A bar that redraws itself on a terminal and prints a line per tenth elsewhere."""
    last = [-1]

    def show(share: float, text: str) -> None:
        filled = round(share * BAR_WIDTH)
        line = f"[{'=' * filled}{' ' * (BAR_WIDTH - filled)}] {100 * share:3.0f} %  {text}"
        if out.isatty():
            print(f"\r{line:<78}", end="", file=out, flush=True)
        elif int(share * 10) != last[0]:
            last[0] = int(share * 10)
            print(line, file=out, flush=True)

    return show


def _say_what_to_look_at(address: str, out: TextIO) -> None:
    print(
        f"""
The demonstration is ready:  {address}

  Enter as section leader:    the first round is opened: Standing, then Sheets (score sheet, ten comment
                              sheets). Solo in the winter concert: a piece that nobody typed in, opened too.
                              The final is drawn and played, and waits for adjudicator D.
  Enter as adjudicator D:     hear the final by number, mark it, write remarks, submit.
  Then as section leader:     open the final; names appear.
  Enter the recording room:   the playing order, who stands behind which number, takes and their checks.
  As leader, Winter mock audition: a day with two rooms that begins in an hour: Day, the door, everything on paper,
                              sight-reading under its seal in the recording room.

People, takes and marks are invented. A mock result and a practice aid: no official score, no prediction.
Stop with Ctrl-C; a second start goes on where this one stopped.""",
        file=out,
        flush=True,
    )

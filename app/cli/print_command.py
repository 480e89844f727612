"""``fairhearing print``: all sheets of a round into a folder."""

import argparse
import sys
from pathlib import Path

from sqlmodel import col, select

from app.cli.options import add_data_option, existing_settings
from app.db import schema
from app.db.database import Database
from app.db.models import Audition, Round
from app.domain.actor import SYSTEM
from app.domain.errors import BadInput, Unavailable
from app.services import printing
from app.services.kept_sheets import Printed


def register(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("--round", required=True, metavar="ID|NAME", help="the round's id or its name")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the sheets go")
    parser.add_argument("--audition", metavar="NAME", help="the audition, when several have a round of this name")
    add_data_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print; before a round is opened that is the score sheet by numbers only."""
    settings = existing_settings(args)
    schema.upgrade(settings.url)
    database = Database(settings.url)
    try:
        found = _find(database, args.round, args.audition)
        numbers = printing.print_score_sheet(database, found.id, named=False, actor=SYSTEM)
        sheets = [numbers]
        if found.state == "opened":
            sheets.append(printing.print_score_sheet(database, found.id, named=True, actor=SYSTEM))
        _write(args.out, sheets)
        if found.state != "opened":
            print(f"{args.out / numbers.file_name}: by numbers only, because this round is not opened yet.")
            return 0
        count = 0
        for part in printing.print_in_parts(database, found.id, actor=SYSTEM, progress=_progress):
            _write(args.out / "comment sheets", part)
            count += len(part)
        print(f"{len(sheets)} score sheets and {count} comment sheets are in {args.out}.")
        return 0
    finally:
        database.close()


def _find(database: Database, wanted: str, audition: str | None) -> Round:
    with database.read() as session:
        by_id = session.get(Round, wanted)
        if by_id is not None:
            return by_id
        rows = session.exec(
            select(Round, Audition).where(Round.audition_id == Audition.id).order_by(col(Round.created_at))
        ).all()
    named = [
        (row, there.name)
        for row, there in rows
        if row.name.casefold() == wanted.casefold()
        and (audition is None or audition.casefold() in (there.name.casefold(), there.id))
    ]
    if len(named) == 1:
        return named[0][0]
    if not named:
        known = "; ".join(f"“{row.name}” of “{there.name}”" for row, there in rows) or "none"
        raise BadInput(f"There is no round “{wanted}”; the rounds here are: {known}.")
    choices = "; ".join(f"{row.id} of “{name}”" for row, name in named)
    raise BadInput(f"There are several rounds called “{wanted}”; name one by --audition or by its id: {choices}.")


def _write(folder: Path, sheets: list[Printed]) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for sheet in sheets:
            (folder / sheet.file_name).write_bytes(sheet.pdf)
    except OSError as error:
        raise Unavailable(
            f"The sheets can't be written to {folder} ({error.strerror}); name another folder."
        ) from error


def _progress(done: int, total: int) -> None:
    if sys.stderr.isatty():
        print(f"\rcomment sheets: {done} of {total}", end="\n" if done == total else "", file=sys.stderr, flush=True)

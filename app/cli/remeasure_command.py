"""``fairhearing remeasure``: measure takes again under the present algorithm, and see what changed."""

import argparse
import csv
import sys
from collections.abc import Iterable
from pathlib import Path

from app.cli.options import add_data_option, existing_settings, find_audition
from app.db import schema
from app.db.database import Database
from app.domain.errors import BadInput
from app.listening.version import ALGORITHM_VERSION
from app.services import remeasuring
from app.services.folder import keep_private
from app.services.remeasuring import Change


def register(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("--audition", metavar="NAME", help="name or id of one audition (default: all)")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--compare", action="store_true", help="show old and new marks side by side, and measure nothing")
    what.add_argument("--cancel", action="store_true", help="call off what waits or runs of an earlier request")
    parser.add_argument("--csv", metavar="FILE", type=Path, help="with --compare: a table of every take (no names)")
    add_data_option(parser)


def run(args: argparse.Namespace) -> int:
    """Queue the takes, call that off, or compare. Asking twice is harmless."""
    keep_private()
    if args.csv is not None and not args.compare:
        raise BadInput("--csv writes what --compare finds; give both.")
    settings = existing_settings(args)
    schema.upgrade(settings.url)
    database = Database(settings.url)
    try:
        with database.read() as session:
            audition_id = find_audition(session, args.audition) if args.audition is not None else None
        if args.cancel:
            gone = database.write(lambda session: remeasuring.call_off(session, audition_id))
            print(f"Called off: {gone} take(s). What was measured already stays.")
        elif args.compare:
            with database.read() as session:
                _compare(remeasuring.side_by_side(session, audition_id), args.csv)
        else:
            _ask(database, audition_id)
    finally:
        database.close()
    return 0


def _ask(database: Database, audition_id: str | None) -> None:
    with database.read() as session:
        takes = remeasuring.takes(session, audition_id)
    queued = 0
    for start in range(0, len(takes), remeasuring.AT_ONCE):
        some = takes[start : start + remeasuring.AT_ONCE]
        queued += database.write(lambda session, some=some: remeasuring.ask(session, some))  # type: ignore[misc]
    print(f"Queued: {queued} of {len(takes)} take(s) under algorithm {ALGORITHM_VERSION}; the others are measured so.")
    if queued:
        print("Workers of the server or of `fairhearing work` measure them; takes from the recording room come first.")


def _compare(changes: Iterable[Change], table: Path | None) -> None:
    out = None
    try:
        if table is not None:
            try:
                out = table.open("x", newline="", encoding="utf-8")
            except OSError as error:
                raise BadInput(f"{table} can't be written ({error.strerror}); choose a new name.") from error
        rows = csv.writer(out) if out is not None else None
        if rows is not None:
            rows.writerow(["round", "number", "piece", "caption", "old_version", "old", "new_version", "new", "moved"])
        count, moves = 0, dict[str, list[float]]()
        for change in changes:
            count += 1
            for caption in sorted(change.old | change.new):
                moved = change.moved(caption)
                if moved is not None:
                    moves.setdefault(caption, []).append(moved)
                if rows is not None:
                    where = [_cell(change.round_name), change.blind_number, _cell(change.piece_title), caption]
                    old, new = change.old.get(caption), change.new.get(caption)
                    rows.writerow([*where, change.old_version, old, ALGORITHM_VERSION, new, moved])
    finally:
        if out is not None:
            out.close()
    print(f"{count} take(s) are measured under algorithm {ALGORITHM_VERSION} and under an earlier one.")
    for caption, found in sorted(moves.items()):
        mean, most = sum(found) / len(found), max(found, key=abs)
        print(f"  {caption}: {len(found)} marks, moved by {mean:+.2f} on average, by {most:+.2f} at most")
    sys.stdout.flush()


def _cell(text: str) -> str:
    """A text that no spreadsheet takes for a formula."""
    return f"'{text}" if text[:1] in "=+-@\t\r" else text

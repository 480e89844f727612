"""``fairhearing verify``: is everything still as it was recorded, drawn, signed and declared?"""

import argparse
from collections.abc import Sequence

from app.cli.options import add_data_option, existing_settings
from app.db.database import Database
from app.files.store import BlobStore
from app.services import history
from app.services.folder import owned
from app.services.history import History
from app.services.storing import open_store
from app.services.verifying import remove_left_over, verify
from app.settings import Settings

PROBLEMS_FOUND = 1


def register(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add_data_option(parser)
    parser.add_argument("--history", metavar="NUMBER", help="show who did what to this blind number, and nothing else")
    parser.add_argument(
        "--repair",
        action="store_true",
        help="afterwards remove recordings that belong to no take (left by uploads that were cut off over an hour ago)",
    )


def run(args: argparse.Namespace) -> int:
    """Print every check, or one number's history; 0 when all hold, 1 when something is wrong."""
    settings = existing_settings(args)
    database = Database(settings.url)
    store = open_store(settings)
    try:
        if args.history is not None:
            with database.read() as session:
                return _tell(history.by_number(session, args.history))
        with database.read() as session:
            checks = verify(session, store)
        removed = _repair(settings, database, store) if args.repair and all(check.holds for check in checks) else 0
    finally:
        database.close()
    for check in checks:
        print(f"{'ok   ' if check.holds else 'WRONG'}  {check.name}: {check.count}")
        for sentence in check.problems:
            print(f"       - {sentence[0].upper()}{sentence[1:]}")
        for sentence in check.notes:
            print(f"       ({sentence})")
    if not all(check.holds for check in checks):
        if args.repair:
            print("Nothing was removed: look at what is wrong first, or restore a backup.")
        return PROBLEMS_FOUND
    if args.repair:
        print(f"Removed {removed} recording(s) that belonged to no take.")
    return 0


def _tell(histories: Sequence[History]) -> int:
    for found in histories:
        print(f"Number {found.blind_number}, {found.round_name}:")
        for deed in found.deeds:
            print(f"  {deed.seq:>4}  {deed.at:%Y-%m-%d %H:%M:%S} UTC  {deed.who} {deed.what}.")
        if found.broken is not None:
            print(f"  WRONG  {found.broken}")
    return PROBLEMS_FOUND if any(found.broken is not None for found in histories) else 0


def _repair(settings: Settings, database: Database, store: BlobStore) -> int:
    """Remove left-over recordings, with the folder to ourselves."""
    if settings.database_url is not None:
        return remove_left_over(database, store)
    with owned(settings.data_dir):
        return remove_left_over(database, store)

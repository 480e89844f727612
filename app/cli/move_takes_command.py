"""``fairhearing move-takes``: copy the recordings to another take store, and check every one there."""

import argparse
import sys

from app.cli.options import add_data_option, checked_takes_url, existing_settings, find_audition
from app.db import schema
from app.db.database import Database
from app.domain.errors import BadInput
from app.services.folder import keep_private
from app.services.storing import copy_takes, open_store

FOLDER = "folder"


def register(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("target", help="s3://BUCKET/PREFIX, or the word folder for the data folder")
    parser.add_argument("--audition", metavar="NAME", help="name or id of one audition (default: all)")
    add_data_option(parser)


def run(args: argparse.Namespace) -> int:
    """Copy; may be stopped and run again, and while a server runs: what is there and whole is not copied twice."""
    keep_private()
    settings = existing_settings(args)
    target_url = None if args.target == FOLDER else checked_takes_url(args.target)
    if target_url == settings.takes_url:
        raise BadInput("The takes are there already: FAIRHEARING_TAKES_URL names the store they come from.")
    schema.upgrade(settings.url)
    database = Database(settings.url)
    source, target = open_store(settings), open_store(settings.model_copy(update={"takes_url": target_url}))

    def told(done: int, count: int) -> None:
        if sys.stdout.isatty() or done == count:
            print(f"\r{done} of {count} recording(s)", end="", flush=True)

    try:
        with database.read() as session:
            audition_id = find_audition(session, args.audition) if args.audition is not None else None
        copied, there = copy_takes(database, source, target, audition_id, told)
    finally:
        database.close()
    print(f"\nCopied: {copied}; there already: {there}. Every one was read back and has its hash.")
    setting = "without FAIRHEARING_TAKES_URL" if target_url is None else f"with FAIRHEARING_TAKES_URL={target_url}"
    print(f"Stop the server and start it {setting}; then run this once more for takes that came in meanwhile.")
    print("Nothing was removed where the takes were.")
    return 0

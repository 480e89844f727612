"""``fairhearing restore``: a backup into a new folder, checked file by file."""

import argparse
from pathlib import Path

from app.cli.options import add_data_option, settings_from
from app.db import schema
from app.domain.errors import BadInput
from app.services.backup import restore
from app.services.folder import keep_private


def register(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("backup", type=Path, help="a backup made by `fairhearing backup`")
    parser.add_argument("--key", metavar="FILE", type=Path, help="the key file of an encrypted backup")
    add_data_option(parser)


def run(args: argparse.Namespace) -> int:
    """Restore and bring the data to this version."""
    keep_private()
    settings = settings_from(args)
    if settings.database_url is not None or settings.takes_url is not None:
        raise BadInput(
            "A backup is restored into a folder of its own; leave FAIRHEARING_DATABASE_URL and FAIRHEARING_TAKES_URL "
            "out (and bring the recordings to an object store afterwards with `fairhearing move-takes`)."
        )
    report = restore(args.backup, settings.data_dir, args.key)
    schema.upgrade(settings.url)
    print(f"{report.takes} recording(s) and all results are back in {report.place}. Check them: fairhearing verify")
    return 0

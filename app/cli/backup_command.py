"""``fairhearing backup``: a copy of everything, taken while in use."""

import argparse
from pathlib import Path

from app.cli.options import add_data_option, existing_settings
from app.domain.errors import BadInput
from app.services.backup import back_up
from app.services.folder import keep_private
from app.services.sealing import new_key
from app.services.storing import open_store


def register(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument(
        "target", type=Path, nargs="?", help="a new folder, or a new file that ends in .tar or .tar.age"
    )
    add_data_option(parser)
    parser.add_argument(
        "--to", metavar="KEY", action="append", default=[], help="encrypt for this public key (age1...)"
    )
    parser.add_argument(
        "--new-key", metavar="FILE", type=Path, help="make a key for encrypted backups, keep it in FILE, and stop"
    )


def run(args: argparse.Namespace) -> int:
    """Write the backup and say what it holds."""
    keep_private()
    if args.new_key is not None:
        public = new_key(args.new_key)
        print(f"Encrypt backups with --to {public}")
        print(f"Only {args.new_key} opens them: keep it elsewhere than the backups, and do not lose it.")
        return 0
    if args.target is None:
        raise BadInput("Say where the backup goes: a new folder, or a new file that ends in .tar or .tar.age.")
    settings = existing_settings(args)
    if settings.database_url is not None:
        raise BadInput("The data are in another database; back it up with its own tools, and the takes folder beside.")
    report = back_up(settings.data_dir, args.target, args.to, store=open_store(settings))
    print(f"{report.place}: {report.takes} recording(s), {report.size_bytes / 2**20:.1f} MB.")
    if args.to:
        print("It is encrypted: only the key's owner can restore it.")
    else:
        print("It holds names and recordings: keep it where only you can read it, or encrypt it (--new-key, --to).")
    return 0

"""The ``fairhearing`` command. Each subcommand is a module of this package, imported only when it is called."""

import argparse
import importlib
import sys
from collections.abc import Sequence

from app.cli.loading import without_collecting
from app.domain.errors import FairhearingError

COMMANDS = {
    "measure": "measure one or several takes of a piece",
    "panel": "rank a table of marks and say how sure the ranking is",
    "demo": "make the demonstration audition and serve it",
    "serve": "serve the screens and the API",
    "work": "run workers that measure takes",
    "remeasure": "measure takes again and compare old and new",
    "print": "print all sheets of a round",
    "take": "hand in a recording for a blind number",
    "verify": "check the draw, the audit chain, takes and results",
    "move-data": "carry all rows from the data folder to an empty PostgreSQL database",
    "move-takes": "copy recordings to another take store and check them there",
    "backup": "write a backup while in use",
    "restore": "restore a backup into an empty folder",
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run a subcommand; returns the exit code (0 done, 2 bad input with one line on standard error)."""
    words = list(sys.argv[1:] if argv is None else argv)
    parser = argparse.ArgumentParser(
        prog="fairhearing", description="Blind mock auditions, from the draw to the comment sheet."
    )
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    chosen = next((w for w in words if w in COMMANDS), None)
    for name, text in COMMANDS.items():
        sub = subparsers.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        if name == chosen:
            with without_collecting():
                module = importlib.import_module(f"app.cli.{name.replace('-', '_')}_command")
            module.register(sub)
            sub.set_defaults(run=module.run)
    args = parser.parse_args(words)
    try:
        return int(args.run(args))
    except FairhearingError as error:
        print(f"fairhearing: {error.sentence}", file=sys.stderr)
        return 2
    except BrokenPipeError:
        return 0


if __name__ == "__main__":
    raise SystemExit(main())

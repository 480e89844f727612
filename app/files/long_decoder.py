"""The process that opens a recording of hours, under limits of its own; as :mod:`app.files.decoder` for one take.

Run as ``python -m app.files.long_decoder survey SOURCE FD`` where FD is the open file descriptor the working copy goes
to, or as ``cut SOURCE START END OUT``. Answers are lines of JSON on standard output: ``{"share": 0.4}`` while it works,
then one that says what was found or why nothing was.
"""

import dataclasses
import json
import os
import sys
from pathlib import Path
from typing import Any

from app.domain.errors import FairhearingError, TooLarge
from app.files.decoder import TOO_MUCH_MEMORY, end_with_parent, limit_this_process, plain
from app.files.long_recording import MAX_HOURS, WORKING_BYTES, WORKING_RATE_HZ, cut_out, survey

MOST_CPU_SEC = 3600  # our choice: ten hours of the slowest codec take a fifth of it
MOST_FILE_BYTES = int(MAX_HOURS * 3600 * WORKING_RATE_HZ * WORKING_BYTES) + 2**20
TELL_EVERY = 0.005  # of the file


def main(*arguments: str) -> int:
    """Do one of the two and print what came of it."""
    limit_this_process(cpu_sec=MOST_CPU_SEC, file_bytes=MOST_FILE_BYTES)
    end_with_parent()
    try:
        answer = {"found": _survey(*arguments[1:]) if arguments[0] == "survey" else _cut(*arguments[1:])}
    except FairhearingError as error:
        answer = {"refused": plain(error)}
    except MemoryError:
        answer = {"refused": plain(TooLarge(TOO_MUCH_MEMORY))}
    except OSError as error:
        answer = {"disk": {"errno": error.errno, "strerror": error.strerror}}
    _say(answer)
    return 0


def _survey(source: str, working_copy_fd: str) -> dict[str, Any]:
    last = 0.0

    def told(share: float) -> None:
        nonlocal last
        if share - last >= TELL_EVERY:
            last = share
            _say({"share": round(share, 4)})

    with os.fdopen(int(working_copy_fd), "wb") as out:
        return dataclasses.asdict(survey(Path(source), out, told))


def _cut(source: str, start_sec: str, end_sec: str, out: str) -> dict[str, Any]:
    with Path(out).open("xb") as file:
        cut_out(Path(source), float(start_sec), float(end_sec), file)
    return {}


def _say(answer: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))

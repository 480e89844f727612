"""The process that opens a received recording: started for one file, under limits, and gone afterwards.

What strangers send meets a large library in C here. If it crashes, loops or eats memory, this process ends and the
server says so; nothing else is touched. Run as ``python -m app.files.decoder SOURCE PLAYBACK``: the answer is one line
of JSON on standard output, and the playback is written unless the take is refused.
"""

import json
import os
import resource
import sys
import threading
from pathlib import Path
from typing import Any

from app.domain.errors import BadAudio, FairhearingError, TooLarge
from app.files.audio import decode
from app.files.checks import check_take
from app.files.peaks import peaks
from app.files.playback import write_rendition

MOST_MEMORY_BYTES = 2**30  # address space; 20 minutes at 96 kHz need 0.75 GB
MOST_CPU_SEC = 120  # our choice: 20 minutes of the slowest codec take a tenth of it
MOST_FILE_BYTES = 600 * 2**20  # 20 minutes at the highest sample rate are 461 MB

TOO_MUCH_MEMORY = "The recording needs too much memory to be checked; export it at 48 kHz and one or two channels."


def limit_this_process(*, cpu_sec: int = MOST_CPU_SEC, file_bytes: int = MOST_FILE_BYTES) -> None:
    """Bound what a recording can cost. A system that knows no such limit runs without it."""
    limits = {
        resource.RLIMIT_AS: MOST_MEMORY_BYTES,
        resource.RLIMIT_CPU: cpu_sec,
        resource.RLIMIT_FSIZE: file_bytes,
        resource.RLIMIT_CORE: 0,  # a core would hold the recording
    }
    for kind, most in limits.items():
        _soft, hard = resource.getrlimit(kind)
        lower = most if hard == resource.RLIM_INFINITY else min(most, hard)
        try:
            resource.setrlimit(kind, (lower, hard if kind == resource.RLIMIT_CPU else lower))
        except (ValueError, OSError):
            if sys.platform == "linux":  # where all of them exist
                raise


def end_with_parent() -> None:
    """End when the server does: it holds the other end of standard input."""

    def watch() -> None:
        while os.read(0, 1):
            continue
        os._exit(3)

    threading.Thread(target=watch, daemon=True).start()


def look(source: Path, playback: Path) -> dict[str, Any]:
    """Everything intake needs to know about one recording; writes its playback when it is taken."""
    audio = decode(source)
    quality = check_take(audio)
    if quality.word != "refuse":
        with playback.open("xb") as out:
            write_rendition(audio.samples, audio.sample_rate, out)
    return {
        "container": audio.container,
        "sample_rate": audio.sample_rate,
        "channels": audio.channels,
        "duration_sec": audio.duration_sec,
        "quality": quality.to_dict(),
        "peaks": peaks(audio.samples),
    }


def main(source: str, playback: str) -> int:
    """Look at one recording and print what was found, or why it can't be taken."""
    limit_this_process()
    end_with_parent()
    try:
        answer = {"found": look(Path(source), Path(playback))}
    except FairhearingError as error:
        answer = {"refused": plain(error)}
    except MemoryError:
        answer = {"refused": plain(TooLarge(TOO_MUCH_MEMORY))}
    except OSError as error:
        answer = {"disk": {"errno": error.errno, "strerror": error.strerror}}
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()
    return 0


def plain(error: FairhearingError) -> dict[str, Any]:
    """A refusal as it is printed."""
    code = error.code if isinstance(error, TooLarge) else BadAudio.code
    return {"code": code, "sentence": error.sentence, "facts": error.facts}


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))

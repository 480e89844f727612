"""Having a received recording looked at in a process of its own (:mod:`app.files.decoder`).

The server never opens a stranger's recording itself: a crash, a loop or a bomb ends that process, not the audition.
"""

import json
import os
import signal
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog

from app.domain.errors import BadAudio, TooLarge, Unavailable
from app.files.checks import Quality

# Our choice: half the cores, so that recordings that come in together leave tablets theirs. A take needs half a second.
AT_ONCE = max(1, (os.cpu_count() or 1) // 2)
POLITENESS = 5  # our choice: tablets come before takes, takes before measuring
PATIENCE_SEC = 300.0  # our choice: twice the processor time it may use, and waiting for its turn
COMMAND = (sys.executable, "-m", "app.files.decoder")
ROOT = Path(__file__).resolve().parents[2]  # where ``app`` is found
LONGEST_ANSWER = 2**20  # a thousand peaks and a few sentences are some 10 kB
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")

CRASHED = (
    "The recording can't be decoded: the decoder broke down over it; export the take as WAV or FLAC and send that."
)
TOO_SLOW = "The recording takes too long to decode; export the take as WAV or FLAC and send that."

turn = threading.BoundedSemaphore(AT_ONCE)  # whoever opens a recording in this process waits for it

log = structlog.get_logger("fairhearing.intake")


@dataclass(frozen=True, slots=True)
class Looked:
    """What the decoder found in one recording."""

    container: str
    sample_rate: int  # Hz
    channels: int
    duration_sec: float
    quality: Quality
    peaks: list[float]


def look_apart(source: Path, playback: Path, *, patience_sec: float = PATIENCE_SEC) -> Looked:
    """Decode and check ``source`` in a limited process, which writes the panel's version to ``playback``.

    Raises ``BadAudio`` or ``TooLarge`` with a sentence for what can't be taken, also when the decoder crashed or took
    too long, and ``Unavailable`` when the disk refuses. ``playback`` is only there when the quality's word is not
    "refuse".
    """
    late = threading.Event()
    try:
        # A process group of its own: Ctrl-C in the server's terminal must not end what was begun. No session of its
        # own: Linux weighs sessions against each other, whatever the priorities inside (sched(7), autogroup).
        with (
            turn,
            subprocess.Popen(
                [*COMMAND, str(source.absolute()), str(playback.absolute())],
                stdin=subprocess.PIPE,  # held open, never written: the decoder ends when it closes
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,  # what codecs say may quote a recording's tags
                cwd=ROOT,
                env={**os.environ, **ONE_THREAD},
                process_group=0,
            ) as process,
        ):
            stand_back(process.pid)
            answer, code = _answer(process, patience_sec, late)
    except OSError as error:
        raise Unavailable(
            f"The decoder can't be started ({error.strerror}), so nothing was kept; send the take again in a moment."
        ) from error
    return _read(answer, code, late=late.is_set())


def stand_back(pid: int) -> None:
    """Let a decoder that was just started come after the server.

    Here and not in the decoder: most of its work is loading what it needs, before its first line runs.
    """
    os.setpriority(os.PRIO_PROCESS, pid, os.getpriority(os.PRIO_PROCESS, 0) + POLITENESS)


def _answer(process: "subprocess.Popen[bytes]", patience_sec: float, late: threading.Event) -> tuple[bytes, int]:
    """What the decoder printed and how it ended; it is ended itself when it takes too long."""

    def end() -> None:
        late.set()
        process.kill()

    timer = threading.Timer(patience_sec, end)
    timer.daemon = True
    timer.start()
    try:
        said = process.stdout.read(LONGEST_ANSWER) if process.stdout is not None else b""
        return said, process.wait()
    finally:
        timer.cancel()


def _read(answer: bytes, code: int, *, late: bool) -> Looked:
    if code != 0:
        out_of_time = late or code == -signal.SIGXCPU
        log.warning("decoder_ended", exit_code=code, late=late)
        raise BadAudio(TOO_SLOW if out_of_time else CRASHED)
    said: dict[str, Any] = json.loads(answer)
    if "refused" in said:
        refused = said["refused"]
        kind = TooLarge if refused["code"] == TooLarge.code else BadAudio
        raise kind(refused["sentence"], **refused["facts"])
    if "disk" in said:
        raise Unavailable(
            f"The take store can't save ({said['disk']['strerror']}), so nothing was kept; free space or make the "
            "folder writable, then send the take again.",
            errno=said["disk"]["errno"] or 0,
        )
    found = said["found"]
    quality = found.pop("quality")
    return Looked(**found, quality=Quality(**{**quality, "sentences": tuple(quality["sentences"])}))

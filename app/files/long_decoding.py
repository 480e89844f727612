"""Having a recording of hours opened in a process of its own (:mod:`app.files.long_decoder`), as takes are."""

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import structlog
from numpy.typing import NDArray

from app.domain.errors import BadAudio, TooLarge, Unavailable
from app.files.decoding import CRASHED, ONE_THREAD, ROOT, TOO_SLOW, stand_back, turn
from app.files.long_recording import WORKING_BYTES, Survey

COMMAND = (sys.executable, "-m", "app.files.long_decoder")
CUTTING_PATIENCE_SEC = 300.0  # our choice, as for a take
LONGEST_LINE = 2**20

log = structlog.get_logger("fairhearing.intake")


@dataclass(frozen=True, slots=True)
class WorkingCopy:
    """A recording of hours as the listening rooms read it: mono, 22,050 Hz, on disk until the block ends."""

    survey: Survey
    file: BinaryIO

    @property
    def length(self) -> int:
        """Samples."""
        return os.fstat(self.file.fileno()).st_size // WORKING_BYTES

    def read(self, start: int, stop: int) -> NDArray[np.float32]:
        """Samples from ``start`` to before ``stop`` as float32, full scale 1."""
        self.file.seek(start * WORKING_BYTES)
        data = self.file.read(max(0, stop - start) * WORKING_BYTES)
        return np.frombuffer(data, "<i2").astype(np.float32) / np.float32(32768.0)


@contextmanager
def working_copy(source: Path, told: Callable[[float], None]) -> Iterator[WorkingCopy]:
    """Decode ``source`` apart. The copy never has a name, so that nothing is left of it however this process ends.

    ``told`` hears the share done. Raises ``BadAudio``, ``TooLarge`` or ``Unavailable`` with a sentence.
    """
    with tempfile.TemporaryFile() as file:
        found = _run(["survey", str(source.absolute()), str(file.fileno())], told, working_copy_fd=file.fileno())
        file.seek(0)
        yield WorkingCopy(Survey(**found), file)


def cut_apart(source: Path, start_sec: float, end_sec: float, out: Path) -> None:
    """Write one stretch of ``source`` to the new file ``out``, decoded apart; raises as :func:`working_copy`."""
    with turn:
        _run(
            ["cut", str(source.absolute()), repr(start_sec), repr(end_sec), str(out.absolute())],
            lambda share: None,
            patience_sec=CUTTING_PATIENCE_SEC,
        )


def _run(
    arguments: list[str],
    told: Callable[[float], None],
    *,
    working_copy_fd: int | None = None,
    patience_sec: float | None = None,
) -> dict[str, Any]:
    late = threading.Event()
    try:
        with subprocess.Popen(
            [*COMMAND, *arguments],
            stdin=subprocess.PIPE,  # held open, never written: the decoder ends when it closes
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # what codecs say may quote a recording's tags
            cwd=ROOT,
            env={**os.environ, **ONE_THREAD},
            pass_fds=() if working_copy_fd is None else (working_copy_fd,),
            process_group=0,  # and no session of its own, for the reasons in app.files.decoding
        ) as process:
            stand_back(process.pid)
            answer = _listen(process, told, patience_sec, late)
    except OSError as error:
        raise Unavailable(f"The decoder can't be started ({error.strerror}); try again in a moment.") from error
    if process.returncode != 0 or answer is None:
        out_of_time = late.is_set() or process.returncode == -signal.SIGXCPU
        log.warning("decoder_ended", exit_code=process.returncode, late=late.is_set())
        raise BadAudio(TOO_SLOW if out_of_time else CRASHED)
    if "refused" in answer:
        refused = answer["refused"]
        kind = TooLarge if refused["code"] == TooLarge.code else BadAudio
        raise kind(refused["sentence"], **refused["facts"])
    if "disk" in answer:
        raise Unavailable(
            f"There is no room to work on the recording ({answer['disk']['strerror']}); free space on the server, then "
            "try again."
        )
    found: dict[str, Any] = answer["found"]
    return found


def _listen(
    process: "subprocess.Popen[bytes]", told: Callable[[float], None], patience_sec: float | None, late: threading.Event
) -> dict[str, Any] | None:
    """The last line the decoder printed; it is ended when it takes too long or nobody wants it any more."""

    def end() -> None:
        late.set()
        process.kill()

    timer = threading.Timer(patience_sec, end) if patience_sec is not None else None
    if timer is not None:
        timer.daemon = True
        timer.start()
    answer: dict[str, Any] | None = None
    try:
        while process.stdout is not None and (line := process.stdout.readline(LONGEST_LINE)):
            said: dict[str, Any] = json.loads(line)
            if "share" in said:
                told(said["share"])
            else:
                answer = said
        process.wait()
    except BaseException:  # the job is another worker's now
        process.kill()
        raise
    finally:
        if timer is not None:
            timer.cancel()
    return answer

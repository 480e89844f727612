"""The data folder belongs to one server at a time, or to several whose rows are in a database of their own."""

import fcntl
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from app.domain.errors import Unavailable, WrongState

LOCK_NAME = "server.lock"
TIDYING_SEC, POLL_SEC = 10.0, 0.1  # our choice: removing what interrupted uploads left takes less


def keep_private() -> None:
    """From here on, what this process writes is for its owner only, also in a folder that others may read."""
    os.umask(0o077)


@contextmanager
def owned(folder: Path) -> Iterator[None]:
    """Own ``folder`` for the time of the block; made with access for its owner only when it is not there.

    The system lets go of the lock when the process ends, however it ends. Raises ``WrongState`` when another server
    owns it, ``Unavailable`` when it can't be written.
    """
    handle = _lock_file(folder)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise _taken(folder, handle) from error
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
        yield
    finally:
        os.close(handle)


@contextmanager
def shared(folder: Path, tidy: Callable[[], object]) -> Iterator[None]:
    """Use ``folder`` together with other servers for the time of the block; ``tidy`` runs first if nobody else does.

    Raises ``WrongState`` when a server uses it that must be alone there, ``Unavailable`` when it can't be written.
    """
    handle = _lock_file(folder)
    try:
        if _locks(handle, fcntl.LOCK_EX):
            tidy()
        deadline = time.monotonic() + TIDYING_SEC
        while not _locks(handle, fcntl.LOCK_SH):  # another one that starts may be tidying
            if time.monotonic() > deadline:
                raise _taken(folder, handle)
            time.sleep(POLL_SEC)
        yield
    finally:
        os.close(handle)


def _locks(handle: int, kind: int) -> bool:
    try:
        fcntl.flock(handle, kind | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _lock_file(folder: Path) -> int:
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        return os.open(folder / LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as error:
        raise Unavailable(
            f"The data folder {folder} can't be written ({error.strerror}); choose another with --data, or change its "
            "permissions."
        ) from error


def _taken(folder: Path, handle: int) -> WrongState:
    owner = os.pread(handle, 20, 0).decode("ascii", "replace").strip() or "unknown"
    return WrongState(
        f"Another Fairhearing server (process {owner}) uses {folder}; stop it first, or choose another folder "
        "with --data."
    )

"""Servers of the tests end with the tests, however these end; what killed tests left is removed by the next ones."""

import fcntl
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

LOCK = "lock"


def with_parent(signal: str, *options: str) -> list[str]:
    """What stands before a command so that the system sends it ``signal`` when its parent is gone.

    ``options`` are further ones of Linux's setpriv (util-linux). Elsewhere, and without options, nothing stands there:
    then a killed test leaves its server.
    """
    if not options and shutil.which("setpriv") is None:
        return []
    return ["setpriv", "--pdeathsig", signal, *options, "--"]


@contextmanager
def own_folder(prefix: str) -> Iterator[Path]:
    """A new folder for the time of the block. Folders of this ``prefix`` whose owner was killed are removed first."""
    for lock in Path(tempfile.gettempdir()).glob(f"{prefix}*/{LOCK}"):
        try:
            with lock.open() as file:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:  # in use, somebody else's, or gone
            continue
        shutil.rmtree(lock.parent, ignore_errors=True)
    # Not in pytest's own folder: the path of a socket must be short, and another user must get there.
    folder = Path(tempfile.mkdtemp(prefix=prefix))
    try:
        with (folder / LOCK).open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)

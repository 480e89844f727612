"""A PostgreSQL server of our own for the time of the tests: a new cluster in a temporary folder, with a socket there.

Nothing of an installed server is touched. The server refuses to run as root, so for root it runs as ``postgres``.
"""

import glob
import itertools
import os
import pwd
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psycopg
from ending import own_folder, with_parent

SUPERUSER = "fairhearing"
ANSWERS_WITHIN_SEC = 600  # a shared machine may be slow; only what never ends is wrong
# Tests may lose their data when the machine stops; they kill processes, never the power.
FAST = {
    "fsync": "off",
    "full_page_writes": "off",
    "autovacuum": "off",
    "max_connections": "200",
    "shared_buffers": "64MB",
}


def programs() -> Path | None:
    """The folder of ``initdb`` and ``pg_ctl``, the newest there is, or None."""
    on_path = shutil.which("initdb")
    if on_path is not None and shutil.which("pg_ctl", path=str(Path(on_path).resolve().parent)):
        return Path(on_path).resolve().parent
    found = [Path(name).parent for name in glob.glob("/usr/lib/postgresql/*/bin/initdb")]
    return max(found, key=lambda folder: int(folder.parent.name), default=None)


class Cluster:
    """A running server; makes databases, empty or as copies of another."""

    def __init__(self, folder: Path, start: Callable[[], "subprocess.Popen[bytes]"]) -> None:
        self._folder = folder
        self._start = start
        self._server = start()
        self._numbers = itertools.count(1)

    def url(self, name: str) -> str:
        """The address of one of its databases."""
        return f"postgresql+psycopg://{SUPERUSER}@/{name}?host={self._folder}"

    def make(self, template: str | None = None) -> str:
        """A new database, empty or a copy; returns its name."""
        name = f"test{next(self._numbers)}"
        self.say(f"CREATE DATABASE {name}" + (f" TEMPLATE {template} STRATEGY FILE_COPY" if template else ""))
        return name

    def drop(self, name: str) -> None:
        """Remove a database and end whoever still uses it."""
        self.say(f"DROP DATABASE {name} WITH (FORCE)")

    def kill(self) -> None:
        """End the server and all of its processes as a crash would (SIGKILL), with nothing tidied up."""
        place = Path(f"/proc/{self._server.pid}/task/{self._server.pid}/children")
        children = [int(pid) for pid in place.read_text().split()]
        self._server.kill()
        for pid in children:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self._server.wait()
        while any(_runs(pid) for pid in children):
            time.sleep(0.01)

    def start_again(self) -> None:
        """Start the server after :meth:`kill`; it recovers from its log."""
        self._server = self._start()

    def end(self) -> None:
        """The immediate end, for good."""
        self._server.send_signal(signal.SIGQUIT)
        self._server.wait()

    def say(self, statement: str) -> None:
        """Have the server do something, outside every test's database."""
        with psycopg.connect(host=str(self._folder), user=SUPERUSER, dbname="postgres", autocommit=True) as connection:
            connection.execute(statement)


def _runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


@contextmanager
def running(bin_folder: Path) -> Iterator[Cluster]:
    """A new cluster for the time of the block."""
    with own_folder("fh-pg-") as folder, (folder / "log").open("w") as log:
        as_user: list[str] = []
        if os.geteuid() == 0:
            shutil.chown(folder, "postgres", pwd.getpwnam("postgres").pw_gid)
            as_user = ["--reuid=postgres", "--regid=postgres", "--init-groups"]
        before = with_parent("QUIT", *as_user)  # the server's immediate end
        data = str(folder / "data")
        made = subprocess.run(
            [
                *before, str(bin_folder / "initdb"), "-D", data, "-U", SUPERUSER, "-A", "trust", "-E", "UTF8",
                "--no-locale", "--no-sync",
            ],
            capture_output=True, text=True, cwd=folder,
        )  # fmt: skip
        assert made.returncode == 0, made.stdout + made.stderr
        # No port, so none to clash.
        options = {"listen_addresses": "", "unix_socket_directories": str(folder), **FAST}
        said = [word for name, value in options.items() for word in ("-c", f"{name}={value}")]
        command = [*before, str(bin_folder / "postgres"), "-D", data, *said]

        def start() -> "subprocess.Popen[bytes]":
            server = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=folder)
            try:
                _wait_for(folder, server)
            except BaseException:
                server.kill()
                server.wait()
                raise
            return server

        cluster = Cluster(folder, start)
        try:
            yield cluster
        finally:
            cluster.end()


def _wait_for(folder: Path, server: "subprocess.Popen[bytes]") -> None:
    """Return once the server answers."""
    deadline = time.monotonic() + ANSWERS_WITHIN_SEC
    while True:
        assert server.poll() is None, (folder / "log").read_text()
        try:
            psycopg.connect(host=str(folder), user=SUPERUSER, dbname="postgres").close()
        except psycopg.OperationalError:
            assert time.monotonic() < deadline, (folder / "log").read_text()
            time.sleep(0.05)
        else:
            return

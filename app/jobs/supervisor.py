"""Keeping a number of worker processes alive.

Workers are spawned, never forked: a fork would share locks and connections in the middle of their work. A worker that
dies gives its job back at once and is replaced; one that dies again and again is replaced more and more slowly.
"""

import multiprocessing
import os
import signal
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.context import SpawnProcess
from multiprocessing.synchronize import Event
from typing import Any

import structlog

from app.domain.errors import FairhearingError

WATCH_SEC = 0.3  # our choice
STOP_SEC = 20.0  # our choice: a job that was begun may end; longer ones start again later
LONGEST_PAUSE_SEC = 30.0  # our choice
QUICK_DEATH_SEC = 20.0  # our choice: dying sooner after its start counts as again and again

log = structlog.get_logger("fairhearing.supervisor")


def worker_name(index: int) -> str:
    """A name that says where a worker runs: host, process to be its parent, place."""
    return f"{socket.gethostname()[:40]}:{os.getpid()}:{index}"


@dataclass(slots=True)
class _Place:
    """One worker's place."""

    name: str
    process: SpawnProcess | None = None
    started_at: float = 0.0
    quick_deaths: int = 0
    pause_until: float = 0.0


class Supervisor:
    """Runs ``target(*args, name, stopping)`` in ``count`` processes until :meth:`stop`.

    ``released(name, told)`` is called whenever a worker has ended, so that its job can be put back; ``told`` says
    whether it was stopped or ended by itself.
    """

    def __init__(
        self, target: Callable[..., None], args: tuple[Any, ...], count: int, released: Callable[[str, bool], object]
    ) -> None:
        self._target = target
        self._args = args
        self._released = released
        self._spawn = multiprocessing.get_context("spawn")
        self._stopping: Event = self._spawn.Event()
        self._places = [_Place(worker_name(index)) for index in range(count)]
        self._thread = threading.Thread(target=self._watch, name="fairhearing-supervisor", daemon=True)
        self._over = threading.Event()

    def start(self) -> None:
        """Start the workers and watch them from a thread."""
        self._thread.start()

    def pids(self) -> list[int]:
        """Process ids of the workers alive now."""
        alive = [place.process for place in self._places if place.process is not None and place.process.is_alive()]
        return [process.pid for process in alive if process.pid is not None]

    def stop(self, within_sec: float = STOP_SEC) -> None:
        """Let every worker finish the job it has begun, then end those that take longer. Returns when all are gone."""
        self._stopping.set()
        self._over.set()
        self._thread.join()
        deadline = time.monotonic() + within_sec
        for place in self._places:
            process = place.process
            if process is None:
                continue
            process.join(max(0.0, deadline - time.monotonic()))
            if process.is_alive():
                process.kill()
                process.join()
            self._release(place, told=True)

    def _release(self, place: _Place, *, told: bool) -> bool:
        try:
            self._released(place.name, told)
        except FairhearingError as error:
            log.warning("not_released", worker=place.name, code=error.code)  # the lease runs out by itself
            return False
        return True

    def _watch(self) -> None:
        # Ctrl-C reaches every process of the terminal, but only the server decides: workers inherit this thread's mask.
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        while not self._over.is_set():
            for place in self._places:
                self._mind(place)
            self._over.wait(WATCH_SEC)

    def _mind(self, place: _Place) -> None:
        now = time.monotonic()
        process = place.process
        if process is not None and process.is_alive():
            return
        if process is not None:
            if not self._release(place, told=False):
                return  # the next worker bears the same name, so it has to wait until its predecessor's job is put back
            place.process = None
            quick = now - place.started_at < QUICK_DEATH_SEC
            place.quick_deaths = place.quick_deaths + 1 if quick else 0
            place.pause_until = now + (min(LONGEST_PAUSE_SEC, 2.0 ** (place.quick_deaths - 1) - 1) if quick else 0.0)
            log.warning("worker_ended", worker=place.name, exit_code=process.exitcode)
        if now >= place.pause_until:
            place.process = self._spawn.Process(
                target=self._target, args=(*self._args, place.name, self._stopping), name=place.name, daemon=True
            )
            place.process.start()
            place.started_at = now


def end_with_parent(parent_pid: int, every_sec: float = 1.0) -> None:
    """In a worker: end at once when the process that started it is gone, so that no orphan keeps a job."""

    def watch() -> None:
        while os.getppid() == parent_pid:
            time.sleep(every_sec)
        os._exit(3)  # nothing to tidy: the lease runs out by itself

    threading.Thread(target=watch, name="fairhearing-orphan-watch", daemon=True).start()

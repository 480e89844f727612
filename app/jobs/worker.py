"""One worker: claim, compute, save, again. The lease is renewed from a second thread while the task computes."""

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import structlog

from app.domain.errors import FairhearingError
from app.jobs.ledger import Claimed, LeaseLost, Ledger, Task

IDLE_SEC = 0.4  # our choice: how long a waiting take goes unnoticed at most
RETRY_SEC = 5.0  # our choice: times the attempt
BEATS_PER_LEASE = 4  # our choice: two may be late or lost
SHORTEST_BEAT_SEC = 0.5

log = structlog.get_logger("fairhearing.worker")


@dataclass(slots=True)
class _Pulse:
    """What the computing thread tells the beating thread, and back."""

    progress: float = 0.0
    text: str = ""
    lost: bool = False
    over: threading.Event = field(default_factory=threading.Event)


class Worker:
    """Runs ``tasks`` (by kind of job) until ``stopping`` is set; a job that was begun is finished first."""

    def __init__(
        self,
        name: str,
        ledger: Ledger,
        tasks: Mapping[str, Task],
        stopping: Callable[[], bool],
        *,
        lease_sec: float,
        idle: Callable[[float], object],
    ) -> None:
        self._name = name
        self._ledger = ledger
        self._tasks = tasks
        self._stopping = stopping
        self._lease_sec = lease_sec
        self._idle = idle  # waits, but returns early when the worker is to stop

    def run(self) -> None:
        """Work until told to stop. Trouble with the database is waited out."""
        while not self._stopping():
            try:
                worked = self.run_one()
            except FairhearingError as error:
                log.warning("ledger_unavailable", code=error.code)
                worked = False
            if not worked:
                self._idle(IDLE_SEC)

    def run_one(self) -> bool:
        """Do one job if there is one. Returns whether there was."""
        job = self._ledger.claim(self._name, self._lease_sec)
        if job is None:
            return False
        log.info("job_started", job=job.id, kind=job.kind, attempt=job.attempt)
        pulse = _Pulse()
        beating = threading.Thread(target=self._beat, args=(job, pulse), name="fairhearing-lease", daemon=True)
        beating.start()
        try:
            self._compute(job, pulse)
        finally:
            pulse.over.set()
            beating.join()
        return True

    def _compute(self, job: Claimed, pulse: _Pulse) -> None:
        def progress(share: float, text: str) -> None:
            if pulse.lost:
                raise LeaseLost
            pulse.progress, pulse.text = min(1.0, max(0.0, share)), text

        try:
            save = self._tasks[job.kind](job.payload, progress)
            saved = self._ledger.finish(job.id, self._name, save)
        except LeaseLost:
            log.warning("job_lost", job=job.id)
        except FairhearingError as error:
            # Said on purpose: the input is what it is, and trying again would say the same.
            again = RETRY_SEC * job.attempt if error.code == "unavailable" else None
            self._ledger.give_up(job.id, self._name, error.sentence, retry_after_sec=again)
            log.info("job_refused", job=job.id, code=error.code)
        except Exception as error:
            log.exception("job_failed", job=job.id, kind=job.kind, attempt=job.attempt)
            sentence = f"The work failed inside Fairhearing ({type(error).__name__}); recordings and sheets are safe."
            self._ledger.give_up(job.id, self._name, sentence, retry_after_sec=RETRY_SEC * job.attempt)
        else:
            log.info("job_done" if saved else "job_lost", job=job.id)

    def _beat(self, job: Claimed, pulse: _Pulse) -> None:
        interval = max(min(self._lease_sec / BEATS_PER_LEASE, 1.0), min(SHORTEST_BEAT_SEC, self._lease_sec / 2))
        while not pulse.over.wait(interval):
            try:
                held = self._ledger.keep(job.id, self._name, self._lease_sec, pulse.progress, pulse.text)
            except FairhearingError as error:
                log.warning("lease_not_renewed", job=job.id, code=error.code)
                continue
            if not held:
                pulse.lost = True
                return

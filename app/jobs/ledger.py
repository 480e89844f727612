"""What the engine needs of whatever keeps the list of jobs."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

Progress = Callable[[float, str], None]  # share done from 0 to 1, and what is being done
Save = Callable[[Any], None]  # writes a result in the transaction that marks the job as done
Task = Callable[[Mapping[str, Any], Progress], Save]


@dataclass(frozen=True, slots=True)
class Claimed:
    """A job this worker holds until its lease ends."""

    id: str
    kind: str
    payload: Mapping[str, Any]
    attempt: int  # 1 on the first try


class LeaseLost(Exception):
    """Another worker has this job now; whatever this one computes is thrown away."""


class Ledger(Protocol):
    """The list of jobs. Every method is one transaction."""

    def claim(self, worker: str, lease_sec: float) -> Claimed | None:
        """Take the most urgent job that waits or whose lease has run out, or None."""

    def keep(self, job_id: str, worker: str, lease_sec: float, progress: float, text: str) -> bool:
        """Extend the lease and show progress; False when the job is no longer this worker's."""

    def finish(self, job_id: str, worker: str, save: Save) -> bool:
        """Save the result and mark the job as done, both or neither; False when it is no longer this worker's."""

    def give_up(self, job_id: str, worker: str, sentence: str, *, retry_after_sec: float | None) -> None:
        """Note why it failed; try again later, or (None, or no tries left) set it aside."""

    def release(self, worker: str, *, forgive: bool) -> int:
        """Put back what a worker that ended left, for others to start at once; the try counts unless forgiven."""

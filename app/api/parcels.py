"""Files made on request that wait a moment to be fetched: in memory only, because they carry names.

A parcel belongs to whoever asked for it and is gone after it was fetched, or after a while.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from app.domain.errors import NotFound
from app.domain.ids import new_id

WAITS_SEC = 900.0  # our choice: somebody may answer the door first
MOST = 4  # our choice: a ZIP of 60 sheets has 8 MB


@dataclass(frozen=True, slots=True)
class Parcel:
    """What waits, for whom, since when."""

    owner: str
    content: bytes
    since: float


class Parcels:
    """The parcels of one server. Threads may share it."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._waiting: dict[str, Parcel] = {}

    def put(self, owner: str, content: bytes) -> str:
        """Let a file wait for ``owner``; returns its id. The oldest makes room when there are many."""
        parcel_id = new_id()
        with self._lock:
            self._drop_old()
            while len(self._waiting) >= MOST:
                del self._waiting[next(iter(self._waiting))]
            self._waiting[parcel_id] = Parcel(owner, content, self._clock())
        return parcel_id

    def take(self, parcel_id: str, owner: str) -> bytes:
        """Fetch a file, once; ``NotFound`` when it is not there (any more) or waits for somebody else."""
        with self._lock:
            self._drop_old()
            found = self._waiting.get(parcel_id)
            if found is None or found.owner != owner:
                raise NotFound("This file is not there any more; make it again.")
            del self._waiting[parcel_id]
            return found.content

    def _drop_old(self) -> None:
        now = self._clock()
        self._waiting = {i: p for i, p in self._waiting.items() if now - p.since <= WAITS_SEC}

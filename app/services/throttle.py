"""Slowing down guessing without letting a guesser lock anybody out.

Only failures count, and they count against whoever failed: the pair of client address and name, and the address as a
whole. A device that has signed in before carries a marker and is counted by itself, so that failures of strangers
behind the same address (a school's network, a proxy) never close the door on it.
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from app.domain.errors import TooMany


@dataclass(frozen=True, slots=True)
class Limit:
    """At most ``failures`` within ``window_sec`` seconds."""

    failures: int
    window_sec: float


SIGN_IN_PER_NAME = Limit(8, 300.0)  # our choice: a forgetful leader gets through, a dictionary does not
SIGN_IN_PER_ADDRESS = Limit(60, 300.0)  # our choice
JOIN_PER_ADDRESS = Limit(40, 60.0)  # our choice; a link's secret has 256 bits, this only saves work
MOST_KEYS = 20_000  # our choice: beyond this the oldest are forgotten, so memory stays bounded


class Throttle:
    """Counts failures per key in a sliding window. Threads may share it; ``clock`` gives seconds that never go back."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._failures: dict[str, deque[float]] = {}
        self._guard = threading.Lock()

    def check(self, key: str, limit: Limit) -> None:
        """Raise ``TooMany`` with the seconds to wait when ``key`` has used up ``limit``."""
        now = self._clock()
        with self._guard:
            times = self._recent(key, limit, now)
            if len(times) < limit.failures:
                return
            wait_sec = max(1, round(times[0] + limit.window_sec - now + 0.5))
        raise TooMany(
            f"Too many failed attempts from this device; wait {wait_sec} seconds, then try again.", wait_sec=wait_sec
        )

    def failed(self, key: str, limit: Limit) -> None:
        """Count one failure of ``key``."""
        now = self._clock()
        with self._guard:
            times = self._recent(key, limit, now)
            times.append(now)
            self._failures.pop(key, None)
            self._failures[key] = times  # moved to the end: the first key is the one quiet for longest
            while len(self._failures) > MOST_KEYS:
                del self._failures[next(iter(self._failures))]

    def succeeded(self, key: str) -> None:
        """Forget the failures of ``key``."""
        with self._guard:
            self._failures.pop(key, None)

    def _recent(self, key: str, limit: Limit, now: float) -> "deque[float]":
        times = self._failures.get(key, deque())
        while times and times[0] <= now - limit.window_sec:
            times.popleft()
        return times

"""Counting what the server does, for whoever watches it: requests by route and status, and how long they took.

Routes are counted by their pattern, so no id and no name is ever a label. Shown in the text format that Prometheus
reads (version 0.0.4 of its exposition format).
"""

import threading
import time
from collections import Counter
from collections.abc import Iterable, Mapping

BOUNDS_SEC = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0)  # our choice; sheets aim at 0.1


class Metrics:
    """Counts since the start of this server. Threads may share it."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._started = time.monotonic()
        self._requests: Counter[tuple[str, str, int]] = Counter()
        self._buckets: Counter[tuple[str, float]] = Counter()
        self._seconds: dict[str, float] = {}

    def answered(self, method: str, route: str, status: int, seconds: float) -> None:
        """Count one answered request."""
        name = f"{method} {route}"
        with self._guard:
            self._requests[method, route, status] += 1
            self._seconds[name] = self._seconds.get(name, 0.0) + seconds
            for bound in BOUNDS_SEC:
                if seconds <= bound:
                    self._buckets[name, bound] += 1

    def text(self, gauges: Mapping[str, float]) -> str:
        """Everything as text; ``gauges`` are present values by name (with labels in braces where there are any)."""
        with self._guard:
            requests, buckets, seconds = dict(self._requests), dict(self._buckets), dict(self._seconds)
        lines = ["# TYPE fairhearing_requests_total counter"]
        for (method, route, status), count in sorted(requests.items()):
            lines.append(f'fairhearing_requests_total{{method="{method}",route="{route}",status="{status}"}} {count}')
        lines.append("# TYPE fairhearing_request_seconds histogram")
        for name in sorted(seconds):
            label = f'request="{name}"'
            total = sum(c for (method, route, _), c in requests.items() if f"{method} {route}" == name)
            lines += [
                f'fairhearing_request_seconds_bucket{{{label},le="{bound:g}"}} {buckets.get((name, bound), 0)}'
                for bound in BOUNDS_SEC
            ]
            lines.append(f'fairhearing_request_seconds_bucket{{{label},le="+Inf"}} {total}')
            lines.append(f"fairhearing_request_seconds_sum{{{label}}} {seconds[name]:.6f}")
            lines.append(f"fairhearing_request_seconds_count{{{label}}} {total}")
        present = {**gauges, "fairhearing_up_seconds": round(time.monotonic() - self._started, 1)}
        lines += _gauge_lines(present.items())
        return "\n".join(lines) + "\n"


def _gauge_lines(gauges: Iterable[tuple[str, float]]) -> list[str]:
    lines: list[str] = []
    typed: set[str] = set()
    for name, value in gauges:
        bare = name.partition("{")[0]
        if bare not in typed:
            typed.add(bare)
            lines.append(f"# TYPE {bare} gauge")
        lines.append(f"{name} {value:g}")
    return lines

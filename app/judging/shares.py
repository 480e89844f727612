"""Two shares that a student can count: notes in tune, notes in time. The default measures of pitch and rhythm marks.

A median forgets the few places that a panel remembers: one short tie in four phrases leaves it untouched. A share
counts every miss once. Both carry a Wilson score interval (Wilson 1927; the formula from memory, checked in the tests
against statsmodels), because some sixty notes can't fix a share to the last per cent.
"""

import math
from dataclasses import dataclass

from app.domain.findings import Findings

IN_TUNE_CENTS = 10.0  # wind students tell 10 cents well (LSU dissertation 3723; Hill & Summers 2007)
#: In time: within a twentieth of the beat, or 30 ms where that is more. Friberg & Sundberg 1995 put the just noticeable
#: at 2.5 % of the interval; a room and a reed blur it, so twice that. Our choice.
IN_TIME_BEATS = 0.05
IN_TIME_MS = 30.0
HELD_LOSS_BEATS = 0.15  # a held note that gives up more than this is a miss; our choice
Z_NINE_IN_TEN = 1.645


@dataclass(frozen=True, slots=True)
class Share:
    """``hits`` of ``count`` notes; ``judged`` of them could be measured at all."""

    hits: int
    count: int
    judged: int

    @property
    def value(self) -> float:
        """The share, 0 to 1; ``count`` must be above 0."""
        return self.hits / self.count

    @property
    def interval(self) -> tuple[float, float]:
        """Nine-in-ten Wilson score interval of the share."""
        return wilson(self.hits, self.count)


def wilson(hits: int, count: int, z: float = Z_NINE_IN_TEN) -> tuple[float, float]:
    """Wilson score interval of a share of ``count`` > 0 trials."""
    p, q = hits / count, z * z / count
    middle = (p + q / 2) / (1 + q)
    half = z * math.sqrt(p * (1 - p) / count + q / (4 * count)) / (1 + q)
    return max(0.0, middle - half), min(1.0, middle + half)


def share_in_tune(findings: Findings) -> Share:
    """Notes within :data:`IN_TUNE_CENTS`. Wrong and left-out notes miss; notes that can't be judged don't count."""
    hits = misses = judged = 0
    for note in findings.notes:
        if note.grace:
            continue
        if note.status != "played":
            misses += 1
        elif note.deviation_cents is not None:
            judged += 1
            inside = abs(note.deviation_cents) <= IN_TUNE_CENTS
            hits, misses = hits + inside, misses + (not inside)
    return Share(hits, hits + misses, judged)


def share_in_time(findings: Findings) -> Share:
    """Notes that come in time and, when held, stay. Left-out notes miss, and every break is one miss more."""
    short = {
        held["note_id"]
        for held in findings.rhythm.get("held_notes") or []
        if held.get("lost_beats") is not None and held["lost_beats"] > HELD_LOSS_BEATS
    }
    late = {
        landing["note_id"]
        for landing in findings.rhythm.get("landings") or []
        if landing.get("timing_ms") is not None
        and abs(landing["timing_ms"]) > max(IN_TIME_MS, 2.0 * (landing.get("uncertainty_ms") or 0.0))
    }
    hits = judged = 0
    misses = len(findings.breaks)
    for note in findings.notes:
        if note.grace:
            continue
        if note.status == "omitted":
            misses += 1
        elif note.timing_ms is not None and note.timing_beats is not None:
            judged += 1
            punctual = abs(note.timing_beats) <= IN_TIME_BEATS or abs(note.timing_ms) <= IN_TIME_MS
            inside = punctual and note.note_id not in short and note.note_id not in late
            hits, misses = hits + inside, misses + (not inside)
    return Share(hits, hits + misses, judged)

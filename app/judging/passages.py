"""Which bars to hear again for one caption: where the findings lie furthest off, worst first.

Only bar numbers come out; what they mean is for the ear.
"""

from typing import Any

from app.domain.findings import Findings

#: A short list is heard, a long one isn't. Our choice.
MOST_BARS = 3


def bars_to_hear(findings: Findings, caption: str) -> tuple[str, ...]:
    """At most :data:`MOST_BARS` printed bar numbers for one of the four captions; empty when none stand out."""
    if not findings.usable:
        return ()
    weighed = _WEIGHED[caption](findings) if caption in _WEIGHED else []
    worst: dict[str, float] = {}
    for bar, weight in weighed:
        worst[bar] = max(worst.get(bar, 0.0), weight)
    ordered = sorted(worst, key=lambda bar: -worst[bar])
    return tuple(ordered[:MOST_BARS])


def _pitch(findings: Findings) -> list[tuple[str, float]]:
    semitone_cents = 100.0  # a wrong note counts as one semitone
    return [
        (n.bar, abs(n.deviation_cents) if n.status == "played" and n.deviation_cents is not None else semitone_cents)
        for n in findings.notes
        if n.status == "wrong" or (n.status == "played" and n.deviation_cents is not None)
    ]


def _rhythm(findings: Findings) -> list[tuple[str, float]]:
    whole_beat = 1.0  # a break counts as a beat lost
    out = [(n.bar, abs(n.timing_beats)) for n in findings.notes if n.timing_beats is not None]
    return out + [(b.from_bar, whole_beat) for b in findings.breaks]


def _musicianship(findings: Findings) -> list[tuple[str, float]]:
    out: list[tuple[str, float]] = []
    phrases: list[dict[str, Any]] = findings.musicianship.get("phrases", [])
    for phrase in phrases:
        out += [(str(b["bar"]), abs(float(b["db"]))) for b in phrase.get("bumps") or [] if b.get("db") is not None]
    return out


def _tone(findings: Findings) -> list[tuple[str, float]]:
    return [(str(c["bar"]), 1.0) for c in findings.tone.get("cracked") or []]


_WEIGHED = {"pitch": _pitch, "rhythm": _rhythm, "musicianship": _musicianship, "tone": _tone}

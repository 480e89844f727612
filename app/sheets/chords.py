"""Chord figures on the sheet: members that lie off over their own root, in just and in equal reading.

A member is only named when it is off in both readings: a third that rests in its chord is no fault because a tuner
shows fourteen cents.
"""

from dataclasses import dataclass
from statistics import median

from app.domain.findings import Findings
from app.domain.piece import Piece
from app.sheets import wording
from app.sheets.looks import LOOK_CENTS, SURE
from app.sheets.models import Exercise, Finding
from app.sheets.wording import AMERICAN, Style

MEMBERS = {3: "third", 5: "fifth"}
# Chords that come to rest over their root; a diminished or augmented one has no such place to practise towards.
RESTING = ("major", "minor", "dominant seventh", "major seventh", "minor seventh")


@dataclass(frozen=True, slots=True)
class OffMember:
    """One member of one chord figure that lies off, over all its notes in the figure."""

    first_note_id: str
    last_note_id: str
    bar_first: str
    bar_last: str
    chord: str  # "D minor" as written
    root: str
    written_pitch: str
    degree: int
    just_cents: float
    equal_cents: float
    uncertainty_cents: float


def off_members(findings: Findings) -> list[OffMember]:
    """Members off beyond their uncertainty in both readings, the furthest first."""
    found = []
    for figure in findings.pitch.get("chord_figures", ()):
        if figure["quality"] not in RESTING:
            continue
        by_pitch: dict[str, list[dict[str, float]]] = {}
        for n in figure["notes"]:
            if n["degree"] in MEMBERS and n["just_cents"] is not None and n["equal_cents"] is not None:
                by_pitch.setdefault(n["written_pitch"], []).append(n)
        for written, notes in by_pitch.items():
            just, equal = median(n["just_cents"] for n in notes), median(n["equal_cents"] for n in notes)
            doubt = max(float(n.get("uncertainty_cents") or 0.0) for n in notes)
            least = max(LOOK_CENTS, SURE * doubt)
            if abs(just) >= least and abs(equal) >= least and just * equal > 0:
                found.append(
                    OffMember(
                        first_note_id=figure["note_ids"][0],
                        last_note_id=figure["note_ids"][-1],
                        bar_first=figure["bar_first"],
                        bar_last=figure["bar_last"],
                        chord=figure["name"],
                        root=figure["root_written"],
                        written_pitch=written,
                        degree=int(notes[0]["degree"]),
                        just_cents=just,
                        equal_cents=equal,
                        uncertainty_cents=doubt,
                    )
                )
    return sorted(found, key=lambda m: -min(abs(m.just_cents), abs(m.equal_cents)))


def chord_finding(piece: Piece, findings: Findings, style: Style = AMERICAN) -> Finding | None:
    """The member that lay furthest off, with both readings."""
    off = off_members(findings)
    if not off:
        return None
    worst = off[0]
    text = (
        f"In the {_chord_text(worst.chord)} chord in {wording.span_text(worst.bar_first, worst.bar_last)} the "
        f"{MEMBERS[worst.degree]}, {wording.note_text(worst.written_pitch, style.bottom_line(piece))}, lay "
        f"{wording.sharp_or_flat(worst.just_cents)} of its resting place over the root "
        f"({wording.signed(worst.equal_cents)} cents on a tuner)."
    )
    return Finding("pitch", text, 0.9 * abs(worst.just_cents) / LOOK_CENTS)


def chord_exercise(piece: Piece, findings: Findings, style: Style = AMERICAN) -> Exercise | None:
    """The chord built up from its root over a drone."""
    off = off_members(findings)
    if not off:
        return None
    worst = off[0]
    concert = wording.sounding_class(worst.root, piece)
    drone = f"your {wording.spoken_class(worst.root)}"
    if concert != worst.root:
        drone += f" (concert {wording.spoken_class(concert)})"
    name = wording.pitch_text(worst.written_pitch)
    text = (
        f"{name}, the {MEMBERS[worst.degree]} of {_chord_text(worst.chord)}, lay "
        f"{wording.sharp_or_flat(worst.just_cents)} of where it rests. Drone on {drone}: play root and "
        f"{MEMBERS[worst.degree]} slowly back and forth, then the whole chord up and down, then the bars as written "
        "with the drone still on."
    )
    where = wording.span_text(worst.bar_first, worst.bar_last)
    weight = 0.85 * abs(worst.just_cents) / LOOK_CENTS
    return Exercise("chord", f"Build the {_chord_text(worst.chord)} chord from its root", where, text, weight)


def short_text(member: OffMember) -> str:
    """The two readings for a lane: "D minor: F −14 cents just, −12 equal"."""
    name = wording.pitch_text(member.written_pitch)
    readings = f"{wording.signed(member.just_cents)} cents just, {wording.signed(member.equal_cents)} equal"
    return f"{_chord_text(member.chord)}: {name} {readings}"


def _chord_text(name: str) -> str:
    root, _, quality = name.partition(" ")
    return f"{wording.pitch_text(root)} {quality}"

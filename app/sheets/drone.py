"""The drone exercise: which notes to tune against what, and where they lie now.

A third, fourth, fifth or sixth comes to rest over the tonic; a second or a seventh does not, so such a note gets a
drone of its own name first.
"""

from typing import Any

from app.domain.findings import Findings
from app.domain.piece import Piece
from app.material.pitch_names import pitch
from app.sheets import wording
from app.sheets.findings_in_words import strongest_tendencies, tendency_bars
from app.sheets.looks import LOOK_CENTS
from app.sheets.models import Exercise
from app.sheets.wording import AMERICAN, Style

# Just intervals over the tonic against equal temperament in cents, by semitones above it: 1200 log2(ratio) - 100 n for
# 6/5, 5/4, 4/3, 3/2, 8/5 and 5/3.
JUST_OFFSETS = {0: 0.0, 3: 15.6, 4: -13.7, 5: -2.0, 7: 2.0, 8: 13.7, 9: -15.6}
DEGREES = {3: "minor third", 4: "major third", 8: "minor sixth", 9: "major sixth"}
STRONG_CENTS = 5.0  # a just interval this close to the tuner's needs no word; our choice
MOST_NOTES = 3
MOST_BARS = 6


def drone_tonic(piece: Piece) -> tuple[str, bool]:
    """The written pitch class to drone on, and whether it is a guess from the key signature and the last note."""
    if piece.tonic_written:
        return piece.tonic_written, False
    fifths = piece.bars[0].fifths
    minor = _on_line_of_fifths(fifths + 3)
    last = next((n for n in reversed(piece.notes) if not n.grace and not n.unpitched), None)
    if last is not None and last.written_pitch.rstrip("-0123456789") == minor:
        return minor, True
    return _on_line_of_fifths(fifths), True


def drone_exercise(piece: Piece, findings: Findings, style: Style = AMERICAN) -> Exercise | None:
    """Notes that lie off to one side, tuned against a drone; None when none lies off for sure."""
    off = strongest_tendencies(findings)
    if not off:
        return None
    tonic, guessed = drone_tonic(piece)
    sharp = off[0]["median_cents"] > 0
    side = [t for t in off if (t["median_cents"] > 0) == sharp][:MOST_NOTES]
    bars = {b for t in side for b in tendency_bars(piece, findings, t["written_pitch"], sharp)}
    order = [b for b in dict.fromkeys(bar.number for bar in piece.bars) if b in bars]
    lies = [
        f"{wording.note_text(t['written_pitch'], style.bottom_line(piece))} {wording.sharp_or_flat(t['median_cents'])}"
        for t in side
    ]
    resting = [t for t in side if _above(t, tonic) in JUST_OFFSETS]
    leading = [t for t in side if t not in resting]
    way = "down" if sharp else "up"
    sentences = [f"How {'it lies' if len(side) == 1 else 'they lie'} now: {wording.and_list(lies)}."]
    if resting:
        drone = _drone(tonic, piece) + (" (read from the key signature)" if guessed else "")
        which = "each of these notes" if not leading and len(side) > 1 else _names(resting)
        sentences.append(
            f"Set a quiet drone on {drone}. Hold {which} against it for two slow breaths, moving {way} until the "
            f"beating stops.{_just(resting, tonic)}"
        )
    if leading:
        name = leading[0]["written_pitch"].rstrip("-0123456789")
        others = f", the same for {_names(leading[1:])}" if len(leading) > 1 else ""
        sentences.append(
            f"For {wording.pitch_text(name)} set the drone to {_drone(name, piece)} itself and melt into it{others}."
        )
    sentences.append("Then step to it from the note before it, as in the bars.")
    names = list(dict.fromkeys(wording.pitch_text(t["written_pitch"]) for t in side))
    weight = abs(off[0]["median_cents"]) / LOOK_CENTS * min(3, off[0]["count"]) ** 0.5
    where = wording.places_text(order, MOST_BARS)
    return Exercise("drone", f"Bring {wording.and_list(names)} {way}", where, " ".join(sentences), weight)


def _on_line_of_fifths(place: int) -> str:
    return "FCGDAEB"[(place + 1) % 7] + {-2: "bb", -1: "b", 0: "", 1: "#", 2: "##"}[(place + 1) // 7]


def _above(tendency: dict[str, Any], tonic: str) -> int:
    """Semitones from the tonic up to this note, within the octave."""
    return (pitch(tendency["written_pitch"]).midi - pitch(tonic + "4").midi) % 12


def _drone(written: str, piece: Piece) -> str:
    concert = wording.sounding_class(written, piece)
    shown = f"your {wording.spoken_class(written)}"
    return shown if concert == written else f"{shown} (concert {wording.spoken_class(concert)})"


def _names(tendencies: list[dict[str, Any]]) -> str:
    return wording.and_list(list(dict.fromkeys(wording.pitch_text(t["written_pitch"]) for t in tendencies)))


def _just(resting: list[dict[str, Any]], tonic: str) -> str:
    for t in resting:
        above = _above(t, tonic)
        offset = JUST_OFFSETS[above]
        if abs(offset) >= STRONG_CENTS:
            name = wording.pitch_text(t["written_pitch"])
            return (
                f" {name} is the {DEGREES[above]}: over the drone it rests {abs(offset):.0f} cents "
                f"{'above' if offset > 0 else 'below'} what a tuner shows."
            )
    return ""

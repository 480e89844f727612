"""What a section's takes have in common: pitches that lie off, bars where most fell, captions the panel doubts.

No names and no numbers go in: a report about a section says nothing about one player.
"""

import math
import statistics
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from scipy.special import stdtrit

from app.domain.findings import is_unpitched

OUT_OF_TUNE_CENTS = 20.0  # our choice: heard by any section leader
FEWEST_PLAYERS = 2  # one player is no section
SURE = 0.95


FAULTS = ("wrong", "omitted", "breaks", "tune")


@dataclass(frozen=True, slots=True)
class PlayedTake:
    """What one player's findings of one piece say of the section: a thousandth of the findings themselves."""

    player: str  # any key that tells players apart
    instrument: str
    piece_id: str
    is_notated: bool  # without notation there are no bars, and names of notes are the commonest
    is_unpitched: bool
    tendencies: tuple[tuple[str, int, float, int], ...]  # (written pitch, sounding MIDI number, cents, notes)
    bars: tuple[str, ...]  # in order
    fell: Mapping[str, frozenset[str]]  # by kind of ``FAULTS``: the bars in which it happened


def played_take(
    player: str, instrument: str, piece_id: str, findings: Mapping[str, Any], reference_cents: float = 0.0
) -> PlayedTake:
    """From a take's findings; ``reference_cents``: where the reference its cents are counted from lies against the
    audition's."""
    notated = bool(findings.get("notated", True))
    return PlayedTake(
        player,
        instrument,
        piece_id,
        is_notated=notated,
        is_unpitched=is_unpitched(findings["notes"]),
        tendencies=tuple(
            (
                one["written_pitch"],
                int(one["sounding_midi"]),
                float(one["median_cents"]) + reference_cents,
                int(one["count"]),
            )
            for one in findings["pitch"].get("tendencies", [])
        ),
        bars=tuple(dict.fromkeys(note["bar"] for note in findings["notes"])) if notated else (),
        fell=_faults(findings) if notated else {},
    )


@dataclass(frozen=True, slots=True)
class SectionTendency:
    """How far a written pitch lies off across the players of an instrument, in cents; low and high bound 95 %."""

    instrument: str
    written_pitch: str
    sounding_midi: int
    mean_cents: float
    low_cents: float | None
    high_cents: float | None
    why_no_range: str
    players: int
    notes: int

    @property
    def is_sure(self) -> bool:
        """Whether the range leaves zero out."""
        return self.low_cents is not None and self.high_cents is not None and self.low_cents * self.high_cents > 0


@dataclass(frozen=True, slots=True)
class SectionBar:
    """A bar and how many of those who played the piece fell in it."""

    piece_id: str
    bar: str
    players: int
    fell: int  # players with anything of what follows
    wrong: int
    omitted: int
    breaks: int
    out_of_tune: int


@dataclass(frozen=True, slots=True)
class CaptionDoubt:
    """How far adjudicators lie apart on a caption: the mean over candidates of the spread of their marks."""

    piece_id: str
    caption: str
    mean_spread: float  # standard deviation, in marks
    widest: float  # greatest difference between two adjudicators
    cells: int  # candidates with two marks or more


def tendencies(takes: Sequence[PlayedTake]) -> tuple[SectionTendency, ...]:
    """One per instrument and written pitch, by pitch. A player counts once, whatever the number of notes."""
    found: dict[tuple[str, str, int], dict[str, list[tuple[float, int]]]] = defaultdict(lambda: defaultdict(list))
    names: dict[tuple[str, int], str] = {}
    for take in sorted(takes, key=lambda take: not take.is_notated):  # a page's names before those without one
        for name, midi, cents, count in take.tendencies:
            printed = names.setdefault((take.instrument, midi), name)
            key = (take.instrument, name if take.is_notated else printed, midi)
            found[key][take.player].append((cents, count))
    out = []
    for (instrument, name, midi), players in found.items():
        each = [
            sum(cents * count for cents, count in seen) / sum(count for _, count in seen) for seen in players.values()
        ]
        notes = sum(count for seen in players.values() for _, count in seen)
        low, high, why = _range(each)
        mean = statistics.fmean(each)
        out.append(SectionTendency(instrument, name, midi, mean, low, high, why, len(each), notes))
    return tuple(sorted(out, key=lambda one: (one.instrument, one.sounding_midi, one.written_pitch)))


def bars(takes: Sequence[PlayedTake]) -> tuple[SectionBar, ...]:
    """Every bar of every piece with notation in order; each player counts once in a bar."""
    out = []
    ordered = sorted((take for take in takes if take.is_notated), key=lambda take: take.piece_id)
    for piece_id, group in groupby(ordered, key=lambda take: take.piece_id):
        played = list(group)
        players = len({take.player for take in played})
        counts: dict[str, Counter[str]] = {kind: Counter() for kind in FAULTS}
        fell: Counter[str] = Counter()
        for take in played:
            for kind in FAULTS:
                counts[kind].update(take.fell[kind])
            fell.update(frozenset().union(*take.fell.values()))
        for bar in dict.fromkeys(bar for take in played for bar in take.bars):
            out.append(SectionBar(piece_id, bar, players, fell[bar], *(counts[kind][bar] for kind in FAULTS)))
    return tuple(out)


def doubts(marks: Iterable[tuple[str, str, str, str, float]]) -> tuple[CaptionDoubt, ...]:
    """From (candidate, adjudicator, piece, caption, mark): the captions the panel agrees on least, most doubt first."""
    cells: dict[tuple[str, str], dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for candidate, _adjudicator, piece_id, caption, mark in marks:
        cells[(piece_id, caption)][candidate].append(mark)
    out = []
    for (piece_id, caption), by_candidate in cells.items():
        several = [given for given in by_candidate.values() if len(given) > 1]
        if several:
            spread = statistics.fmean(statistics.stdev(given) for given in several)
            widest = max(max(given) - min(given) for given in several)
            out.append(CaptionDoubt(piece_id, caption, spread, widest, len(several)))
    return tuple(sorted(out, key=lambda one: (-one.mean_spread, one.piece_id, one.caption)))


def _range(each: Sequence[float]) -> tuple[float | None, float | None, str]:
    """Student's range for the mean over players."""
    if len(each) < FEWEST_PLAYERS:
        return None, None, "one player only"
    mean, error = statistics.fmean(each), statistics.stdev(each) / math.sqrt(len(each))
    reach = float(stdtrit(len(each) - 1, (1 + SURE) / 2)) * error
    return mean - reach, mean + reach, ""


def _faults(findings: Mapping[str, Any]) -> dict[str, frozenset[str]]:
    """The bars of one take in which something happened, by kind."""
    out: dict[str, set[str]] = {kind: set() for kind in FAULTS}
    for note in findings["notes"]:
        if note["status"] in ("wrong", "omitted"):
            out[note["status"]].add(note["bar"])
        cents, doubt = note.get("deviation_cents"), note.get("deviation_uncertainty_cents") or 0.0
        if note["status"] == "played" and cents is not None and abs(cents) - 2 * doubt > OUT_OF_TUNE_CENTS:
            out["tune"].add(note["bar"])
    out["breaks"] |= {one["from_bar"] for one in findings["breaks"]}
    return {kind: frozenset(where) for kind, where in out.items()}

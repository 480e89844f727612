"""A piece and a plan of faults -> performed notes with known truth.

Used by the demonstration and by tests: what is planted here must come back out of ``app.listening``.
Positions in the plan are written as a player would say them (bar, beat, written pitch); times are seconds from the
start of the take. Nothing here listens: the truth is exact by construction.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.domain.errors import BadInput
from app.domain.piece import Piece, PieceNote
from app.material.planted import FAULTS, Draft

GRACE_SEC = 0.075  # our choice: length of one grace note
TRILL_FIRST_SEC = 0.11  # our choice: players dwell on a trill's first note
DYNAMIC_DB = {"ppp": -12.0, "pp": -9.0, "p": -6.0, "mp": -3.0, "mf": 0.0, "f": 4.0, "ff": 7.0, "fff": 9.0}  # our choice
ARC_DB = 5.0  # our choice: from a phrase's edge to its peak
SHORTEST_SEC = 0.02  # what is shorter can't be told from a glide; our choice
STACCATO_SHARE = 0.5  # common practice: about half the written length
TONGUED_SHARE = 0.93  # our choice: a tongued note ends a little before the next begins,
TONGUED_GAP_SEC = 0.04  # but no more than this: a long note is held


@dataclass(frozen=True, slots=True)
class PerformedNote:
    """One sounding note. ``source_note_id`` is the notated note it stands for; None for an extra one."""

    sounding_midi: int
    onset_sec: float
    length_sec: float
    cents: float = 0.0
    level_db: float = 0.0  # against the take's mezzo-forte
    slurred: bool = False  # no new attack: the pitch glides over from the note before
    vibrato_hz: float = 0.0
    vibrato_cents: float = 0.0  # half the peak-to-peak extent
    slope_cents: float = 0.0  # change over the note
    scoop_cents: float = 0.0  # how far below the note begins
    source_note_id: str | None = None
    kind: str = "note"  # note | grace | trill | trill-inside | wrong | extra

    @property
    def end_sec(self) -> float:
        """Where the note ends."""
        return self.onset_sec + self.length_sec


@dataclass(frozen=True, slots=True)
class Plan:
    """How a take is played. ``faults`` are as they stand in a plan file, see :data:`app.material.planted.FAULTS`."""

    tempo: float = 1.0  # against the metronome mark
    rubato: float = 0.0  # depth of slow tempo waves, 0.05 is five per cent
    tuning_cents: float = 0.0
    pitch_spread_cents: float = 3.0  # standard deviation from note to note
    timing_spread_ms: float = 6.0
    level_spread_db: float = 0.4
    shaping: float = 1.0  # share of the phrase arc that is played
    vibrato_hz: float = 0.0
    vibrato_cents: float = 0.0
    trill_hz: float = 6.5  # pairs of notes per second
    lead_sec: float = 0.8
    faults: tuple[dict[str, Any], ...] = field(default=())


def perform(piece: Piece, plan: Plan, rng: np.random.Generator) -> tuple[PerformedNote, ...]:
    """The notes of one take, in time order.

    Raises ``BadInput`` when a fault names a note that the piece does not have.
    """
    draft = _blank(piece, plan, rng)
    for fault in plan.faults:
        kind = str(fault.get("kind"))
        if kind not in FAULTS:
            raise BadInput(f"The plan asks for a fault '{kind}'; known are {', '.join(sorted(FAULTS))}.")
        FAULTS[kind](draft, fault)
    return tuple(_sequence(draft, plan, rng))


def _blank(piece: Piece, plan: Plan, rng: np.random.Generator) -> Draft:
    n = len(piece.notes)
    level = np.array([DYNAMIC_DB.get(note.dynamic or "mf", 0.0) * 0.5 for note in piece.notes])
    level = level + plan.shaping * _arcs(piece) + rng.normal(0.0, plan.level_spread_db, n)
    zero = np.zeros(n)
    return Draft(
        piece=piece,
        notes=list(piece.notes),
        cents=plan.tuning_cents + rng.normal(0.0, plan.pitch_spread_cents, n),
        level_db=level,
        shift_sec=rng.normal(0.0, plan.timing_spread_ms / 1000.0, n),
        gain_quarters=zero.copy(),
        wait_sec=zero.copy(),
        hold_sec=zero.copy(),
        semitones=np.zeros(n, dtype=np.int64),
        omitted=np.zeros(n, dtype=bool),
        tempo_factor=np.ones(n),
        scoop=zero.copy(),
        slope=zero.copy(),
        extra_after={},
        restarts=[],
    )


def _arcs(piece: Piece) -> NDArray[np.float64]:
    """Loudness over the phrases in dB: an even rise to the peak and an even fall, 0 at the peak."""
    arc = np.zeros(len(piece.notes))
    place = {note.note_id: i for i, note in enumerate(piece.notes)}
    for phrase in piece.phrases:
        a, b = place[phrase.start_note_id], place[phrase.end_note_id]
        peak = place[phrase.peak_note_id] if phrase.peak_note_id else (a + b) // 2
        at = np.array([note.onset_quarters for note in piece.notes[a : b + 1]])
        up = (at - at[0]) / max(piece.notes[peak].onset_quarters - at[0], 1e-9)
        down = (at[-1] - at) / max(at[-1] - piece.notes[peak].onset_quarters, 1e-9)
        arc[a : b + 1] = ARC_DB * (np.clip(np.minimum(up, down), 0.0, 1.0) - 1.0)
    return arc


def _sequence(draft: Draft, plan: Plan, rng: np.random.Generator) -> list[PerformedNote]:
    """Walk through the notes in played order (restarts included) and lay them out in time."""
    quarter = draft.piece.tempo_marks[0].quarter_sec / plan.tempo
    phase = rng.uniform(0.0, 2.0 * np.pi, 2)

    def local_quarter(i: int) -> float:
        at = draft.notes[i].onset_quarters
        wave = np.sin(at * 2 * np.pi / 13.0 + phase[0]) + 0.5 * np.sin(at * 2 * np.pi / 5.0 + phase[1])
        mark = _mark_at(draft.piece, at)
        base = quarter * mark / draft.piece.tempo_marks[0].quarter_sec
        return float(base * (1.0 - plan.rubato * wave / 1.5) / draft.tempo_factor[i])

    out: list[PerformedNote] = []
    clock = plan.lead_sec
    for i, until, pause in _order(draft):
        note = draft.notes[i]
        step = _quarters_to_next(draft, i)
        length = (step + draft.gain_quarters[i]) * local_quarter(i) + draft.hold_sec[i]
        clock += draft.wait_sec[i]
        if not note.grace:
            out.extend(_play(draft, plan, i, clock, max(length, 0.03), note.length_quarters * local_quarter(i)))
        clock += length
        if i == until:
            clock += pause
    _place_graces(draft, out)
    return _tidy(out)


def _mark_at(piece: Piece, at: float) -> float:
    current = piece.tempo_marks[0].quarter_sec
    for mark in piece.tempo_marks:
        if mark.onset_quarters <= at + 1e-9:
            current = mark.quarter_sec
    return current


def _order(draft: Draft) -> list[tuple[int, int, float]]:
    """Indices in played order; with each the index after which the player pauses before going back."""
    sequence: list[tuple[int, int, float]] = []
    start = 0
    for stop, back, pause in sorted(draft.restarts):
        sequence += [(i, stop, pause) for i in range(start, stop + 1)]
        start = back
    return sequence + [(i, -1, 0.0) for i in range(start, len(draft.notes))]


def _quarters_to_next(draft: Draft, i: int) -> float:
    note = draft.notes[i]
    if note.grace:
        return 0.0
    if i + 1 < len(draft.notes):
        return draft.notes[i + 1].onset_quarters - note.onset_quarters
    return note.length_quarters


def _play(draft: Draft, plan: Plan, i: int, clock: float, to_next: float, notated_sec: float) -> list[PerformedNote]:
    """The sounding notes of one notated note (a trill brings several), and planted extra notes after it."""
    note = draft.notes[i]
    if draft.omitted[i]:
        return []
    onset = float(clock + draft.shift_sec[i])
    follows_slur = i + 1 < len(draft.notes) and draft.notes[i + 1].slurred_from_previous
    rest_after = notated_sec < to_next - 0.05 and draft.hold_sec[i] == 0
    room = notated_sec if rest_after else to_next
    gap = 0.0 if follows_slur and not rest_after else min((1.0 - TONGUED_SHARE) * room, TONGUED_GAP_SEC)
    if "staccato" in note.articulations:
        gap = (1.0 - STACCATO_SHARE) * room
    length = float(max(0.05, room - gap))
    base = PerformedNote(
        sounding_midi=note.sounding_midi + int(draft.semitones[i]),
        onset_sec=onset,
        length_sec=length,
        cents=float(draft.cents[i]),
        level_db=float(draft.level_db[i]),
        slurred=note.slurred_from_previous,
        vibrato_hz=plan.vibrato_hz if length > 0.45 else 0.0,
        vibrato_cents=plan.vibrato_cents if length > 0.45 else 0.0,
        slope_cents=float(draft.slope[i]),
        scoop_cents=float(draft.scoop[i]),
        source_note_id=note.note_id,
        kind="wrong" if draft.semitones[i] else "note",
    )
    if note.ornament and note.ornament.kind == "trill" and note.ornament.sounding_midi:
        return _trill(base, note.ornament.sounding_midi[0], plan.trill_hz)
    if note.ornament and note.ornament.sounding_midi and note.ornament.kind != "tremolo":
        return _short_ornament(base, note)
    played = [base]
    for semitones, extra_share in draft.extra_after.get(i, []):
        cut = room * (1.0 - extra_share)
        played[-1] = replace(base, length_sec=min(length, cut * TONGUED_SHARE))
        played.append(
            replace(
                base,
                sounding_midi=note.sounding_midi + semitones,
                onset_sec=onset + cut,
                length_sec=max(0.05, (room - cut) * TONGUED_SHARE),
                slurred=False,
                source_note_id=None,
                kind="extra",
            )
        )
    return played


def _trill(base: PerformedNote, upper: int, pairs_per_sec: float) -> list[PerformedNote]:
    step = 0.5 / pairs_per_sec
    out = [replace(base, length_sec=TRILL_FIRST_SEC, kind="trill", vibrato_hz=0.0)]
    at, k = base.onset_sec + TRILL_FIRST_SEC, 1
    while at < base.end_sec - 1.5 * step:
        midi = upper if k % 2 else base.sounding_midi
        out.append(
            replace(out[0], sounding_midi=midi, onset_sec=at, length_sec=step, slurred=True, kind="trill-inside")
        )
        at, k = at + step, k + 1
    out[-1] = replace(out[-1], length_sec=base.end_sec - out[-1].onset_sec)
    return out


def _short_ornament(base: PerformedNote, note: PieceNote) -> list[PerformedNote]:
    """A mordent or turn: the auxiliaries come at once, quickly, then the main note."""
    assert note.ornament is not None
    ups = note.ornament.sounding_midi
    names = {
        "mordent": [base.sounding_midi, ups[0]],
        "inverted-mordent": [base.sounding_midi, ups[0]],
        "turn": [ups[0], base.sounding_midi, ups[-1]],
        "inverted-turn": [ups[-1], base.sounding_midi, ups[0]],
    }[note.ornament.kind]
    step = min(GRACE_SEC, base.length_sec / (len(names) + 2))
    out = [
        replace(
            base,
            sounding_midi=midi,
            onset_sec=base.onset_sec + k * step,
            length_sec=step,
            slurred=base.slurred or k > 0,
            kind="trill" if k == 0 else "trill-inside",
            vibrato_hz=0.0,
        )
        for k, midi in enumerate(names)
    ]
    return [
        *out,
        replace(
            base,
            onset_sec=out[-1].end_sec,
            length_sec=base.end_sec - out[-1].end_sec,
            slurred=True,
            kind="trill-inside",
        ),
    ]


def _place_graces(draft: Draft, out: list[PerformedNote]) -> None:
    """Grace notes come before the note they lead to, taking their time from the one before."""
    notes = draft.notes
    leaders: dict[str, list[int]] = {}
    pending: list[int] = []
    for i, note in enumerate(notes):
        if note.grace:
            pending.append(i)
        elif pending:
            leaders[note.note_id] = pending
            pending = []
    placed: list[PerformedNote] = []
    for played in list(out):
        graces = leaders.get(played.source_note_id or "", [])
        first = played.kind != "trill-inside"
        if graces and first:
            start = played.onset_sec - GRACE_SEC * len(graces)
            # What sounded before makes room: a trill's last alternations give way to the graces after it.
            out[:] = [note for note in out if not start - SHORTEST_SEC < note.onset_sec < played.onset_sec]
            for k, g in enumerate(graces):
                if draft.omitted[g]:
                    continue
                placed.append(
                    PerformedNote(
                        sounding_midi=notes[g].sounding_midi + int(draft.semitones[g]),
                        onset_sec=start + k * GRACE_SEC,
                        length_sec=GRACE_SEC,
                        cents=float(draft.cents[g]),
                        level_db=played.level_db - 1.0,
                        slurred=notes[g].slurred_from_previous or k > 0,
                        source_note_id=notes[g].note_id,
                        kind="grace",
                    )
                )
    out.extend(placed)


def _tidy(out: Sequence[PerformedNote]) -> list[PerformedNote]:
    """Sort and cut overlaps: one player sounds one note at a time."""
    ordered = sorted(out, key=lambda note: note.onset_sec)
    tidy: list[PerformedNote] = []
    for k, note in enumerate(ordered):
        if k + 1 < len(ordered):
            space = ordered[k + 1].onset_sec - note.onset_sec
            if space < SHORTEST_SEC:
                continue
            note = replace(note, length_sec=min(note.length_sec, space))
        tidy.append(note)
    # A note can only be slurred when the one before reaches up to it.
    return [
        replace(note, slurred=bool(note.slurred and k > 0 and tidy[k - 1].end_sec >= note.onset_sec - 0.012))
        for k, note in enumerate(tidy)
    ]

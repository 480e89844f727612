"""From findings to what the lanes under a part show: figures worth a look, brackets, lines, breaks.

A part is printed once but may be played several times through its repeats; the first time through is shown.
"""

from collections.abc import Callable
from typing import Any

from app.domain.findings import Findings, MeasuredNote
from app.domain.piece import Piece, PieceNote
from app.sheets.chords import off_members, short_text
from app.sheets.looks import HELD_RATIO, LOOK_CENTS, LOOK_MS, RETURN_CENTS, SURE
from app.sheets.models import (
    BreakMark,
    ChordMark,
    HeadMark,
    HeldMark,
    LandingMark,
    PartMarks,
    PhraseMark,
    ReturnMark,
)
from app.sheets.wording import AMERICAN, Style, heard_text, part_of_beat, pitch_text, signed

MOST_RETURNS = 4  # lines on one part; more would hide the music; our choice
Head = Callable[[str | None], str | None]  # note id -> the engraved head shown for it, or None
MOST_CHORDS = 3
MOST_LANDINGS = 4
BREAK_WORDS = {"hesitation": "stopped here", "restart": "back to bar {to}", "skip": "jumped to bar {to}"}


def sure_cents(note: MeasuredNote) -> bool:
    """Whether the deviation is worth a look: large enough, and well outside its own uncertainty."""
    if note.deviation_cents is None or note.status != "played":
        return False
    doubt = note.deviation_uncertainty_cents or 0.0
    return abs(note.deviation_cents) >= max(LOOK_CENTS, SURE * doubt)


def part_marks(piece: Piece, findings: Findings, style: Style = AMERICAN) -> PartMarks:
    """The lanes of one part from one take's findings. Needs usable findings."""
    notes = {n.note_id: n for n in piece.notes}
    measured = {m.note_id: m for m in findings.notes}
    order = [n for n in piece.notes if n.engraved_ids]
    first_time: dict[str, PieceNote] = {}
    for note in order:
        first_time.setdefault(note.engraved_ids[0], note)
    shown = {n.note_id for n in first_time.values()}
    fifths = {bar.index: bar.fifths for bar in piece.bars}

    heads: list[HeadMark] = []
    levels: list[float] = []
    for engraved_id, note in first_time.items():
        m = measured.get(note.note_id)
        if m is None:
            continue
        timing_look = m.timing_ms is not None and not note.grace and abs(m.timing_ms) >= LOOK_MS
        wrong = m.status == "wrong" and m.heard_midi is not None
        if m.level_db is not None:
            levels.append(m.level_db)
        heads.append(
            HeadMark(
                engraved_id=engraved_id,
                status=m.status,
                cents=None if m.status != "played" or m.deviation_cents is None else round(m.deviation_cents, 1),
                cents_look=sure_cents(m),
                timing_ms=None if m.timing_ms is None else round(m.timing_ms, 1),
                timing_look=timing_look,
                level_db=None if m.level_db is None else round(m.level_db, 1),
                heard=heard_text(m.heard_midi, piece, fifths.get(note.bar_index, 0))
                if wrong and m.heard_midi is not None
                else None,
            )
        )

    def head(note_id: str | None) -> str | None:
        note = notes.get(note_id) if note_id is not None and note_id in shown else None
        return note.engraved_ids[0] if note else None

    return PartMarks(
        heads=tuple(heads),
        held=_held(piece, findings, shown, style),
        returns=_returns(findings, head),
        chords=_chords(findings, head),
        landings=_landings(findings, head),
        phrases=_phrases(findings, head),
        breaks=_breaks(findings, order, shown),
        look_cents=LOOK_CENTS,
        look_ms=LOOK_MS,
        level_low_db=round(min(levels), 1) if levels else None,
        level_high_db=round(max(levels), 1) if levels else None,
    )


def _held(piece: Piece, findings: Findings, shown: set[str], style: Style) -> tuple[HeldMark, ...]:
    notes = {n.note_id: i for i, n in enumerate(piece.notes)}
    beat = {bar.index: bar.felt_beat_quarters for bar in piece.bars}
    out = []
    for held in held_left_early(findings):
        if held["note_id"] not in shown:
            continue
        at = notes[held["note_id"]]
        note = piece.notes[at]
        following = next((n for n in piece.notes[at + 1 :] if not n.grace and n.engraved_ids), None)
        lost = float(held["lost_beats"]) * beat.get(note.bar_index, 1.0)
        out.append(
            HeldMark(
                engraved_id=note.engraved_ids[0],
                next_engraved_id=following.engraved_ids[0] if following else None,
                ratio=round(min(1.0, max(0.0, float(held["ratio"]))), 3),
                text=f"{part_of_beat(lost, style.note_names)} short",
            )
        )
    return tuple(out)


def held_left_early(findings: Findings) -> list[dict[str, Any]]:
    """Held notes left early beyond their uncertainty, in score order; notes that began late are another matter."""
    began_late = {m.note_id for m in findings.notes if (m.timing_ms or 0.0) >= LOOK_MS}
    return [h for h in findings.rhythm.get("held_notes", ()) if left_early(h) and h["note_id"] not in began_late]


def left_early(held: dict[str, object]) -> bool:
    """Whether a held note was left early beyond its uncertainty."""
    ratio, doubt = held.get("ratio"), held.get("uncertainty_ratio")
    if not isinstance(ratio, (int, float)):
        return False
    margin = SURE * float(doubt) if isinstance(doubt, (int, float)) else 0.0
    return float(ratio) <= min(HELD_RATIO, 1.0 - margin)


def sure_return(pair: dict[str, object]) -> bool:
    """Whether two soundings of one written note differ beyond their uncertainty."""
    cents, doubt = pair.get("cents"), pair.get("uncertainty_cents")
    if not isinstance(cents, (int, float)):
        return False
    return abs(float(cents)) >= max(RETURN_CENTS, SURE * float(doubt) if isinstance(doubt, (int, float)) else 0.0)


def late_landings(findings: Findings) -> list[dict[str, Any]]:
    """Notes after an ornament that came early or late beyond their uncertainty, the furthest first."""
    sure = [
        x
        for x in findings.rhythm.get("landings", ())
        if x["timing_ms"] is not None
        and abs(x["timing_ms"]) >= max(LOOK_MS, SURE * float(x.get("uncertainty_ms") or 0.0))
    ]
    return sorted(sure, key=lambda x: -abs(x["timing_ms"]))


def _returns(findings: Findings, head: Head) -> tuple[ReturnMark, ...]:
    pairs = [p for p in findings.pitch.get("return_notes", ()) if sure_return(p)]
    pairs.sort(key=lambda p: -abs(float(p["cents"])))
    out: list[ReturnMark] = []
    taken: set[str] = set()
    for pair in pairs:
        first, second = head(pair["first_note_id"]), head(pair["second_note_id"])
        if first is None or second is None or second in taken or len(out) == MOST_RETURNS:
            continue
        taken.add(second)
        name, cents = pitch_text(pair["written_pitch"]), float(pair["cents"])
        out.append(
            ReturnMark(
                first_engraved_id=first,
                second_engraved_id=second,
                text=f"{name} {signed(cents)} cents",
                text_alone=f"{name} {signed(cents)} cents since bar {pair['bar_first']}",
            )
        )
    return tuple(out)


def _chords(findings: Findings, head: Head) -> tuple[ChordMark, ...]:
    out: list[ChordMark] = []
    for member in off_members(findings):
        first, last = head(member.first_note_id), head(member.last_note_id)
        if first is not None and last is not None and first not in {c.first_engraved_id for c in out}:
            out.append(ChordMark(first, last, short_text(member)))
    return tuple(out[:MOST_CHORDS])


def _landings(findings: Findings, head: Head) -> tuple[LandingMark, ...]:
    out: list[LandingMark] = []
    for landing in late_landings(findings):
        note = head(landing["note_id"])
        if note is not None and note not in {x.engraved_id for x in out}:
            ornament = {"grace": "after the grace notes"}.get(landing["after"], f"after the {landing['after']}")
            text = f"{signed(float(landing['timing_ms']))} ms {ornament}"
            out.append(LandingMark(head(landing.get("ornament_note_id")), note, text))
    return tuple(out[:MOST_LANDINGS])


def _phrases(findings: Findings, head: Head) -> tuple[PhraseMark, ...]:
    out = []
    for phrase in findings.musicianship.get("phrases", ()):
        start, end = head(phrase["start_note_id"]), head(phrase["end_note_id"])
        if start is None or end is None:
            continue
        peak = None if phrase.get("guessed") else head(phrase.get("peak_marked_note_id"))
        out.append(PhraseMark(start, end, peak, head(phrase.get("loudest_note_id"))))
    return tuple(out)


def _breaks(findings: Findings, order: list[PieceNote], shown: set[str]) -> tuple[BreakMark, ...]:
    onsets = {m.note_id: m.onset_sec for m in findings.notes if m.onset_sec is not None}
    out = []
    for found in findings.breaks:
        in_bar = [n for n in order if n.bar == found.from_bar and n.note_id in shown]
        before = [n for n in in_bar if onsets.get(n.note_id, 1e9) <= found.at_sec + 0.01]
        after = before[-1] if before else in_bar[0] if in_bar else None
        if after is not None:
            out.append(BreakMark(after.engraved_ids[0], BREAK_WORDS[found.kind].format(to=found.to_bar)))
    return tuple(out)

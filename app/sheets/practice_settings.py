"""What the Practice screen is set to for one piece: drone, pulse, tempo ladder, notes to hold, notes to find again.

Pure: piece and findings in, plain figures out; the screen makes the sounds. Unpitched percussion has the pulse and the
ladder only.
"""

from dataclasses import dataclass, replace
from typing import Any

from app.domain.findings import Findings
from app.domain.piece import Piece
from app.material.instruments import can_be_tuned
from app.sheets import wording
from app.sheets.drone import drone_tonic
from app.sheets.findings_in_words import strongest_tendencies
from app.sheets.looks import SURE
from app.sheets.part_marks import sure_return
from app.sheets.tempo_ladder import fastest_clean_bpm, is_dotted, ladder
from app.sheets.wording import AMERICAN, Style

FREE_BPM = 72.0  # where no page says a tempo; our choice
FIRST_STEP = 0.7  # of the mark, where no bar was clean yet; our choice, as on the sheet


@dataclass(frozen=True, slots=True)
class ToneToHold:
    """One written pitch of the piece; ``lies_cents`` where it lay off over its notes, None where nothing is sure."""

    name: str
    place: str  # "on the middle line"
    sounding_midi: int
    lies_cents: float | None


@dataclass(frozen=True, slots=True)
class ToneToFind:
    """A written pitch that came back differently."""

    name: str
    where: str
    sounding_midi: int
    cents: float


@dataclass(frozen=True, slots=True)
class PracticeSettings:
    """Tempos are in felt beats to the minute."""

    pitched: bool  # False: nothing that its player could tune, so no drone and no tones
    tonic_name: str
    tonic_sounding: str
    tonic_semitone: int  # of the sounding tonic above C, 0 to 11
    tonic_guessed: bool
    beats: int  # to the bar
    parts: int  # a felt beat has: 3 when dotted, else 2
    beat_name: str
    part_name: str
    mark_bpm: float
    tempo_assumed: bool
    ladder: tuple[float, ...]
    clean_bar: str | None  # where the ladder begins: the fastest clean bar
    tones: tuple[ToneToHold, ...]
    returns: tuple[ToneToFind, ...]


def practice_settings(piece: Piece, findings: Findings | None, style: Style = AMERICAN) -> PracticeSettings:
    """The settings for a piece; without usable findings nothing is known about how it was played."""
    if findings is not None and not findings.usable:
        findings = None
    tonic, guessed = drone_tonic(piece)
    sounding = wording.sounding_class(tonic, piece)
    tuned = can_be_tuned(piece.instrument) and not wording.is_unpitched(piece)
    mark = piece.tempo_marks[0]
    whole = max(piece.bars[:2], key=lambda bar: bar.length_quarters)  # the first may be an upbeat
    beat = whole.felt_beat_quarters
    parts = 3 if is_dotted(beat) else 2
    to_felt = mark.beat_unit_quarters / beat
    goal = mark.beats_per_minute * to_felt
    clean = fastest_clean_bpm(piece, findings) if findings is not None else None
    start = clean[0] * to_felt if clean is not None else goal * FIRST_STEP
    return PracticeSettings(
        pitched=tuned,
        tonic_name=wording.pitch_text(tonic),
        tonic_sounding=wording.pitch_text(sounding),
        tonic_semitone=wording.class_semitone(sounding),
        tonic_guessed=guessed,
        beats=max(1, round(whole.beats * 4.0 / whole.beat_type / beat)),
        parts=parts,
        beat_name=wording.value_name(beat, style.note_names),
        part_name=wording.value_name(beat / parts, style.note_names),
        mark_bpm=round(goal, 2),
        tempo_assumed=piece.tempo_assumed,
        ladder=ladder(start, goal),
        clean_bar=clean[1] if clean is not None else None,
        tones=_tones(piece, findings, style) if tuned else (),
        returns=_returns(piece, findings) if tuned else (),
    )


def free_settings(instrument: str, style: Style = AMERICAN) -> PracticeSettings:
    """The settings where there is neither notation nor anything heard: every drone, and a pulse to begin with."""
    return PracticeSettings(
        pitched=can_be_tuned(instrument),
        tonic_name="",
        tonic_sounding="",
        tonic_semitone=0,
        tonic_guessed=True,
        beats=4,
        parts=2,
        beat_name=wording.value_name(1.0, style.note_names),
        part_name=wording.value_name(0.5, style.note_names),
        mark_bpm=FREE_BPM,
        tempo_assumed=True,
        ladder=ladder(FREE_BPM * FIRST_STEP, FREE_BPM),
        clean_bar=None,
        tones=(),
        returns=(),
    )


def heard_settings(findings: Findings, instrument: str, style: Style = AMERICAN) -> PracticeSettings:
    """The settings for a take without notation: its own notes to hold and to find again; no tonic and no mark.

    The drone begins on the note that lies off most, as the sheet's first exercise has it.
    """
    if not can_be_tuned(instrument):
        return free_settings(instrument, style)
    bottom = wording.clef_bottom_line(instrument)
    lies = _lies(findings)
    heard = {n.sounding_midi: n.written_pitch for n in findings.notes}
    at = {n.note_id: n for n in findings.notes}
    off = strongest_tendencies(findings)
    return replace(
        free_settings(instrument, style),
        tonic_semitone=int(off[0]["sounding_midi"]) % 12 if off else 0,
        tones=tuple(
            ToneToHold(wording.pitch_text(name), wording.on_the_staff(name, bottom), midi, lies.get(name))
            for midi, name in sorted(heard.items())
        ),
        returns=tuple(
            ToneToFind(
                wording.pitch_text(pair["written_pitch"]),
                " and ".join(
                    f"{wording.clock_text(at[pair[key]].onset_sec or 0.0)}"
                    for key in ("first_note_id", "second_note_id")
                ),
                at[pair["second_note_id"]].sounding_midi,
                round(float(pair["cents"]), 1),
            )
            for pair in _widest_first(findings)
        ),
    )


def _lies(findings: Findings) -> dict[str, float]:
    """{written pitch: cents} of those that surely lie off over their notes."""
    return {
        t["written_pitch"]: float(t["median_cents"])
        for t in findings.pitch.get("tendencies", ())
        if t["count"] >= 2 and abs(t["median_cents"]) >= SURE * float(t.get("uncertainty_cents") or 0.0)
    }


def _widest_first(findings: Findings) -> list[dict[str, Any]]:
    return sorted(
        (p for p in findings.pitch.get("return_notes", ()) if sure_return(p)), key=lambda p: -abs(float(p["cents"]))
    )


def _tones(piece: Piece, findings: Findings | None, style: Style) -> tuple[ToneToHold, ...]:
    lies = _lies(findings) if findings is not None else {}
    pitches = {n.written_pitch: n for n in piece.notes if not n.grace and not n.unpitched and not n.chord_sounding_midi}
    bottom = style.bottom_line(piece)
    return tuple(
        ToneToHold(
            wording.pitch_text(n.written_pitch),
            wording.on_the_staff(n.written_pitch, bottom),
            n.sounding_midi,
            lies.get(n.written_pitch),
        )
        for n in sorted(pitches.values(), key=lambda n: (n.written_midi, n.written_pitch))
    )


def _returns(piece: Piece, findings: Findings | None) -> tuple[ToneToFind, ...]:
    if findings is None:
        return ()
    notes = wording.notes_by_id(piece)
    pairs = [p for p in _widest_first(findings) if p["second_note_id"] in notes]
    return tuple(
        ToneToFind(
            wording.pitch_text(p["written_pitch"]),
            wording.bars_text([p["bar_first"], p["bar_second"]]),
            notes[p["second_note_id"]].sounding_midi,
            round(float(p["cents"]), 1),
        )
        for p in pairs
    )

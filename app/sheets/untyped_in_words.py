"""Findings of a take without notation as sentences and exercises: what the sound alone shows, and no more.

Pure: findings in, words out. Places are moments of the take, because nobody knows its bars; no note is called wrong.
"""

from typing import Any

from app.domain.findings import Findings, MeasuredNote
from app.material.instruments import is_fixed_pitch
from app.material.pitch_names import spelled
from app.sheets import wording
from app.sheets.findings_in_words import bumps_of, strongest_tendencies
from app.sheets.looks import LOOK_CENTS, SURE
from app.sheets.models import Exercise, Finding
from app.sheets.note_figures import LEVEL_WORDS_DB, NoteFigures
from app.sheets.part_marks import sure_cents, sure_return
from app.sheets.wording import AMERICAN, Style, clock_text

IN_TUNE_SHARE = 0.8  # as where there is notation
DRIFT_CENTS = 5.0  # a minute; our choice
LEAST_BREATH_SEC = 3.0  # what is shorter is no phrase to shape; our choice
MOST_MOMENTS = 3
MOST_NOTES = 3
LIGHT = 0.01  # weight of what no finding calls for

NOT_JUDGED = "Nobody typed this piece in, so neither notes nor rhythm could be judged, and there is no measured mark."


def heading(findings: Findings) -> str:
    """Beside the title: the take's own tuning."""
    tuned = findings.a4_hz_fitted
    return "without notation" + (f" · own tuning A\u00a0=\u00a0{tuned:.1f}\u00a0Hz" if tuned is not None else "")


def caption(findings: Findings, style: Style = AMERICAN) -> str:
    """How to read the picture."""
    step = "semitone" if style.note_names == "british" else "half step"
    doubts = sorted(n.deviation_uncertainty_cents for n in findings.notes if n.deviation_uncertainty_cents is not None)
    text = (
        f"Notes: what was heard, by its written name. Pitch: its distance from the nearest {step} at your own tuning, "
        f"above the line sharp, below flat, in cents (hundredths of a {step}); more than 50 cents off would count as "
        "its neighbour. Level: loudness of each note, with the rise and fall that fits it best from breath to breath "
        "(dashed); ▼ the loudest note. Times are of the recording."
    )
    return text + (f" Cents are good to about ±{max(1.0, SURE * doubts[len(doubts) // 2]):.0f}." if doubts else "")


def untyped_in_words(findings: Findings, instrument: str, style: Style = AMERICAN) -> tuple[Finding, ...]:
    """What can be said, the weightiest first; :data:`NOT_JUDGED` is for the sheet to print before it."""
    if not findings.usable:
        return ()
    bottom = wording.clef_bottom_line(instrument)
    if is_fixed_pitch(instrument):
        fixed = (_bars_tuning(findings), _arcs(findings), _bump(findings))
        return tuple(sorted((one for one in fixed if one is not None), key=lambda f: -f.weight))
    made = (
        _tendency(findings, bottom),
        _return(findings, bottom),
        _tuning(findings, style),
        _drift(findings),
        _arcs(findings),
        _bump(findings),
        _vibrato(findings),
        _cracked(findings),
    )
    return tuple(sorted((one for one in made if one is not None), key=lambda f: -f.weight))


def untyped_practice(findings: Findings, instrument: str) -> tuple[Exercise, ...]:
    """Exercises that need no page, the weightiest first."""
    if not findings.usable:
        return ()
    bottom = wording.clef_bottom_line(instrument)
    if is_fixed_pitch(instrument):
        return tuple(one for one in (_plainest(findings),) if one is not None)
    made = (_drone(findings, bottom), _find_again(findings, bottom), _start(findings, bottom), _plainest(findings))
    return tuple(sorted((one for one in made if one is not None), key=lambda e: -e.weight))


def heard_figures(findings: Findings, instrument: str) -> tuple[NoteFigures, ...]:
    """Every note heard with its figures in words, in order."""
    bottom = wording.clef_bottom_line(instrument)
    levels = sorted(n.level_db for n in findings.notes if n.level_db is not None)
    middle = levels[len(levels) // 2] if levels else None
    return tuple(
        NoteFigures(
            note.note_id,
            wording.note_text(note.written_pitch, bottom),
            "",
            f"at {clock_text(note.onset_sec or 0.0)}",
            tuple(_figures(note, middle)),
        )
        for note in findings.notes
    )


def _figures(note: MeasuredNote, middle: float | None) -> list[str]:
    said = []
    if note.deviation_cents is not None:
        exact = round(note.deviation_cents) == 0
        text = "In tune" if exact else wording.sharp_or_flat(note.deviation_cents).capitalize()
        doubt = note.deviation_uncertainty_cents
        said.append(text + (f", give or take {wording.amount(max(1.0, SURE * doubt), 'cents')}." if doubt else "."))
    elif note.why_no_cents:
        said.append(f"No pitch figure: {note.why_no_cents.rstrip('.')}.")
    if note.vibrato_rate_hz is not None and note.vibrato_extent_cents is not None:
        said.append(f"Vibrato: {note.vibrato_rate_hz:.1f} waves a second, {note.vibrato_extent_cents:.0f} cents wide.")
    if note.level_db is not None and middle is not None:
        above = note.level_db - middle
        near = abs(above) < LEVEL_WORDS_DB
        word = "louder" if above > 0 else "softer"
        said.append("About the middle level." if near else f"{abs(above):.0f} dB {word} than the middle level.")
    return said


def _at(findings: Findings) -> dict[str, str]:
    """{note id: when it was heard}"""
    return {n.note_id: clock_text(n.onset_sec or 0.0) for n in findings.notes}


def _moments(findings: Findings, note_ids: list[str]) -> str:
    at = _at(findings)
    seen = list(dict.fromkeys(at[i] for i in note_ids if i in at))
    if len(seen) > MOST_MOMENTS:
        more = wording.count_text(len(seen) - MOST_MOMENTS)
        return f"at {', '.join(seen[:MOST_MOMENTS])} and {more} more {'time' if more == 'one' else 'times'}"
    return f"at {wording.and_list(seen)}" if seen else ""


def _doubt(cents: Any) -> str:
    if not isinstance(cents, (int, float)):
        return ""
    return f" (give or take {wording.amount(max(1.0, SURE * float(cents)), 'cents')})"


def _lying(findings: Findings, written: str, sharp: bool) -> list[str]:
    """The notes of a written pitch that surely lay off to one side."""
    return [
        n.note_id
        for n in findings.notes
        if n.written_pitch == written and sure_cents(n) and ((n.deviation_cents or 0.0) > 0) == sharp
    ]


def _tendency(findings: Findings, bottom: int) -> Finding | None:
    ranked = strongest_tendencies(findings)
    if not ranked:
        return None
    worst = ranked[0]
    cents, count = float(worst["median_cents"]), int(worst["count"])
    when = _moments(findings, _lying(findings, worst["written_pitch"], cents > 0))
    doubt = _doubt(worst.get("uncertainty_cents"))
    over = "the one time it was heard" if count == 1 else f"on the whole, over {wording.count_text(count)} notes"
    clearest = f", most clearly {when}" if when and count > 1 else f" {when}" if when else ""
    text = (
        f"{wording.note_text(worst['written_pitch'], bottom)} lay {wording.sharp_or_flat(cents)} "
        f"{over}{doubt}{clearest}."
    )
    side = [t for t in ranked[1:] if (t["median_cents"] > 0) == (cents > 0)][:2]
    if side:
        names = [wording.note_text(t["written_pitch"], bottom) for t in side]
        text += f" {wording.and_list(names)} went the same way."
    return Finding("pitch", text, abs(cents) / LOOK_CENTS * min(3, count) ** 0.5)


def _widest_return(findings: Findings) -> dict[str, Any] | None:
    pairs = [p for p in findings.pitch.get("return_notes", ()) if sure_return(p)]
    return max(pairs, key=lambda p: abs(float(p["cents"])), default=None)


def _return(findings: Findings, bottom: int) -> Finding | None:
    pair = _widest_return(findings)
    if pair is None:
        return None
    at, cents = _at(findings), float(pair["cents"])
    text = (
        f"The same {wording.note_text(pair['written_pitch'], bottom)} came back {wording.amount(cents, 'cents')} "
        f"{'higher' if cents > 0 else 'lower'} at {at[pair['second_note_id']]} than at {at[pair['first_note_id']]}"
        f"{_doubt(pair.get('uncertainty_cents'))}."
    )
    return Finding("pitch", text, abs(cents) / LOOK_CENTS)


def _tuning(findings: Findings, style: Style) -> Finding | None:
    nearest = findings.pitch.get("nearest_semitone") or {}
    share, judged = nearest.get("share_within_10"), int(findings.pitch.get("notes_judged") or 0)
    if not isinstance(share, (int, float)) or findings.a4_hz_fitted is None:
        return Finding("pitch", "Pitch could not be judged: too few notes were long and steady enough.", 0.3)
    step = "semitone" if style.note_names == "british" else "half step"
    part = f"All {judged} notes" if share >= 0.9999 else f"{min(99.0, share * 100):.0f} % of the {judged} notes"
    text = (
        f"{part} that could be judged lay within 10 cents of the nearest {step} at your own tuning, "
        f"A\u00a0=\u00a0{findings.a4_hz_fitted:.1f}\u00a0Hz"
    )
    return Finding("pitch", text + (": well in tune." if share >= IN_TUNE_SHARE else "."), 0.5)


def _bars_tuning(findings: Findings) -> Finding | None:
    """Of bars that their maker tuned: where they lie, said of the instrument."""
    if findings.a4_hz_fitted is None:
        return None
    text = f"The instrument itself is tuned to about A\u00a0=\u00a0{findings.a4_hz_fitted:.1f}\u00a0Hz."
    return Finding("pitch", text, 0.2)


def _drift(findings: Findings) -> Finding | None:
    drift = findings.pitch.get("drift_cents_per_min")
    if not drift or drift["low"] <= 0 <= drift["high"] or abs(drift["value"]) < DRIFT_CENTS:
        return None
    low, high = sorted((abs(drift["low"]), abs(drift["high"])))
    way = "rose" if drift["value"] > 0 else "sank"
    text = f"Your pitch {way} by {wording.amount(drift['value'], 'cents')} a minute (between {low:.0f} and {high:.0f})."
    return Finding("pitch", text, abs(drift["value"]) / LOOK_CENTS)


def _arcs(findings: Findings) -> Finding | None:
    even = findings.musicianship.get("evenness_between_breaths")
    count = sum(p.get("evenness") is not None for p in findings.musicianship.get("phrases", ()))
    if not isinstance(even, (int, float)):
        why = next((p["why_null"] for p in findings.musicianship.get("phrases", ()) if p.get("why_null")), None)
        return Finding("musicianship", f"No arc of loudness could be told: {why}.", 0.2) if why else None
    breaths = "in the one breath" if count == 1 else f"over {wording.count_text(count)} breaths"
    text = (
        f"From breath to breath one rise and fall explains {100 * even:.0f} % of how your loudness changed, {breaths}."
    )
    return Finding("musicianship", text, 0.4)


def _bump(findings: Findings) -> Finding | None:
    bumps = [b for p in findings.musicianship.get("phrases", ()) for b in bumps_of(p)]
    if not bumps:
        return None
    worst = max(bumps, key=lambda b: abs(b["db"]))
    named = {n.note_id: wording.pitch_text(n.written_pitch) for n in findings.notes}
    text = (
        f"The {named[worst['note_id']]} at {_at(findings)[worst['note_id']]} "
        f"{'stood out by' if worst['db'] > 0 else 'dropped by'} {abs(worst['db']):.0f} dB against the line of its "
        "breath; only you know whether it was meant."
    )
    return Finding("musicianship", text, 0.3 + abs(worst["db"]) / 10)


def _vibrato(findings: Findings) -> Finding | None:
    found = findings.pitch.get("vibrato")
    if not found:
        return None
    count = int(found["notes"])
    text = (
        f"Vibrato was heard on {wording.count_text(count)} {'note' if count == 1 else 'notes'}: about "
        f"{found['rate_hz']:.1f} waves a second, {wording.amount(found['extent_cents'], 'cents')} from top to bottom."
    )
    return Finding("tone", text, 0.25)


def _cracked(findings: Findings) -> Finding | None:
    cracked = findings.tone.get("cracked", ())
    if not cracked:
        return None
    when = _moments(findings, [c["note_id"] for c in cracked])
    word = "note" if len(cracked) == 1 else "notes"
    text = f"{wording.count_text(len(cracked)).capitalize()} {word} did not speak cleanly ({when})."
    return Finding("tone", text, 0.7 + 0.3 * len(cracked))


def _drone(findings: Findings, bottom: int) -> Exercise | None:
    ranked = strongest_tendencies(findings)
    if not ranked:
        return None
    sharp = ranked[0]["median_cents"] > 0
    side = [t for t in ranked if (t["median_cents"] > 0) == sharp][:MOST_NOTES]
    lies = [f"{wording.note_text(t['written_pitch'], bottom)} {wording.sharp_or_flat(t['median_cents'])}" for t in side]
    drones = [_drone_name(t) for t in side]
    way = "down" if sharp else "up"
    text = (
        f"How {'it lies' if len(side) == 1 else 'they lie'} now: {wording.and_list(lies)}. Set a quiet drone on "
        f"{drones[0]} itself, hold the note against it for two slow breaths and move {way} until the beating stops"
        + (f"; the same with {wording.and_list(drones[1:])}" if len(drones) > 1 else "")
        + ". Then step to it from the note before it, as in the piece. In a chord the page may ask for another place: "
        "ask your teacher."
    )
    names = list(dict.fromkeys(wording.pitch_text(t["written_pitch"]) for t in side))
    notes = [i for t in side for i in _lying(findings, t["written_pitch"], sharp)]
    weight = abs(ranked[0]["median_cents"]) / LOOK_CENTS * min(3, ranked[0]["count"]) ** 0.5
    return Exercise("drone", f"Bring {wording.and_list(names)} {way}", _moments(findings, notes), text, weight)


def _drone_name(tendency: dict[str, Any]) -> str:
    written = tendency["written_pitch"].rstrip("-0123456789")
    concert = spelled(int(tendency["sounding_midi"]), -1).pitch_class
    shown = f"your {wording.spoken_class(written)}"
    same = wording.class_semitone(written) == int(tendency["sounding_midi"]) % 12
    return shown if same else f"{shown} (concert {wording.spoken_class(concert)})"


def _find_again(findings: Findings, bottom: int) -> Exercise | None:
    pair = _widest_return(findings)
    if pair is None:
        return None
    at, cents = _at(findings), float(pair["cents"])
    name = wording.note_text(pair["written_pitch"], bottom)
    text = (
        f"It came back {wording.amount(cents, 'cents')} {'higher' if cents > 0 else 'lower'}. Play {name} alone, four "
        "slow counts, and remember it. Play from its first time to its second, slowly, and stop on the second: is it "
        "the same note? Check with the drone or a tuner only then. Three times, then once in tempo."
    )
    where = f"at {at[pair['first_note_id']]} and {at[pair['second_note_id']]}"
    title = f"Find the same {wording.pitch_text(pair['written_pitch'])} again"
    return Exercise("return-note", title, where, text, 0.9 * abs(cents) / LOOK_CENTS)


def _start(findings: Findings, bottom: int) -> Exercise | None:
    cracked = [c["note_id"] for c in findings.tone.get("cracked", ())]
    if not cracked:
        return None
    written = {n.note_id: n.written_pitch for n in findings.notes}
    names = list(dict.fromkeys(wording.note_text(written[i], bottom) for i in cracked))
    text = (
        f"{'It' if len(cracked) == 1 else 'They'} did not speak at once. Breathe with the beat before, start "
        f"{wording.and_list(names[:2])} on air alone, then with the lightest tongue: four starts each, soft, then as "
        "in the piece."
    )
    title = "Let the first moment speak"
    return Exercise("start", title, _moments(findings, cracked), text, 0.5 + 0.3 * len(cracked))


def _plainest(findings: Findings) -> Exercise | None:
    """Nothing calls for it: the breath whose loudness had least of a line."""
    notes, at = {n.note_id: n for n in findings.notes}, _at(findings)

    def length(phrase: dict[str, Any]) -> float:
        first, last = notes[phrase["start_note_id"]], notes[phrase["end_note_id"]]
        return (last.offset_sec or 0.0) - (first.onset_sec or 0.0)

    phrases = [p for p in findings.musicianship.get("phrases", ()) if p.get("evenness") is not None]
    phrases = [p for p in phrases if length(p) >= LEAST_BREATH_SEC]
    if not phrases:
        return None
    plain = min(phrases, key=lambda p: float(p["evenness"]))
    text = (
        "Of your breaths this one had the plainest rise and fall. Sing it once with the shape you want, play it with "
        "that shape made twice as large, then as you would on the day."
    )
    where = f"from {at[plain['start_note_id']]} to {at[plain['end_note_id']]}"
    return Exercise("phrase-arc", "Say one phrase more clearly", where, text, LIGHT)

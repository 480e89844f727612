"""The practice plan: tasks drawn from the findings, each with its bars, its figures and how to do it.

Pure: piece and findings in, exercises out. Nothing asks to repeat until correct; every exercise ends by itself.
"""

from typing import Any

from app.domain.findings import Findings
from app.domain.piece import Piece
from app.material.instruments import is_fixed_pitch
from app.sheets import wording
from app.sheets.chords import chord_exercise
from app.sheets.drone import drone_exercise
from app.sheets.findings_in_words import (
    PEAK_BEATS,
    STEADY_PERCENT,
    bumps_of,
    lost_quarters,
    off_the_pulse,
    sure_drift,
)
from app.sheets.looks import LOOK_CENTS, LOOK_MS
from app.sheets.models import Exercise
from app.sheets.part_marks import held_left_early, late_landings, sure_return
from app.sheets.polish import polish
from app.sheets.tempo_ladder import click, fastest_clean_bpm, ladder
from app.sheets.wording import AMERICAN, Style


def practice_plan(piece: Piece, findings: Findings, style: Style = AMERICAN) -> tuple[Exercise, ...]:
    """Every exercise the findings call for, the weightiest first, at most one of a kind; gentle ones at the end."""
    if not findings.usable:
        return ()
    tuned = () if is_fixed_pitch(piece.instrument) else (drone_exercise, chord_exercise, _return, _start)
    makers = (_hold, *tuned, _ornament, _ladder, _steady, _phrase)
    found = [e for make in makers if (e := make(piece, findings, style)) is not None]
    kinds = {e.kind for e in found}
    found += [e for e in polish(piece, findings, style) if e.kind not in kinds]
    return tuple(sorted(found, key=lambda e: -e.weight))


def first_three(plans: tuple[tuple[Exercise, ...], ...]) -> tuple[Exercise, ...]:
    """Three exercises over all pieces, of different kinds while there are such, the weightiest first."""
    everything = sorted((e for plan in plans for e in plan), key=lambda e: -e.weight)
    picked: list[Exercise] = []
    for exercise in everything:
        if len(picked) < 3 and exercise.kind not in {e.kind for e in picked}:
            picked.append(exercise)
    for exercise in everything:
        if len(picked) < 3 and exercise not in picked:
            picked.append(exercise)
    return tuple(sorted(picked, key=lambda e: -e.weight))


def _hold(piece: Piece, findings: Findings, style: Style) -> Exercise | None:
    early = held_left_early(findings)
    if not early:
        return None
    bars = [b for b in dict.fromkeys(bar.number for bar in piece.bars) if b in {h["bar"] for h in early}]
    lost = sorted(lost_quarters(piece, h) for h in early)
    tied = all(wording.notes_by_id(piece)[h["note_id"]].tied for h in early)
    pace = click(piece)
    unit = wording.value_name(pace.click_quarters, style.note_names)
    what = "tied notes" if tied else "long notes"
    middle = wording.part_of_beat(lost[len(lost) // 2], style.note_names)
    strike = wording.begin_a_note(piece.instrument)
    text = (
        f"You left {'it' if len(early) == 1 else 'them'} early, by {middle} (held for "
        f"{wording.range_text([100 * float(h['ratio']) for h in early])} % of the length). Metronome on "
        f"{pace.clicks_per_minute:.0f}, one click to the {unit}: first {strike} every click through the note, "
        "then play it as written and keep hearing the clicks to the last one."
    )
    title = f"Give {what} their full length" if len(early) > 1 else f"Give the {what[:-1]} its full length"
    return Exercise("subdivision", title, wording.bars_text(bars), text, 1.2 + 0.5 * len(early) + 0.6 * lost[-1])


def _return(piece: Piece, findings: Findings, style: Style) -> Exercise | None:
    pairs = sorted(
        (p for p in findings.pitch.get("return_notes", ()) if sure_return(p)), key=lambda p: -abs(float(p["cents"]))
    )
    if not pairs:
        return None
    pair = pairs[0]
    cents, between = float(pair["cents"]), int(pair.get("notes_between") or 0)
    name = wording.note_text(pair["written_pitch"], style.bottom_line(piece))
    text = (
        f"It came back {wording.amount(cents, 'cents')} {'higher' if cents > 0 else 'lower'}"
        + (f" after {wording.count_text(between)} other {'note' if between == 1 else 'notes'}" if between else "")
        + f". Play {name} alone, four slow counts, and remember it. Play from its first time to its second, slowly, "
        "and stop on the second: is it the same note? Check with the drone or a tuner only then. Three times, then "
        "once in tempo."
    )
    return Exercise(
        "return-note",
        f"Find the same {wording.pitch_text(pair['written_pitch'])} again",
        wording.bars_text([pair["bar_first"], pair["bar_second"]]),
        text,
        0.9 * abs(cents) / LOOK_CENTS,
    )


def _ornament(piece: Piece, findings: Findings, style: Style) -> Exercise | None:
    sure = late_landings(findings)
    if not sure:
        return None
    worst = sure[0]
    ornament = {"grace": "grace notes"}.get(worst["after"], worst["after"])
    pace = click(piece)
    steps = ladder(pace.clicks_per_minute * 0.8, pace.clicks_per_minute)
    unit = wording.value_name(pace.click_quarters, style.note_names)
    it = "them" if ornament.endswith("s") else "it"
    text = (
        f"It came {wording.early_or_late(float(worst['timing_ms']))}. Leave the {ornament} out: plain note, then the "
        f"next one, at {steps[0]:.0f} to the {unit}, until the arrival is with the click. Put {it} back in at the same "
        f"speed, fewer turns if need be, then {', '.join(f'{s:.0f}' for s in steps[1:])}."
    )
    bars = [b for b in dict.fromkeys(bar.number for bar in piece.bars) if b in {x["bar"] for x in sure}]
    return Exercise(
        "ornament",
        f"Land the note after the {ornament}",
        wording.bars_text(bars),
        text,
        abs(float(worst["timing_ms"])) / LOOK_MS,
    )


def _ladder(piece: Piece, findings: Findings, style: Style) -> Exercise | None:
    """Wrong or missing notes, breaks and uneven runs: the passage up a ladder of tempos."""
    faults: dict[str, float] = {}
    for n in findings.notes:
        if n.status != "played":
            faults[n.bar] = faults.get(n.bar, 0.0) + 1.0
    for b in findings.breaks:
        faults[b.from_bar] = faults.get(b.from_bar, 0.0) + 1.5
    for run in findings.rhythm.get("runs", ()):
        if (
            run["evenness_percent"] is not None and run["evenness_percent"] >= 20.0
        ):  # spread of equal values; our choice
            faults[run["bar_first"]] = faults.get(run["bar_first"], 0.0) + 0.6
    if not faults:
        return None
    numbers = list(dict.fromkeys(bar.number for bar in piece.bars))
    worst = max(faults, key=lambda b: faults[b])
    at = numbers.index(worst) if worst in numbers else 0
    first, last = at, at
    while first > 0 and at - first < 2 and numbers[first - 1] in faults:
        first -= 1
    while last + 1 < len(numbers) and last - at < 2 and numbers[last + 1] in faults:
        last += 1
    weight = sum(faults[b] for b in numbers[first : last + 1] if b in faults)
    pace = click(piece)
    clean = fastest_clean_bpm(piece, findings)
    unit = wording.value_name(pace.mark.beat_unit_quarters, style.note_names)
    mark = pace.mark.beats_per_minute
    if clean is None:
        start, why = mark * 0.7, "No bar was clean yet, so begin well under the marked tempo"
    elif clean[0] >= mark * 0.97:
        start, why = (
            mark * 0.8,
            f"Other bars are clean at the marked tempo (bar {clean[1]}), so it is this spot: begin under it",
        )
    else:
        start, why = clean[0], f"Your fastest clean bar (bar {clean[1]}) went at {clean[0]:.0f}: begin there"
    steps = ladder(start, mark)
    text = (
        f"{why}, {unit} = {steps[0]:.0f}. Twice through without a slip, then up: "
        f"{', '.join(f'{s:.0f}' for s in steps[1:])}. After a slip go back one step; stop after ten minutes "
        f"wherever you are."
    )
    return Exercise(
        "tempo-ladder",
        "Climb to the tempo in steps",
        wording.span_text(numbers[first], numbers[last]),
        text,
        0.8 + 0.6 * weight,
    )


def _steady(piece: Piece, findings: Findings, style: Style) -> Exercise | None:
    """Rushing, dragging or notes off the pulse: subdivide in the piece's own metre."""
    drift = sure_drift(findings)
    off = off_the_pulse(piece, findings)
    if drift is None and len(off) < 2:
        return None
    pace = click(piece)
    unit = wording.value_name(pace.click_quarters, style.note_names)
    setting = (
        f"{wording.tempo_text(pace.mark, style.note_names)} means clicks at {pace.clicks_per_minute:.0f} a minute, "
        f"one to each {unit}"
    )
    counts: dict[str, int] = {}
    for n in off:
        counts[n.bar] = counts.get(n.bar, 0) + 1
    busiest = sorted(counts, key=lambda b: -counts[b])[:4]
    bars = [b for b in dict.fromkeys(bar.number for bar in piece.bars) if b in busiest]
    if drift is not None:
        title = "Keep the tempo from first bar to last"
        fact = f"You grew {'faster' if drift['value'] > 0 else 'slower'} by {abs(drift['value']):.0f} % a minute."
        where = wording.bars_text(bars) if bars else "the whole piece"
    else:
        early = sum(1 for n in off if (n.timing_ms or 0.0) < 0)
        title = "Play inside the small beats"
        fact = f"{len(off)} notes lay {LOOK_MS:.0f} ms or more off your pulse, {early} of them early."
        where = wording.bars_text(bars)
    text = (
        f"{fact} {setting[0].upper() + setting[1:]}. Say the small beats aloud over the clicks, then play; "
        f"then let the clicks sound in every other bar only and see where you come out."
    )
    weight = abs(drift["value"]) / STEADY_PERCENT * 0.5 if drift is not None else 0.6 + 0.08 * len(off)
    return Exercise("pulse", title, where, text, min(weight, 3.0))


def _phrase(piece: Piece, findings: Findings, style: Style) -> Exercise | None:
    phrases = findings.musicianship.get("phrases", ())
    notes = wording.notes_by_id(piece)

    def weight(p: dict[str, Any]) -> float:
        distance = p.get("peak_distance_beats") if p.get("peak_marked_note_id") and not p.get("guessed") else None
        far = abs(float(distance)) if isinstance(distance, (int, float)) else 0.0
        return (far if far >= PEAK_BEATS else 0.0) * 0.25 + 0.35 * len(bumps_of(p))

    ranked = sorted(phrases, key=weight, reverse=True)
    if not ranked or weight(ranked[0]) == 0.0:
        return None
    worst = ranked[0]
    peak = notes.get(worst.get("peak_marked_note_id") or "")
    facts = []
    if peak is not None and not worst.get("guessed") and abs(worst.get("peak_distance_beats") or 0.0) >= PEAK_BEATS:
        facts.append(
            f"It was loudest in bar {worst['loudest_bar']}; the peak is {wording.named(peak)} in bar {peak.bar}."
        )
    if bumps := bumps_of(worst):
        bump = max(bumps, key=lambda b: abs(b["db"]))
        where = f" in bar {bump['bar']}"
        facts.append(f"A note{where} {'stuck out' if bump['db'] > 0 else 'fell away'} by {abs(bump['db']):.0f} dB.")
    if wording.is_unpitched(piece) or is_fixed_pitch(piece.instrument):
        goal = f"{wording.named(peak)} in bar {peak.bar}" if peak is not None else "its loudest place"
        how = (
            f" Play it slowly with the dynamics made twice as large, growing to {goal} and then letting go, the height "
            "of the sticks showing the shape. Then in tempo, with the same shape. Record both and listen once."
        )
    else:
        goal = f"{wording.named(peak)} in bar {peak.bar}" if peak is not None else "its highest point"
        how = (
            f" Play the phrase on one note only, the rhythm as written, growing to {goal} and then letting go. "
            "Then the written notes with the same breath and the same shape. Record both and listen once."
        )
    text = " ".join(facts) + how
    return Exercise(
        "phrase-arc",
        "Shape one line to its peak",
        wording.span_text(worst["bar_first"], worst["bar_last"]),
        text,
        0.5 + weight(worst),
    )


def _start(piece: Piece, findings: Findings, style: Style) -> Exercise | None:
    cracked = findings.tone.get("cracked", ())
    if not cracked:
        return None
    bars = [b for b in dict.fromkeys(bar.number for bar in piece.bars) if b in {c["bar"] for c in cracked}]
    notes = wording.notes_by_id(piece)
    names = list(
        dict.fromkeys(
            wording.note_text(notes[c["note_id"]].written_pitch, style.bottom_line(piece))
            for c in cracked
            if c["note_id"] in notes
        )
    )
    text = (
        f"{'It' if len(cracked) == 1 else 'They'} did not speak at once. Breathe with the beat before, start "
        f"{wording.and_list(names[:2])} on air alone, then with the lightest tongue: four starts each, soft, then "
        "at the written dynamic."
    )
    return Exercise("start", "Let the first moment speak", wording.bars_text(bars), text, 0.5 + 0.3 * len(cracked))

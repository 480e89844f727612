"""Findings as sentences a fourteen-year-old understands: what, in which bars, how much, how sure.

Pure: piece and findings in, sentences out. What can't be judged is said with its reason; what is good is said too.
"""

import itertools
from collections.abc import Mapping
from typing import Any

from app.domain.findings import Findings, MeasuredNote
from app.domain.piece import Piece
from app.material.instruments import is_fixed_pitch
from app.sheets import wording
from app.sheets.chords import chord_finding
from app.sheets.looks import LOOK_CENTS, LOOK_MS, SURE
from app.sheets.models import Finding
from app.sheets.part_marks import held_left_early, late_landings, left_early, sure_cents, sure_return
from app.sheets.wording import AMERICAN, Style

IN_TUNE_SHARE = 0.8  # of the notes within 10 cents: said as praise; our choice
OFF_ON_AVERAGE_CENTS = 5.0  # our choice
STEADY_PERCENT = 3.0  # a tempo change shows from 3 % over six intervals (Drake & Botte 1993)
PEAK_BEATS = 1.0  # a loudest note this far from the marked peak is worth a word; our choice
ASTRAY_CENTS = 50.0  # a trill's interval this far from the written one is another one; between the two semitones
SECONDS_CENTS = (100.0, 200.0, -100.0, -200.0)
SECONDS_APART_CENTS = 150.0  # between a half and a whole step
MOST_PLACES = 5  # things named in one sentence; more are counted; our choice


def findings_in_words(piece: Piece, findings: Findings, style: Style = AMERICAN) -> tuple[Finding, ...]:
    """Sentences in the order of their weight, at most one per kind of finding."""
    if not findings.usable:
        return ()
    found: list[Finding] = []
    # Who strikes bars that their maker tuned can neither tune nor crack a note.
    fixed = is_fixed_pitch(piece.instrument)
    pitch = (_bars_tuning,) if fixed else (_tendency, chord_finding, _return, _tuning)
    starts = () if fixed else (_cracked,)
    for make in (_notes, _breaks, _trill, *pitch, _held, _landing, _drift, _steady, _peak, _bumps, *starts):
        sentence = make(piece, findings, style)
        if sentence is not None:
            found.append(sentence)
    return tuple(sorted(found, key=lambda f: -f.weight))


def chosen(findings: tuple[Finding, ...], most: int = 4) -> tuple[Finding, ...]:
    """The sentences for a sheet: the weightiest, but every family that has something to say comes once first."""
    first: dict[str, Finding] = {}
    for finding in findings:
        first.setdefault(finding.family, finding)
    picked = list(first.values())[:most]
    picked += [f for f in findings if f not in picked][: most - len(picked)]
    return tuple(sorted(picked, key=lambda f: -f.weight))


def why_no_findings(findings: Findings) -> str:
    """One sentence for a take without findings."""
    return findings.warnings[0] if findings.warnings else "This take could not be measured."


def doubt_sentence(findings: Findings) -> str:
    """How far the figures of the pitch lane can be trusted."""
    doubts = sorted(n.deviation_uncertainty_cents for n in findings.notes if n.deviation_uncertainty_cents is not None)
    return f"Cents are good to about ±{max(1.0, SURE * doubts[len(doubts) // 2]):.0f}." if doubts else ""


def _places(bars: list[str]) -> str:
    return wording.places_text(bars, MOST_PLACES)


def _in_order(piece: Piece, bars: set[str]) -> list[str]:
    return [b for b in dict.fromkeys(bar.number for bar in piece.bars) if b in bars]


def _notes(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    wrong = [n for n in findings.notes if n.status == "wrong"]
    missing = [n for n in findings.notes if n.status == "omitted"]
    total = len(findings.notes)
    if not wrong and not missing:
        if total and not findings.extra_notes:
            played = "strokes were there" if wording.is_unpitched(piece) else "notes were there, none wrong"
            return Finding("notes", f"All {total} {played}.", 0.1)
        return None
    parts = []
    if wrong:
        bars = _in_order(piece, {n.bar for n in wrong})
        word = "note was" if len(wrong) == 1 else "notes were"
        parts.append(f"{wording.count_text(len(wrong))} {word} another pitch than written ({_places(bars)})")
    if missing:
        bars = _in_order(piece, {n.bar for n in missing})
        word = "was" if len(missing) == 1 else "were"
        parts.append(f"{wording.count_text(len(missing))} {word} left out ({_places(bars)})")
    text = f"Of {total} notes " + ", ".join(parts) + "."
    return Finding("notes", text, 1.0 + 10.0 * (len(wrong) + len(missing)) / max(1, total))


def _breaks(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    if not findings.breaks:
        return None
    words = []
    for b in findings.breaks[:MOST_PLACES]:
        if b.kind == "hesitation":
            words.append(f"you stopped in bar {b.from_bar}")
        elif b.kind == "restart":
            words.append(f"you went back from bar {b.from_bar} to bar {b.to_bar}")
        else:
            words.append(f"you jumped from bar {b.from_bar} to bar {b.to_bar}")
    text = wording.and_list(words)
    return Finding("notes", text[0].upper() + text[1:] + ".", 2.0 + len(findings.breaks))


def _trill(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    """Trills surely played with another second than the written one, or not played as trills."""
    wrong = [
        (t["bar"], played)
        for t in findings.rhythm.get("trills", ())
        if (played := t["interval_cents"]) is not None
        and (written := t.get("written_interval_cents")) in SECONDS_CENTS  # findings before version 1.5.0 have none
        and abs(played - written) - SURE * float(t["interval_uncertainty_cents"] or 0.0) >= ASTRAY_CENTS
    ]
    plain = {
        t["bar"] for t in findings.rhythm.get("trills", ()) if t["rate_hz"] is None and t["alternations"] is not None
    }
    if not wrong and not plain:
        return None
    wide = {bar for bar, played in wrong if abs(played) > SECONDS_APART_CENTS}
    half, whole = ("semitone", "tone") if style.note_names == "british" else ("half step", "whole step")
    parts = []
    for bars, heard, printed in ((wide, whole, half), ({bar for bar, _ in wrong} - wide, half, whole)):
        if bars:
            where = _places(_in_order(piece, bars))
            one, many = f"The trill in {where} was a", f"The trills in {where} were each a"
            parts.append(f"{one if len(bars) == 1 else many} {heard}; a {printed} is written")
    if wrong:
        parts.append("Look at the key and at the signs above the note")
    if plain:
        parts.append(f"Where a trill is written in {_places(_in_order(piece, plain))}, the pitch hardly changed")
    return Finding("notes", ". ".join(parts) + ".", 1.5)


def strongest_tendencies(findings: Findings) -> list[dict[str, Any]]:
    """Written pitches that lie off on the whole, the furthest first, beyond their uncertainty."""
    sure = [
        t
        for t in findings.pitch.get("tendencies", ())
        if t["median_cents"] is not None
        and abs(t["median_cents"]) >= max(LOOK_CENTS, SURE * float(t.get("uncertainty_cents") or 0.0))
    ]
    # A note that comes often and lies off a little matters as much as one that comes once and lies off far.
    return sorted(sure, key=lambda t: -abs(t["median_cents"]) * min(3, t["count"]) ** 0.5)


def tendency_bars(piece: Piece, findings: Findings, written_pitch: str, sharp: bool) -> list[str]:
    """Bars in which this written pitch lay off to that side."""
    return _in_order(
        piece,
        {
            n.bar
            for n in findings.notes
            if n.written_pitch == written_pitch
            and sure_cents(n)
            and (n.deviation_cents or 0.0) * (1 if sharp else -1) > 0
        },
    )


def _tendency(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    ranked = strongest_tendencies(findings)
    if not ranked:
        return None
    worst = ranked[0]
    cents, count = float(worst["median_cents"]), int(worst["count"])
    bars = tendency_bars(piece, findings, worst["written_pitch"], cents > 0)
    bottom = style.bottom_line(piece)
    doubt = _sure(worst.get("uncertainty_cents"), "cents")
    if count == 1:
        where = f" in {_places(bars)}," if bars else ""
        times = f"{where} the one time it was heard{doubt}."
    else:
        clearest = f", most clearly in {_places(bars)}" if bars else ""
        times = f" on the whole, over {wording.count_text(count)} notes{doubt}{clearest}."
    text = f"{wording.note_text(worst['written_pitch'], bottom)} lay {wording.sharp_or_flat(cents)}{times}"
    side = [t for t in ranked[1:4] if (t["median_cents"] > 0) == (cents > 0)]
    if side:
        names = [wording.note_text(t["written_pitch"], bottom) for t in side[:2]]
        text += f" {wording.and_list(names)} went the same way."
    return Finding("pitch", text, abs(cents) / LOOK_CENTS * min(3, count) ** 0.5)


def _sure(doubt: Any, unit: str) -> str:
    return (
        f" (give or take {wording.amount(max(1.0, SURE * float(doubt)), unit)})"
        if isinstance(doubt, (int, float))
        else ""
    )


def _return(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    pairs = sorted(
        (p for p in findings.pitch.get("return_notes", ()) if sure_return(p)), key=lambda p: -abs(float(p["cents"]))
    )
    if not pairs:
        return None
    pair = pairs[0]
    cents = float(pair["cents"])
    where = (
        f"later in bar {pair['bar_second']}"
        if pair["bar_first"] == pair["bar_second"]
        else f"in bar {pair['bar_second']} than in bar {pair['bar_first']}"
    )
    text = (
        f"The same {wording.note_text(pair['written_pitch'], style.bottom_line(piece))} came back "
        f"{wording.amount(cents, 'cents')} {'higher' if cents > 0 else 'lower'} {where}"
        f"{_sure(pair.get('uncertainty_cents'), 'cents')}."
    )
    return Finding("pitch", text, abs(cents) / LOOK_CENTS)


def _tuning(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    share = findings.pitch.get("share_within_10")
    judged = int(findings.pitch.get("notes_judged") or 0)
    if findings.pitch.get("median_abs_cents") is None:
        why = findings.pitch.get("why_null")
        if wording.is_unpitched(piece):
            why = "unpitched percussion is judged by its rhythm and its loudness alone"
            return Finding("pitch", f"Neither pitch nor tone: {why}.", 0.3)
        return Finding("pitch", f"Pitch could not be judged: {why}.", 0.3) if why else None
    if not isinstance(share, (int, float)):
        return None
    part = f"All {judged} notes" if share >= 0.9999 else f"{min(99.0, share * 100):.0f} % of the {judged} notes"
    text = f"{part} that could be judged lay within 10 cents"
    mean = findings.pitch.get("mean_cents")
    if isinstance(mean, (int, float)) and abs(mean) >= OFF_ON_AVERAGE_CENTS:
        text += f"; on average you were {wording.sharp_or_flat(float(mean))}"
    return Finding("pitch", text + (": well in tune." if share >= IN_TUNE_SHARE else "."), 0.5)


def _bars_tuning(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    """Of bars that their maker tuned: where they lie on the whole, said of the instrument."""
    mean = findings.pitch.get("mean_cents")
    if not isinstance(mean, (int, float)) or abs(mean) < OFF_ON_AVERAGE_CENTS:
        return None
    text = (
        f"On average the instrument lies {wording.sharp_or_flat(float(mean))} of A\u00a0=\u00a0{findings.a4_hz_used:g}"
        "\u00a0Hz; that is how it was made, not how you played."
    )
    return Finding("pitch", text, 0.2)


def off_the_pulse(piece: Piece, findings: Findings) -> list[MeasuredNote]:
    """Notes far from the pulse that no other finding explains (a held note left early, an ornament before it)."""
    explained = {x["note_id"] for x in findings.rhythm.get("landings", ())}
    early = {h["note_id"] for h in findings.rhythm.get("held_notes", ()) if left_early(h)}
    for note, following in itertools.pairwise(n for n in piece.notes if not n.grace):
        if note.note_id in early:
            explained.add(following.note_id)
    return [
        n
        for n in findings.notes
        if n.timing_ms is not None and not n.grace and abs(n.timing_ms) >= LOOK_MS and n.note_id not in explained
    ]


def lost_quarters(piece: Piece, held: Mapping[str, Any]) -> float:
    """What a held note lost, in quarter notes (findings count felt beats)."""
    note = wording.notes_by_id(piece)[held["note_id"]]
    beat = next((b.felt_beat_quarters for b in piece.bars if b.index == note.bar_index), 1.0)
    return float(held["lost_beats"]) * beat


def _held(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    early = held_left_early(findings)
    all_held = findings.rhythm.get("held_notes", ())
    if not early:
        if len(all_held) >= 2:
            return Finding("rhythm", f"All {wording.count_text(len(all_held))} held notes got their full length.", 0.3)
        return None
    bars = _in_order(piece, {h["bar"] for h in early})
    lost = [lost_quarters(piece, h) for h in early]
    if len(early) == 1:
        h = early[0]
        text = (
            f"The held {wording.pitch_text(h['written_pitch'])} in bar {h['bar']} lasted {h['ratio'] * 100:.0f} % of "
            f"its length: {wording.part_of_beat(lost[0], style.note_names)} short"
        )
        doubt = h.get("uncertainty_ratio")
        text += (
            f" (give or take {max(1.0, SURE * 100 * float(doubt)):.0f} %)." if isinstance(doubt, (int, float)) else "."
        )
    else:
        middle = sorted(lost)[len(lost) // 2]
        ratios = [100 * float(h["ratio"]) for h in early]
        text = (
            f"{wording.count_text(len(early)).capitalize()} of {wording.count_text(len(all_held))} held notes were "
            f"left early ({_places(bars)}), by {wording.part_of_beat(middle, style.note_names)}: they lasted "
            f"{wording.range_text(ratios)} % of their length."
        )
    return Finding("rhythm", text, 1.0 + len(early) * 0.6 + max(lost))


def _landing(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    sure = late_landings(findings)
    if not sure:
        return None
    worst = sure[0]
    after = {"grace": "grace notes"}.get(worst["after"], worst["after"])
    text = (
        f"The note after the {after} in bar {worst['bar']} came {wording.early_or_late(float(worst['timing_ms']))}"
        f"{_sure(worst.get('uncertainty_ms'), 'ms')}"
    )
    others = _in_order(piece, {x["bar"] for x in sure[1:] if x["bar"] != worst["bar"]})
    return Finding(
        "rhythm", text + (f"; so in {_places(others)}." if others else "."), abs(float(worst["timing_ms"])) / LOOK_MS
    )


def sure_drift(findings: Findings) -> dict[str, float] | None:
    """Drift of the tempo (value, low, high in percent a minute, faster positive) when it is there beyond its doubt."""
    drift = findings.rhythm.get("drift_percent_per_min")
    if not drift or drift["low"] <= 0 <= drift["high"] or abs(drift["value"]) < STEADY_PERCENT:
        return None
    return {key: float(drift[key]) for key in ("value", "low", "high")}


def _drift(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    drift = sure_drift(findings)
    if drift is None:
        return None
    word = "faster" if drift["value"] > 0 else "slower"
    low, high = sorted((abs(drift["low"]), abs(drift["high"])))
    text = f"The tempo grew {word} by {abs(drift['value']):.0f} % a minute (between {low:.0f} and {high:.0f})."
    return Finding("rhythm", text, abs(drift["value"]) / STEADY_PERCENT * 0.6)


def _steady(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    median = findings.rhythm.get("median_abs_ms")
    if median is None:
        why = findings.rhythm.get("why_null")
        return Finding("rhythm", f"Timing could not be judged: {why}.", 0.3) if why else None
    off = off_the_pulse(piece, findings)
    text = f"Half of your notes began within {median:.0f} ms of your own pulse"
    if not off:
        return Finding("rhythm", text + ".", 0.4)
    worst = max(off, key=lambda n: abs(n.timing_ms or 0.0))
    bars = _in_order(piece, {n.bar for n in off})
    text += f"; the furthest was {wording.early_or_late(worst.timing_ms or 0.0)} in bar {worst.bar}"
    return Finding(
        "rhythm", text + (f" (look in {_places(bars)})." if len(bars) > 1 else "."), 0.6 + 0.4 * median / LOOK_MS
    )


def _peak(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    phrases = findings.musicianship.get("phrases", ())
    marked = [
        p
        for p in phrases
        if p.get("peak_marked_note_id") and not p.get("guessed") and p.get("peak_distance_beats") is not None
    ]
    off = [p for p in marked if abs(p["peak_distance_beats"]) >= PEAK_BEATS]
    if not marked:
        why = findings.musicianship.get("why_null")
        return Finding("musicianship", f"Loudness could not be judged: {why}.", 0.2) if why else None
    if not off:
        return Finding("musicianship", "The loudest note of each phrase lay where the leader marked its peak.", 0.4)
    worst = max(off, key=lambda p: abs(p["peak_distance_beats"]))
    note = wording.notes_by_id(piece).get(worst["peak_marked_note_id"])
    beats = abs(worst["peak_distance_beats"])
    side = "early" if worst["peak_distance_beats"] < 0 else "late"
    text = (
        f"The phrase in {wording.span_text(worst['bar_first'], worst['bar_last'])} was loudest in "
        f"bar {worst['loudest_bar']}, "
        f"{beats:.0f} {'beat' if round(beats) == 1 else 'beats'} too {side}"
        + (f"; its peak is {wording.named(note)} in bar {note.bar}." if note else ".")
    )
    return Finding("musicianship", text, 0.8 + 0.2 * len(off) + 0.1 * beats)


def bumps_of(phrase: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Notes that go against a phrase's line; that the marked peak stands out is what it is there for."""
    peak = None if phrase.get("guessed") else phrase.get("peak_marked_note_id")
    return [b for b in phrase.get("bumps", ()) if b["note_id"] != peak or b["db"] < 0]


def _bumps(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    bumps = [(p, b) for p in findings.musicianship.get("phrases", ()) for b in bumps_of(p)]
    if not bumps:
        return None
    phrase, worst = max(bumps, key=lambda pair: abs(pair[1]["db"]))
    name = f"{wording.named(wording.notes_by_id(piece).get(worst['note_id']))} in bar {worst['bar']}"
    text = (
        f"In the phrase in {wording.span_text(phrase['bar_first'], phrase['bar_last'])} {name} "
        f"{'stood out by' if worst['db'] > 0 else 'dropped by'} {abs(worst['db']):.0f} dB against the line."
    )
    return Finding("musicianship", text, 0.5 + abs(worst["db"]) / 10)


def _cracked(piece: Piece, findings: Findings, style: Style) -> Finding | None:
    cracked = findings.tone.get("cracked", ())
    if not cracked:
        return None
    bars = _in_order(piece, {c["bar"] for c in cracked})
    word = "note" if len(cracked) == 1 else "notes"
    return Finding(
        "tone",
        f"{wording.count_text(len(cracked)).capitalize()} {word} did not speak cleanly ({_places(bars)}).",
        0.7 + 0.3 * len(cracked),
    )

"""Sentences about a take as a whole, beside what the follower already said."""

import numpy as np

from app.listening.heard import Heard
from app.listening.timing import Timing

# Our choices.
FAR_REFERENCE_CENTS = 30.0
NOISY_DB = 25.0  # the room this close under the playing
MANY_OMITTED = 0.3
CUT_OFF_SEC = 0.03
OTHER_SOUND_SEC = 1.0  # as much beside the piece is said
BESIDE_SEC = 0.5  # the room's own tail, and a breath before the first note
OTHER_SOUND_DB = 25.0  # under the playing: what is softer is the room
LONG_STOP_SEC = 2.5


def warnings_of(heard: Heard, timing: Timing) -> tuple[str, ...]:
    """What a reader of the findings must know first. The follower's own sentences come before ours."""
    out = list(heard.followed.warnings)
    beside = (_other_sound(heard, before=True), _other_sound(heard, before=False), _beginnings(heard), _stops(heard))
    for sentence in (_tuning(heard), _click(heard, timing), *beside, _cut_off(heard), _noisy(heard), _left_out(heard)):
        if sentence is not None:
            out.append(sentence)
    if heard.settings.temperament == "just" and heard.piece.tonic_written is None:
        out.append("No tonic is marked on the piece, so pitch is read in equal temperament.")
    return tuple(dict.fromkeys(out))


def _tuning(heard: Heard) -> str | None:
    if heard.a4_hz_fitted is None:
        return None
    cents = 1200.0 * float(np.log2(heard.a4_hz_fitted / heard.a4_hz_used))
    if abs(cents) < FAR_REFERENCE_CENTS:
        return None
    way = "above" if cents > 0 else "below"
    return (
        f"The take is tuned {abs(cents):.0f} cents {way} the reference (A = {heard.a4_hz_fitted:.1f} Hz): "
        "single notes are better read against the take's own reference."
    )


def _click(heard: Heard, timing: Timing) -> str | None:
    if not heard.settings.click or timing.pulse is None:
        return None
    mark = heard.piece.tempo_marks[0].beats_per_minute
    if timing.click is None:
        return f"The take does not keep to the click at {mark:g}: its rhythm is judged on its own pulse."
    if timing.click == "heard":
        return f"Rhythm is judged on the click at {mark:g} that is heard before the first note."
    return (
        f"Rhythm is judged on the click at {mark:g}; no click is heard before the first note, so playing that is late "
        "or early throughout can't be told."
    )


def _other_sound(heard: Heard, *, before: bool) -> str | None:
    """Talking or tuning before the piece, talking or applause after it."""
    followed, level, times = heard.followed, heard.features.level_db, heard.features.times_sec
    inside = (times >= followed.start_sec) & (times <= followed.end_sec)
    if not inside.any():
        return None
    outside = times < followed.start_sec - BESIDE_SEC if before else times > followed.end_sec + BESIDE_SEC
    loud = level > max(heard.features.floor_db, float(np.percentile(level[inside], 75)) - OTHER_SOUND_DB)
    seconds = float(np.sum(outside & loud) * heard.features.hop_sec)
    if seconds < OTHER_SOUND_SEC:
        return None
    where = "before the first note (talking or tuning)" if before else "after the last note (talking or applause)"
    return f"There are {seconds:.0f} s of other sound {where}: they are not measured."


def _beginnings(heard: Heard) -> str | None:
    """False starts: the first note was begun more than once."""
    again = sum(1 for n in heard.followed.earlier if n.index == 0)
    if not again:
        return None
    return f"The piece was begun {again + 1} times: of every bar the last time through it counts."


def _stops(heard: Heard) -> str | None:
    """Long stops, as for a page turn."""
    ends = np.sort([n.offset_sec for n in (*heard.followed.notes, *heard.followed.earlier) if n.offset_sec is not None])
    bars = []
    for stop in heard.followed.breaks:
        before = ends[ends <= stop.at_sec + 0.01]
        if stop.kind != "restart" and before.size and stop.at_sec - before[-1] >= LONG_STOP_SEC:
            bars.append((stop.to_bar, stop.at_sec - float(before[-1])))
    if not bars:
        return None
    told = ", ".join(f"{seconds:.0f} s before bar {bar}" if bar else f"{seconds:.0f} s" for bar, seconds in bars)
    return f"The playing stops for a while ({told}): the pulse is judged on either side of it."


def _cut_off(heard: Heard) -> str | None:
    """The take's sound runs into its last moment at full level."""
    level, times = heard.features.level_db, heard.features.times_sec
    if level.size < 100:
        return None
    last = level[times >= times[-1] - 3 * CUT_OFF_SEC]
    playing = [v for v in heard.levels_db if v is not None]
    if not playing or last.size == 0:
        return None
    loud = float(np.percentile(level, 75))
    if float(np.median(last)) < loud - 12.0:
        return None
    end = max((n.offset_sec for n in heard.followed.notes if n.offset_sec is not None), default=None)
    if end is None or end < times[-1] - 0.3:
        return None
    return "The take ends while the last note still sounds: its length can't be judged."


def _noisy(heard: Heard) -> str | None:
    playing = [v for v in heard.levels_db if v is not None]
    if len(playing) < 4:
        return None
    level = heard.features.level_db
    between = float(np.percentile(level[level > -119.0], 3)) if (level > -119.0).any() else -120.0
    apart = float(np.percentile(level, 75)) - between
    if apart >= NOISY_DB:
        return None
    return f"The room or a noise lies only {apart:.0f} dB under the playing: soft notes and note ends are less certain."


def _left_out(heard: Heard) -> str | None:
    notes = heard.followed.notes
    omitted = sum(1 for n in notes if n.status == "omitted")
    if len(notes) >= 8 and omitted >= MANY_OMITTED * len(notes):
        return f"{omitted} of {len(notes)} notes were not heard: the take may stop early or leave bars out."
    return None

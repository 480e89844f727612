"""The rubric: four captions, whole marks from 1 to 10, a sentence for every band of two marks.

The descriptors are our own words. They describe what is heard, not the player, and each band names what sets it apart
from the band below, so that two adjudicators reading them mean the same thing by a 7.
"""

from collections.abc import Mapping
from typing import Any

from app.domain.errors import BadInput
from app.domain.panel import Caption, Level, Rubric

LOW, HIGH = 1, 10  # our choice: fine enough to rank a section, coarse enough to hold in the head

#: The scale may be set differently, within what a person can tell apart. Our choice.
WIDEST_SCALE = 100
MOST_CAPTIONS = 12
LONGEST_DESCRIPTOR = 600

_BANDS = ((1, 2), (3, 4), (5, 6), (7, 8), (9, 10))

_DEFAULT: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    (
        "tone",
        "Tone",
        (
            "The sound rarely settles: airy, pinched or forced on most notes, and many notes crack or speak late.",
            "A basic sound is there in the easy middle register; it thins, spreads or hardens as soon as range, "
            "loudness or tonguing change, and starts are often rough.",
            "A clear sound of the instrument at medium loudness; high, low, loud or soft notes lose focus, and some "
            "starts and ends of notes are careless.",
            "A focused, supported sound across the registers used; colour and steadiness slip only at extremes of "
            "range or loudness, and nearly every note speaks at once.",
            "A full, centred sound that keeps its core in every register and at every loudness; notes begin and end as "
            "meant, and the colour is chosen to suit the music.",
        ),
    ),
    (
        "pitch",
        "Pitch",
        (
            "The line is hard to recognise: wrong notes or accidentals throughout, and no steady pitch to return to.",
            "The line can be recognised, but wrong notes recur and whole groups of notes sit plainly sharp or flat "
            "without being corrected.",
            "Nearly all notes are the right ones; the weak notes of the instrument, leaps and loud or soft playing go "
            "out of tune, and the pitch wanders over a long phrase.",
            "Right notes, with one or two slips; a few notes are off and are mended while they sound, leaps land, and "
            "the same note comes back in the same place.",
            "Right notes in tune from first to last: weak notes are covered, chord outlines ring, and the pitch holds "
            "through loud and soft and does not drift.",
        ),
    ),
    (
        "rhythm",
        "Rhythm",
        (
            "No steady pulse: the playing stops, starts again or guesses at the rhythm in most bars.",
            "A pulse can be felt for a few bars at a time; it breaks at hard places, long notes are cut short, and "
            "several written rhythms are played as different ones.",
            "The pulse mostly holds at a workable tempo; runs rush or drag, rests and tied notes lose part of their "
            "length, and notes after ornaments arrive late.",
            "Steady pulse near the marked tempo and correct rhythms; small unevenness in the fastest groups or the odd "
            "held note left early, and the playing recovers at once.",
            "The marked tempo, with a pulse one could conduct to: runs are even, held notes and rests get their whole "
            "length, ornaments land in time, and any freedom in the time is plainly meant.",
        ),
    ),
    (
        "musicianship",
        "Musicianship",
        (
            "Notes follow one another with no direction: no phrases, no change of loudness, markings not attempted.",
            "Breaths and breaks fall where they happen to fall; a few dynamics are tried, and articulation does not "
            "yet follow the page.",
            "Phrases begin and end in sensible places and the printed dynamics can be heard, though one bar at a time; "
            "slurs and staccatos are mostly as written, the style is neutral.",
            "Phrases lead to a goal and come away from it, contrasts are clear and articulation is consistent; the "
            "character fits the piece in most places.",
            "Every phrase has a shape the listener can follow, contrasts and colours are chosen for a reason, style "
            "and character are convincing from the first note to the last rest.",
        ),
    ),
)


def default_rubric() -> Rubric:
    """Tone, pitch, rhythm and musicianship in whole marks from 1 to 10, five bands of two marks each."""
    captions = tuple(
        Caption(key, name, tuple(Level(low, high, text) for (low, high), text in zip(_BANDS, texts, strict=True)))
        for key, name, texts in _DEFAULT
    )
    return Rubric(LOW, HIGH, captions)


def validate_rubric(values: Mapping[str, Any]) -> Rubric:
    """The rubric in plain JSON values as a :class:`Rubric`; one sentence of :class:`BadInput` where it can't be used.

    The scale is whole numbers ``low < high``; each caption has a key, a name and levels that cover the scale from
    ``low`` to ``high`` without gap or overlap, each with a descriptor.
    """
    if not isinstance(values, Mapping):
        raise BadInput("The rubric must be an object with low, high and captions.")
    low, high = _whole(values.get("low"), "low"), _whole(values.get("high"), "high")
    if not low < high:
        raise BadInput(f"The rubric's scale runs from {low} to {high}; the highest mark must be above the lowest.")
    if high - low > WIDEST_SCALE:
        raise BadInput(f"The rubric's scale has more than {WIDEST_SCALE} steps; nobody can tell marks that fine apart.")
    listed = values.get("captions")
    if not isinstance(listed, list) or not listed:
        raise BadInput("The rubric has no caption; add at least one thing that is scored.")
    if len(listed) > MOST_CAPTIONS:
        raise BadInput(f"The rubric has {len(listed)} captions; use {MOST_CAPTIONS} at most.")
    captions = tuple(_caption(item, low, high) for item in listed)
    keys = [c.key for c in captions]
    for key in keys:
        if keys.count(key) > 1:
            raise BadInput(f"The caption '{key}' stands in the rubric twice; give every caption its own key.")
    return Rubric(low, high, captions)


def check_mark(rubric: Rubric, caption: str, mark: object) -> int:
    """The mark as a whole number on the rubric's scale; raises :class:`BadInput` with a sentence otherwise."""
    if caption not in rubric.keys:
        raise BadInput(f"'{caption}' is no caption of this rubric; it scores {', '.join(rubric.keys)}.")
    name = rubric.name(caption)
    if isinstance(mark, bool) or not isinstance(mark, (int, float)) or not _is_whole(mark):
        raise BadInput(f"The mark for {name} must be a whole number from {rubric.low} to {rubric.high}.")
    if not rubric.low <= mark <= rubric.high:
        raise BadInput(
            f"The mark {int(mark)} for {name} is off the scale; it runs from {rubric.low} to {rubric.high}.",
            mark=int(mark),
            caption=caption,
        )
    return int(mark)


def _caption(item: object, low: int, high: int) -> Caption:
    if not isinstance(item, Mapping):
        raise BadInput("Every caption of the rubric must be an object with key, name and levels.")
    key, name = item.get("key"), item.get("name")
    if not isinstance(key, str) or not key or not all(c.isalnum() or c in "-_" for c in key) or len(key) > 40:
        raise BadInput("Every caption needs a key of up to 40 letters, digits and hyphens.")
    if not isinstance(name, str) or not name.strip() or len(name) > 60:
        raise BadInput(f"The caption '{key}' needs a name of up to 60 letters.")
    levels = item.get("levels")
    if not isinstance(levels, list) or not levels:
        raise BadInput(f"{name} has no levels; describe at least one band of marks.")
    made: list[Level] = []
    expected = low
    for level in levels:
        if not isinstance(level, Mapping):
            raise BadInput(f"Every level of {name} must be an object with from, to and descriptor.")
        start, end = _whole(level.get("from"), f"from of {name}"), _whole(level.get("to"), f"to of {name}")
        text = level.get("descriptor")
        if not isinstance(text, str) or not text.strip():
            raise BadInput(f"{name} {start} to {end} has no descriptor; say in a sentence what is heard there.")
        if len(text) > LONGEST_DESCRIPTOR:
            raise BadInput(f"The descriptor of {name} {start} to {end} is longer than {LONGEST_DESCRIPTOR} letters.")
        if start != expected or end < start:
            raise BadInput(
                f"The levels of {name} must follow one another without gap or overlap; one should begin at {expected}."
            )
        made.append(Level(start, end, text.strip()))
        expected = end + 1
    if expected != high + 1:
        raise BadInput(f"The levels of {name} end at {expected - 1}, but the scale runs to {high}.")
    return Caption(key, name.strip(), tuple(made))


def _is_whole(value: float) -> bool:
    return isinstance(value, int) or value.is_integer()  # False for infinities and NaN


def _whole(value: object, what: str) -> int:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not _is_whole(value):
        raise BadInput(f"The rubric's '{what}' must be a whole number.")
    return int(value)

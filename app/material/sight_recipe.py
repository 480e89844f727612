"""What a sight-reading melody is made from, and the check of what a form hands in."""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from app.domain.errors import BadInput
from app.material.instruments import Instrument, instrument
from app.material.pitch_names import Pitch, class_name, pitch, pitch_class, spelled
from app.material.recipe import checked_tempo

METRES = {"2/4": (2, 4), "3/4": (3, 4), "4/4": (4, 4), "6/8": (6, 8)}
LENGTHS = (4, 8, 16)  # bars; phrases of two, four and four
MODES = {"major": 0, "minor": -3}  # fifths between the signature and that of the major key on the same tonic
LEAPS = {"third": 2, "fourth": 3, "fifth": 4, "sixth": 5, "octave": 7}  # staff steps
VALUES: dict[str, Fraction] = {
    "half": Fraction(2),
    "dotted quarter": Fraction(3, 2),
    "quarter": Fraction(1),
    "dotted eighth": Fraction(3, 4),
    "eighth": Fraction(1, 2),
    "sixteenth": Fraction(1, 4),
}
NEEDED = {4: ("quarter",), 8: ("dotted quarter", "quarter", "eighth")}  # by beat type: without these no bar fills
NARROWEST_STEPS = 5  # a sixth; our choice: room for a peak and a way back
MOST_ACCIDENTALS = 7
SLOWEST_BPM, FASTEST_BPM = 30.0, 200.0  # our choice
LONGEST_SEED = 80
COMFORT_SEMITONES = 4  # our choice: this far from either end of the instrument unless the leader names the range
COMFORT_SPAN = 19  # semitones: an octave and a fifth; our choice


@dataclass(frozen=True, slots=True)
class SightRecipe:
    """A checked recipe. ``lowest`` and ``highest`` are written pitches; ``largest_leap`` in staff steps."""

    instrument: str
    tonic: str
    mode: str
    fifths: int
    lowest: Pitch
    highest: Pitch
    beats: int
    beat_type: int
    bars: int
    values: frozenset[Fraction]
    largest_leap: int
    tempo_bpm: float  # of the felt beat
    seed: str


def sight_recipe_from(values: Mapping[str, Any]) -> SightRecipe:
    """A recipe from plain values; :class:`BadInput` names what is wrong.

    Keys: instrument, tonic, mode (major, minor), lowest and highest (written pitches; empty: a comfortable range),
    metre, bars, values (names of VALUES; empty: halves, quarters and eighths), largest_leap (a name of LEAPS),
    tempo_bpm, seed.
    """
    player = instrument(str(values.get("instrument") or "clarinet-bb"))
    if player.unpitched:
        raise BadInput(f"{player.name} has no pitch; a melody can't be generated for it.", instrument=player.key)
    step, alter = pitch_class(str(values.get("tonic") or "C"))
    mode = _one_of(values.get("mode") or "major", MODES, "mode")
    fifths = Pitch(4, step, alter).on_line_of_fifths + MODES[mode]
    if abs(fifths) > MOST_ACCIDENTALS:
        raise BadInput(
            f"{class_name(step, alter)} {mode} would need {abs(fifths)} accidentals in its key signature; "
            "ask for the key that sounds the same with fewer."
        )
    beats, beat_type = METRES[_one_of(values.get("metre") or "4/4", METRES, "metre")]
    lowest, highest = _range(player, str(values.get("lowest") or ""), str(values.get("highest") or ""), fifths)
    if highest.diatonic - lowest.diatonic < NARROWEST_STEPS:
        raise BadInput(f"From {lowest.name} to {highest.name} is too narrow for a melody; give it a sixth at least.")
    return SightRecipe(
        instrument=player.key,
        tonic=class_name(step, alter),
        mode=mode,
        fifths=fifths,
        lowest=lowest,
        highest=highest,
        beats=beats,
        beat_type=beat_type,
        bars=_length(values.get("bars", 8)),
        values=_values(values.get("values"), beat_type),
        largest_leap=LEAPS[_one_of(values.get("largest_leap") or "fifth", LEAPS, "largest leap")],
        tempo_bpm=checked_tempo(values.get("tempo_bpm", 72), SLOWEST_BPM, FASTEST_BPM),
        seed=_seed(values.get("seed")),
    )


def _one_of(value: object, table: Mapping[str, object], what: str) -> str:
    if str(value) not in table:
        raise BadInput(f"The {what} must be one of: {', '.join(table)}.", value=str(value))
    return str(value)


def _length(value: Any) -> int:
    if isinstance(value, bool) or str(value) not in {str(one) for one in LENGTHS}:
        raise BadInput("The melody has 4, 8 or 16 bars.", bars=str(value))
    return int(value)


def _seed(value: object) -> str:
    text = str(value or "").strip()
    if not 1 <= len(text) <= LONGEST_SEED:
        raise BadInput(f"The seed must be a word or number of 1 to {LONGEST_SEED} characters.")
    return text


def _values(chosen: Any, beat_type: int) -> frozenset[Fraction]:
    names = list(chosen) if chosen else ["half", "quarter", "eighth", *(["dotted quarter"] if beat_type == 8 else [])]
    for name in names:
        _one_of(name, VALUES, "note value")
    lacking = [name for name in NEEDED[beat_type] if name not in names]
    if lacking:
        raise BadInput(f"This metre can't be filled without the {lacking[0]} note; add it to the note values.")
    return frozenset(VALUES[name] for name in names)


def _range(player: Instrument, low: str, high: str, fifths: int) -> tuple[Pitch, Pitch]:
    shift = player.transposition_semitones
    reach = (player.lowest_sounding_midi - shift, player.highest_sounding_midi - shift)
    comfortable = reach[0] + COMFORT_SEMITONES
    lowest = pitch(low) if low else spelled(comfortable, fifths)
    highest = pitch(high) if high else spelled(min(reach[1] - COMFORT_SEMITONES, lowest.midi + COMFORT_SPAN), fifths)
    if not reach[0] <= lowest.midi <= highest.midi <= reach[1]:
        raise BadInput(
            f"The range must lie inside {spelled(reach[0], 0).name} to {spelled(reach[1], 0).name}, lowest first: "
            f"that is what the {player.name} reads."
        )
    return lowest, highest

"""The information fields of ABC text that matter here: metre, note length, tempo, key (ABC standard 2.1)."""

import re
from dataclasses import dataclass, field
from fractions import Fraction

from app.material.pitch_names import Pitch, key_alter

# Fifths between a mode's signature and that of the major key on its tonic; ABC knows a mode by its first three letters.
_MODES = {"maj": 0, "ion": 0, "mix": -1, "dor": -2, "min": -3, "aeo": -3, "phr": -4, "loc": -5, "lyd": 1}
_MODE_NAMES = {0: "major", -3: "minor"}
_KEY = re.compile(r"^([A-G])([#b]?)\s*([A-Za-z]*)(.*)$", re.DOTALL)
_EXPLICIT = re.compile(r"(\^\^|__|\^|_|=)\s*([a-gA-G])")
_SETTING = re.compile(
    r"\b(clef|middle|octave|transpose|stafflines|score|sound|shift)\s*=\s*\S+"
)  # "=b" of bass is none
_CLEF = re.compile(r"(?:clef\s*=\s*)?\b(treble-8|treble|alto|tenor|bass|perc)\w*", re.IGNORECASE)
_CLEF_NAMES = {"perc": "percussion"}
_ALTERS = {"^^": 2, "^": 1, "=": 0, "_": -1, "__": -2}
_TEMPO = re.compile(r"^((?:\d+/\d+\s*)+)=\s*(\d+(?:\.\d+)?)$")
SLOWEST_BPM, FASTEST_BPM = 10.0, 600.0  # our choice


class FieldError(ValueError):
    """A field that can't be read; its text is a sentence."""


@dataclass(frozen=True, slots=True)
class Key:
    """A key signature; ``explicit`` alterations per letter come on top of the fifths."""

    fifths: int = 0
    mode: str | None = None
    explicit: dict[str, int] = field(default_factory=dict)
    clef: str = ""

    def alter(self, step: str) -> int:
        """What the signature does to a letter."""
        return self.explicit.get(step, key_alter(step, self.fifths))


@dataclass(frozen=True, slots=True)
class Metre:
    """A metre; ``free`` (M:none) has no length to check."""

    beats: int = 4
    beat_type: int = 4
    free: bool = False

    @property
    def length(self) -> Fraction:
        """In quarters."""
        return Fraction(4 * self.beats, self.beat_type)


@dataclass(frozen=True, slots=True)
class Tempo:
    """A tempo field: words, and a number where it gives one."""

    text: str
    beat_unit: Fraction | None = None  # quarters
    beats_per_minute: float = 0.0


def metre(text: str) -> Metre:
    """M: field. Knows C, C|, none, 6/8, 2+3/8 and (2+3)/8."""
    plain = text.strip()
    if plain in ("C", "c"):
        return Metre(4, 4)
    if plain in ("C|", "c|"):
        return Metre(2, 2)
    if plain.casefold() in ("none", ""):
        return Metre(free=True)
    found = re.fullmatch(r"\(?\s*(\d{1,2}(?:\s*\+\s*\d{1,2})*)\s*\)?\s*/\s*(\d{1,2})", plain)
    beats = sum(int(one) for one in found[1].split("+")) if found else 0
    if not found or not 1 <= beats <= 64 or int(found[2]) not in (1, 2, 4, 8, 16, 32):
        raise FieldError(f"M:{plain} is not a metre; write it like M:4/4 or M:6/8.")
    return Metre(beats, int(found[2]))


def unit_length(text: str) -> Fraction:
    """L: field, in quarters."""
    found = re.fullmatch(r"\s*1\s*/\s*(1|2|4|8|16|32|64)\s*|\s*(1)\s*", text)
    if not found:
        raise FieldError(f"L:{text.strip()} is not a note length; write it like L:1/8.")
    return Fraction(4, int(found[1] or 1))


def default_unit(one: Metre) -> Fraction:
    """The note length where no L: field stands: an eighth, in metres shorter than 3/4 a sixteenth."""
    return Fraction(1, 4) if not one.free and one.length < 3 else Fraction(1, 2)


def tempo(text: str, unit: Fraction) -> Tempo:
    """Q: field: words in quotes, beats and a number ("3/8=54"), or the old bare number of unit lengths."""
    words = " ".join(re.findall(r'"([^"]*)"', text))
    rest = re.sub(r'"[^"]*"', "", text).strip()
    if not rest:
        if words:
            return Tempo(words.strip())
        raise FieldError("Q: is empty; write the tempo like Q:1/4=96 or Q:3/8=54.")
    found = _TEMPO.match(rest)
    if found:
        try:
            beat = sum((4 * Fraction(one) for one in found[1].split()), Fraction(0))
        except ZeroDivisionError:
            beat = Fraction(0)
        number = float(found[2])
    elif re.fullmatch(r"\d+(\.\d+)?", rest):
        beat, number = unit, float(rest)
    else:
        raise FieldError(f"Q:{text.strip()} is not a tempo; write it like Q:1/4=96 or Q:3/8=54.")
    if not SLOWEST_BPM <= number <= FASTEST_BPM:
        raise FieldError(f"A tempo of {number:g} is outside of {SLOWEST_BPM:g} to {FASTEST_BPM:g}.")
    if beat not in {Fraction(n, d) for n in (1, 3) for d in (1, 2, 4, 8)} | {Fraction(2), Fraction(4), Fraction(6)}:
        raise FieldError(f"Q:{text.strip()} counts in a beat that no single note shows; write it like Q:3/8=54.")
    return Tempo(words.strip(), beat, number)


def key(text: str) -> Key:
    """K: field: tonic, mode, explicit accidentals, clef."""
    plain = text.strip()
    clef = _CLEF.search(plain)
    explicit_text = _SETTING.sub("", plain[1:])
    name = "" if clef is None else clef[1].casefold()
    name = _CLEF_NAMES.get(name, name)
    if plain.casefold() in ("", "none") or (clef is not None and clef.start() == 0):
        return Key(clef=name)
    if plain in ("HP", "Hp"):  # the Highland pipes read F and C sharp
        return Key(fifths=2, mode="major", clef=name)
    found = _KEY.match(plain)
    if found is None:
        raise FieldError(f"K:{plain} is not a key; write it like K:D, K:Bb or K:Ddor.")
    mode_text = found[3].casefold()
    if mode_text in ("clef", "treble", "bass", "alto", "tenor", "perc", "transpose", "octave", "exp"):
        mode_text = ""
    shift = 0 if not mode_text else -3 if mode_text == "m" else _MODES.get(mode_text[:3])
    if shift is None:
        raise FieldError(
            f"K:{plain} names no mode; write major, min, dor, phr, lyd, mix, aeo or loc behind the tonic, like K:Ddor."
        )
    alter = {"#": 1, "b": -1, "": 0}[found[2]]
    fifths = Pitch(4, found[1], alter).on_line_of_fifths + shift
    if abs(fifths) > 7:
        raise FieldError(f"K:{plain} would need {abs(fifths)} accidentals; name the key that sounds the same.")
    explicit = {letter.upper(): _ALTERS[sign] for sign, letter in _EXPLICIT.findall(explicit_text)}
    if "exp" in found[3].casefold() or " exp" in found[4]:
        return Key(0, None, explicit, name)
    return Key(fifths, _MODE_NAMES.get(shift), explicit, name)

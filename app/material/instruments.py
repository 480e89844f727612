"""The instruments: how far each sounds from what its player reads, and how far it reaches.

Transpositions (sounding minus written, semitones) are common practice and the same as MusicXML's ``transpose``
element gives them; a test holds them against a list of their own. Ranges are sounding MIDI numbers of what an advanced
student can be asked for: common practice, the upper ends our choice.
"""

import re
from dataclasses import dataclass

from app.domain.errors import BadInput


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument as it is written for."""

    key: str
    name: str
    transposition_semitones: int  # sounding minus written
    family: str  # woodwind | brass | strings | percussion | other
    lowest_sounding_midi: int
    highest_sounding_midi: int
    clef: str = "treble"  # treble | alto | tenor | bass | percussion
    unpitched: bool = False
    gm_programs: tuple[int, ...] = ()  # General MIDI program numbers, 0-based, that mean this instrument
    fixed_pitch: bool = False  # bars that their maker tuned: no player can move a note (common practice)
    written_octaves: int = 0  # whole octaves inside the transposition (MusicXML octave-change)

    @property
    def chromatic(self) -> int:
        """The transposition without its whole octaves, as MusicXML's ``chromatic``."""
        return self.transposition_semitones - 12 * self.written_octaves


def _wood(
    key: str,
    name: str,
    shift: int,
    low: int,
    high: int,
    gm: tuple[int, ...] = (),
    clef: str = "treble",
    octaves: int = 0,
) -> Instrument:
    return Instrument(key, name, shift, "woodwind", low, high, clef, gm_programs=gm, written_octaves=octaves)


def _brass(
    key: str,
    name: str,
    shift: int,
    low: int,
    high: int,
    gm: tuple[int, ...] = (),
    clef: str = "treble",
    octaves: int = 0,
) -> Instrument:
    return Instrument(key, name, shift, "brass", low, high, clef, gm_programs=gm, written_octaves=octaves)


def _bars(key: str, name: str, shift: int, low: int, high: int, gm: tuple[int, ...], octaves: int = 0) -> Instrument:
    return Instrument(
        key, name, shift, "percussion", low, high, gm_programs=gm, fixed_pitch=True, written_octaves=octaves
    )


_TABLE = (
    _wood("piccolo", "Piccolo", 12, 74, 108, (72,), octaves=1),
    _wood("flute", "Flute", 0, 59, 98, (73,)),
    _wood("alto-flute", "Alto flute", -5, 55, 91),
    _wood("oboe", "Oboe", 0, 58, 93, (68,)),
    _wood("english-horn", "English horn", -7, 52, 84, (69,)),
    _wood("bassoon", "Bassoon", 0, 34, 76, (70,), clef="bass"),
    _wood("contrabassoon", "Contrabassoon", -12, 22, 60, clef="bass", octaves=-1),
    _wood("clarinet-eb", "Clarinet in E♭", 3, 55, 96),
    _wood("clarinet-bb", "Clarinet in B♭", -2, 50, 94, (71,)),
    _wood("clarinet-a", "Clarinet in A", -3, 49, 93),
    _wood("bass-clarinet", "Bass clarinet", -14, 34, 79, octaves=-1),
    _wood("sax-soprano", "Soprano saxophone", -2, 56, 88, (64,)),
    _wood("sax-alto", "Alto saxophone", -9, 49, 81, (65,)),
    _wood("sax-tenor", "Tenor saxophone", -14, 44, 76, (66,), octaves=-1),
    _wood("sax-baritone", "Baritone saxophone", -21, 36, 69, (67,), octaves=-1),
    _brass("horn-f", "Horn in F", -7, 35, 77, (60,)),
    _brass("trumpet-bb", "Trumpet in B♭", -2, 52, 86, (56,)),
    _brass("trumpet-c", "Trumpet in C", 0, 54, 88),
    _brass("cornet", "Cornet in B♭", -2, 52, 84),
    _brass("flugelhorn", "Flugelhorn", -2, 52, 82),
    _brass("trombone", "Trombone", 0, 40, 77, (57,), clef="bass"),
    _brass("bass-trombone", "Bass trombone", 0, 32, 72, clef="bass"),
    _brass("euphonium", "Euphonium", 0, 34, 74, clef="bass"),
    _brass("euphonium-treble", "Euphonium (treble clef)", -14, 34, 74, octaves=-1),
    _brass("tuba", "Tuba", 0, 24, 65, (58,), clef="bass"),
    Instrument("violin", "Violin", 0, "strings", 55, 103, gm_programs=(40,)),
    Instrument("viola", "Viola", 0, "strings", 48, 91, clef="alto", gm_programs=(41,)),
    Instrument("cello", "Cello", 0, "strings", 36, 84, clef="bass", gm_programs=(42,)),
    Instrument(
        "double-bass", "Double bass", -12, "strings", 24, 67, clef="bass", gm_programs=(43,), written_octaves=-1
    ),
    _bars("xylophone", "Xylophone", 12, 65, 108, (13,), octaves=1),
    _bars("marimba", "Marimba", 0, 36, 96, (12,)),
    _bars("vibraphone", "Vibraphone", 0, 53, 89, (11,)),
    _bars("glockenspiel", "Glockenspiel", 24, 79, 108, (9,), octaves=2),
    Instrument("timpani", "Timpani", 0, "percussion", 36, 60, clef="bass", gm_programs=(47,)),
    Instrument("snare-drum", "Snare drum", 0, "percussion", 0, 127, clef="percussion", unpitched=True),
    Instrument("other", "Other instrument, sounding as written", 0, "other", 12, 119),
)

INSTRUMENTS: dict[str, Instrument] = {one.key: one for one in _TABLE}


def is_unpitched(key: str) -> bool:
    """Whether an instrument has no pitch to tune, hold or judge; False for a key nobody knows."""
    return key in INSTRUMENTS and INSTRUMENTS[key].unpitched


def is_fixed_pitch(key: str) -> bool:
    """Whether an instrument has pitch that its player can't move, such as a marimba's bars; timpani are tuned."""
    return key in INSTRUMENTS and INSTRUMENTS[key].fixed_pitch


def can_be_tuned(key: str) -> bool:
    """Whether its player can do anything about its pitch; True for a key nobody knows."""
    return not (is_unpitched(key) or is_fixed_pitch(key))


# What a part may be called in a file, most particular first; the first pattern that is found wins.
_CALLED: tuple[tuple[str, str], ...] = (
    (r"piccolo", "piccolo"),
    (r"alto flute", "alto-flute"),
    (r"flute", "flute"),
    (r"english horn|cor anglais", "english-horn"),
    (r"oboe", "oboe"),
    (r"contra-?bassoon|double bassoon", "contrabassoon"),
    (r"bassoon", "bassoon"),
    (r"bass clarinet|clarinet.*\bbass", "bass-clarinet"),
    (r"e ?(b|flat)\b.*clarinet|clarinet.*\be ?(b|flat)\b", "clarinet-eb"),
    (r"\ba clarinet|clarinet.*\b(in|\() ?a\b", "clarinet-a"),
    (r"clarinet", "clarinet-bb"),
    (r"soprano sax", "sax-soprano"),
    (r"tenor sax", "sax-tenor"),
    (r"bari(tone)? sax", "sax-baritone"),
    (r"sax", "sax-alto"),
    (r"flugel", "flugelhorn"),
    (r"cornet", "cornet"),
    (r"trumpet.*\b(in|\() ?c\b|\bc trumpet", "trumpet-c"),
    (r"trumpet", "trumpet-bb"),
    (r"bass trombone", "bass-trombone"),
    (r"trombone", "trombone"),
    (r"(euphonium|baritone).*(treble|t\.?c\.?)", "euphonium-treble"),
    (r"euphonium|baritone", "euphonium"),
    (r"tuba|sousaphone", "tuba"),
    (r"horn", "horn-f"),
    (r"violin(?!cell)", "violin"),
    (r"viola(?! da)", "viola"),
    (r"double ?bass|contrabass|string bass", "double-bass"),
    (r"cello|violoncell", "cello"),
    (r"xylophone", "xylophone"),
    (r"marimba", "marimba"),
    (r"vibraphone", "vibraphone"),
    (r"glockenspiel|orchestra bells", "glockenspiel"),
    (r"timpani", "timpani"),
    (r"snare|side drum", "snare-drum"),
)

# What a bare transposition most likely means when the file names no instrument (our choice).
_BY_TRANSPOSITION = {
    0: "other",
    12: "piccolo",
    3: "clarinet-eb",
    -2: "clarinet-bb",
    -3: "clarinet-a",
    -5: "alto-flute",
    -7: "horn-f",
    -9: "sax-alto",
    -12: "double-bass",
    -14: "sax-tenor",
    -21: "sax-baritone",
}


def instrument(key: str) -> Instrument:
    """The instrument with this key; :class:`BadInput` when the table has none."""
    found = INSTRUMENTS.get(key)
    if found is None:
        raise BadInput(
            f"There is no instrument called “{key}”; choose one from the list, such as clarinet-bb or flute.",
            instrument=key,
        )
    return found


def instrument_called(name: str, transposition_semitones: int | None = None) -> str | None:
    """The key of the instrument a file means by ``name`` ("Clarinet in Bb 1"), or None when it can't be told.

    A known transposition decides between candidates of one name (a "Clarinet" that sounds a minor third lower is the
    clarinet in A), and stands alone when the name says nothing.
    """
    plain = re.sub(r"[_\s]+", " ", name.casefold().replace("♭", "b").replace("-flat", " flat"))
    by_name = next((key for pattern, key in _CALLED if re.search(pattern, plain)), None)
    if transposition_semitones is None:
        return by_name
    if by_name is not None:
        if INSTRUMENTS[by_name].transposition_semitones == transposition_semitones:
            return by_name
        family = by_name.split("-")[0]
        for one in _TABLE:
            if one.key.split("-")[0] == family and one.transposition_semitones == transposition_semitones:
                return one.key
        return by_name if transposition_semitones == 0 else _BY_TRANSPOSITION.get(transposition_semitones, by_name)
    return _BY_TRANSPOSITION.get(transposition_semitones) if transposition_semitones else None


def instrument_of_program(program: int) -> str | None:
    """The key of the instrument a General MIDI program number (0-based) means, or None."""
    return next((one.key for one in _TABLE if program in one.gm_programs), None)

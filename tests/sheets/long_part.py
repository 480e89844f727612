"""A long clarinet part of our own with every feature of notation that a sheet must print, and marks for its lanes.

Sixteen bars of features, again and again over several pages: ties (within a bar, over bars, over systems), tuplets of
three and five, ledger lines above and below, accidentals up to double ones, a repeat with voltas, ornaments, grace
notes, and changes of key, clef and metre in mid-piece; written for an instrument in B-flat.
"""

import itertools
import re

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

QUARTER = 12  # divisions
_KINDS = {48: "whole", 24: "half", 36: "half", 12: "quarter", 18: "quarter", 6: "eighth", 9: "eighth", 3: "16th"}
_SIGNS = {"##": 2, "#": 1, "bb": -2, "b": -1, "n": 0, "": None}
_PRINTED = {"##": "double-sharp", "#": "sharp", "bb": "flat-flat", "b": "flat", "n": "natural"}
_NUMBER = "{number}"  # a note's id and a bar's number come last


def note(name: str, length: int = QUARTER, marks: str = "", *, tie: str = "", ratio: tuple[int, int] = (1, 1)) -> str:
    """ "Bb4", "F##5", "r"; ``length`` in divisions, 0 for a grace note; ``ratio``: three in the time of two."""
    actual, normal = ratio
    sound = length * normal // actual
    parts = "<grace/>" if length == 0 else ""
    accidental = ""
    if name == "r":
        parts += "<rest/>"
    else:
        step, sign, octave = re.fullmatch(r"([A-G])(##|bb|#|b|n|)(\d)", name).groups()  # type: ignore[union-attr]
        alter = _SIGNS[sign]
        parts += (
            f"<pitch><step>{step}</step>{f'<alter>{alter}</alter>' if alter else ''}<octave>{octave}</octave></pitch>"
        )
        accidental = f"<accidental>{_PRINTED[sign]}</accidental>" if sign else ""
    parts += f"<duration>{sound}</duration>" if length else ""
    parts += "".join(f'<tie type="{one}"/>' for one in tie.split())
    parts += f"<type>{_KINDS[length] if length else '16th'}</type>" + ("<dot/>" if length in (36, 18, 9) else "")
    parts += accidental
    if ratio != (1, 1):
        parts += (
            f"<time-modification><actual-notes>{actual}</actual-notes><normal-notes>{normal}</normal-notes>"
            "</time-modification>"
        )
    tied = "".join(f'<tied type="{one}"/>' for one in tie.split())
    notations = f"<notations>{tied}{marks}</notations>" if tied or marks else ""
    return f'<note id="{_NUMBER}">{parts}{notations}</note>'


def tuplet(*names: str, length: int = 6, normal: int = 2) -> str:
    """So many notes in the time of ``normal``, with bracket and figure."""
    ratio = (len(names), normal)
    first = note(names[0], length, '<tuplet type="start" bracket="yes"/>', ratio=ratio)
    last = note(names[-1], length, '<tuplet type="stop"/>', ratio=ratio)
    return first + "".join(note(n, length, ratio=ratio) for n in names[1:-1]) + last


def attributes(inside: str) -> str:
    return f"<attributes>{inside}</attributes>"


def metre(beats: int, kind: int) -> str:
    return f"<time><beats>{beats}</beats><beat-type>{kind}</beat-type></time>"


def key(fifths: int) -> str:
    return f"<key><fifths>{fifths}</fifths></key>"


def clef(sign: str, line: int) -> str:
    return f"<clef><sign>{sign}</sign><line>{line}</line></clef>"


def volta(number: str, kind: str, *, back: bool = False) -> str:
    side = "left" if kind == "start" else "right"
    repeat = '<repeat direction="backward"/>' if back else ""
    return f'<barline location="{side}"><ending number="{number}" type="{kind}"/>{repeat}</barline>'


def ornament(inside: str) -> str:
    return f"<ornaments>{inside}</ornaments>"


def articulation(name: str) -> str:
    return f"<articulations><{name}/></articulations>"


SLUR, SLUR_END = '<slur type="start" number="1"/>', '<slur type="stop" number="1"/>'
FORWARD = '<barline location="left"><repeat direction="forward"/></barline>'
BARS = (
    # a tie over the bar line, ledger lines above
    attributes(metre(4, 4) + key(-3) + clef("G", 2)) + note("G4") + note("C6") + note("E6") + note("G6", tie="start"),
    note("G6", 24, tie="stop") + note("F6", 6, SLUR) + note("Eb6", 6) + note("D6", 12, SLUR_END),
    # ledger lines below, dotted values, a tie within the bar
    note("F3", 18) + note("G3", 6) + note("A3", 24, tie="start"),
    note("A3", 6, tie="stop") + note("Bb3", 6) + note("C4", 36, "<fermata/>"),
    # tuplets of three and five
    tuplet("C5", "D5", "E5") + tuplet("F5", "G5", "A5") + note("Bb5") + note("r"),
    tuplet("C5", "D5", "Eb5", "F5", "G5", length=3, normal=4) + note("Ab5") + note("G5", 24),
    # accidentals, double ones too
    note("F##4") + note("G#4") + note("Bbb4") + note("An4"),
    note("Db5", 6) + note("Dn5", 6) + note("C#5", 6) + note("Cn5", 6) + note("B4", 24, articulation("accent")),
    # a repeat with voltas
    FORWARD + note("Eb5", 24, ornament("<trill-mark/>")) + note("D5", 12) + note("Eb5"),
    volta("1", "start") + note("F5", 36) + note("r") + volta("1", "stop", back=True),
    volta("2", "start") + note("F5", 48) + volta("2", "stop"),
    # ornaments and grace notes
    note("G5", 12, ornament("<mordent/>")) + note("A5", 12, ornament("<inverted-mordent/>"))
    + note("Bb5", 12, ornament("<turn/>")) + note("D5", 0) + note("E5", 0)
    + note("F5", 12, ornament("<inverted-turn/>")),
    # another metre and key
    attributes(key(4) + metre(6, 8)) + note("E4", 18) + note("F#4", 6) + note("G#4", 6) + note("A4", 6),
    note("B4", 6, articulation("staccato")) * 3 + note("C#5", 6) + note("D#5", 6) + note("E5", 6),
    # other clefs
    attributes(metre(3, 4) + clef("F", 4)) + note("E3") + note("B2") + note("G#2"),
    attributes(clef("C", 4)) + note("C4") + note("E4") + note("A4"),
)  # fmt: skip


def long_part(times: int = 6) -> bytes:
    """The sixteen bars ``times`` over as MusicXML; notes are n1, n2, ... in order, bars are numbered on."""
    transpose = "<transpose><diatonic>-1</diatonic><chromatic>-2</chromatic></transpose>"
    numbers = itertools.count(1)
    written = []
    for bar in range(len(BARS) * times):
        content = re.sub(re.escape(_NUMBER), lambda _: f"n{next(numbers)}", BARS[bar % len(BARS)])
        if bar == 0:
            content = content.replace("<attributes>", f"<attributes><divisions>{QUARTER}</divisions>", 1)
            # the order that the schema asks for: divisions, key, time, clef, transpose
            content = content.replace(metre(4, 4) + key(-3), key(-3) + metre(4, 4), 1)
            content = content.replace("</attributes>", transpose + "</attributes>", 1)
        written.append(f'<measure number="{bar + 1}">{content}</measure>')
    return (
        '<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>Clarinet</part-name></score-part>'
        f'</part-list><part id="P1">{"".join(written)}</part></score-partwise>'
    ).encode()


def long_marks(ids: list[str]) -> PartMarks:
    """Marks of every kind at regular places: what is sharp, late, left out, wrong, held, back, off, landed, broken."""
    heads = []
    for at, one in enumerate(ids):
        if at % 47 == 20:
            heads.append(HeadMark(one, "omitted"))
        elif at % 53 == 30:
            heads.append(HeadMark(one, "wrong", heard="F♯", timing_ms=4.0))
        else:
            cents, late = float((at * 7) % 31 - 15), float((at * 13) % 97 - 48)
            heads.append(HeadMark(one, "played", cents, abs(cents) >= 12, late, abs(late) >= 40, -30.0 + (at * 5) % 13))
    every = range(4, len(ids) - 12, 60)
    return PartMarks(
        heads=tuple(heads),
        held=tuple(HeldMark(ids[at], ids[at + 1], 0.6, "about an eighth short") for at in every),
        returns=tuple(ReturnMark(ids[at], ids[at + 9], "G −15 cents", "G −15 cents since bar 1") for at in every),
        chords=tuple(ChordMark(ids[at + 1], ids[at + 4], "C minor: E♭ −20 cents just, −15 equal") for at in every),
        landings=tuple(LandingMark(ids[at + 6], ids[at + 7], "+62 ms after the trill") for at in every),
        phrases=tuple(PhraseMark(ids[at], ids[at + 9], ids[at + 5], ids[at + 3]) for at in every),
        breaks=tuple(BreakMark(ids[at + 8], "back to bar 3") for at in every),
        level_low_db=-30.0,
        level_high_db=-18.0,
    )

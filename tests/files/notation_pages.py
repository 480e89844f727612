"""Small MusicXML pages for tests, put together from strings. Lengths are in twelfths of a quarter note."""

import re

QUARTER = 12
_TYPES = {48: "whole", 24: "half", 12: "quarter", 6: "eighth", 3: "16th", 36: "half", 18: "quarter", 9: "eighth"}


def n(
    name: str, length: int = QUARTER, *, inside: str = "", notations: str = "", voice: int = 1, staff: int = 0
) -> str:
    """A note ("Bb4", "F#5"), a rest ("r") or, with length 0, a slashed grace note. ``inside`` stands after the type."""
    if name == "r":
        pitch = "<rest/>"
    else:
        step, sign, octave = re.fullmatch(r"([A-G])(b|#|)(\d)", name).groups()  # type: ignore[union-attr]
        alter = {"b": "<alter>-1</alter>", "#": "<alter>1</alter>", "": ""}[sign]
        pitch = f"<pitch><step>{step}</step>{alter}<octave>{octave}</octave></pitch>"
    grace = '<grace slash="yes"/>' if length == 0 else ""
    duration = f"<duration>{length}</duration>" if length else ""
    chord = "<chord/>" if "<chord/>" in inside else ""
    inside = inside.replace("<chord/>", "")
    ties = "".join(re.findall(r"<tie [^>]*/>", inside))
    inside = re.sub(r"<tie [^>]*/>", "", inside)
    tied = ties.replace("<tie ", "<tied ")
    kind = _TYPES.get(length, "quarter") if length else "16th"
    dot = "<dot/>" if length in (36, 18, 9) else ""
    placed = f"<staff>{staff}</staff>" if staff else ""
    marks = f"<notations>{tied}{notations}</notations>" if tied or notations else ""
    return (
        f"<note>{grace}{chord}{pitch}{duration}{ties}<voice>{voice}</voice><type>{kind}</type>{dot}{inside}{placed}{marks}"
        "</note>"
    )


def trip(name: str, length: int = 4, notations: str = "") -> str:
    """A triplet eighth."""
    ratio = "<time-modification><actual-notes>3</actual-notes><normal-notes>2</normal-notes></time-modification>"
    return n(name, length, notations=notations).replace("<type>quarter</type>", f"<type>eighth</type>{ratio}")


START, STOP = '<tie type="start"/>', '<tie type="stop"/>'
SLUR, SLUR_END = '<slur type="start" number="1"/>', '<slur type="stop" number="1"/>'
BACK = '<barline location="right"><repeat direction="backward"/></barline>'
FORWARD = '<barline location="left"><repeat direction="forward"/></barline>'


def ending(number: str, kind: str, *, back: bool = False) -> str:
    side = "left" if kind == "start" else "right"
    repeat = '<repeat direction="backward"/>' if back else ""
    return f'<barline location="{side}"><ending number="{number}" type="{kind}"/>{repeat}</barline>'


def direction(inside: str, after: str = "") -> str:
    return f"<direction><direction-type>{inside}</direction-type>{after}</direction>"


def dynamic(name: str) -> str:
    return direction(f"<dynamics><{name}/></dynamics>")


def metronome(unit: str, per_minute: str, *, dot: bool = False) -> str:
    dotted = "<beat-unit-dot/>" if dot else ""
    return direction(
        f"<metronome><beat-unit>{unit}</beat-unit>{dotted}<per-minute>{per_minute}</per-minute></metronome>"
    )


def attributes(fifths: int = 0, time: str = "4/4", transpose: str = "", mode: str = "", clef: str = "G2") -> str:
    beats, _, kind = time.partition("/")
    moded = f"<mode>{mode}</mode>" if mode else ""
    return (
        f"<attributes><divisions>{QUARTER}</divisions><key><fifths>{fifths}</fifths>{moded}</key>"
        f"<time><beats>{beats}</beats><beat-type>{kind}</beat-type></time>"
        f"<clef><sign>{clef[0]}</sign><line>{clef[1]}</line></clef>{transpose}</attributes>"
    )


def transpose(chromatic: int, octaves: int = 0) -> str:
    change = f"<octave-change>{octaves}</octave-change>" if octaves else ""
    return f"<transpose><chromatic>{chromatic}</chromatic>{change}</transpose>"


def bar(content: str, number: str = "", implicit: bool = False) -> str:
    shown = ' implicit="yes"' if implicit else ""
    return f'<measure number="{number}"{shown}>{content}</measure>'


def part(name: str, bars: list[str], ident: str = "P1") -> tuple[str, str]:
    """The part-list entry and the part."""
    numbered = [one.replace('number=""', f'number="{i}"', 1) for i, one in enumerate(bars, start=1)]
    return (
        f'<score-part id="{ident}"><part-name>{name}</part-name></score-part>',
        f'<part id="{ident}">{"".join(numbered)}</part>',
    )


def score(*parts: tuple[str, str], head: str = "") -> bytes:
    listed, written = "".join(one[0] for one in parts), "".join(one[1] for one in parts)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        '"http://www.musicxml.org/dtds/partwise.dtd">'
        f'<score-partwise version="4.0">{head}<part-list>{listed}</part-list>{written}</score-partwise>'
    ).encode()


def page(*bars: str, name: str = "Flute", **first: object) -> bytes:
    """A one-part page; keyword arguments are those of :func:`attributes`."""
    contents = [bar(one) if not one.startswith("<measure") else one for one in bars]
    head = attributes(**first)  # type: ignore[arg-type]
    contents[0] = re.sub(r"^(<measure[^>]*>)", lambda m: m[1] + head, contents[0])
    return score(part(name, contents))

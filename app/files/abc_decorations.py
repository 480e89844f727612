"""What the decorations of ABC text mean: signs on notes, dynamics, and signs that lead from bar to bar."""

from dataclasses import dataclass
from typing import Literal

from app.domain.piece import OrnamentKind

ORNAMENTS: dict[str, OrnamentKind] = {
    "trill": "trill",
    "trill(": "trill",
    "mordent": "mordent",
    "lowermordent": "mordent",
    "uppermordent": "inverted-mordent",
    "pralltriller": "inverted-mordent",
    "turn": "turn",
    "turnx": "turn",
    "invertedturn": "inverted-turn",
    "invertedturnx": "inverted-turn",
}
ARTICULATIONS = {
    "staccato": "staccato",
    "wedge": "staccatissimo",
    "tenuto": "tenuto",
    "accent": "accent",
    "emphasis": "accent",
    ">": "accent",
    "marcato": "marcato",
    "^": "marcato",
}
FERMATAS = ("fermata", "invertedfermata")
BREATHS = ("breath", "shortphrase", "mediumphrase", "longphrase", "caesura")
DYNAMICS = ("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff", "sfz", "sf", "fz", "fp", "sfp", "rfz")
HAIRPINS: dict[str, str] = {
    "crescendo(": "crescendo",
    "<(": "crescendo",
    "crescendo)": "stop",
    "<)": "stop",
    "diminuendo(": "diminuendo",
    ">(": "diminuendo",
    "diminuendo)": "stop",
    ">)": "stop",
}
# Signs that say something about the hand, or about other music than ours: kept off the page.
IGNORED = (
    "upbow", "downbow", "open", "thumb", "snap", "slide", "roll", "arpeggio", "plus", "+", "trill)", "editorial",
    "courtesy", "0", "1", "2", "3", "4", "5", "stemless",
)  # fmt: skip
SHORTHANDS = {
    ".": "staccato",
    "~": "roll",
    "H": "fermata",
    "L": "accent",
    "M": "lowermordent",
    "O": "coda",
    "P": "uppermordent",
    "S": "segno",
    "T": "trill",
    "u": "upbow",
    "v": "downbow",
}


@dataclass(frozen=True, slots=True)
class Sign:
    """A sign of the bar rather than of a note."""

    segno: bool = False
    coda: bool = False
    to_coda: bool = False
    fine: bool = False
    jump: Literal["", "dacapo", "dalsegno"] = ""


SIGNS = {
    "segno": Sign(segno=True),
    "coda": Sign(coda=True),
    "tocoda": Sign(to_coda=True),
    "dacoda": Sign(to_coda=True),
    "fine": Sign(fine=True),
    "d.c.": Sign(jump="dacapo"),
    "dacapo": Sign(jump="dacapo"),
    "d.c.alfine": Sign(jump="dacapo"),
    "d.c.alcoda": Sign(jump="dacapo"),
    "d.s.": Sign(jump="dalsegno"),
    "d.s.alfine": Sign(jump="dalsegno"),
    "d.s.alcoda": Sign(jump="dalsegno"),
}


def sign_of(name: str) -> Sign | None:
    """The bar's sign a decoration means, or None."""
    return SIGNS.get(name.casefold().replace(" ", ""))

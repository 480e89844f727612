"""One line of text written by a person: tidied the same way wherever it comes in."""

import unicodedata

from app.domain.errors import BadInput

# Marks that turn the reading direction of what follows them: in a name they only serve to mislead.
_TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def one_line(text: str, *, what: str, longest: int, required: bool = True) -> str:
    """``text`` in Unicode's composed form (NFC) with single spaces, in any script.

    ``what`` names the field in the sentence of the ``BadInput`` raised when the text is missing though ``required``,
    longer than ``longest`` characters, or holds control characters.
    """
    tidy = " ".join(unicodedata.normalize("NFC", text).split())
    if any(unicodedata.category(c) in ("Cc", "Cs") or c in _TURNING for c in tidy):
        raise BadInput(f"The {what} holds characters that can't be printed; write it again.")
    if required and not tidy:
        raise BadInput(f"The {what} is missing; fill it in.")
    if len(tidy) > longest:
        raise BadInput(f"The {what} is longer than {longest} characters; shorten it.")
    return tidy


def several_lines(text: str, *, what: str, longest: int) -> str:
    """Like :func:`one_line` for free text: line breaks stay, everything else that can't be printed is refused."""
    lines = unicodedata.normalize("NFC", text).replace("\r\n", "\n").replace("\r", "\n").split("\n")
    tidy = "\n".join(one_line(line, what=what, longest=longest, required=False) for line in lines).strip()
    if len(tidy) > longest:
        raise BadInput(f"The {what} is longer than {longest} characters; shorten it.")
    return tidy


def alike(text: str) -> str:
    """A form in which two spellings of one name are equal: composed, case folded, single spaces."""
    return " ".join(unicodedata.normalize("NFC", text).casefold().split())

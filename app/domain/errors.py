"""Errors that carry a sentence for a person and facts for a program.

Core code raises these; only ``app.api.errors`` knows HTTP and only ``app.cli`` knows exit codes.
Every message is one sentence that says what is wrong and what to do.
"""


class FairhearingError(Exception):
    """Base of every error this project raises on purpose.

    ``code`` is a stable machine word; ``facts`` are plain values (never names of people).
    """

    code = "error"

    def __init__(self, sentence: str, **facts: object) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.facts = facts


class BadInput(FairhearingError):
    """Something handed in can't be used as it is."""

    code = "bad_input"


class BadAudio(BadInput):
    """A take that can't be decoded or measured."""

    code = "bad_audio"


class BadNotation(BadInput):
    """A notation file or typed bars that can't be read as one part."""

    code = "bad_notation"


class TooLarge(BadInput):
    """More bytes, seconds or rows than allowed."""

    code = "too_large"


class NotFound(FairhearingError):
    """Nothing with this id is there (or this role may not know of it)."""

    code = "not_found"


class NotSignedIn(FairhearingError):
    """No valid sign-in came with the request."""

    code = "not_signed_in"


class NotAllowed(FairhearingError):
    """Signed in, but this role may not do this."""

    code = "not_allowed"


class WrongState(FairhearingError):
    """The audition, round, take or sheet is in a state that forbids this step."""

    code = "wrong_state"


class Duplicate(WrongState):
    """The same thing is there already and differs from what was sent."""

    code = "duplicate"


class TooMany(FairhearingError):
    """Too many attempts in a short time."""

    code = "too_many"


class Unavailable(FairhearingError):
    """Disk, database or store can't do it now; nothing was kept, try again."""

    code = "unavailable"

"""Sign-in, joining and demo doors."""

from typing import Literal

from pydantic import Field

from app.api.schemas.envelope import ID_PATTERN, In, Out

Role = Literal["leader", "proctor", "adjudicator", "checker", "student", "hand-in"]


class SetupIn(In):
    """The first leader's name and password, with the secret from the server's terminal."""

    setup_token: str = Field(min_length=1, max_length=200)
    name: str = Field(max_length=200)
    password: str = Field(max_length=1000)


class SignInIn(In):
    """A leader's name and password."""

    name: str = Field(max_length=200)
    password: str = Field(max_length=1000)


class JoinIn(In):
    """The secret of a one-time join link, or the whole link."""

    link: str = Field(min_length=1, max_length=500)


class DemoEnterIn(In):
    """Which demo door to go through."""

    role: Literal["leader", "proctor", "adjudicator"]
    adjudicator_id: str | None = Field(default=None, pattern=ID_PATTERN)


class SeatOut(Out):
    """An adjudicator as the panel and the session know them: never by name."""

    id: str
    letter: str


class EnteredOut(Out):
    """Who was let in. ``token`` is None for a leader, whose session is in the cookie."""

    token: str | None
    role: Role
    audition_id: str | None
    adjudicator: SeatOut | None


class SessionOut(Out):
    """Who this browser or tablet is, and what the first screen needs to know."""

    role: Role | None
    audition_id: str | None
    audition_name: str | None
    adjudicator: SeatOut | None
    needs_setup: bool
    demo: bool


class DoorOut(Out):
    """A door of the demo."""

    role: Role
    adjudicator_id: str | None
    label: str


class DoneOut(Out):
    """Something was done and there is nothing to show for it."""

    done: bool = True

"""Who does something: what the audit chain records. Never a name."""

from dataclasses import dataclass
from typing import Literal

Role = Literal["leader", "proctor", "adjudicator", "checker", "student", "system"]


@dataclass(frozen=True, slots=True)
class Actor:
    """A role and the random id of whoever holds it (a leader, an adjudicator, a proctor's token)."""

    role: Role
    id: str = ""

    def __str__(self) -> str:
        return f"{self.role}:{self.id}" if self.id else self.role


SYSTEM = Actor("system")

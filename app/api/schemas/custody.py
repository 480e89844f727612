"""A candidate's history."""

from datetime import datetime

from app.api.schemas.envelope import Out


class DeedOut(Out):
    """One line: who did what when."""

    seq: int
    at: datetime
    who: str
    what: str
    action: str
    hash: str


class HistoryOut(Out):
    """Everything that was done to one candidate, in order."""

    candidate_id: str
    blind_number: str
    round_name: str
    deeds: list[DeedOut]
    broken: str | None
    whole_at: datetime
    whole_to: int

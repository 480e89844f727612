"""Printed sheets."""

from datetime import datetime
from typing import Literal

from app.api.schemas.envelope import Out
from app.api.schemas.rounds import WorkingOut


class KeptSheetOut(Out):
    """A sheet that was printed. ``model_hash`` begins with the digits in its footer."""

    document_id: str
    kind: Literal["score-sheet", "comment-sheet"]
    candidate_id: str | None
    blind_number: str | None
    template_version: str
    model_hash: str
    made_at: datetime
    can_print: bool


class PrintingOut(Out):
    """How far a long round's printing is; both are missing of a round whose sheets are drawn when asked for."""

    score_sheet: WorkingOut | None
    comment_sheets: WorkingOut | None
    printed: int  # comment sheets that were printed together
    in_a_file: int  # of those at most

"""Printed sheets."""

from datetime import datetime
from typing import Literal

from app.api.schemas.envelope import Out


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

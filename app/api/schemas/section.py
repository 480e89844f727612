"""The section report as it goes out."""

from app.api.schemas.envelope import Out
from app.api.schemas.rounds import WorkingOut


class PictureOut(Out):
    """A drawing with what it says."""

    title: str
    svg: str
    sentence: str


class SectionOut(Out):
    """What all takes of a round have in common."""

    takes: str
    next_rehearsal: list[str]
    pitch: list[PictureOut]
    why_no_pitch: str
    pieces: list[PictureOut]
    why_no_bars: str
    doubts: list[str]
    working: WorkingOut | None

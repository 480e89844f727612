"""The music an adjudicator looks at: the engraved excerpt of a piece that is heard, and where its bars stand."""

from dataclasses import dataclass

from sqlmodel import Session, col, select

from app.db.models import Piece, Round
from app.domain.engraving import Engraving
from app.domain.errors import NotFound
from app.files.engraving import engrave
from app.services import sight_sheets
from app.services.access import AdjudicatorPrincipal
from app.services.piece_reading import excerpt_bars, has_notation, musicxml_of
from app.services.sheet_cells import round_pieces

LINE_WIDTH = 62.0  # staff spaces, our choice: two or three bars a line, so that a finger finds one on a narrow tablet
REACH = 2.5  # staff spaces above and below a line's ink that still belong to its bars, our choice


@dataclass(frozen=True, slots=True)
class PrintedBar:
    """Where a bar stands in the picture, in the units of its view box (staff spaces; y runs down)."""

    bar: str
    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True, slots=True)
class PanelMusic:
    """The picture and its bars in reading order."""

    svg: str
    bars: tuple[PrintedBar, ...]


def music(session: Session, principal: AdjudicatorPrincipal, piece_id: str) -> PanelMusic:
    """The engraved excerpt of a piece of a drawn round of this adjudicator's audition.

    Raises ``NotFound`` for any other piece, and for one without notation.
    """
    row = _heard_piece(session, principal.audition_id, piece_id)
    if row is None:
        raise NotFound("This piece is not part of what you hear; reload the page.")
    if row.kind == sight_sheets.KIND:  # the row's own notes are nobody's, and each candidate's are sealed
        raise NotFound("Sight-reading is sealed and may differ between numbers; name the bar by its number.")
    if not has_notation(row):
        raise NotFound("This piece has no notation here; name the bar by its number.")
    first_bar, last_bar = excerpt_bars(row)
    engraved = engrave(musicxml_of(row), width=LINE_WIDTH, first_bar=first_bar, last_bar=last_bar)
    return PanelMusic(engraved.svg, printed_bars(engraved))


def printed_bars(engraved: Engraving) -> tuple[PrintedBar, ...]:
    """Every bar's place in ``engraved.svg``, with a margin above and below that a finger may use."""
    return tuple(
        PrintedBar(
            bar.number,
            round(bar.left, 2),
            round(top + min(system.ink_top, 0.0) - REACH, 2),
            round(bar.right, 2),
            round(top + max(system.ink_bottom, system.staff_bottom) + REACH, 2),
        )
        for system, top in zip(engraved.systems, engraved.svg_tops, strict=True)
        for bar in system.bars
    )


def _heard_piece(session: Session, audition_id: str, piece_id: str) -> Piece | None:
    # Before the draw nobody on the panel needs a piece: sight-reading stays unseen.
    drawn = select(Round).where(Round.audition_id == audition_id, col(Round.state).in_(("drawn", "opened")))
    for row in session.exec(drawn).all():
        for piece in round_pieces(session, row):
            if piece.id == piece_id:
                return piece
    return None

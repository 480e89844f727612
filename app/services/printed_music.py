"""A piece of the database as engraved music for sheets."""

from app.db.models import Piece
from app.domain.engraving import Engraving
from app.files.engraving import engrave
from app.services.piece_reading import excerpt_bars, has_notation, musicxml_of

# Widths of a line in staff spaces, our choice: a long part is set a little smaller, so that it still fits one page with
# its lanes; a scale in short form as small as it takes to stand on one line.
LONG_PART_SYSTEMS = 3
LONG_PART_WIDTH = 118.0
SHORT_FORM_WIDTHS = (100.0, 118.0, 140.0, 165.0)


def engraving_for_print(row: Piece) -> Engraving | None:
    """The piece's excerpt engraved for a sheet, long parts a little smaller; None when it has no notation."""
    if not has_notation(row):
        return None
    source = musicxml_of(row)
    first, last = excerpt_bars(row)
    if is_short_form(row):
        for width in SHORT_FORM_WIDTHS:
            one_line = engrave(source, width=width, first_bar=first, last_bar=last)
            if len(one_line.systems) == 1:
                return one_line
    engraved = engrave(source, first_bar=first, last_bar=last)
    if len(engraved.systems) > LONG_PART_SYSTEMS:
        engraved = engrave(source, width=LONG_PART_WIDTH, first_bar=first, last_bar=last)
    return engraved


def is_short_form(row: Piece) -> bool:
    """Whether a sheet shows the piece in short form: generated scales, arpeggios and chromatic runs."""
    return row.kind == "generated"

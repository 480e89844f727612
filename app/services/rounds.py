"""A round's row, for everything that needs no name."""

from sqlmodel import Session

from app.db.models import Round
from app.domain.errors import NotFound


def get_round(session: Session, round_id: str) -> Round:
    """The round's row; raises ``NotFound``."""
    row = session.get(Round, round_id)
    if row is None:
        raise NotFound("This round is not there any more; go back to the audition.")
    return row

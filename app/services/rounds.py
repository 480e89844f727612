"""A round's row, for everything that needs no name."""

from sqlmodel import Session, select

from app.db.models import Candidate, Round
from app.domain.errors import NotFound

LONG_ROUND = 500  # candidates; our choice: so many are ranked in a second or two, while somebody looks on


def get_round(session: Session, round_id: str) -> Round:
    """The round's row; raises ``NotFound``."""
    row = session.get(Round, round_id)
    if row is None:
        raise NotFound("This round is not there any more; go back to the audition.")
    return row


def is_long(session: Session, row: Round) -> bool:
    """Whether a round has too many candidates to be ranked while somebody waits."""
    beyond = select(Candidate.id).where(Candidate.round_id == row.id).offset(LONG_ROUND).limit(1)
    return session.exec(beyond).first() is not None

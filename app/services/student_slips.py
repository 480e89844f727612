"""Private links as slips to print. Links are made first and printed at once: their secrets are known only then."""

from collections.abc import Callable
from datetime import datetime

from sqlmodel import Session

from app.db.database import Database
from app.db.models import Candidate
from app.domain.actor import Actor
from app.services import declaring, opening, student_links
from app.services.rounds import get_round
from app.services.sheet_models import date_text, language_of, paper_of
from app.services.student_links import StudentLink
from app.sheets import private_links
from app.sheets.private_links import Slip, SlipsModel


def print_slips(
    database: Database, round_id: str, url_of: Callable[[str], str], *, actor: Actor, now: datetime
) -> bytes:
    """Fresh links for every heard candidate as PDF; ``url_of`` makes the address from a secret."""
    made = database.write(lambda session: student_links.make_all(session, round_id, actor=actor, now=now))
    with database.read() as session:
        return private_links.render(_model(session, round_id, made, url_of))


def _model(session: Session, round_id: str, made: list[StudentLink], url_of: Callable[[str], str]) -> SlipsModel:
    row = get_round(session, round_id)
    audition = declaring.get_audition(session, row.audition_id)
    names = opening.names(session, round_id)
    numbers = {link.candidate_id: session.get_one(Candidate, link.candidate_id).blind_number for link in made}
    return SlipsModel(
        audition=audition.name,
        organisation=audition.organisation,
        round_name=row.name,
        slips=tuple(
            Slip(
                student=names.get(link.candidate_id, f"Number {numbers[link.candidate_id]}"),
                blind_number=numbers[link.candidate_id],
                url=url_of(link.secret),
                until=date_text(link.expires_at.date()),
            )
            for link in made
        ),
        paper=paper_of(audition.paper),
        language=language_of(audition.note_names),
    )

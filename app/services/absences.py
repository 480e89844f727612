"""An adjudicator who is away for part of the day: those cells are missing, never zero, and everybody is told so."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlmodel import Session, col, select

from app.db.models import Absence, AdjudicationSheet, Adjudicator, Candidate, Recusal, Round
from app.domain.actor import Actor
from app.domain.errors import BadInput, NotFound, WrongState
from app.domain.texts import one_line
from app.services import custody
from app.services.rounds import get_round

LONGEST_REASON = 300


@dataclass(frozen=True, slots=True)
class AbsenceView:
    """A cell that stays empty because the adjudicator was away."""

    id: str
    adjudicator_id: str
    letter: str
    candidate_id: str
    blind_number: str
    reason: str


def absences(session: Session, round_id: str) -> list[AbsenceView]:
    """Every noted absence of a round, by letter and playing order."""
    rows = session.exec(
        select(Absence, Adjudicator, Candidate)
        .where(
            Candidate.round_id == round_id,
            Absence.candidate_id == Candidate.id,
            Absence.adjudicator_id == Adjudicator.id,
        )
        .order_by(col(Adjudicator.letter), col(Candidate.playing_order))
    ).all()
    return [AbsenceView(one.id, a.id, a.letter, c.id, c.blind_number, one.reason) for one, a, c in rows]


def note(
    session: Session,
    round_id: str,
    *,
    adjudicator_id: str,
    candidate_ids: Sequence[str],
    reason: str,
    actor: Actor,
) -> list[AbsenceView]:
    """Note that an adjudicator is away while these candidates are heard. Refused where a sheet was sent already."""
    row = _drawn(session, round_id)
    adjudicator = session.get(Adjudicator, adjudicator_id)
    if adjudicator is None or adjudicator.audition_id != row.audition_id:
        raise NotFound("This adjudicator is not on the panel any more; reload the page.")
    tidy = one_line(reason, what="reason", longest=LONGEST_REASON)
    if not candidate_ids:
        raise BadInput("Choose the numbers that are heard while the adjudicator is away.")
    candidates = {c.id: c for c in session.exec(select(Candidate).where(Candidate.round_id == round_id)).all()}
    if not set(candidate_ids) <= set(candidates):
        raise NotFound("One of these numbers is not in this round; reload the page.")
    sheets = {
        sheet.candidate_id: sheet
        for sheet in session.exec(
            select(AdjudicationSheet).where(
                AdjudicationSheet.adjudicator_id == adjudicator_id,
                col(AdjudicationSheet.candidate_id).in_(list(candidate_ids)),
            )
        ).all()
    }
    there = set(session.exec(select(Absence.candidate_id).where(Absence.adjudicator_id == adjudicator_id)).all())
    there |= set(session.exec(select(Recusal.candidate_id).where(Recusal.adjudicator_id == adjudicator_id)).all())
    for candidate_id in dict.fromkeys(candidate_ids):
        number = candidates[candidate_id].blind_number
        sheet = sheets.get(candidate_id)
        if sheet is not None and sheet.state == "submitted":
            raise WrongState(f"Adjudicator {adjudicator.letter} has sent a sheet for number {number}, so was there.")
        if sheet is not None:
            session.delete(sheet)
        if candidate_id not in there:
            session.add(Absence(adjudicator_id=adjudicator_id, candidate_id=candidate_id, reason=tidy))
    session.flush()
    facts = {"letter": adjudicator.letter, "count": len(set(candidate_ids)), "reason_hash": custody.content_hash(tidy)}
    custody.record(session, round_id, actor, "absence-noted", adjudicator_id, facts)
    return absences(session, round_id)


def take_back(session: Session, absence_id: str, *, actor: Actor) -> None:
    """The adjudicator was there after all: the cell waits for a sheet again."""
    row = session.get(Absence, absence_id)
    if row is None:
        raise NotFound("This absence is not noted any more; reload the page.")
    candidate = session.get_one(Candidate, row.candidate_id)
    _drawn(session, candidate.round_id)
    session.delete(row)
    session.flush()
    facts = {"number": candidate.blind_number}
    custody.record(session, candidate.round_id, actor, "absence-taken-back", row.adjudicator_id, facts)


def away_cells(session: Session, round_id: str, adjudicator_id: str | None = None) -> set[tuple[str, str]]:
    """Cells that stay empty because of an absence, of one adjudicator or of all: {(adjudicator id, candidate id)}."""
    asked = select(Absence.adjudicator_id, Absence.candidate_id).where(
        Absence.candidate_id == Candidate.id, Candidate.round_id == round_id
    )
    if adjudicator_id is not None:
        asked = asked.where(Absence.adjudicator_id == adjudicator_id)
    rows = session.exec(asked).all()
    return {(adjudicator_id, candidate_id) for adjudicator_id, candidate_id in rows}


def is_away(session: Session, adjudicator_id: str, candidate_id: str) -> bool:
    """Whether this adjudicator was noted as away for this candidate."""
    there = select(Absence.id).where(Absence.adjudicator_id == adjudicator_id, Absence.candidate_id == candidate_id)
    return session.exec(there).first() is not None


def _drawn(session: Session, round_id: str) -> Round:
    row = get_round(session, round_id)
    if row.state != "drawn":
        raise WrongState("Absences are noted between the draw and the opening of a round.")
    return row

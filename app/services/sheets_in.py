"""Adjudication sheets coming in: drafts, submitting once, corrections as signed versions, recusing oneself.

Everything here is keyed by the number's random id, a candidate's or that of a practice take or hidden repeat, which
are answered alike; no name can be reached from this module.
A sheet's versions form a chain: each signature is a sha256 over the version's content, its adjudicator and candidate,
and the signature before it, so a changed or missing version shows.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast

from sqlmodel import Session, select

from app.db.models import AdjudicationSheet, Candidate, Recusal
from app.domain.actor import Actor
from app.domain.errors import BadInput, Duplicate, WrongState
from app.domain.ids import is_id
from app.domain.texts import one_line
from app.services import custody
from app.services.absences import is_away
from app.services.attendance import NOT_HEARD
from app.services.sheet_books import OTHER_SHEET, ExtraBook, SheetBook, VersionView, book_of, is_recused
from app.services.sheet_cells import Cell, Marks, Remark, cell, check_marks, check_remarks, missing_marks

LONGEST_REASON = 300


@dataclass(frozen=True, slots=True)
class Draft:
    """What an adjudicator has entered so far."""

    marks: Marks
    remarks: tuple[Remark, ...]


@dataclass(frozen=True, slots=True)
class Agreed:
    """What those who set the practice take agreed on."""

    marks: dict[str, int]  # by caption
    note: str


@dataclass(frozen=True, slots=True)
class SheetView:
    """One adjudicator's own sheet for one number."""

    candidate_id: str
    blind_number: str
    state: str  # "to hear" | "draft" | "sent" | "recused"
    draft: Draft
    versions: tuple[VersionView, ...]
    agreed: Agreed | None = None  # of the practice take, once the sheet is sent


def sheet(session: Session, adjudicator_id: str, number_id: str) -> SheetView:
    """The adjudicator's own sheet, with its draft and every version."""
    there = cell(session, adjudicator_id, number_id)
    return _view(session, there, book_of(session, there))


def save_draft(
    session: Session, adjudicator_id: str, number_id: str, marks: object, remarks: object, *, now: datetime
) -> SheetView:
    """Keep what was entered so far; marks may be incomplete. Refused once the sheet was sent."""
    there = cell(session, adjudicator_id, number_id)
    book = _open_for_entry(session, there)
    if book.is_sent:
        raise WrongState("This sheet was sent and is locked; correct it with a reason instead.")
    book.save_draft({"marks": check_marks(there, marks), "remarks": check_remarks(there, remarks)}, now)
    return _view(session, there, book, open_for_entry=True)


def submit(
    session: Session,
    adjudicator_id: str,
    number_id: str,
    *,
    version_id: str,
    marks: object,
    remarks: object,
    reason: str = "",
    actor: Actor,
) -> SheetView:
    """Send the sheet; it is locked from then on. Sending the same version again is harmless.

    Every caption of every piece needs a mark, or ``reason`` says why some are missing.
    """
    there = cell(session, adjudicator_id, number_id)
    content = _content(there, marks, remarks, reason)
    kept = book_of(session, there)
    if _resent(kept, version_id, content):
        return _view(session, there, kept)
    book = _open_for_entry(session, there)
    if book.is_sent:
        raise Duplicate(f"A sheet for {there.said} was sent already; correct it with a reason instead.")
    missing = missing_marks(there, cast(Marks, content["marks"]))
    if missing and not content["reason"]:
        raise BadInput(
            f"{_count_marks(len(missing))} still missing ({missing[0]}); give every mark, or say why some are missing.",
            missing=missing,
        )
    book.add_version(version_id, content, actor=actor)
    return _view(session, there, book)


def correct(
    session: Session,
    adjudicator_id: str,
    number_id: str,
    *,
    version_id: str,
    marks: object,
    remarks: object,
    reason: str,
    actor: Actor,
) -> SheetView:
    """A new version of a sent sheet, with its reason; the earlier ones are kept."""
    there = cell(session, adjudicator_id, number_id)
    content = _content(there, marks, remarks, reason)
    if not content["reason"]:
        raise BadInput("A correction needs its reason; write in a few words why the sheet changes.")
    kept = book_of(session, there)
    if _resent(kept, version_id, content):
        return _view(session, there, kept)
    book = _open_for_entry(session, there)
    if not book.is_sent:
        raise WrongState("This sheet was not sent yet; send it first, a correction is for sent sheets.")
    if there.extra is not None and there.extra.kind == "practice":
        raise WrongState("The agreed marks of the practice take are shown already, so its sheet stays as it was sent.")
    book.add_version(version_id, content, actor=actor)
    return _view(session, there, book)


def recuse(session: Session, adjudicator_id: str, number_id: str, *, actor: Actor) -> SheetView:
    """The adjudicator does not score this number; a draft is dropped. Harmless when recused already."""
    there = cell(session, adjudicator_id, number_id)
    if there.round.state != "drawn":
        raise WrongState("This round is opened; its result is fixed.")
    book = book_of(session, there)
    if isinstance(book, ExtraBook):
        if not there.number:
            raise WrongState("The practice take counts for nobody, so there is nothing to recuse yourself from.")
        if book.is_sent and not book.is_recused:
            raise WrongState(_too_late(there.number))
        book.recuse(actor=actor)
    elif there.candidate is not None:
        recuse_candidate(session, adjudicator_id, there.candidate, actor=actor)
    return _view(session, there, book_of(session, there))


def recuse_candidate(session: Session, adjudicator_id: str, candidate: Candidate, *, actor: Actor) -> None:
    """Make an adjudicator's cell a missing one. Harmless when it is; ``WrongState`` once a sheet was sent."""
    if is_recused(session, adjudicator_id, candidate.id):
        return
    row = session.exec(
        select(AdjudicationSheet).where(
            AdjudicationSheet.adjudicator_id == adjudicator_id, AdjudicationSheet.candidate_id == candidate.id
        )
    ).first()
    if row is not None and row.state == "submitted":
        raise WrongState(_too_late(candidate.blind_number))
    if row is not None:
        session.delete(row)
    session.add(Recusal(adjudicator_id=adjudicator_id, candidate_id=candidate.id))
    session.flush()
    facts = {"adjudicator_id": adjudicator_id, "number": candidate.blind_number}
    custody.record(session, candidate.round_id, actor, "recused", candidate.id, facts)


def _too_late(number: str) -> str:
    return f"A sheet for number {number} was sent already, so a recusal comes too late; talk to the section leader."


def _content(there: Cell, marks: object, remarks: object, reason: str) -> dict[str, Any]:
    return {
        "marks": check_marks(there, marks),
        "remarks": check_remarks(there, remarks),
        "reason": one_line(reason, what="reason", longest=LONGEST_REASON, required=False),
    }


def _count_marks(count: int) -> str:
    return "1 mark is" if count == 1 else f"{count} marks are"


def _open_for_entry(session: Session, there: Cell) -> SheetBook:
    """The cell's book, after checking that marks may still be entered at all."""
    if there.round.state == "opened":
        raise WrongState("This round is opened; its result is fixed and no sheet can change any more.")
    if there.candidate is not None and there.candidate.state in NOT_HEARD:
        raise WrongState(f"Number {there.number} is not being heard, so there is nothing to mark.")
    book = book_of(session, there)
    if book.is_recused:
        raise WrongState(f"You are recused from {there.said}; nothing is to be marked.")
    if _is_away(session, there):
        raise WrongState(f"You are noted as away for number {there.number}; if you were there, tell the leader.")
    return book


def _is_away(session: Session, there: Cell) -> bool:
    return there.candidate is not None and is_away(session, there.adjudicator.id, there.candidate.id)


def _resent(book: SheetBook, version_id: str, content: dict[str, Any]) -> bool:
    """Whether exactly this version is kept already. The same id with something else in it is refused."""
    if not is_id(version_id):
        raise BadInput("The sheet came without a proper id; reload the page and send it again.")
    kept = book.known(version_id)
    if kept is None:
        return False
    if {"marks": kept.marks, "remarks": list(kept.remarks), "reason": kept.reason} != content:
        raise Duplicate(OTHER_SHEET)
    return True


def _view(session: Session, there: Cell, book: SheetBook, *, open_for_entry: bool = False) -> SheetView:
    """The sheet as it is shown; ``open_for_entry`` says that neither recusal nor absence need to be looked up again."""
    draft = book.draft
    practice = there.extra if there.extra is not None and there.extra.kind == "practice" else None
    agreed = None
    if practice is not None and book.is_sent:
        agreed = Agreed(practice.agreed.get("marks", {}), practice.agreed.get("note", ""))
    return SheetView(
        candidate_id=there.subject_id,
        blind_number=there.number,
        state=state_word(
            begun=book.is_begun,
            sent=book.is_sent,
            recused=not open_for_entry and book.is_recused,
            away=not open_for_entry and _is_away(session, there),
        ),
        draft=Draft(draft.get("marks", {}), tuple(draft.get("remarks", ()))),
        versions=tuple(book.versions()),
        agreed=agreed,
    )


def state_word(*, begun: bool, sent: bool, recused: bool, away: bool = False) -> str:
    """The sheet's state as the panel reads it."""
    if sent:
        return "sent"
    if recused:
        return "recused"
    if away:
        return "away"
    return "draft" if begun else "to hear"

"""Sheets typed in from paper in bundles, and the second person who types a random share of them again.

Whoever spot-checks sees a number, a letter and empty boxes, never the marks that were typed: two people who read the
same paper must come to the same marks. One difference makes the whole bundle to be checked. No name is reached here.
"""

import math
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session, col, select

from app.db.models import AdjudicationSheet, Adjudicator, Candidate, PaperSheet, Round, SheetVersion
from app.domain.actor import Actor
from app.domain.errors import BadInput, FairhearingError, NotFound, WrongState
from app.domain.ids import is_id
from app.services import custody, sheets_in
from app.services.rounds import get_round
from app.services.sheet_cells import Cell, Marks, cell, check_marks, round_pieces
from app.services.sheet_signing import versions_of

MOST_SHEETS = 2000  # our choice


@dataclass(frozen=True, slots=True)
class PaperView:
    """A sheet that came in on paper, as the leader sees it."""

    sheet_id: str
    bundle_id: str
    letter: str
    adjudicator_id: str
    candidate_id: str
    blind_number: str
    state: str
    differences: tuple[str, ...]
    marks: Marks


@dataclass(frozen=True, slots=True)
class ToCheck:
    """A sheet to be typed again from the paper: whose, for which number, and which boxes it has."""

    sheet_id: str
    round_name: str
    letter: str
    blind_number: str
    rows: tuple[tuple[str, str], ...]  # key of the piece or "all", its title
    captions: tuple[tuple[str, str], ...]  # key, name
    low: int
    high: int


def keep_bundle(
    session: Session,
    round_id: str,
    *,
    bundle_id: str,
    sheets: Sequence[Mapping[str, Any]],
    share_percent: int,
    now: datetime,
    actor: Actor,
) -> list[PaperView]:
    """Keep a bundle whole or not at all; chance chooses ``share_percent`` of it, one at least, to be checked.

    Each sheet is ``{version_id, adjudicator_id, candidate_id, marks, remarks, reason}``. The same bundle again is
    harmless. A share of 0 means that nobody checks.
    """
    get_round(session, round_id)
    if not is_id(bundle_id):
        raise BadInput("The id of a bundle must be 32 hexadecimal digits made at random by the sender.")
    if not sheets or len(sheets) > MOST_SHEETS:
        raise BadInput(f"A bundle has between 1 and {MOST_SHEETS} sheets.")
    if not 0 <= share_percent <= 100:
        raise BadInput("The share to be checked lies between 0 and 100 percent.")
    fresh: list[PaperSheet] = []
    for typed in sheets:
        there = cell(session, typed["adjudicator_id"], typed["candidate_id"])
        if there.round.id != round_id:
            raise NotFound("One of these numbers is not in this round; reload the page.")
        sheet = _enter(session, there, typed, actor)
        if session.get(PaperSheet, sheet.id) is None:
            fresh.append(
                PaperSheet(sheet_id=sheet.id, bundle_id=bundle_id, typed_by=str(actor), typed_at=now, state="unchecked")
            )
    wanted = math.ceil(len(fresh) * share_percent / 100)
    for row in secrets.SystemRandom().sample(fresh, wanted):
        row.state = "to check"
    session.add_all(fresh)
    session.flush()
    if fresh:
        facts = {"sheets": len(fresh), "to_check": wanted}
        custody.record(session, round_id, actor, "typed-from-paper", bundle_id, facts)
    return typed_in(session, round_id)


def typed_in(session: Session, round_id: str) -> list[PaperView]:
    """Every sheet of a round that came in on paper, by letter and number."""
    found = []
    typed = (SheetVersion.sheet_id == PaperSheet.sheet_id, PaperSheet.sheet_id == AdjudicationSheet.id)
    of_round = (AdjudicationSheet.candidate_id == Candidate.id, Candidate.round_id == round_id)
    versions = session.exec(select(SheetVersion).where(*typed, *of_round).order_by(col(SheetVersion.version))).all()
    latest = {version.sheet_id: version.marks for version in versions}
    for paper, sheet, adjudicator, candidate in _rows(session, Candidate.round_id == round_id):
        found.append(
            PaperView(
                sheet_id=sheet.id,
                bundle_id=paper.bundle_id,
                letter=adjudicator.letter,
                adjudicator_id=adjudicator.id,
                candidate_id=candidate.id,
                blind_number=candidate.blind_number,
                state=paper.state,
                differences=tuple(paper.differences),
                marks=latest.get(sheet.id, {}),
            )
        )
    return found


def correct(session: Session, sheet_id: str, *, version_id: str, marks: object, reason: str, actor: Actor) -> None:
    """Correct a typed sheet by the paper, with the reason. It is to be checked again."""
    paper, sheet = _paper(session, sheet_id)
    remarks = versions_of(session, sheet.id)[-1].remarks
    sheets_in.correct(
        session,
        sheet.adjudicator_id,
        sheet.candidate_id,
        version_id=version_id,
        marks=marks,
        remarks=remarks,
        reason=reason,
        actor=actor,
    )
    paper.state, paper.differences = "to check", []
    session.add(paper)
    session.flush()


def to_check(session: Session, audition_id: str) -> list[ToCheck]:
    """The sheets a second person types again, without what was typed before."""
    found = []
    rows = _rows(session, Round.audition_id == audition_id, Round.state == "drawn", PaperSheet.state == "to check")
    for paper, sheet, adjudicator, candidate in rows:
        there = cell(session, sheet.adjudicator_id, sheet.candidate_id)
        titles = _titles(session, there)
        found.append(
            ToCheck(
                sheet_id=paper.sheet_id,
                round_name=there.round.name,
                letter=adjudicator.letter,
                blind_number=candidate.blind_number,
                rows=tuple((key, titles.get(key, "Everything played")) for key in there.piece_ids),
                captions=tuple((c.key, c.name) for c in there.rubric.captions),
                low=there.rubric.low,
                high=there.rubric.high,
            )
        )
    return found


def check(
    session: Session, sheet_id: str, marks: object, *, audition_id: str, now: datetime, actor: Actor
) -> PaperView:
    """Compare what the second person reads on the paper with what was typed; says so, never what was typed."""
    paper, sheet = _paper(session, sheet_id)
    there = cell(session, sheet.adjudicator_id, sheet.candidate_id)
    if there.round.audition_id != audition_id:
        raise NotFound("This sheet is not one of your audition's; reload the page.")
    if there.round.state != "drawn":
        raise WrongState("This round is opened; its result is fixed.")
    if paper.state != "to check":
        raise WrongState("This sheet has been checked already.")
    again, typed = check_marks(there, marks), versions_of(session, sheet.id)[-1].marks
    names = {c.key: c.name for c in there.rubric.captions}
    titles = _titles(session, there)
    differences = [
        f"{titles.get(piece, 'Everything played')}, {names[key]}: typed {_mark(typed, piece, key)}, "
        f"on the paper {_mark(again, piece, key)}."
        for piece in there.piece_ids
        for key in names
        if _mark(typed, piece, key) != _mark(again, piece, key)
    ]
    paper.state = "differs" if differences else "agrees"
    paper.differences = differences
    paper.checked_by, paper.checked_at = str(actor), now
    session.add(paper)
    if differences:
        for other in session.exec(
            select(PaperSheet).where(PaperSheet.bundle_id == paper.bundle_id, PaperSheet.state == "unchecked")
        ).all():
            other.state = "to check"
            session.add(other)
    session.flush()
    facts = {
        "candidate": there.subject_id,
        "letter": there.adjudicator.letter,
        "differences": len(differences),
    }
    custody.record(session, there.round.id, actor, "paper-checked", sheet.id, facts)
    return next(view for view in typed_in(session, there.round.id) if view.sheet_id == sheet_id)


def why_not_open(session: Session, round_id: str) -> str | None:
    """Why sheets from paper keep a round from being opened, or None."""
    states = [paper.state for paper, *_ in _rows(session, Candidate.round_id == round_id)]
    if "differs" in states:
        return "A sheet typed in from paper differs from what a second person read; correct it under Paper sheets."
    if waiting := states.count("to check"):
        some = "1 sheet" if waiting == 1 else f"{waiting} sheets"
        return f"{some} typed in from paper still to be checked by a second person."
    return None


def _enter(session: Session, there: Cell, typed: Mapping[str, Any], actor: Actor) -> AdjudicationSheet:
    adjudicator, candidate = there.adjudicator, there.candidate
    if candidate is None or there.extra is not None:
        raise BadInput(
            "A sheet of this number is written on a tablet; only candidates' sheets are typed in from paper."
        )
    try:
        sheets_in.submit(
            session,
            adjudicator.id,
            candidate.id,
            version_id=typed["version_id"],
            marks=typed["marks"],
            remarks=typed.get("remarks", []),
            reason=typed.get("reason", ""),
            actor=actor,
        )
    except FairhearingError as error:
        where = f"Adjudicator {adjudicator.letter}, number {candidate.blind_number}"
        raise BadInput(f"{where}: {error.sentence}", candidate_id=candidate.id) from error
    return session.exec(
        select(AdjudicationSheet).where(
            AdjudicationSheet.adjudicator_id == adjudicator.id, AdjudicationSheet.candidate_id == candidate.id
        )
    ).one()


def _rows(session: Session, *where: Any) -> list[tuple[PaperSheet, AdjudicationSheet, Adjudicator, Candidate]]:
    return list(
        session.exec(
            select(PaperSheet, AdjudicationSheet, Adjudicator, Candidate)
            .where(
                PaperSheet.sheet_id == AdjudicationSheet.id,
                AdjudicationSheet.adjudicator_id == Adjudicator.id,
                AdjudicationSheet.candidate_id == Candidate.id,
                Candidate.round_id == Round.id,
                *where,
            )
            .order_by(col(Adjudicator.letter), col(Candidate.playing_order))
        ).all()
    )


def _paper(session: Session, sheet_id: str) -> tuple[PaperSheet, AdjudicationSheet]:
    paper, sheet = session.get(PaperSheet, sheet_id), session.get(AdjudicationSheet, sheet_id)
    if paper is None or sheet is None:
        raise NotFound("This sheet did not come in on paper; reload the page.")
    return paper, sheet


def _titles(session: Session, there: Cell) -> dict[str, str]:
    return {piece.id: piece.title for piece in round_pieces(session, there.round)}


def _mark(marks: Marks, piece: str, caption: str) -> str:
    mark = marks.get(piece, {}).get(caption)
    return "nothing" if mark is None else str(mark)

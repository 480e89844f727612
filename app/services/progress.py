"""How far a round is: takes, measuring, sheets. By numbers and letters only; no name can be reached from here."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import (
    Absence,
    AdjudicationSheet,
    Adjudicator,
    Candidate,
    ExtraHearing,
    ExtraSheet,
    Job,
    Recusal,
    Round,
    Share,
    Take,
)
from app.services import hearing, measuring, round_tally, shares
from app.services.attendance import NOT_HEARD
from app.services.measuring import Measuring
from app.services.rounds import get_round
from app.services.sheet_cells import round_pieces


@dataclass(frozen=True, slots=True)
class ProgressPiece:
    """A piece of the round."""

    piece_id: str
    title: str


@dataclass(frozen=True, slots=True)
class ProgressAdjudicator:
    """An adjudicator by letter."""

    id: str
    letter: str


@dataclass(frozen=True, slots=True)
class ProgressTake:
    """A kept take and how far its measuring is."""

    piece_id: str
    take_id: str
    word: str
    measuring: Measuring


@dataclass(frozen=True, slots=True)
class ProgressCandidate:
    """A number, its takes and its sheets."""

    candidate_id: str
    blind_number: str
    playing_order: int
    state: str
    takes: tuple[ProgressTake, ...]
    sheets: dict[str, str]  # by letter: "to hear" | "draft" | "submitted" | "recused" | "away"; assigned ones only


@dataclass(frozen=True, slots=True)
class ProgressExtra:
    """Something the panel hears that stands in no result: the practice take, or a hidden repeat."""

    kind: str  # "practice" | "repeat"
    blind_number: str  # the second number of a repeat
    repeats: str  # the number that is heard again, empty for the practice take
    sheets: dict[str, str]  # by letter, as a candidate's


@dataclass(frozen=True, slots=True)
class ProgressView:
    """How far a round is."""

    round: Round
    pieces: tuple[ProgressPiece, ...]
    adjudicators: tuple[ProgressAdjudicator, ...]
    candidates: tuple[ProgressCandidate, ...]
    total: int  # candidates that were looked for; ``candidates`` may be a page of them
    extras: tuple[ProgressExtra, ...]
    jobs: dict[str, int]
    sentence: str


def progress(
    session: Session, round_id: str, *, find: str = "", offset: int = 0, limit: int | None = None
) -> ProgressView:
    """How far a round is, candidates in playing order; with ``limit`` a page of those whose number begins so."""
    row = get_round(session, round_id)
    pieces = round_pieces(session, row)
    panel = session.exec(
        select(Adjudicator).where(Adjudicator.audition_id == row.audition_id).order_by(col(Adjudicator.letter))
    ).all()
    wanted: list[Any] = [Candidate.round_id == round_id]
    if typed := find.strip():
        wanted.append(col(Candidate.blind_number).startswith(typed, autoescape=True))
    total = session.exec(select(sa.func.count()).select_from(Candidate).where(*wanted)).one()
    asked = select(Candidate).where(*wanted).order_by(col(Candidate.playing_order)).offset(offset)
    candidates = session.exec(asked if limit is None else asked.limit(limit)).all()

    def here(candidate_id: Any) -> list[Any]:
        """That a row is of one of these candidates."""
        if limit is None:
            return [candidate_id == Candidate.id, Candidate.round_id == round_id]
        return [col(candidate_id).in_([c.id for c in candidates])]

    takes: dict[str, list[Take]] = {}
    for take in session.exec(select(Take).where(Take.state == "kept", *here(Take.candidate_id))):
        takes.setdefault(take.candidate_id, []).append(take)
    states = measuring.states(session, [t.id for own in takes.values() for t in own])
    sheets = {
        (candidate_id, adjudicator_id): state
        for candidate_id, adjudicator_id, state in session.exec(
            select(AdjudicationSheet.candidate_id, AdjudicationSheet.adjudicator_id, AdjudicationSheet.state).where(
                *here(AdjudicationSheet.candidate_id)
            )
        )
    }
    away = set(session.exec(select(Absence.candidate_id, Absence.adjudicator_id).where(*here(Absence.candidate_id))))
    recused = set(session.exec(select(Recusal.candidate_id, Recusal.adjudicator_id).where(*here(Recusal.candidate_id))))
    hears: dict[str, set[str]] | None = None  # by candidate, where not everybody hears everybody
    if shares.is_handed_in(row):
        hears = {}
        cells = session.exec(select(Share.candidate_id, Share.adjudicator_id).where(*here(Share.candidate_id))).all()
        sent = [cell for cell, state in sheets.items() if state == "submitted"]  # before a share was handed over
        for candidate_id, adjudicator_id in [*cells, *sent]:
            hears.setdefault(candidate_id, set()).add(adjudicator_id)
    places = {p.id: place for place, p in enumerate(pieces)}

    def takes_of(candidate_id: str) -> tuple[ProgressTake, ...]:
        own = sorted(
            takes.get(candidate_id, ()), key=lambda t: (places.get(t.piece_id, len(places)), t.received_at, t.id)
        )
        return tuple(ProgressTake(t.piece_id, t.id, str(t.quality.get("word", "")), states[t.id]) for t in own)

    def word(candidate_id: str, adjudicator_id: str) -> str:
        cell = (candidate_id, adjudicator_id)
        if sheets.get(cell) == "submitted":
            return "submitted"
        return "recused" if cell in recused else "away" if cell in away else sheets.get(cell, "to hear")

    lines = tuple(
        ProgressCandidate(
            c.id,
            c.blind_number,
            c.playing_order,
            c.state,
            takes_of(c.id),
            {a.letter: word(c.id, a.id) for a in panel if hears is None or a.id in hears.get(c.id, ())},
        )
        for c in candidates
    )
    return ProgressView(
        round=row,
        pieces=tuple(ProgressPiece(p.id, p.title) for p in pieces),
        adjudicators=tuple(ProgressAdjudicator(a.id, a.letter) for a in panel),
        candidates=lines,
        total=total,
        extras=_extras(session, row, panel),
        jobs=measuring.job_counts(session),
        sentence=_sentence(session, row, len(pieces), len(panel)),
    )


def _extras(
    session: Session,
    row: Round,
    panel: Sequence[Adjudicator],
) -> tuple[ProgressExtra, ...]:
    there = hearing.extras_of(session, row.id)
    repeated = [extra.candidate_id for extra in there if extra.candidate_id is not None]
    numbers = dict(
        session.exec(select(Candidate.id, Candidate.blind_number).where(col(Candidate.id).in_(repeated))).all()
    )
    recused = {
        (r.candidate_id, r.adjudicator_id)
        for r in session.exec(select(Recusal).where(col(Recusal.candidate_id).in_(repeated)))
    }
    sheets = {
        (s.extra_id, s.adjudicator_id): s
        for s in session.exec(
            select(ExtraSheet).where(ExtraSheet.extra_id == ExtraHearing.id, ExtraHearing.round_id == row.id)
        )
    }

    def word(extra: ExtraHearing, adjudicator_id: str) -> str:
        sheet = sheets.get((extra.id, adjudicator_id))
        if (extra.candidate_id, adjudicator_id) in recused or (sheet is not None and sheet.recused):
            return "recused"
        return sheet.state if sheet is not None else "to hear"

    return tuple(
        ProgressExtra(
            extra.kind,
            extra.blind_number,
            numbers.get(extra.candidate_id or "", ""),
            {a.letter: word(extra, a.id) for a in panel},
        )
        for extra in there
    )


def _sentence(session: Session, row: Round, pieces: int, panel: int) -> str:
    """How far the round is in a sentence, counted by the database: a round may be too long to look through."""
    if row.state in ("setup", "committed"):
        return "This round is not drawn yet; there is nobody to hear before the draw."
    found = round_tally.tally(session, row, pieces=pieces, panel=panel)
    if not found.everybody:
        return "Nobody is left to hear in this round."
    failing = session.exec(
        select(Job.subject).where(
            Job.kind == measuring.KIND,
            Job.state == "failed",
            Job.subject == Take.id,
            Take.state == "kept",
            Take.candidate_id == Candidate.id,
            Candidate.round_id == row.id,
            col(Candidate.state).not_in(NOT_HEARD),
        )
    ).all()
    failed = sum(one.state == "failed" for one in measuring.states(session, failing).values())
    text = f"{found.complete} of {found.everybody} candidates are recorded, {found.sent} of {found.due} sheets are in"
    if failed:
        text += f"; {failed} {'take' if failed == 1 else 'takes'} could not be measured"
    return text + "."

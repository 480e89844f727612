"""How far a round is: takes, measuring, sheets. By numbers and letters only; no name can be reached from here."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from sqlmodel import Session, col, select

from app.db.models import (
    AdjudicationSheet,
    Adjudicator,
    Candidate,
    ExtraHearing,
    ExtraSheet,
    Recusal,
    Round,
    Take,
)
from app.services import absences, hearing, measuring
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
    sheets: dict[str, str]  # by letter: "to hear" | "draft" | "submitted" | "recused"


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
    extras: tuple[ProgressExtra, ...]
    jobs: dict[str, int]
    sentence: str


def progress(session: Session, round_id: str) -> ProgressView:
    """How far a round is, candidates in playing order."""
    row = get_round(session, round_id)
    pieces = round_pieces(session, row)
    panel = session.exec(
        select(Adjudicator).where(Adjudicator.audition_id == row.audition_id).order_by(col(Adjudicator.letter))
    ).all()
    candidates = session.exec(
        select(Candidate).where(Candidate.round_id == round_id).order_by(col(Candidate.playing_order))
    ).all()
    of_round = (Candidate.round_id == round_id,)
    takes = session.exec(select(Take).where(Take.candidate_id == Candidate.id, Take.state == "kept", *of_round)).all()
    states = measuring.states(session, [t.id for t in takes])
    sheets = {
        (s.candidate_id, s.adjudicator_id): s.state
        for s in session.exec(
            select(AdjudicationSheet).where(AdjudicationSheet.candidate_id == Candidate.id, *of_round)
        )
    }
    away = absences.away_cells(session, round_id)
    recused = {
        (r.candidate_id, r.adjudicator_id)
        for r in session.exec(select(Recusal).where(Recusal.candidate_id == Candidate.id, *of_round))
    }
    places = {p.id: place for place, p in enumerate(pieces)}

    def takes_of(candidate_id: str) -> tuple[ProgressTake, ...]:
        own = [t for t in takes if t.candidate_id == candidate_id]
        own.sort(key=lambda t: (places.get(t.piece_id, len(places)), t.received_at, t.id))
        return tuple(ProgressTake(t.piece_id, t.id, str(t.quality.get("word", "")), states[t.id]) for t in own)

    def word(candidate_id: str, adjudicator_id: str) -> str:
        cell = (candidate_id, adjudicator_id)
        if sheets.get(cell) == "submitted":
            return "submitted"
        return (
            "recused"
            if cell in recused
            else "away"
            if (adjudicator_id, candidate_id) in away
            else sheets.get(cell, "to hear")
        )

    lines = tuple(
        ProgressCandidate(
            c.id, c.blind_number, c.playing_order, c.state, takes_of(c.id), {a.letter: word(c.id, a.id) for a in panel}
        )
        for c in candidates
    )
    return ProgressView(
        round=row,
        pieces=tuple(ProgressPiece(p.id, p.title) for p in pieces),
        adjudicators=tuple(ProgressAdjudicator(a.id, a.letter) for a in panel),
        candidates=lines,
        extras=_extras(session, row, {c.id: c.blind_number for c in candidates}, panel, recused),
        jobs=measuring.job_counts(session),
        sentence=_sentence(row, lines, len(pieces)),
    )


def _extras(
    session: Session,
    row: Round,
    numbers: Mapping[str, str],
    panel: Sequence[Adjudicator],
    recused: Collection[tuple[str, str]],
) -> tuple[ProgressExtra, ...]:
    there = hearing.extras_of(session, row.id)
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


def _sentence(row: Round, candidates: tuple[ProgressCandidate, ...], pieces: int) -> str:
    if row.state in ("setup", "committed"):
        return "This round is not drawn yet; there is nobody to hear before the draw."
    heard = [c for c in candidates if c.state not in NOT_HEARD]
    if not heard:
        return "Nobody is left to hear in this round."
    complete = sum(len({t.piece_id for t in c.takes}) >= pieces for c in heard)
    words = [word for c in heard for word in c.sheets.values()]
    sent, due = words.count("submitted"), len(words) - words.count("recused") - words.count("away")
    failed = sum(t.measuring.state == "failed" for c in heard for t in c.takes)
    text = f"{complete} of {len(heard)} candidates are recorded, {sent} of {due} sheets are in"
    if failed:
        text += f"; {failed} {'take' if failed == 1 else 'takes'} could not be measured"
    return text + "."

"""Tabulations as the second person sees them; that of a long round a page at a time, as a worker worked it out.

What is confirmed of a long round is the hash of its kept standing, and only while nothing it rests on has changed. By
numbers and letters only.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlmodel import Session, col, select

from app.db.models import Absence, Adjudicator, Candidate, Recusal, Round, Share, WorkedStanding
from app.domain.errors import WrongState
from app.domain.panel import ALL_PIECES
from app.services import declaring, long_work, shares, standing, standing_pages, tabulation
from app.services.attendance import NOT_HEARD
from app.services.carrying import EARLIER, carried_titles
from app.services.rounds import get_round, is_long
from app.services.sheet_cells import round_pieces
from app.services.tabulation import SheetLine, TabulatedNumber, Tabulation

NUMBERS = 100  # on a page; our choice, as other lists
NOT_WORKED_OUT = "The section leader has the standing of so long a round worked out first, under Standing."


def tabulations(session: Session, audition_id: str, *, offset: int = 0) -> list[Tabulation]:
    """The tabulation of every drawn round; of a long one where a second person must confirm it, from ``offset``."""
    rows = session.exec(
        select(Round).where(Round.audition_id == audition_id, Round.state == "drawn").order_by(col(Round.position))
    ).all()
    return [
        _page(session, row, offset) if is_long(session, row) else tabulation.of_round(session, row)
        for row in rows
        if row.second_check or not is_long(session, row)
    ]


def to_confirm(session: Session, round_id: str, audition_id: str) -> tuple[str, str] | None:
    """What :func:`tabulation.confirm` takes as ``tabulated``: of a long round its kept standing's hashes, else None.

    ``WrongState`` where there is none that holds today.
    """
    row = get_round(session, round_id)
    if row.audition_id != audition_id or not is_long(session, row):
        return None
    kept = _kept(session, row)
    if kept is None:
        raise WrongState(
            "The tabulation has changed since it was worked out; the section leader has it worked out anew."
        )
    return kept.content["input_hash"], kept.content["tabulation_hash"]


def _kept(session: Session, row: Round) -> WorkedStanding | None:
    """The kept standing of a drawn round, if it is of today and has something to confirm."""
    kept = session.get(WorkedStanding, row.id)
    if kept is None or not kept.content.get("tabulation_hash") or not long_work.is_current(session, row, kept):
        return None
    return kept


def _page(session: Session, row: Round, offset: int) -> Tabulation:
    kept = _kept(session, row)
    rubric = declaring.rubric_of(declaring.get_audition(session, row.audition_id))
    content: Mapping[str, Any] = kept.content if kept is not None else standing.before_ranking(session, row)
    digest = content["tabulation_hash"] if kept is not None else ""
    check = tabulation.check_of(session, row.id, content["input_hash"], digest)
    seen = (
        standing_pages.page(session, row, find="", candidate_ids=None, offset=offset, limit=NUMBERS) if kept else None
    )
    rows = seen.rows if seen is not None else []
    lines = _sheets(session, row, [line["candidate_id"] for line in rows], rubric.keys)
    return Tabulation(
        round_id=row.id,
        round_name=row.name,
        state=row.state,
        required=row.second_check,
        rule_sentence=content["rule_sentence"],
        captions=tuple(caption.name for caption in rubric.captions),
        numbers=tuple(
            TabulatedNumber(
                line["place"], line["tied"], line["blind_number"], line["total"], tuple(lines[line["candidate_id"]])
            )
            for line in rows
        ),
        total=seen.total if seen is not None else 0,
        offset=offset,
        not_heard=tuple(content["not_heard"]),
        sentences=tuple(content["sentences"]),
        missing=tuple(content["missing"]) if kept is not None else (NOT_WORKED_OUT,),
        hash=digest,
        confirmed_by=check.person if check is not None else None,
        confirmed_at=check.confirmed_at if check is not None else None,
    )


def _sheets(session: Session, row: Round, ids: list[str], captions: tuple[str, ...]) -> dict[str, list[SheetLine]]:
    """The marks that count of some candidates, line by line, of everybody who hears them."""
    panel = session.exec(
        select(Adjudicator).where(Adjudicator.audition_id == row.audition_id).order_by(col(Adjudicator.letter))
    ).all()
    found = _given(session, row, ids)
    hears = None
    if shares.is_handed_in(row):
        cells = select(Share.adjudicator_id, Share.candidate_id).where(col(Share.candidate_id).in_(ids))
        hears = {*session.exec(cells).all(), *found.marks}
    lines: dict[str, list[SheetLine]] = {one: [] for one in ids}
    for one in ids:
        for adjudicator in panel:
            cell = (adjudicator.id, one)
            if hears is None or cell in hears:
                given = found.marks.get(cell, {})
                lines[one] += [
                    SheetLine(
                        adjudicator.letter,
                        found.titles.get(piece, ""),
                        tuple(given.get(piece, {}).get(key) for key in captions),
                    )
                    for piece in found.pieces
                ]
    return lines


@dataclass(frozen=True, slots=True)
class _Given:
    """The marks that count of some candidates, those of an earlier round as further pieces."""

    pieces: tuple[str, ...]
    titles: dict[str, str]
    marks: dict[tuple[str, str], dict[str, dict[str, int]]]  # (adjudicator, candidate): by piece and caption


def _given(session: Session, row: Round, ids: Sequence[str]) -> _Given:
    titles = {p.id: p.title for p in round_pieces(session, row)}
    per_candidate = declaring.get_audition(session, row.audition_id).scored_per == "candidate"
    pieces = (ALL_PIECES,) if per_candidate else tuple(titles)
    recused, absent = (
        set(
            session.exec(
                select(col(table.adjudicator_id), col(table.candidate_id)).where(col(table.candidate_id).in_(ids))
            ).all()
        )
        for table in (Recusal, Absence)
    )
    marks = {
        cell: dict(version.marks)
        for cell, version in standing.latest_versions(session, row.id, ids).items()
        if cell not in recused | absent
    }
    if row.carried_from is None:
        return _Given(pieces, titles, marks)
    earlier_row = session.get_one(Round, row.carried_from)
    now = _those_who_played(session, earlier_row, ids)
    earlier = _given(session, earlier_row, list(now))
    for (adjudicator, candidate), by_piece in earlier.marks.items():
        if (adjudicator, now[candidate]) not in recused:  # who was only absent has marked before
            own = marks.setdefault((adjudicator, now[candidate]), {})
            own.update({EARLIER + piece: given for piece, given in by_piece.items()})
    keys = tuple(EARLIER + piece for piece in earlier.pieces)
    return _Given((*pieces, *keys), carried_titles(row, earlier_row, pieces, keys, titles, earlier.titles), marks)


def _those_who_played(session: Session, earlier: Round, ids: Sequence[str]) -> dict[str, str]:
    """{candidate of the earlier round: the same one's candidate now}, by roster lines, whose ids lead to nobody."""
    now = dict(session.exec(select(Candidate.entry_id, Candidate.id).where(col(Candidate.id).in_(ids))).all())
    then = session.exec(
        select(Candidate.id, Candidate.entry_id).where(
            Candidate.round_id == earlier.id,
            col(Candidate.entry_id).in_(list(now)),
            col(Candidate.state).not_in(NOT_HEARD),
        )
    ).all()
    return {candidate: now[entry] for candidate, entry in then}

"""Tabulations as the second person sees them; that of a long round a page at a time, as a worker worked it out.

What is confirmed of a long round is the hash of its kept standing, and only while nothing it rests on has changed. By
numbers and letters only.
"""

from collections.abc import Mapping
from typing import Any

from sqlmodel import Session, col, select

from app.db.models import Absence, Adjudicator, Recusal, Round, Share, WorkedStanding
from app.domain.errors import WrongState
from app.domain.panel import ALL_PIECES
from app.services import declaring, long_work, shares, standing, standing_pages, tabulation
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
    audition = declaring.get_audition(session, row.audition_id)
    pieces = {p.id: p.title for p in round_pieces(session, row)}
    if audition.scored_per == "candidate":
        pieces = {ALL_PIECES: ""}
    panel = session.exec(
        select(Adjudicator).where(Adjudicator.audition_id == row.audition_id).order_by(col(Adjudicator.letter))
    ).all()
    empty: set[tuple[str, str]] = set()
    for table in (Recusal, Absence):
        empty |= set(
            session.exec(
                select(col(table.adjudicator_id), col(table.candidate_id)).where(col(table.candidate_id).in_(ids))
            ).all()
        )
    versions = {
        cell: version for cell, version in standing.latest_versions(session, row.id, ids).items() if cell not in empty
    }
    hears = None
    if shares.is_handed_in(row):
        cells = select(Share.adjudicator_id, Share.candidate_id).where(col(Share.candidate_id).in_(ids))
        hears = {*session.exec(cells).all(), *versions}
    lines: dict[str, list[SheetLine]] = {one: [] for one in ids}
    for one in ids:
        for adjudicator in panel:
            cell = (adjudicator.id, one)
            if hears is None or cell in hears:
                given = versions[cell].marks if cell in versions else {}
                lines[one] += [
                    SheetLine(adjudicator.letter, title, tuple(given.get(piece, {}).get(key) for key in captions))
                    for piece, title in pieces.items()
                ]
    return lines

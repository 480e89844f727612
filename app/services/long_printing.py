"""Printing a long round: a worker draws its score sheet or all comment sheets, the leader fetches them afterwards.

Twenty thousand comment sheets take twenty minutes and would be gigabytes in one file. They are kept as they are drawn,
a hundred at a time, so who was printed already has a page of their own; stopped or cut off, what was kept stays. The
ZIP comes in parts, each sheet drawn from what was kept of it while it is sent.
"""

import zipfile
from collections.abc import Iterator, Mapping
from typing import Any, Literal, get_args

from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.identities import WorkedPaper
from app.db.models import Candidate, Round
from app.domain.actor import Actor
from app.domain.errors import BadInput, WrongState
from app.jobs.ledger import Progress, Save
from app.services import kept_sheets, long_work, printing
from app.services.attendance import NOT_HEARD
from app.services.kept_sheets import COMMENT_SHEET, Printed
from app.services.long_work import Working
from app.services.rounds import get_round, is_long

PrintingKind = Literal["print-score-sheet", "print-score-sheet-by-numbers", "print-comment-sheets"]
KINDS: tuple[PrintingKind, ...] = get_args(PrintingKind)
SCORE, NUMBERS, COMMENTS = KINDS
MOST_IN_A_FILE = 500  # comment sheets in one ZIP: some 65 MB, half a minute to draw; our choice
NOT_PRINTED = "The score sheet of so long a round takes a while to draw; have it drawn first."
NONE_PRINTED = "The comment sheets of so long a round take a while to draw; have them drawn first."


def working(session: Session, round_id: str, kind: str) -> Working | None:
    """How far the printing is, and of when what can be fetched is; None of a round that is printed at once."""
    row = get_round(session, round_id)
    return _working(session, row, kind) if is_long(session, row) else None


def _working(session: Session, row: Round, kind: str) -> Working:
    return long_work.of_kept(session, row, kind, session.get(WorkedPaper, (row.id, kind)))


def printed_comment_sheets(session: Session, round_id: str) -> int:
    """How many comment sheets of a long round a worker has printed to the end."""
    kept = session.get(WorkedPaper, (round_id, COMMENTS))
    return kept.sheets if kept is not None else 0


def ask(session: Session, round_id: str, kind: str, *, actor: Actor) -> Working:
    """Have a worker print a long round. Asking again while one does is harmless."""
    if kind == COMMENTS:
        printing.check_opened(session, round_id)
    row = long_work.ask(session, round_id, kind, {"role": actor.role, "actor": actor.id})
    return _working(session, row, kind)


def stop(session: Session, round_id: str, kind: str) -> Working:
    """Stop a printing that waits or runs; comment sheets drawn so far stay."""
    row = get_round(session, round_id)
    long_work.stop(session, round_id, kind)
    return _working(session, row, kind)


def score_sheet(session: Session, round_id: str, *, named: bool) -> tuple[str, bytes] | None:
    """(file name, PDF) of a long round's score sheet as it was drawn last; None of a round that is printed at once.

    Raises ``WrongState`` until it is drawn.
    """
    row = get_round(session, round_id)
    if not is_long(session, row):
        return None
    kept = session.get(WorkedPaper, (round_id, SCORE if named else NUMBERS))
    if kept is None:
        raise WrongState(NOT_PRINTED)
    return f"score sheet {row.name}.pdf", kept.pdf


def comment_sheet(database: Database, candidate_id: str, *, actor: Actor, detail: bool) -> Printed:
    """One student's comment sheet. To draw one all of a round is read, so of a long one it is drawn from what is kept,
    as long as nothing has changed since all were printed."""
    with database.read() as session:
        candidate = session.get(Candidate, candidate_id)
        row = session.get(Round, candidate.round_id) if candidate is not None else None
        known = None
        if row is not None and not detail and is_long(session, row) and _working(session, row, COMMENTS).is_current:
            known = kept_sheets.latest_comment_sheet(session, candidate_id)
    if known is not None:
        return printing.reprint(database, known[0], actor=actor)
    return printing.print_comment_sheet(database, candidate_id, actor=actor, detail=detail)


def comment_sheets_zip(database: Database, round_id: str, *, offset: int, limit: int) -> Iterator[bytes]:
    """A ZIP of some printed comment sheets in playing order, piece by piece while each is drawn.

    Raises ``WrongState`` while the round is sealed or when none of them was printed.
    """
    if not 1 <= limit <= MOST_IN_A_FILE:
        raise BadInput(f"One file holds 1 to {MOST_IN_A_FILE} comment sheets; ask for so many.")
    with database.read() as session:
        printing.check_opened(session, round_id)
        asked = select(Candidate.id).where(Candidate.round_id == round_id, col(Candidate.state).not_in(NOT_HEARD))
        page = asked.order_by(col(Candidate.playing_order)).offset(offset).limit(limit)
        wanted = [one for one in session.exec(page).all() if kept_sheets.is_printed(session, one)]
    if not wanted:
        raise WrongState(NONE_PRINTED)
    return _zipped(database, wanted)


def _zipped(database: Database, candidate_ids: list[str]) -> Iterator[bytes]:
    out = _Passing()
    with zipfile.ZipFile(out, "w") as archive:  # it sees that it can't go back in what was sent
        for candidate_id in candidate_ids:
            with database.read() as session:
                found = kept_sheets.latest_comment_sheet(session, candidate_id)
            if found is not None:  # destroyed a moment ago: left out
                model = found[1]
                name = printing.safe_file_name(model.blind_number, model.student)
                printing.put_in(archive, name, kept_sheets.render(model))
                yield out.taken()
    yield out.taken()


class _Passing:
    """A file that is written and never read: what was written is taken from it and sent."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def write(self, part: bytes) -> int:
        """Take what a ZIP writes."""
        self._parts.append(bytes(part))
        return len(part)

    def flush(self) -> None:
        """Nothing is held back."""

    def close(self) -> None:
        """There is nothing to close."""

    def taken(self) -> bytes:
        """What was written since the last time."""
        out = b"".join(self._parts)
        self._parts.clear()
        return out


class PrintLong:
    """The tasks of :data:`KINDS`."""

    def __init__(self, database: Database, kind: str) -> None:
        self._database = database
        self._kind = kind

    def __call__(self, payload: Mapping[str, Any], progress: Progress) -> Save:
        """Print; the save says that it is done, and keeps a score sheet."""
        round_id, actor = str(payload["round_id"]), Actor(payload["role"], payload["actor"])
        progress(0.0, "reading the round")
        with self._database.read() as session:
            basis = long_work.basis(session, get_round(session, round_id))
        if self._kind != COMMENTS:
            sheet = printing.draw_score_sheet(self._database, round_id, named=self._kind == SCORE)
            progress(0.95, "keeping it")

            def save_score(session: Session) -> None:
                kept_sheets.keep(session, [sheet], actor)
                _note(session, round_id, self._kind, 1, sheet.pdf, basis)

            return save_score
        hashes: list[str] = []

        def tell(done: int, total: int) -> None:
            progress(done / total, f"{done} of {total} sheets")

        for part in printing.draw_comment_sheets(self._database, round_id, tell):
            printing.keep_part(self._database, part)
            hashes += [one.model_hash for one in part]

        def save_all(session: Session) -> None:
            kept_sheets.record(session, round_id, COMMENT_SHEET, hashes, actor)
            _note(session, round_id, self._kind, len(hashes), b"", basis)

        return save_all


def _note(session: Session, round_id: str, kind: str, sheets: int, pdf: bytes, basis: long_work.Basis) -> None:
    kept = session.get(WorkedPaper, (round_id, kind))
    kept = kept or WorkedPaper(round_id=round_id, kind=kind, rests_on="", sheets=0, pdf=b"")
    kept.sheets, kept.pdf = sheets, pdf
    long_work.note(kept, basis)
    session.add(kept)

"""``fairhearing take``: a recording from a file, for a number and a piece of a round."""

import argparse
import hashlib
from pathlib import Path

from sqlmodel import Session, select

from app.cli.options import add_data_option, existing_settings
from app.db import schema
from app.db.database import Database
from app.db.models import Candidate, Piece, Round
from app.domain.actor import SYSTEM
from app.domain.errors import BadInput, NotFound
from app.domain.texts import alike
from app.services import intake
from app.services.folder import keep_private
from app.services.sheet_cells import round_pieces
from app.services.storing import open_store


def register(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("file", type=Path, help="the recording")
    parser.add_argument("--round", required=True, help="name or id of the round")
    parser.add_argument("--number", required=True, help="the candidate's blind number")
    parser.add_argument("--piece", required=True, help="title or id of the piece")
    add_data_option(parser)


def run(args: argparse.Namespace) -> int:
    """Take the recording in and say what was found. Running it twice with the same file is harmless."""
    keep_private()
    settings = existing_settings(args)
    schema.upgrade(settings.url)
    database = Database(settings.url)
    try:
        with database.read() as session:
            candidate, piece = _find(session, args.round, args.number, args.piece)
        try:
            with args.file.open("rb") as source:
                sha256 = hashlib.file_digest(source, "sha256").hexdigest()
                source.seek(0)
                # The id follows from what is sent and where to, so that a second run finds the first one's take.
                take_id = hashlib.sha256(f"{candidate.id}:{piece.id}:{sha256}".encode()).hexdigest()[:32]
                upload = intake.Upload(take_id, candidate.id, piece.id, source, args.file.name, via="command")
                take = intake.receive(database, open_store(settings), upload, actor=SYSTEM)
        except OSError as error:
            raise BadInput(f"{args.file} can't be read ({error.strerror}).") from error
    finally:
        database.close()
    print(f"Number {candidate.blind_number}, {piece.title}: {take.duration_sec:.1f} s, {take.quality['word']}.")
    for sentence in take.quality["sentences"]:
        print(f"  {sentence}")
    return 0


def _find(session: Session, round_text: str, number: str, piece_text: str) -> tuple[Candidate, Piece]:
    rounds = [r for r in session.exec(select(Round)).all() if r.id == round_text or alike(r.name) == alike(round_text)]
    if len(rounds) != 1:
        raise NotFound(
            f"There is no round “{round_text}”; check its name."
            if not rounds
            else f"Several rounds are called “{round_text}”; use the round's id instead."
        )
    candidate = session.exec(
        select(Candidate).where(Candidate.round_id == rounds[0].id, Candidate.blind_number == number)
    ).first()
    if candidate is None:
        raise NotFound(f"There is no number {number} in this round.")
    pieces = [p for p in round_pieces(session, rounds[0]) if p.id == piece_text or alike(p.title) == alike(piece_text)]
    if len(pieces) != 1:
        raise NotFound(
            f"No piece of this round is called “{piece_text}”."
            if not pieces
            else f"Several pieces are called “{piece_text}”; use the piece's id instead."
        )
    return candidate, pieces[0]

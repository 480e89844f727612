"""Sight-reading: sealed until a candidate's study time, on screen or paper; never the same notes twice for a student.

Paper takes a while, so printing breaks the seal first and the study time begins when the sheet stands on the stand: the
notes are on no screen before.
"""

import hashlib
import json
import math
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.identities import Entry
from app.db.models import Candidate, Piece, Round, SightSheet
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import BadInput, NotAllowed, NotFound, WrongState
from app.files.engraving import engrave
from app.files.notation_writing import to_musicxml
from app.material.sight_reading import fingerprint, sight_reading
from app.material.sight_recipe import sight_recipe_from
from app.services import custody, turns
from app.services.attendance import NOT_HEARD
from app.services.day_printing import day_heading
from app.services.piece_reading import excerpt_bars, load_piece, musicxml_of
from app.services.sheet_cells import round_pieces
from app.services.sight_sheets import KIND, sheet, with_seed
from app.sheets.stand_sheet import StandSheetModel, line_width, render_stand_sheet

MOST_ATTEMPTS = 100  # our choice: other notes are found at once unless the recipe allows hardly any
STAND_WIDTH = 70.0  # staff spaces to a line: large enough to be read from a stand; our choice


@dataclass(frozen=True, slots=True)
class SightView:
    """A candidate's sheet for the recording room: no notes while it is sealed."""

    candidate_id: str
    piece_id: str
    title: str
    sealed: bool  # the study time has not begun
    printed: bool  # the seal was broken for a sheet on paper
    study_began_at: datetime | None
    svg: str | None


def sample(values: Mapping[str, Any]) -> str:
    """A picture of other notes from the same recipe, so that the leader can judge it and the seal holds."""
    recipe = sight_recipe_from({**values, "seed": f"sample {secrets.token_hex(8)}"})
    return engrave(to_musicxml(sight_reading(recipe))).svg


def look(session: Session, candidate_id: str, piece_id: str, *, audition_id: str | None) -> SightView:
    """The candidate's sheet, without notes while it is sealed."""
    candidate, piece = _place(session, candidate_id, piece_id, audition_id)
    return _view(session, candidate, piece)


def begin(database: Database, candidate_id: str, piece_id: str, *, actor: Actor, audition_id: str | None) -> SightView:
    """The study time begins now, and the seal is broken at the latest. Again gives the same notes and the same moment.

    Raises ``WrongState`` when the candidate is not there or the round does not hear anybody.
    """
    _break_seal(database, candidate_id, piece_id, study=True, actor=actor, audition_id=audition_id)
    with database.read() as session:
        return _view(session, session.get_one(Candidate, candidate_id), session.get_one(Piece, piece_id))


def stand_sheet(
    database: Database,
    candidate_id: str,
    piece_id: str,
    *,
    large: bool | None,
    actor: Actor,
    audition_id: str | None,
) -> bytes:
    """The candidate's notes on paper as PDF, with the blind number; breaks the seal, the study time begins apart.

    ``large`` None: as the roster says. Raises ``WrongState`` as :func:`begin` does.
    """
    _break_seal(database, candidate_id, piece_id, study=False, actor=actor, audition_id=audition_id)
    with database.read() as session:
        candidate, piece = _place(session, candidate_id, piece_id, audition_id)
        entry = session.get_one(Entry, candidate.entry_id)
        row = session.get_one(Round, candidate.round_id)
        plan = turns.plan_of(row)
        seconds = 0 if plan is None else study_seconds(plan.study_sec, entry.extra_time_percent)
        model = StandSheetModel(
            heading=day_heading(session, row),
            blind_number=candidate.blind_number,
            title=piece.title,
            study=f"Study time: {seconds} seconds, in silence." if seconds else "",
            large=entry.enlarged_music if large is None else large,
        )
        shown = sheet(session, candidate_id, piece_id)
        assert shown is not None
        read = with_seed(piece, shown.seed)
        first, last = excerpt_bars(read)
        source = musicxml_of(read)
    return render_stand_sheet(model, engrave(source, width=line_width(model), first_bar=first, last_bar=last))


def study_seconds(declared: int, extra_percent: int) -> int:
    """The study time of somebody who has more time, in whole seconds; halves go up, as the screen rounds."""
    return math.floor(declared * (1 + extra_percent / 100) + 0.5)


def _break_seal(
    database: Database, candidate_id: str, piece_id: str, *, study: bool, actor: Actor, audition_id: str | None
) -> None:
    with database.read() as session:
        candidate, piece = _place(session, candidate_id, piece_id, audition_id)
        there = sheet(session, candidate_id, piece_id)
        if there is not None and (there.study_began_at is not None or not study):
            return
        _check_open(session, candidate)
        seed, told = (there.seed, there.fingerprint) if there is not None else _unread(session, candidate, piece)
    database.write(lambda session: _unseal(session, candidate_id, piece_id, seed, told, study, actor))


def _place(session: Session, candidate_id: str, piece_id: str, audition_id: str | None) -> tuple[Candidate, Piece]:
    candidate = session.get(Candidate, candidate_id)
    if candidate is None:
        raise NotFound("This candidate is not there any more; reload the page.")
    row = session.get_one(Round, candidate.round_id)
    if audition_id not in (None, row.audition_id):
        raise NotAllowed("This tablet belongs to another audition's recording room.")
    piece = session.get(Piece, piece_id)
    if piece is None or piece.kind != KIND or piece.id not in {one.id for one in round_pieces(session, row)}:
        raise NotFound("This is no sight-reading of this round; choose one of the round's pieces.")
    return candidate, piece


def _check_open(session: Session, candidate: Candidate) -> None:
    if session.get_one(Round, candidate.round_id).state != "drawn":
        raise WrongState("Study time begins in a round that is drawn and not opened.")
    if candidate.state in NOT_HEARD:
        raise WrongState(
            f"Number {candidate.blind_number} is marked as {candidate.state}; mark the candidate as present first."
        )


def _unread(session: Session, candidate: Candidate, piece: Piece) -> tuple[str, str]:
    """Seed and fingerprint of the first notes in line that this student never had before, in any audition."""
    student = select(Entry.student_id).where(Entry.id == candidate.entry_id).scalar_subquery()
    had = set(
        session.exec(
            select(SightSheet.fingerprint).where(
                SightSheet.candidate_id == Candidate.id,
                Candidate.entry_id == Entry.id,
                col(Entry.student_id) == student,
            )
        ).all()
    )
    recipe = json.loads(piece.source)
    line = candidate.id if recipe.get("each_own") else candidate.round_id
    for attempt in range(MOST_ATTEMPTS):
        seed = hashlib.sha256(f"{recipe['seed']}:{line}:{attempt}".encode()).hexdigest()
        told = fingerprint(load_piece(with_seed(piece, seed)))
        if told not in had:
            return seed, told
    raise BadInput("This recipe gives hardly any other notes, and this student had them all; widen it in Set-up.")


def _unseal(
    session: Session, candidate_id: str, piece_id: str, seed: str, told: str, study: bool, actor: Actor
) -> None:
    candidate = session.get_one(Candidate, candidate_id)
    _check_open(session, candidate)
    there = sheet(session, candidate_id, piece_id)  # two tablets at once: the first one counts
    if there is None:
        there = SightSheet(
            candidate_id=candidate_id, piece_id=piece_id, seed=seed, fingerprint=told, unsealed_by=str(actor)
        )
        session.add(there)
        session.flush()
        facts = {"piece": piece_id, "notes": there.fingerprint, "for": "study" if study else "paper"}
        custody.record(session, candidate.round_id, actor, "sight-reading-unsealed", candidate_id, facts)
    if study and there.study_began_at is None:
        there.study_began_at = now_utc()
        session.add(there)
        session.flush()
        custody.record(session, candidate.round_id, actor, "study-time-began", candidate_id, {"piece": piece_id})


def _view(session: Session, candidate: Candidate, piece: Piece) -> SightView:
    shown = sheet(session, candidate.id, piece.id)
    svg = None
    began_at = None if shown is None else shown.study_began_at
    if shown is not None and began_at is not None:
        row = with_seed(piece, shown.seed)
        first, last = excerpt_bars(row)
        svg = engrave(musicxml_of(row), width=STAND_WIDTH, first_bar=first, last_bar=last).svg
    return SightView(
        candidate_id=candidate.id,
        piece_id=piece.id,
        title=piece.title,
        sealed=began_at is None,
        printed=shown is not None and began_at is None,
        study_began_at=began_at,
        svg=svg,
    )

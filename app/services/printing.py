"""Printing: models from the database, PDF bytes from models, a record of what was printed.

Rendering happens beside the writer; only the record of a printed sheet goes through it. The same round prints the same
bytes again as long as nothing it rests on has changed; a sheet already handed out is printed again from what was kept
of it (:mod:`app.services.kept_sheets`).
"""

import io
import re
import unicodedata
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import replace

from sqlmodel import Session

from app.db.database import Database
from app.db.models import Candidate
from app.domain.actor import Actor
from app.domain.errors import NotFound, WrongState
from app.services import kept_sheets
from app.services.attendance import NOT_HEARD
from app.services.kept_sheets import COMMENT_SHEET, SCORE_SHEET, Printed
from app.services.printed_round import load_round
from app.services.rounds import get_round
from app.services.sheet_models import SEALED, comment_sheet_model, score_sheet_model
from app.sheets import comment_sheet, score_sheet
from app.sheets.models import CommentSheetModel, ScoreSheetModel, model_hash

LONGEST_FILE_NAME = 80  # characters before ".pdf"; our choice, well under every file system's limit
ZIP_MOMENT = (1980, 1, 1, 0, 0, 0)  # the earliest a ZIP can hold: no clock in the bytes

AT_ONCE = 100  # comment sheets drawn in one transaction: some 13 MB; our choice

Progress = Callable[[int, int], None]  # sheets done, sheets in all


def print_score_sheet(database: Database, round_id: str, *, named: bool, actor: Actor) -> Printed:
    """The score sheet of a drawn round; numbers only while it is sealed or when ``named`` is False."""
    printed = draw_score_sheet(database, round_id, named=named)
    _keep(database, [printed], actor)
    return printed


def draw_score_sheet(database: Database, round_id: str, *, named: bool) -> Printed:
    """The same without keeping it."""
    with database.read() as session:
        model = score_sheet_model(load_round(session, round_id, with_music=False), named=named)
    return _score(round_id, model)


def print_comment_sheet(database: Database, candidate_id: str, *, actor: Actor, detail: bool = False) -> Printed:
    """One student's comment sheet; raises ``WrongState`` while the round is sealed."""
    with database.read() as session:
        candidate = session.get(Candidate, candidate_id)
        if candidate is None:
            raise NotFound("This candidate is not there any more; reload the page.")
        loaded = load_round(session, candidate.round_id, with_music=True)
        model = comment_sheet_model(session, loaded, candidate_id, detail=detail)
    printed = _comment(candidate.round_id, candidate_id, model)
    _keep(database, [printed], actor)
    return printed


def reprint(database: Database, document_id: str, *, actor: Actor) -> Printed:
    """A sheet that was handed out, byte for byte as it was; see :func:`app.services.kept_sheets.reprint`."""
    printed = kept_sheets.reprint(database, document_id, actor=actor)
    model = printed.model
    if isinstance(model, CommentSheetModel):
        return replace(printed, file_name=safe_file_name(model.blind_number, model.student))
    return replace(printed, file_name=_score_file_name(model))


def print_comment_sheets(
    database: Database, round_id: str, *, actor: Actor, progress: Progress | None = None
) -> list[Printed]:
    """Every heard candidate's comment sheet in playing order; raises ``WrongState`` while the round is sealed."""
    printed = [sheet for part in draw_comment_sheets(database, round_id, progress) for sheet in part]
    _keep(database, printed, actor)
    return printed


def print_in_parts(
    database: Database, round_id: str, *, actor: Actor, progress: Progress | None = None
) -> Iterator[list[Printed]]:
    """The same in parts, so that however long a round is no more than a part is held; each is kept before the next."""
    hashes: list[str] = []
    for part in draw_comment_sheets(database, round_id, progress):
        keep_part(database, part)
        hashes += [sheet.model_hash for sheet in part]
        yield part
    database.write(lambda session: kept_sheets.record(session, round_id, COMMENT_SHEET, hashes, actor))


def draw_comment_sheets(database: Database, round_id: str, progress: Progress | None = None) -> Iterator[list[Printed]]:
    """The same in parts of :data:`AT_ONCE`, without keeping any. Sheets that go together are drawn from one look."""
    with database.read() as session:
        loaded = load_round(session, round_id, with_music=True)
    heard = [c for c in loaded.candidates if c.state not in NOT_HEARD]
    if not heard:
        raise WrongState("Nobody was heard in this round, so there are no comment sheets.")
    tell = progress or (lambda done, total: None)
    for start in range(0, len(heard), AT_ONCE):
        part = []
        with database.read() as session:  # a transaction of its own: nothing is held open for as long as it takes
            for done, candidate in enumerate(heard[start : start + AT_ONCE], start=start):
                tell(done, len(heard))
                part.append(_comment(round_id, candidate.id, comment_sheet_model(session, loaded, candidate.id)))
        if start + AT_ONCE >= len(heard):
            tell(len(heard), len(heard))
        yield part


def keep_part(database: Database, sheets: list[Printed]) -> None:
    """Keep what sheets were drawn from; they are noted in the audit when all are there."""
    database.write(lambda session: kept_sheets.keep_models(session, sheets))


def check_opened(session: Session, round_id: str) -> None:
    """Raise ``WrongState`` while a round's comment sheets can't be printed, ``NotFound`` when there is no round."""
    if get_round(session, round_id).state != "opened":
        raise WrongState(SEALED)


def zip_of(sheets: list[Printed]) -> bytes:
    """Sheets as one ZIP with unique, safe names; equal sheets give equal bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for sheet in sheets:
            put_in(archive, sheet.file_name, sheet.pdf)
    return out.getvalue()


def put_in(archive: zipfile.ZipFile, file_name: str, pdf: bytes) -> None:
    """Add a sheet to a ZIP."""
    entry = zipfile.ZipInfo(file_name, ZIP_MOMENT)
    entry.compress_type = zipfile.ZIP_STORED  # PDF streams are compressed already
    entry.external_attr = 0o644 << 16
    archive.writestr(entry, pdf)


def safe_file_name(number: str, name: str) -> str:
    """ "27 Mira Okonjo-Lind.pdf": any script, nothing a file system refuses, not too long."""
    text = unicodedata.normalize("NFC", f"{number} {name}".strip())
    text = re.sub(r'[<>:"/\\|?*\x00-\x1f\x7f]', "-", text)
    text = "".join(c for c in text if unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Cn"))
    text = re.sub(r"\s+", " ", text).strip(" .")
    # 255 bytes is the limit of common file systems, and one character may take four.
    while len(text) > LONGEST_FILE_NAME or len(text.encode()) > 240:
        text = text[:-1].rstrip(" .")
    return f"{text or number or 'sheet'}.pdf"


def _score(round_id: str, model: ScoreSheetModel) -> Printed:
    return Printed(
        SCORE_SHEET,
        round_id,
        None,
        _score_file_name(model),
        score_sheet.render(model),
        model_hash(model),
        model.template_version,
        model,
    )


def _score_file_name(model: ScoreSheetModel) -> str:
    named = any(line.name for line in model.lines)
    return "score sheet with names.pdf" if named else "score sheet by numbers.pdf"


def _comment(round_id: str, candidate_id: str, model: CommentSheetModel) -> Printed:
    # Blind numbers are unique in a round, so file names are too.
    name = safe_file_name(model.blind_number, model.student)
    pdf = comment_sheet.render(model)
    return Printed(COMMENT_SHEET, round_id, candidate_id, name, pdf, model_hash(model), model.template_version, model)


def _keep(database: Database, sheets: list[Printed], actor: Actor) -> None:
    """Keep what was printed, and note it in the audit."""
    database.write(lambda session: kept_sheets.keep(session, sheets, actor))

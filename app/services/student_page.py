"""A student's own page: the sheet, the takes, the marked part and what to practise it with.

Everything is reached from the roster line that the private link belongs to; another student's candidate, take or sheet
is answered as if it were not there. Only opened rounds are shown. Where a sheet was printed, the one printed last is
shown, as it was; where none was, what would be printed now.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import AccessToken, Audition, Candidate, Piece, Round, Take
from app.domain.engraving import Engraving
from app.domain.errors import NotFound
from app.domain.findings import Findings
from app.domain.piece import PieceNote
from app.files.engraving import engrave
from app.material.instruments import INSTRUMENTS
from app.services import kept_sheets, printing, sight_sheets
from app.services.access import StudentPrincipal
from app.services.attendance import NOT_HEARD
from app.services.piece_reading import excerpt_bars, has_notation, musicxml_of
from app.services.printed_music import engraving_for_print, is_short_form
from app.services.printed_round import findings_of, load_round, reading_of
from app.services.rounds import is_long
from app.services.sheet_cells import round_pieces
from app.services.sheet_models import comment_sheet_model
from app.sheets import cautions
from app.sheets.marked_picture import MarkedPicture, marked_picture
from app.sheets.models import CommentSheetModel, PartMarks, PartOnSheet, SoundTrace
from app.sheets.note_figures import NoteFigures, note_figures
from app.sheets.practice_settings import PracticeSettings, free_settings, heard_settings, practice_settings
from app.sheets.sound_trace import trace_picture
from app.sheets.untyped_in_words import heard_figures
from app.sheets.wording import Style, page_bottom_line

NARROW_WIDTH = 42.0  # staff spaces: a line that a telephone held upright shows in readable size; our choice
GONE = "This is not on your page; reload it from your private link."


@dataclass(frozen=True, slots=True)
class OwnTake:
    """A take of the student's own."""

    take_id: str
    duration_sec: float


@dataclass(frozen=True, slots=True)
class OwnPart:
    """One piece of a round: what the sheet says of it, and the take."""

    piece_id: str
    part: PartOnSheet
    take: OwnTake | None


@dataclass(frozen=True, slots=True)
class OwnRound:
    """One opened round."""

    candidate_id: str
    sheet: CommentSheetModel
    parts: tuple[OwnPart, ...]


@dataclass(frozen=True, slots=True)
class StudentPage:
    """Everything of the page but the music."""

    audition: str
    organisation: str
    a4_hz: float
    transposition_semitones: int
    expires_at: datetime | None
    rounds: tuple[OwnRound, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SoundingNote:
    """When an engraved note sounds in the take; a repeated bar's notes sound twice."""

    engraved_id: str
    onset_sec: float
    offset_sec: float


@dataclass(frozen=True, slots=True)
class MarkedPart:
    """One piece's marked part in two widths, what each note's figures are, when it sounds, and its practice."""

    wide: MarkedPicture | None
    narrow: MarkedPicture | None
    figures: tuple[NoteFigures, ...]
    sounds: tuple[SoundingNote, ...]
    practice: PracticeSettings


def page(session: Session, principal: StudentPrincipal) -> StudentPage:
    """The student's page. A round that is still sealed is not on it."""
    audition = session.get(Audition, principal.audition_id)
    if audition is None:
        raise NotFound("This audition is not there any more; ask the section leader.")
    own = _own(session, principal)
    token = session.get(AccessToken, principal.token_id)
    played = INSTRUMENTS.get(own[-1][0].instrument) if own else None
    return StudentPage(
        audition=audition.name,
        organisation=audition.organisation,
        a4_hz=audition.a4_hz,
        transposition_semitones=played.transposition_semitones if played is not None else 0,
        expires_at=token.expires_at if token is not None else None,
        rounds=tuple(_round(session, candidate, row) for candidate, row in own),
        cautions=cautions.STUDENT_PAGE,
    )


def marked_part(session: Session, principal: StudentPrincipal, candidate_id: str, piece_id: str) -> MarkedPart:
    """One piece as the sheet shows it, for the screen."""
    candidate, row = _candidate(session, principal, candidate_id)
    shown = _round(session, candidate, row)
    found = next((p.part for p in shown.parts if p.piece_id == piece_id), None)
    asked = session.get(Piece, piece_id)
    if found is None or asked is None:
        raise NotFound(GONE)
    piece = sight_sheets.as_read(session, asked, candidate_id)
    take = _take(session, candidate_id, piece_id)
    findings = findings_of(session, take) if take is not None else None
    sealed = piece is asked and asked.kind == sight_sheets.KIND  # nobody read its own notes
    reading = None if sealed else reading_of(piece, candidate.instrument)
    engraving = found.engraving
    style = Style(
        session.get_one(Audition, principal.audition_id).note_names,
        page_bottom_line(reading, engraving) if reading is not None and engraving is not None else None,
    )
    instrument = candidate.instrument or piece.instrument
    if found.trace is not None and findings is not None:
        return _heard_part(found.trace, findings, instrument, style)
    short = is_short_form(piece)
    return MarkedPart(
        wide=_picture(engraving, found.marks, short),
        narrow=_picture(_narrow(piece, engraving), found.marks, short),
        figures=note_figures(reading, found.marks, findings, style) if reading is not None else (),
        sounds=_sounds(reading.notes, findings) if reading is not None and findings is not None else (),
        practice=(
            practice_settings(reading, findings, style) if reading is not None else free_settings(instrument, style)
        ),
    )


def _heard_part(trace: SoundTrace, findings: Findings, instrument: str, style: Style) -> MarkedPart:
    """A take without notation: the sheet's picture of its sound, every note heard to be chosen in it."""
    measured = findings if not findings.notated else None  # measured anew since the sheet was printed
    return MarkedPart(
        wide=trace_picture(trace, narrow=False),
        narrow=trace_picture(trace, narrow=True),
        figures=heard_figures(measured, instrument) if measured is not None else (),
        sounds=tuple(SoundingNote(n.note_id, n.start_sec, n.end_sec) for n in trace.notes),
        practice=(
            heard_settings(measured, instrument, style) if measured is not None else free_settings(instrument, style)
        ),
    )


def take(session: Session, principal: StudentPrincipal, take_id: str) -> Take:
    """A kept take of the student's own from an opened round; raises ``NotFound``."""
    row = session.get(Take, take_id)
    if row is None or row.state != "kept":
        raise NotFound(GONE)
    _candidate(session, principal, row.candidate_id)
    return row


def sheet_pdf(database: Database, principal: StudentPrincipal, candidate_id: str) -> kept_sheets.Printed:
    """The comment sheet as PDF: the one printed last, else printed now."""
    with database.read() as session:
        _candidate(session, principal, candidate_id)
        latest = kept_sheets.latest_comment_sheet(session, candidate_id)
    if latest is not None:
        return printing.reprint(database, latest[0], actor=principal.actor)
    return printing.print_comment_sheet(database, candidate_id, actor=principal.actor)


def _own(session: Session, principal: StudentPrincipal) -> Sequence[tuple[Candidate, Round]]:
    return [
        (candidate, row)
        for candidate, row in session.exec(
            select(Candidate, Round)
            .where(
                Candidate.entry_id == principal.entry_id,
                Round.id == Candidate.round_id,
                Round.audition_id == principal.audition_id,
                Round.state == "opened",
                col(Candidate.state).not_in(NOT_HEARD),
            )
            .order_by(col(Round.position))
        ).all()
        # Drawing one sheet of a long round takes as long as ranking it; its sheets are printed first, all together.
        if not is_long(session, row) or kept_sheets.is_printed(session, candidate.id)
    ]


def _candidate(session: Session, principal: StudentPrincipal, candidate_id: str) -> tuple[Candidate, Round]:
    for candidate, row in _own(session, principal):
        if candidate.id == candidate_id:
            return candidate, row
    raise NotFound(GONE)


def _round(session: Session, candidate: Candidate, row: Round) -> OwnRound:
    latest = kept_sheets.latest_comment_sheet(session, candidate.id)
    if latest is not None:
        sheet = latest[1]
    else:
        sheet = comment_sheet_model(session, load_round(session, row.id, with_music=True), candidate.id)
    parts = []
    for piece, part in zip(_pieces(session, row, sheet), sheet.parts, strict=True):
        kept = _take(session, candidate.id, piece.id)
        parts.append(OwnPart(piece.id, part, OwnTake(kept.id, kept.duration_sec) if kept is not None else None))
    return OwnRound(candidate.id, sheet, tuple(parts))


def _pieces(session: Session, row: Round, sheet: CommentSheetModel) -> list[Piece]:
    """The pieces behind a sheet's parts, which stand in the round's order; a piece can't leave a drawn round."""
    pieces = round_pieces(session, row)
    if len(pieces) == len(sheet.parts):
        return pieces
    by_title = {p.title: p for p in pieces}
    found = [by_title.get(part.title) for part in sheet.parts]
    if None in found:
        raise NotFound("The pieces of this round were changed after the sheet was printed; ask your section leader.")
    return [p for p in found if p is not None]


def _take(session: Session, candidate_id: str, piece_id: str) -> Take | None:
    return session.exec(
        select(Take)
        .where(Take.candidate_id == candidate_id, Take.piece_id == piece_id, Take.state == "kept")
        .order_by(col(Take.received_at).desc(), col(Take.id).desc())
        .limit(1)
    ).first()


def _picture(engraving: Engraving | None, marks: PartMarks | None, short: bool) -> MarkedPicture | None:
    return marked_picture(engraving, marks, short=short) if engraving is not None else None


def _narrow(piece: Piece, engraving: Engraving | None) -> Engraving | None:
    """The same music in narrow lines; the sheet's own lines where the piece was changed since it was printed."""
    if engraving is None or not has_notation(piece):
        return engraving
    now = engraving_for_print(piece)
    if now is None or now.digest != engraving.digest:
        return engraving
    first, last = excerpt_bars(piece)
    return engrave(musicxml_of(piece), width=NARROW_WIDTH, first_bar=first, last_bar=last)


def _sounds(notes: Sequence[PieceNote], findings: Findings) -> tuple[SoundingNote, ...]:
    engraved = {n.note_id: n.engraved_ids for n in notes}
    found = [
        SoundingNote(engraved[m.note_id][0], round(m.onset_sec, 3), round(m.offset_sec, 3))
        for m in findings.notes
        if m.onset_sec is not None and m.offset_sec is not None and m.status != "omitted" and engraved.get(m.note_id)
    ]
    return tuple(sorted(found, key=lambda s: s.onset_sec))

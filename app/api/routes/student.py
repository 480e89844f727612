"""A student's own page, behind the private link: own results only."""

from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Header
from starlette.responses import Response

from app.api.access import StudentHere
from app.api.resources import Held, ReadSession
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.panel import WaveformOut
from app.api.schemas.student import MarkedPartOut, OwnPartOut, OwnRoundOut, StudentPageOut
from app.api.serving_files import RECORDING_ANSWERS, recording
from app.services import measuring, retention, student_page

router = APIRouter(prefix="/api/student", tags=["student"], responses=SIGNED_IN_PROBLEMS)


@router.get("", response_model=StudentPageOut)
def page(principal: StudentHere, session: ReadSession) -> StudentPageOut:
    """Sheets of every opened round, what is there to hear, and what to practise."""
    found = student_page.page(session, principal)
    newest = found.rounds[-1].sheet if found.rounds else None
    return StudentPageOut(
        student=newest.student if newest is not None else "",
        instrument=newest.instrument if newest is not None else "",
        audition=found.audition,
        organisation=found.organisation,
        a4_hz=found.a4_hz,
        transposition_semitones=found.transposition_semitones,
        expires_at=found.expires_at,
        rounds=[_round(one) for one in found.rounds],
        cautions=list(found.cautions),
    )


@router.get("/candidates/{candidate_id}/pieces/{piece_id}", response_model=MarkedPartOut)
def marked_part(
    candidate_id: PathId, piece_id: PathId, principal: StudentHere, session: ReadSession
) -> student_page.MarkedPart:
    """One piece's marked part for the screen."""
    return student_page.marked_part(session, principal, candidate_id, piece_id)


@router.get(
    "/candidates/{candidate_id}/comment-sheet.pdf",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}, "description": "The comment sheet."}},
)
def comment_sheet(candidate_id: PathId, principal: StudentHere, held: Held) -> Response:
    """The comment sheet as it was printed last."""
    printed = student_page.sheet_pdf(held.database, principal, candidate_id)
    headers = {"Content-Disposition": f"attachment; filename*=UTF-8''{quote(printed.file_name)}"}
    return Response(printed.pdf, media_type="application/pdf", headers=headers)


@router.get(
    "/takes/{take_id}/playback",
    response_class=Response,
    responses=RECORDING_ANSWERS,
)
def playback(
    take_id: PathId,
    principal: StudentHere,
    session: ReadSession,
    held: Held,
    range: Annotated[str | None, Header(max_length=200)] = None,
) -> Response:
    """The student's own take as a plain WAV, or the part a Range header names."""
    take = student_page.take(session, principal, take_id)
    return recording(held.store.local_path(retention.playable(take)), range)


@router.get("/takes/{take_id}/peaks", response_model=WaveformOut)
def peaks(take_id: PathId, principal: StudentHere, session: ReadSession) -> measuring.Waveform:
    """The take's outline and where its bars begin."""
    return measuring.waveform(session, student_page.take(session, principal, take_id))


def _round(one: student_page.OwnRound) -> OwnRoundOut:
    sheet = one.sheet
    return OwnRoundOut(
        candidate_id=one.candidate_id,
        round_name=sheet.round_name,
        held_on=sheet.held_on,
        blind_number=sheet.blind_number,
        letters=list(sheet.letters),
        blocks=list(sheet.blocks),
        overall=list(sheet.overall),
        merged_total=sheet.merged_total,
        scale_low=sheet.scale_low,
        scale_high=sheet.scale_high,
        notes=list(sheet.notes),
        remarks=list(sheet.remarks),
        practice=list(sheet.practice),
        why_no_practice=sheet.why_no_practice,
        progress=list(sheet.progress),
        parts=[_part(part) for part in one.parts],
    )


def _part(own: student_page.OwnPart) -> OwnPartOut:
    part = own.part
    return OwnPartOut(
        piece_id=own.piece_id,
        title=part.title,
        heading=part.heading,
        findings=[finding.sentence for finding in part.findings],
        caption=part.caption,
        why_no_findings=part.why_no_findings,
        has_music=part.engraving is not None,
        take=own.take,
    )

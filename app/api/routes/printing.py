"""Printed sheets as PDF and ZIP, for the leader."""

import json
import queue
import threading
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Request
from starlette.responses import Response, StreamingResponse

from app.api.access import LeaderHere
from app.api.errors import from_domain, from_unexpected
from app.api.paging import Limit, Offset, say_total
from app.api.parcels import Parcels
from app.api.resources import Held, ReadSession
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.rounds import WorkingOut
from app.api.schemas.sheets import KeptSheetOut, PrintingOut
from app.domain.errors import FairhearingError, WrongState
from app.services import kept_sheets, long_printing, printing
from app.services.kept_sheets import Printed
from app.services.long_printing import PrintingKind
from app.services.long_work import Working

router = APIRouter(prefix="/api", tags=["printing"], responses=SIGNED_IN_PROBLEMS)

_PDF: dict[int | str, dict[str, Any]] = {200: {"content": {"application/pdf": {}}, "description": "The sheet."}}
_ZIP: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/zip": {}}, "description": "One PDF per heard candidate."}
}
_STEPS: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/x-ndjson": {}}, "description": "How far it is, line by line."}
}


def parcels(request: Request) -> Parcels:
    """This server's files that wait to be fetched."""
    state = request.app.state
    if not hasattr(state, "parcels"):
        state.parcels = Parcels()
    found: Parcels = state.parcels
    return found


@router.get("/rounds/{round_id}/score-sheet.pdf", response_class=Response, responses=_PDF)
def score_sheet(round_id: PathId, principal: LeaderHere, held: Held, numbers_only: bool = False) -> Response:
    """The ranked result; by numbers until the round is opened, or when ``numbers_only`` is asked for.

    Of a long round it is fetched as a worker drew it last.
    """
    with held.database.read() as session:
        kept = long_printing.score_sheet(session, round_id, named=not numbers_only)
    if kept is not None:
        return _sent(*kept)
    return _pdf(printing.print_score_sheet(held.database, round_id, named=not numbers_only, actor=principal.actor))


@router.get("/candidates/{candidate_id}/comment-sheet.pdf", response_class=Response, responses=_PDF)
def comment_sheet(candidate_id: PathId, principal: LeaderHere, held: Held, detail: bool = False) -> Response:
    """One student's comment sheet, once the round is opened; ``detail`` prints every line of music."""
    return _pdf(long_printing.comment_sheet(held.database, candidate_id, actor=principal.actor, detail=detail))


@router.get("/rounds/{round_id}/comment-sheets.zip", response_class=Response, responses=_ZIP)
def comment_sheets(
    round_id: PathId, principal: LeaderHere, held: Held, offset: Offset = 0, limit: Limit = None
) -> Response:
    """Every heard candidate's comment sheet, once the round is opened.

    Of a long round, whose sheets a worker prints, ``limit`` of them from ``offset`` on in playing order.
    """
    headers = {"Content-Disposition": 'attachment; filename="comment-sheets.zip"', "Cache-Control": "no-store"}
    with held.database.read() as session:
        is_long = long_printing.working(session, round_id, long_printing.COMMENTS) is not None
    if is_long:
        most = limit if limit is not None else long_printing.MOST_IN_A_FILE
        parts = long_printing.comment_sheets_zip(held.database, round_id, offset=offset, limit=most)
        return StreamingResponse(parts, media_type="application/zip", headers=headers)
    sheets = printing.print_comment_sheets(held.database, round_id, actor=principal.actor)
    return Response(printing.zip_of(sheets), media_type="application/zip", headers=headers)


@router.post("/rounds/{round_id}/comment-sheets", response_class=StreamingResponse, responses=_STEPS)
def make_comment_sheets(
    round_id: PathId, principal: LeaderHere, request: Request, session: ReadSession, held: Held
) -> StreamingResponse:
    """Every comment sheet of an opened round as a ZIP, made while the reply tells how far it is.

    One JSON object to the line: {"done", "total"} for each sheet, at last {"parcel_id", "total"} of the ZIP to fetch or
    the envelope of an error.
    """
    printing.check_opened(session, round_id)
    if long_printing.working(session, round_id, long_printing.COMMENTS) is not None:
        raise WrongState(long_printing.NONE_PRINTED)
    waiting = parcels(request)
    steps: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()

    def work() -> None:
        try:
            sheets = printing.print_comment_sheets(
                held.database,
                round_id,
                actor=principal.actor,
                progress=lambda done, total: steps.put({"done": done, "total": total}),
            )
            parcel_id = waiting.put(principal.token_id, printing.zip_of(sheets))
            steps.put({"parcel_id": parcel_id, "total": len(sheets)})
        except FairhearingError as error:
            steps.put(json.loads(bytes(from_domain(error).body)))
        except Exception as error:  # noqa: BLE001 - the reply has begun: its last line must say what went wrong
            steps.put(json.loads(bytes(from_unexpected(error, request.url.path).body)))
        finally:
            steps.put(None)

    def lines() -> Iterator[str]:
        threading.Thread(target=work, name="fairhearing-sheets", daemon=True).start()
        while (step := steps.get()) is not None:
            yield json.dumps(step) + "\n"

    return StreamingResponse(lines(), media_type="application/x-ndjson")


@router.get("/rounds/{round_id}/printing", response_model=PrintingOut)
def printed_by_workers(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> dict[str, Any]:
    """How far the printing of a long round is; nothing of a round whose sheets are drawn when they are asked for."""
    return {
        "score_sheet": long_printing.working(session, round_id, long_printing.SCORE),
        "comment_sheets": long_printing.working(session, round_id, long_printing.COMMENTS),
        "printed": long_printing.printed_comment_sheets(session, round_id),
        "in_a_file": long_printing.MOST_IN_A_FILE,
    }


@router.post("/rounds/{round_id}/printing/{kind}", response_model=WorkingOut)
def have_printed(round_id: PathId, kind: PrintingKind, principal: LeaderHere, held: Held) -> Working:
    """Have a worker print a long round."""
    return held.database.write(lambda session: long_printing.ask(session, round_id, kind, actor=principal.actor))


@router.delete("/rounds/{round_id}/printing/{kind}", response_model=WorkingOut)
def stop_printing(round_id: PathId, kind: PrintingKind, _principal: LeaderHere, held: Held) -> Working:
    """Stop a printing that waits or runs; comment sheets drawn so far stay."""
    return held.database.write(lambda session: long_printing.stop(session, round_id, kind))


@router.get("/parcels/{parcel_id}.zip", response_class=Response, responses=_ZIP)
def parcel(parcel_id: PathId, principal: LeaderHere, request: Request) -> Response:
    """A ZIP that was made a moment ago, for whoever asked for it, once."""
    headers = {"Content-Disposition": 'attachment; filename="comment-sheets.zip"', "Cache-Control": "no-store"}
    content = parcels(request).take(parcel_id, principal.token_id)
    return Response(content, media_type="application/zip", headers=headers)


@router.get("/rounds/{round_id}/sheets", response_model=list[KeptSheetOut])
def kept(
    round_id: PathId,
    _principal: LeaderHere,
    session: ReadSession,
    response: Response,
    offset: Offset = 0,
    limit: Limit = None,
) -> list[kept_sheets.KeptSheet]:
    """Every sheet of a round that was printed, the newest first, or a page of them."""
    total, page = kept_sheets.kept_sheets(session, round_id, offset=offset, limit=limit)
    say_total(response, total)
    return page


@router.get("/sheets/{document_id}.pdf", response_class=Response, responses=_PDF)
def reprint(document_id: PathId, principal: LeaderHere, held: Held) -> Response:
    """A sheet as it was printed, byte for byte, whatever changed since."""
    return _pdf(printing.reprint(held.database, document_id, actor=principal.actor))


def _pdf(printed: Printed) -> Response:
    return _sent(printed.file_name, printed.pdf)


def _sent(file_name: str, pdf: bytes) -> Response:
    plain = file_name.encode("ascii", "replace").decode().replace("?", "_").replace('"', "_")
    disposition = f"inline; filename=\"{plain}\"; filename*=UTF-8''{quote(file_name)}"
    headers = {"Content-Disposition": disposition, "Cache-Control": "no-store"}
    return Response(pdf, media_type="application/pdf", headers=headers)

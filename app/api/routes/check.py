"""The second person's device, and sheets typed in from paper."""

from fastapi import APIRouter

from app.api.access import CheckerHere, LeaderHere
from app.api.paging import Offset
from app.api.resources import Held, ReadSession
from app.api.schemas.check import (
    BundleIn,
    CheckedOut,
    CheckOut,
    CheckSheetIn,
    ConfirmIn,
    PaperCorrectIn,
    PaperSheetOut,
    TabulationOut,
    ToCheckOut,
)
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.session import DoneOut
from app.services import declaring, paper, tabulation, tabulation_pages
from app.services.paper import PaperView

router = APIRouter(prefix="/api", tags=["second person"], responses=SIGNED_IN_PROBLEMS)


@router.get("/check", response_model=CheckOut)
def look(principal: CheckerHere, session: ReadSession, offset: Offset = 0) -> CheckOut:
    """Tabulations to confirm and sheets to type again, by numbers and letters only; a long one from ``offset`` on."""
    audition_id = principal.audition_id
    seen = tabulation_pages.tabulations(session, audition_id, offset=offset)
    return CheckOut(
        audition_name=declaring.get_audition(session, audition_id).name,
        tabulations=[TabulationOut.model_validate(one) for one in seen],
        to_check=[ToCheckOut.model_validate(one) for one in paper.to_check(session, audition_id)],
    )


@router.post("/check/rounds/{round_id}/confirm", response_model=DoneOut)
def confirm(round_id: PathId, wanted: ConfirmIn, principal: CheckerHere, held: Held) -> DoneOut:
    """Confirm a tabulation by its hash."""
    held.database.write(
        lambda s: tabulation.confirm(
            s,
            round_id,
            seen_hash=wanted.hash,
            person=wanted.person,
            audition_id=principal.audition_id,
            token_id=principal.token_id,
            now=held.clock(),
            actor=principal.actor,
            tabulated=tabulation_pages.to_confirm(s, round_id, principal.audition_id),
        )
    )
    return DoneOut()


@router.post("/check/sheets/{sheet_id}", response_model=CheckedOut)
def check_sheet(sheet_id: PathId, wanted: CheckSheetIn, principal: CheckerHere, held: Held) -> CheckedOut:
    """Type a sheet again from the paper; the answer says whether both people read the same."""
    checked = held.database.write(
        lambda s: paper.check(
            s, sheet_id, wanted.marks, audition_id=principal.audition_id, now=held.clock(), actor=principal.actor
        )
    )
    return CheckedOut(agrees=checked.state == "agrees", differences=list(checked.differences))


@router.get("/rounds/{round_id}/paper", response_model=list[PaperSheetOut])
def typed_in(round_id: PathId, _principal: LeaderHere, session: ReadSession) -> list[PaperView]:
    """Sheets of a round that came in on paper."""
    return paper.typed_in(session, round_id)


@router.post("/rounds/{round_id}/paper", response_model=list[PaperSheetOut], status_code=201)
def keep_bundle(round_id: PathId, wanted: BundleIn, principal: LeaderHere, held: Held) -> list[PaperView]:
    """Keep a bundle typed in from paper, whole or not at all."""
    body = wanted.model_dump()
    return held.database.write(
        lambda s: paper.keep_bundle(s, round_id, **body, now=held.clock(), actor=principal.actor)
    )


@router.post("/paper/{sheet_id}/correct", response_model=DoneOut)
def correct(sheet_id: PathId, wanted: PaperCorrectIn, principal: LeaderHere, held: Held) -> DoneOut:
    """Correct a typed sheet by the paper."""
    held.database.write(lambda s: paper.correct(s, sheet_id, **wanted.model_dump(), actor=principal.actor))
    return DoneOut()

"""The panel's set-up: adjudicators, join links, tablets, recusals."""

from collections.abc import Sequence

from fastapi import APIRouter, Request, Response
from sqlmodel import Session

from app.api.access import LeaderHere
from app.api.paging import Limit, Offset, page_of
from app.api.pictures import qr_svg
from app.api.resources import Held, ReadSession
from app.api.schemas.adjudicators import (
    AddressOut,
    AdjudicatorIn,
    AdjudicatorOut,
    LinkOut,
    ProctorLinkIn,
    ProposedOut,
    RecusalIn,
    RecusalOut,
    TabletOut,
)
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.session import DoneOut
from app.db.types import now_utc
from app.services import access, panel_setup, recusal
from app.services.access import NewLink, Tablet
from app.services.addresses import host_for_tablets
from app.services.entrance import entrance
from app.services.panel_setup import PanelMember
from app.services.recusal import ProposedRecusal, RecusalView

router = APIRouter(prefix="/api", tags=["panel set-up"], responses=SIGNED_IN_PROBLEMS)


@router.get("/auditions/{audition_id}/adjudicators", response_model=list[AdjudicatorOut])
def members(audition_id: PathId, _principal: LeaderHere, session: ReadSession) -> list[PanelMember]:
    """Everybody on the panel."""
    return panel_setup.members(session, audition_id)


@router.post("/auditions/{audition_id}/adjudicators", response_model=AdjudicatorOut, status_code=201)
def add(audition_id: PathId, wanted: AdjudicatorIn, principal: LeaderHere, held: Held) -> PanelMember:
    """Add an adjudicator; the letter is given here."""
    return held.database.write(lambda s: panel_setup.add(s, audition_id, wanted.name, actor=principal.actor))


@router.patch("/adjudicators/{adjudicator_id}", response_model=AdjudicatorOut)
def rename(adjudicator_id: PathId, wanted: AdjudicatorIn, principal: LeaderHere, held: Held) -> PanelMember:
    """Correct a name."""
    return held.database.write(lambda s: panel_setup.rename(s, adjudicator_id, wanted.name, actor=principal.actor))


@router.delete("/adjudicators/{adjudicator_id}", response_model=DoneOut)
def remove(adjudicator_id: PathId, principal: LeaderHere, held: Held) -> DoneOut:
    """Remove an adjudicator who has no sheet in a drawn round."""

    def work(session: Session) -> None:
        panel_setup.refuse_removal_after_sheets(session, adjudicator_id)
        recusal.forget(session, adjudicator_id)
        panel_setup.remove(session, adjudicator_id, actor=principal.actor)

    held.database.write(work)
    return DoneOut()


@router.post("/adjudicators/{adjudicator_id}/link", response_model=LinkOut, status_code=201)
def adjudicator_link(adjudicator_id: PathId, request: Request, principal: LeaderHere, held: Held) -> LinkOut:
    """A one-time link for an adjudicator's tablet; earlier unused ones stop working."""
    link = held.database.write(
        lambda s: access.adjudicator_link(s, adjudicator_id, actor=principal.actor, now=now_utc())
    )
    return _shown(request, held, link)


@router.post("/auditions/{audition_id}/proctor-link", response_model=LinkOut, status_code=201)
def proctor_link(
    audition_id: PathId, request: Request, principal: LeaderHere, held: Held, wanted: ProctorLinkIn | None = None
) -> LinkOut:
    """A one-time link for a recording room's tablet."""
    label, room_id = (wanted.label, wanted.room_id) if wanted is not None else ("", None)
    link = held.database.write(
        lambda s: access.proctor_link(
            s, audition_id, label=label, actor=principal.actor, now=now_utc(), room_id=room_id
        )
    )
    return _shown(request, held, link)


@router.post("/auditions/{audition_id}/checker-link", response_model=LinkOut, status_code=201)
def checker_link(audition_id: PathId, request: Request, principal: LeaderHere, held: Held) -> LinkOut:
    """A one-time link for the second person, who confirms tabulations and spot-checks paper."""
    link = held.database.write(lambda s: access.checker_link(s, audition_id, actor=principal.actor, now=now_utc()))
    return _shown(request, held, link)


@router.get("/auditions/{audition_id}/tablets", response_model=list[TabletOut])
def tablets(audition_id: PathId, _principal: LeaderHere, session: ReadSession) -> list[Tablet]:
    """Tablets that were let in, and links that wait."""
    return access.tablets(session, audition_id, now=now_utc())


@router.delete("/tablets/{token_id}", response_model=DoneOut)
def withdraw(token_id: PathId, principal: LeaderHere, held: Held) -> DoneOut:
    """Put a tablet out, or make a waiting link useless."""
    held.database.write(lambda s: access.withdraw(s, token_id, actor=principal.actor, now=now_utc()))
    return DoneOut()


@router.get("/auditions/{audition_id}/recusals", response_model=list[RecusalOut])
def recusals(audition_id: PathId, _principal: LeaderHere, session: ReadSession) -> list[RecusalView]:
    """Declared recusals."""
    return recusal.declared(session, audition_id)


@router.post("/auditions/{audition_id}/recusals", response_model=RecusalOut, status_code=201)
def declare(audition_id: PathId, wanted: RecusalIn, principal: LeaderHere, held: Held) -> RecusalView:
    """Declare a recusal."""
    return held.database.write(lambda s: recusal.declare(s, audition_id, **wanted.model_dump(), actor=principal.actor))


@router.get("/auditions/{audition_id}/recusals/proposed", response_model=list[ProposedOut])
def proposed(
    audition_id: PathId,
    _principal: LeaderHere,
    session: ReadSession,
    response: Response,
    offset: Offset = 0,
    limit: Limit = None,
) -> Sequence[ProposedRecusal]:
    """Own pupils by the roster's teacher column, all or a page."""
    return page_of(response, recusal.proposed(session, audition_id), offset, limit)


@router.delete("/recusals/{recusal_id}", response_model=DoneOut)
def take_back(recusal_id: PathId, principal: LeaderHere, held: Held) -> DoneOut:
    """Take back a recusal before the draw."""
    held.database.write(lambda s: recusal.withdraw(s, recusal_id, actor=principal.actor))
    return DoneOut()


def _shown(request: Request, held: Held, link: NewLink) -> LinkOut:
    """The link as address and as a picture to scan. The secret stands behind #, so no server log ever holds it."""
    host = host_for_tablets(request.base_url.hostname or "", held.settings.host)
    base = (held.settings.public_url or str(request.base_url.replace(hostname=host))).rstrip("/")
    url = f"{base}/join.html#{link.secret}"
    found = entrance(held.settings, host).secure_url
    secure_url = f"{found.rstrip('/')}/join.html#{link.secret}" if found is not None else url
    secure = AddressOut(url=secure_url, qr_svg=qr_svg(secure_url)) if secure_url != url else None
    return LinkOut(url=url, qr_svg=qr_svg(url), expires_at=link.expires_at, secure=secure)

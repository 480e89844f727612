"""The demo's doors. Outside the demo, and from another machine, they are not there."""

import ipaddress

from fastapi import APIRouter, Depends, Request, Response

from app.api.access import check_origin, client_address, set_session
from app.api.resources import Held, ReadSession
from app.api.routes.session import entered
from app.api.schemas.envelope import OPEN_PROBLEMS
from app.api.schemas.session import DemoEnterIn, DoorOut, EnteredOut
from app.db.types import now_utc
from app.domain.errors import NotFound
from app.services import demo_doors
from app.services.access import LeaderPrincipal


def only_in_demo(request: Request, held: Held) -> None:
    """Refuse as if nothing were here, unless this is a demo and the request comes from the machine itself."""
    try:
        here = ipaddress.ip_address(client_address(request)).is_loopback
    except ValueError:
        here = False
    if not held.settings.demo or not here:
        raise NotFound("There is nothing at this address.")


router = APIRouter(prefix="/api/demo", tags=["demo"], responses=OPEN_PROBLEMS, dependencies=[Depends(only_in_demo)])


@router.get("/doors", response_model=list[DoorOut])
def doors(session: ReadSession) -> list[demo_doors.Door]:
    """Every door of the demo."""
    return demo_doors.doors(session)


@router.post("/enter", response_model=EnteredOut, dependencies=[Depends(check_origin)])
def enter(wanted: DemoEnterIn, request: Request, response: Response, held: Held) -> EnteredOut:
    """Go in as section leader, recording room or adjudicator."""
    admission, audition_id = held.database.write(
        lambda s: demo_doors.enter(s, wanted.role, wanted.adjudicator_id, now=now_utc())
    )
    if isinstance(admission.principal, LeaderPrincipal):
        set_session(request, response, admission, marker=None)
    return entered(admission, audition_id)

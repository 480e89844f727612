"""Signing in and out, the first set-up, and joining by a one-time link."""

from urllib.parse import urlsplit

from fastapi import APIRouter, Depends, Request, Response
from sqlmodel import Session

from app.api.access import (
    DEVICE_COOKIE,
    LeaderHere,
    MaybePrincipal,
    check_origin,
    clear_session,
    client_address,
    set_session,
)
from app.api.resources import Held, ReadSession
from app.api.schemas.envelope import OPEN_PROBLEMS, SIGNED_IN_PROBLEMS
from app.api.schemas.session import DoneOut, EnteredOut, JoinIn, SeatOut, SessionOut, SetupIn, SignInIn
from app.db.models import Audition
from app.db.types import now_utc
from app.domain.errors import NotAllowed, NotSignedIn
from app.domain.texts import alike
from app.services import access, passwords, sign_in
from app.services.access import AdjudicatorPrincipal, Admission, CheckerPrincipal, LeaderPrincipal, ProctorPrincipal
from app.services.throttle import JOIN_PER_ADDRESS, SIGN_IN_PER_ADDRESS, SIGN_IN_PER_NAME, Throttle

router = APIRouter(prefix="/api", tags=["session"])


def throttle(request: Request) -> Throttle:
    """This server's count of failures."""
    state = request.app.state
    if not hasattr(state, "throttle"):
        state.throttle = Throttle()
    found: Throttle = state.throttle
    return found


@router.get("/session", response_model=SessionOut, responses=OPEN_PROBLEMS | SIGNED_IN_PROBLEMS)
def who(principal: MaybePrincipal, session: ReadSession, held: Held) -> SessionOut:
    """Who this browser or tablet is."""
    audition_id = None if principal is None or isinstance(principal, LeaderPrincipal) else principal.audition_id
    audition = session.get(Audition, audition_id) if audition_id is not None else None
    return SessionOut(
        role=principal.role if principal is not None else None,
        audition_id=audition_id,
        audition_name=audition.name if audition is not None else None,
        adjudicator=_seat(principal) if isinstance(principal, AdjudicatorPrincipal) else None,
        needs_setup=sign_in.needs_setup(session),
        demo=held.settings.demo,
    )


@router.post("/setup", response_model=EnteredOut, responses=OPEN_PROBLEMS, dependencies=[Depends(check_origin)])
def set_up(wanted: SetupIn, request: Request, response: Response, held: Held) -> EnteredOut:
    """Make the first section leader with the one-time secret from the server's terminal, and sign them in."""
    counting = throttle(request)
    key = f"join:{client_address(request)}"
    counting.check(key, JOIN_PER_ADDRESS)
    passwords.check_new_password(wanted.password, name=wanted.name)
    password_hash = passwords.hash_password(wanted.password)

    def work(session: Session) -> tuple[Admission, str]:
        admission = sign_in.set_up(
            session,
            setup_secret=secret_of(wanted.setup_token),
            name=wanted.name,
            password_hash=password_hash,
            now=now_utc(),
        )
        return admission, _marker(session, admission)

    try:
        admission, marker = held.database.write(work)
    except NotAllowed:
        counting.failed(key, JOIN_PER_ADDRESS)
        raise
    set_session(request, response, admission, marker=marker)
    return entered(admission)


@router.post(
    "/sign-in",
    response_model=EnteredOut,
    responses=OPEN_PROBLEMS | SIGNED_IN_PROBLEMS,
    dependencies=[Depends(check_origin)],
)
def sign_in_leader(wanted: SignInIn, request: Request, response: Response, held: Held) -> EnteredOut:
    """Sign a section leader in. Failures slow down whoever fails, never the leader on a device known here."""
    counting = throttle(request)
    with held.database.read() as session:
        known = sign_in.is_known_device(session, name=wanted.name, marker=request.cookies.get(DEVICE_COOKIE, ""))
    address = client_address(request)
    by_address = f"address:{address}"
    by_name = f"name:{'known device' if known else address}:{alike(wanted.name)}"
    counting.check(by_name, SIGN_IN_PER_NAME)
    if not known:
        counting.check(by_address, SIGN_IN_PER_ADDRESS)
    try:
        with held.database.read() as session:
            leader_id = sign_in.check_sign_in(session, name=wanted.name, password=wanted.password)
    except NotSignedIn:
        counting.failed(by_name, SIGN_IN_PER_NAME)
        counting.failed(by_address, SIGN_IN_PER_ADDRESS)
        raise
    counting.succeeded(by_name)

    def work(session: Session) -> tuple[Admission, str]:
        admission = sign_in.start_leader_session(session, leader_id, now=now_utc())
        return admission, _marker(session, admission)

    admission, marker = held.database.write(work)
    set_session(request, response, admission, marker=marker)
    return entered(admission)


@router.post("/sign-out", response_model=DoneOut, responses=SIGNED_IN_PROBLEMS)
def sign_out(principal: LeaderHere, request: Request, response: Response, held: Held) -> DoneOut:
    """End the leader's session on the server and in the browser."""
    held.database.write(lambda session: access.sign_out(session, principal.token_id, now=now_utc()))
    clear_session(request, response)
    return DoneOut()


@router.post("/join", response_model=EnteredOut, responses=OPEN_PROBLEMS, dependencies=[Depends(check_origin)])
def join(wanted: JoinIn, request: Request, held: Held) -> EnteredOut:
    """Turn a one-time link into a tablet's token. A good link is never refused for others' failures."""
    counting = throttle(request)
    key = f"join:{client_address(request)}"
    try:
        admission = held.database.write(lambda s: access.join(s, secret_of(wanted.link), now=now_utc()))
    except NotAllowed:
        counting.check(key, JOIN_PER_ADDRESS)
        counting.failed(key, JOIN_PER_ADDRESS)
        raise
    return entered(admission)


def secret_of(link: str) -> str:
    """The secret in a whole link, or the secret itself."""
    return urlsplit(link).fragment or link.strip() if "#" in link else link.strip()


def entered(admission: Admission, audition_id: str | None = None) -> EnteredOut:
    """The reply to whoever was let in. A leader's token goes into the cookie only, out of reach of scripts."""
    principal = admission.principal
    return EnteredOut(
        token=None if isinstance(principal, LeaderPrincipal) else admission.token,
        role=principal.role,
        audition_id=(
            principal.audition_id
            if isinstance(principal, ProctorPrincipal | AdjudicatorPrincipal | CheckerPrincipal)
            else audition_id
        ),
        adjudicator=_seat(principal) if isinstance(principal, AdjudicatorPrincipal) else None,
    )


def _seat(principal: AdjudicatorPrincipal) -> SeatOut:
    return SeatOut(id=principal.adjudicator_id, letter=principal.letter)


def _marker(session: Session, admission: Admission) -> str:
    principal = admission.principal
    if not isinstance(principal, LeaderPrincipal):
        raise TypeError("only leaders have devices")
    return sign_in.device_marker(session, principal.leader_id)

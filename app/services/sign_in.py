"""Section leaders: the first one through the set-up link, sign-in, and the marker of a known device."""

import hmac
import secrets
import unicodedata
from datetime import datetime, timedelta

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import AccessLink, Leader
from app.domain.actor import Actor
from app.domain.errors import Duplicate, NotFound, NotSignedIn, WrongState
from app.domain.texts import one_line
from app.services import access, custody, passwords
from app.services.access import Admission, LeaderPrincipal

SETUP_LABEL = "set-up"
LEADER_SESSION = timedelta(hours=16)  # our choice: a long audition day without a second sign-in
LONGEST_NAME = 120


def needs_setup(session: Session) -> bool:
    """Whether no leader is there yet."""
    return session.exec(select(Leader.id).limit(1)).first() is None


def new_setup_secret(session: Session, *, now: datetime) -> str | None:
    """A one-time set-up secret for the first leader, or None when there is one. Earlier set-up links stop working.

    The server prints it in its terminal on first start; it stands nowhere else.
    """
    if not needs_setup(session):
        return None
    session.exec(
        sa.update(AccessLink)
        .where(col(AccessLink.label) == SETUP_LABEL, col(AccessLink.withdrawn_at).is_(None))
        .values(withdrawn_at=now)
    )
    return access.new_link(
        session, role="leader", label=SETUP_LABEL, audition_id=None, adjudicator_id=None, now=now
    ).secret


def set_up(session: Session, *, setup_secret: str, name: str, password_hash: str, now: datetime) -> Admission:
    """Make the first leader and sign them in. ``password_hash`` was made outside the transaction (it takes time)."""
    if not needs_setup(session):
        raise WrongState("A section leader is set up already; sign in instead.")
    link = access.use_link(session, setup_secret, now=now, set_up=True)
    tidy = one_line(name, what="name", longest=LONGEST_NAME)
    leader = Leader.model_validate({"name": tidy, "password_hash": password_hash})
    session.add(leader)
    session.flush()
    custody.record(session, custody.SITE, Actor("leader", leader.id), "leader-set-up", leader.id, {"link": link.id})
    return start_leader_session(session, leader.id, now=now)


def add_leader(session: Session, *, name: str, password_hash: str, actor: Actor) -> str:
    """Another leader with a sign-in of their own; returns the id."""
    tidy = one_line(name, what="name", longest=LONGEST_NAME)
    if session.exec(select(Leader.id).where(Leader.name == tidy)).first() is not None:
        raise Duplicate("A section leader of this name is there already; add an initial to tell them apart.")
    leader = Leader.model_validate({"name": tidy, "password_hash": password_hash})
    session.add(leader)
    session.flush()
    custody.record(session, custody.SITE, actor, "leader-added", leader.id, {})
    return leader.id


def check_sign_in(session: Session, *, name: str, password: str) -> str:
    """The leader's id when name and password fit; otherwise ``NotSignedIn``, the same sentence for either mistake."""
    leader = _leader_called(session, name)
    if not passwords.password_is_right(password, leader.password_hash if leader else None) or leader is None:
        raise NotSignedIn("Name and password do not fit; check both and try again.")
    return leader.id


def start_leader_session(session: Session, leader_id: str, *, now: datetime) -> Admission:
    """A fresh session token for a leader (never one the browser brought along)."""
    secret, row = access.new_token(session, role="leader", now=now, life=LEADER_SESSION, leader_id=leader_id)
    return Admission(secret, now + LEADER_SESSION, LeaderPrincipal(leader_id, row.id))


def device_marker(session: Session, leader_id: str) -> str:
    """A marker for a device this leader signed in on. Bound to the password's hash: a new password voids it."""
    leader = session.get(Leader, leader_id)
    if leader is None:
        raise NotFound("This section leader is not there any more; reload the page.")
    nonce = secrets.token_hex(16)
    return f"{nonce}.{_marker_mac(leader, nonce)}"


def is_known_device(session: Session, *, name: str, marker: str) -> bool:
    """Whether ``marker`` was given to a device of the leader called ``name``."""
    nonce, _, mac = marker.partition(".")
    leader = _leader_called(session, name)
    return leader is not None and hmac.compare_digest(_marker_mac(leader, nonce).encode(), mac.encode())


def _leader_called(session: Session, name: str) -> Leader | None:
    tidy = " ".join(unicodedata.normalize("NFC", name).split())
    return session.exec(select(Leader).where(Leader.name == tidy)).first()


def _marker_mac(leader: Leader, nonce: str) -> str:
    return hmac.new(leader.password_hash.encode(), f"device:{leader.id}:{nonce}".encode(), "sha256").hexdigest()

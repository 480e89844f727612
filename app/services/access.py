"""Who gets in: principals, one-time join links, tokens of tablets and of leaders' sessions.

Secrets are random (256 bits) and only their sha256 is kept, so a stolen database opens no door. Nothing here knows
HTTP; nothing here knows students.
"""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, cast

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import AccessLink, AccessToken, Adjudicator, Audition, RecordingRoom
from app.domain.actor import Actor
from app.domain.errors import NotAllowed, NotFound
from app.services import custody

TABLET_TOKEN = timedelta(days=14)  # our choice: the day itself and corrections after it
LINK_LIFE = timedelta(hours=72)  # our choice: made on Thursday for Saturday

TabletRole = Literal["proctor", "adjudicator", "checker"]


@dataclass(frozen=True, slots=True)
class LeaderPrincipal:
    """A signed-in section leader."""

    leader_id: str
    token_id: str
    role: Literal["leader"] = "leader"

    @property
    def actor(self) -> Actor:
        """What the audit chain records."""
        return Actor("leader", self.leader_id)


@dataclass(frozen=True, slots=True)
class ProctorPrincipal:
    """A tablet of a recording room, bound to one audition."""

    audition_id: str
    token_id: str
    room_id: str | None = None  # of the one room the tablet stands in, when there are several
    role: Literal["proctor"] = "proctor"

    @property
    def actor(self) -> Actor:
        """What the audit chain records."""
        return Actor("proctor", self.token_id)


@dataclass(frozen=True, slots=True)
class AdjudicatorPrincipal:
    """A tablet of one adjudicator, bound to one audition."""

    audition_id: str
    adjudicator_id: str
    letter: str
    token_id: str
    role: Literal["adjudicator"] = "adjudicator"

    @property
    def actor(self) -> Actor:
        """What the audit chain records."""
        return Actor("adjudicator", self.adjudicator_id)


@dataclass(frozen=True, slots=True)
class StudentPrincipal:
    """Whoever holds a student's private link: one roster line, by its random id."""

    audition_id: str
    entry_id: str
    token_id: str
    role: Literal["student"] = "student"

    @property
    def actor(self) -> Actor:
        """What the audit chain records."""
        return Actor("student", self.token_id)


@dataclass(frozen=True, slots=True)
class HandInPrincipal:
    """Whoever holds the link by which one student hands in the takes of one round. It shows no results."""

    audition_id: str
    entry_id: str
    round_id: str
    token_id: str
    role: Literal["hand-in"] = "hand-in"

    @property
    def actor(self) -> Actor:
        """What the audit chain records."""
        return Actor("student", self.token_id)


@dataclass(frozen=True, slots=True)
class CheckerPrincipal:
    """A second person's own device, bound to one audition: confirms tabulations, spot-checks paper. Sees no name."""

    audition_id: str
    token_id: str
    role: Literal["checker"] = "checker"

    @property
    def actor(self) -> Actor:
        """What the audit chain records."""
        return Actor("checker", self.token_id)


Principal = (
    LeaderPrincipal | ProctorPrincipal | AdjudicatorPrincipal | CheckerPrincipal | StudentPrincipal | HandInPrincipal
)


@dataclass(frozen=True, slots=True)
class Admission:
    """A fresh token and whom it lets in. The only moment its secret is known."""

    token: str
    expires_at: datetime
    principal: Principal


@dataclass(frozen=True, slots=True)
class NewLink:
    """A fresh join link. The only moment its secret is known."""

    link_id: str
    secret: str
    expires_at: datetime


def hash_secret(secret: str) -> str:
    """What is kept of a link's or token's secret. Plain sha256 suffices: no person chose the secret, it is random."""
    return hashlib.sha256(secret.encode()).hexdigest()


# Join links -------------------------------------------------------------------------------------------------------


def adjudicator_link(session: Session, adjudicator_id: str, *, actor: Actor, now: datetime) -> NewLink:
    """A one-time link for an adjudicator's tablet. Earlier links nobody has used stop working."""
    adjudicator = session.get(Adjudicator, adjudicator_id)
    if adjudicator is None:
        raise NotFound("This adjudicator is not there any more; reload the page.")
    session.exec(
        sa.update(AccessLink)
        .where(
            col(AccessLink.adjudicator_id) == adjudicator_id,
            col(AccessLink.used_at).is_(None),
            col(AccessLink.withdrawn_at).is_(None),
        )
        .values(withdrawn_at=now)
    )
    link = new_link(
        session,
        role="adjudicator",
        label=f"Adjudicator {adjudicator.letter}",
        audition_id=adjudicator.audition_id,
        adjudicator_id=adjudicator_id,
        now=now,
    )
    custody.record(session, adjudicator.audition_id, actor, "link-made", link.link_id, {"letter": adjudicator.letter})
    return link


def proctor_link(
    session: Session, audition_id: str, *, label: str, actor: Actor, now: datetime, room_id: str | None = None
) -> NewLink:
    """A one-time link for a recording room's tablet; a room may have several. ``room_id``: the room it stands in."""
    if session.get(Audition, audition_id) is None:
        raise NotFound("This audition is not there any more; go back to the list.")
    room = session.get(RecordingRoom, room_id) if room_id is not None else None
    if room_id is not None and (room is None or room.audition_id != audition_id):
        raise NotFound("This recording room is not there any more; reload the page.")
    tidy = " ".join(label.split())[:80] or (room.name if room is not None else "Recording room")
    link = new_link(
        session, role="proctor", label=tidy, audition_id=audition_id, adjudicator_id=None, now=now, room_id=room_id
    )
    custody.record(session, audition_id, actor, "link-made", link.link_id, {"role": "proctor"})
    return link


def checker_link(session: Session, audition_id: str, *, actor: Actor, now: datetime) -> NewLink:
    """A one-time link for the second person's own device."""
    if session.get(Audition, audition_id) is None:
        raise NotFound("This audition is not there any more; go back to the list.")
    link = new_link(
        session, role="checker", label="Second person", audition_id=audition_id, adjudicator_id=None, now=now
    )
    custody.record(session, audition_id, actor, "link-made", link.link_id, {"role": "checker"})
    return link


def join(session: Session, secret: str, *, now: datetime) -> Admission:
    """Turn a one-time link into a tablet's token; ``NotAllowed`` when it is unknown, used, withdrawn or too old."""
    link = use_link(session, secret, now=now, set_up=False)
    admission = admit(
        session,
        cast(TabletRole, link.role),
        link.audition_id,
        link.adjudicator_id,
        link.label,
        now=now,
        room_id=link.room_id,
    )
    custody.record(session, link.audition_id or custody.SITE, admission.principal.actor, "link-used", link.id, {})
    return admission


def admit(
    session: Session,
    role: TabletRole,
    audition_id: str | None,
    adjudicator_id: str | None,
    label: str,
    *,
    now: datetime,
    room_id: str | None = None,
) -> Admission:
    """A fresh token for a tablet of a recording room or of an adjudicator."""
    if audition_id is None or session.get(Audition, audition_id) is None:
        raise NotFound("The audition this link belongs to is not there any more; ask the section leader.")
    adjudicator = session.get(Adjudicator, adjudicator_id) if adjudicator_id is not None else None
    if role == "adjudicator" and (adjudicator is None or adjudicator.audition_id != audition_id):
        raise NotFound("The adjudicator this link belongs to is not there any more; ask the section leader.")
    secret, row = new_token(
        session,
        role=role,
        now=now,
        life=TABLET_TOKEN,
        audition_id=audition_id,
        adjudicator_id=adjudicator.id if adjudicator else None,
        room_id=room_id,
        label=label,
    )
    principal: Principal = ProctorPrincipal(audition_id, row.id, room_id)
    if role == "checker":
        principal = CheckerPrincipal(audition_id, row.id)
    if adjudicator is not None:
        principal = AdjudicatorPrincipal(audition_id, adjudicator.id, adjudicator.letter, row.id)
    return Admission(secret, now + TABLET_TOKEN, principal)


# Tokens -----------------------------------------------------------------------------------------------------------


def principal_of(session: Session, secret: str, *, now: datetime) -> Principal | None:
    """Whom a token lets in, or None when it is unknown, withdrawn or too old."""
    row = session.exec(select(AccessToken).where(AccessToken.token_hash == hash_secret(secret))).first()
    if row is None or row.withdrawn_at is not None or (row.expires_at is not None and row.expires_at <= now):
        return None
    if row.role == "leader" and row.leader_id is not None:
        return LeaderPrincipal(row.leader_id, row.id)
    if row.role == "proctor" and row.audition_id is not None:
        return ProctorPrincipal(row.audition_id, row.id, row.room_id)
    if row.role == "checker" and row.audition_id is not None:
        return CheckerPrincipal(row.audition_id, row.id)
    if row.role == "adjudicator" and row.adjudicator_id is not None:
        adjudicator = session.get(Adjudicator, row.adjudicator_id)
        if adjudicator is not None:
            return AdjudicatorPrincipal(adjudicator.audition_id, adjudicator.id, adjudicator.letter, row.id)
    if row.role == "student" and row.audition_id is not None and row.entry_id is not None:
        if row.round_id is not None:
            return HandInPrincipal(row.audition_id, row.entry_id, row.round_id, row.id)
        return StudentPrincipal(row.audition_id, row.entry_id, row.id)
    return None


def sign_out(session: Session, token_id: str, *, now: datetime) -> None:
    """End a session; harmless when it has ended."""
    row = session.get(AccessToken, token_id)
    if row is not None and row.withdrawn_at is None:
        row.withdrawn_at = now
        session.add(row)


@dataclass(frozen=True, slots=True)
class Tablet:
    """A tablet that is in, or a link that still waits to be used."""

    token_id: str  # of the token, or of the link while it waits
    role: str
    label: str
    state: str  # "waiting" | "in use" | "withdrawn" | "expired"
    created_at: datetime | None
    expires_at: datetime | None


def tablets(session: Session, audition_id: str, *, now: datetime) -> list[Tablet]:
    """Every tablet let into the audition and every link still waiting, oldest first."""
    if session.get(Audition, audition_id) is None:
        raise NotFound("This audition is not there any more; go back to the list.")
    rows = session.exec(
        select(AccessToken)
        .where(AccessToken.audition_id == audition_id, AccessToken.role != "student")
        .order_by(col(AccessToken.created_at))
    ).all()
    found = [
        Tablet(
            row.id, row.role, row.label, _state(row.withdrawn_at, row.expires_at, now), row.created_at, row.expires_at
        )
        for row in rows
    ]
    links = session.exec(
        select(AccessLink)
        .where(AccessLink.audition_id == audition_id, col(AccessLink.used_at).is_(None))
        .order_by(col(AccessLink.expires_at))
    ).all()
    waiting = [
        Tablet(link.id, link.role, link.label, "waiting", None, link.expires_at)
        for link in links
        if _state(link.withdrawn_at, link.expires_at, now) == "in use"
    ]
    return found + waiting


def _state(withdrawn_at: datetime | None, expires_at: datetime | None, now: datetime) -> str:
    if withdrawn_at is not None:
        return "withdrawn"
    return "expired" if expires_at is not None and expires_at <= now else "in use"


def withdraw(session: Session, tablet_id: str, *, actor: Actor, now: datetime) -> None:
    """Put a tablet out, or make a waiting link useless. Harmless when it is withdrawn already."""
    row = session.get(AccessToken, tablet_id) or session.get(AccessLink, tablet_id)
    if row is None or row.role in ("leader", "student") or row.audition_id is None:
        raise NotFound("This tablet or link is not there any more; reload the page.")
    if row.withdrawn_at is None:
        row.withdrawn_at = now
        session.add(row)
        custody.record(session, row.audition_id, actor, "tablet-withdrawn", row.id, {"role": row.role})


def forget_adjudicator(session: Session, adjudicator_id: str) -> None:
    """Remove every link and token of an adjudicator who is about to be removed."""
    session.exec(sa.delete(AccessToken).where(col(AccessToken.adjudicator_id) == adjudicator_id))
    session.exec(sa.delete(AccessLink).where(col(AccessLink.adjudicator_id) == adjudicator_id))


# Also used by ``sign_in`` -----------------------------------------------------------------------------------------


def new_link(
    session: Session,
    *,
    role: str,
    label: str,
    audition_id: str | None,
    adjudicator_id: str | None,
    now: datetime,
    room_id: str | None = None,
) -> NewLink:
    """Keep a fresh link; its secret is in the answer and nowhere else."""
    secret = secrets.token_urlsafe(32)
    link = AccessLink.model_validate(
        {
            "audition_id": audition_id,
            "role": role,
            "adjudicator_id": adjudicator_id,
            "room_id": room_id,
            "label": label,
            "secret_hash": hash_secret(secret),
            "expires_at": now + LINK_LIFE,
        }
    )
    session.add(link)
    session.flush()
    return NewLink(link.id, secret, link.expires_at)


def use_link(session: Session, secret: str, *, now: datetime, set_up: bool) -> AccessLink:
    """Mark a link as used; ``NotAllowed`` says what is wrong with it. ``set_up``: the first leader's link is meant."""
    link = session.exec(select(AccessLink).where(AccessLink.secret_hash == hash_secret(secret))).first()
    ask = "start the server again for a fresh set-up link" if set_up else "ask the section leader for a new one"
    if link is None or (link.role == "leader") != set_up:
        raise NotAllowed(f"This link is not known here; check that it is complete, or {ask}.")
    if link.withdrawn_at is not None:
        raise NotAllowed(f"This link was withdrawn; {ask}.")
    if link.expires_at <= now:
        raise NotAllowed(f"This link is too old; {ask}.")
    # One statement decides who was first, also between two connections on PostgreSQL.
    used = session.exec(
        sa.update(AccessLink)
        .where(col(AccessLink.id) == link.id, col(AccessLink.used_at).is_(None))
        .values(used_at=now)
    )
    if used.rowcount != 1:
        raise NotAllowed(f"This link was used already, and works only once; {ask}.")
    return link


def new_token(
    session: Session,
    *,
    role: str,
    now: datetime,
    life: timedelta,
    leader_id: str | None = None,
    audition_id: str | None = None,
    adjudicator_id: str | None = None,
    room_id: str | None = None,
    entry_id: str | None = None,
    round_id: str | None = None,
    label: str = "",
    flush: bool = True,
) -> tuple[str, AccessToken]:
    """Keep a fresh token's hash; returns the secret and the row. Without ``flush`` many go to the database at once."""
    secret = secrets.token_urlsafe(32)
    row = AccessToken.model_validate(
        {
            "token_hash": hash_secret(secret),
            "role": role,
            "leader_id": leader_id,
            "audition_id": audition_id,
            "adjudicator_id": adjudicator_id,
            "room_id": room_id,
            "entry_id": entry_id,
            "round_id": round_id,
            "label": label,
            "created_at": now,
            "expires_at": now + life,
        }
    )
    session.add(row)
    if flush:
        session.flush()
    return secret, row

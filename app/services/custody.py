"""The audit: who did what when, append-only, each entry chained to the one before by its hash.

One chain per round or audition (and ``"site"``), so that rooms working at the same time don't wait for each other.
Entries carry ids and numbers, never names: the audit may be shown to anyone who may see the audition.
"""

import hashlib
import json
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import AuditEntry
from app.db.transactions import take_turns
from app.db.types import now_utc
from app.domain.actor import Actor

FIRST_PREVIOUS_HASH = "0" * 64
SITE = "site"


def canonical_json(value: object) -> bytes:
    """The one spelling of a JSON value that hashes are taken of: sorted keys, no spaces, UTF-8."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def content_hash(value: object) -> str:
    """sha256 in hexadecimal of :func:`canonical_json`."""
    return hashlib.sha256(canonical_json(value)).hexdigest()


def record(session: Session, chain: str, actor: Actor, action: str, subject: str, facts: dict[str, Any]) -> AuditEntry:
    """Append one entry to ``chain``. ``facts`` are plain JSON values: ids, numbers, reasons; never names."""
    take_turns(session, chain)
    last = session.exec(
        select(AuditEntry).where(AuditEntry.chain == chain).order_by(sa.desc(sa.column("seq"))).limit(1)
    ).first()
    entry = AuditEntry(
        chain=chain,
        seq=last.seq + 1 if last else 1,
        at=now_utc(),
        actor=str(actor),
        action=action,
        subject=subject,
        facts=facts,
        previous_hash=last.hash if last else FIRST_PREVIOUS_HASH,
        hash="",
    )
    entry.hash = entry_hash(entry)
    session.add(entry)
    session.flush()
    return entry


def entry_hash(entry: AuditEntry) -> str:
    """The hash an entry must carry."""
    return content_hash(
        [
            entry.chain,
            entry.seq,
            _moment(entry.at),
            entry.actor,
            entry.action,
            entry.subject,
            entry.facts,
            entry.previous_hash,
        ]
    )


def first_break(entries: Sequence[AuditEntry], *, after: tuple[int, str] = (0, FIRST_PREVIOUS_HASH)) -> str | None:
    """What is wrong with a chain (in order of ``seq``), as a sentence, or None when it holds.

    The entries are the whole chain, or what follows the entry whose ``seq`` and hash are given.
    """
    seq, previous = after
    for expected_seq, entry in enumerate(entries, start=seq + 1):
        if entry.seq != expected_seq:
            return f"entry {expected_seq} of chain {entry.chain} is missing."
        if entry.previous_hash != previous:
            return f"entry {entry.seq} of chain {entry.chain} does not follow the one before it."
        if entry.hash != entry_hash(entry):
            return f"entry {entry.seq} of chain {entry.chain} was changed after it was written."
        previous = entry.hash
    return None


def chain_entries(session: Session, chain: str) -> list[AuditEntry]:
    """All entries of one chain in order."""
    return list(session.exec(select(AuditEntry).where(AuditEntry.chain == chain).order_by(sa.column("seq"))).all())


def heads(session: Session, names: Sequence[str], *, besides: Collection[str] = ()) -> str:
    """A hash of the last entries of several chains: the same while nothing was done but the actions ``besides``."""
    last = [
        session.exec(
            select(AuditEntry.hash)
            .where(AuditEntry.chain == chain, col(AuditEntry.action).not_in(besides))
            .order_by(sa.desc(sa.column("seq")))
            .limit(1)
        ).first()
        for chain in names
    ]
    return content_hash(last)


def merged(several: Sequence[Sequence[AuditEntry]]) -> list[AuditEntry]:
    """Entries of several chains in one order: by time, but never against a chain's own order.

    When the clock was set back, an entry counts as no earlier than the one before it.
    """
    placed: list[tuple[datetime, str, int, AuditEntry]] = []
    for entries in several:
        latest = None
        for entry in entries:
            latest = entry.at if latest is None else max(latest, entry.at)
            placed.append((latest, entry.chain, entry.seq, entry))
    return [entry for *_, entry in sorted(placed, key=lambda place: place[:3])]


def chains(session: Session) -> list[str]:
    """Every chain there is."""
    return sorted(session.exec(select(AuditEntry.chain).distinct()).all())


def _moment(at: datetime) -> str:
    return at.isoformat(timespec="microseconds")

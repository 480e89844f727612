"""Whether an audit chain holds, without reading all of a long one at each look.

A short chain is read whole each time. A long one is read whole by the first look in this process and again once
that is ten minutes old. In between its last entry as it was read then, kept in this process's memory where nobody who
can write to the database can reach it, must still be there with the same hash and the same number of entries before
it, and what was written since must follow from it. So an earlier entry that is changed by itself is noticed ten minutes
later at most, by a restart's first look, or by ``fairhearing verify``; a chain that is written anew from its beginning,
which a whole reading alone can't see, is noticed at once. Whoever shows entries checks those each time besides.
"""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from weakref import WeakKeyDictionary

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.models import AuditEntry
from app.db.types import now_utc
from app.services import custody

SHORT = 2_000  # entries; our choice: read in a twentieth of a second
WHOLE_AGAIN_SEC = 600.0  # our choice
AT_ONCE = 5_000  # entries in memory


@dataclass(frozen=True, slots=True)
class ChainCheck:
    """What is known of a chain."""

    broken: str | None  # what is wrong, in a sentence; None when it holds
    whole_at: datetime  # when every entry up to ``whole_to`` was read
    whole_to: int  # entries; those after it, and those that are shown, were read just now


@dataclass(frozen=True, slots=True)
class _Known:
    """The last entry of a chain as it was read, and the whole reading that this rests on."""

    seq: int
    hash: str
    read_at: datetime
    whole_at: datetime
    whole_to: int
    whole_sec: float  # as ``whole_at``, by the clock that is never set


#: Of each database, by chain: a process that works on two (a copy of the other, say) confuses nothing.
_known: WeakKeyDictionary[sa.Engine, dict[str, _Known]] = WeakKeyDictionary()


def check(session: Session, chain: str, shown: Sequence[AuditEntry]) -> ChainCheck:
    """Whether a chain holds. ``shown`` are entries of it that somebody is about to see."""
    of_database = _known.setdefault(session.get_bind().engine, {})
    known, now, now_sec = of_database.get(chain), now_utc(), time.monotonic()
    if known is None or known.seq <= SHORT or now_sec - known.whole_sec > WHOLE_AGAIN_SEC:
        broken, (seq, last) = _read(session, chain, known, (0, custody.FIRST_PREVIOUS_HASH))
        whole = (now, seq, now_sec)
    else:
        broken, (seq, last) = _read(session, chain, known, (known.seq, known.hash))
        broken = broken or next((_changed(entry) for entry in shown if entry.hash != custody.entry_hash(entry)), None)
        whole = (known.whole_at, known.whole_to, known.whole_sec)
    if broken is None:
        of_database[chain] = _Known(seq, last, now, *whole)
    return ChainCheck(broken, whole[0], whole[1])


def _read(
    session: Session, chain: str, known: _Known | None, after: tuple[int, str]
) -> tuple[str | None, tuple[int, str]]:
    """What is wrong with what follows ``after``, or with what was there before; and the last entry."""
    of_chain = select(AuditEntry).where(AuditEntry.chain == chain)
    if known is not None:
        there = session.exec(of_chain.where(AuditEntry.seq == known.seq)).first()
        if there is None or not there.hash == known.hash == custody.entry_hash(there):
            return f"entry {known.seq} of chain {chain} is not what it was at {known.read_at:%H:%M:%S} UTC.", after
    while entries := session.exec(
        of_chain.where(AuditEntry.seq > after[0]).order_by(col(AuditEntry.seq)).limit(AT_ONCE)
    ).all():
        if (broken := custody.first_break(entries, after=after)) is not None:
            return broken, after
        after = entries[-1].seq, entries[-1].hash
    count = session.exec(select(sa.func.count()).select_from(AuditEntry).where(AuditEntry.chain == chain)).one()
    missing = after[0] - count
    return (f"{missing} of {after[0]} entries of chain {chain} are missing." if missing else None), after


def _changed(entry: AuditEntry) -> str:
    return f"entry {entry.seq} of chain {entry.chain} was changed after it was written."

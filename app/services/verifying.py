"""Checking everything that can be checked about stored data: who did what, what was drawn, heard, signed, measured."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import (
    AdjudicationSheet,
    Audition,
    DayRecording,
    ExtraHearing,
    ExtraSheet,
    Findings,
    Round,
    SheetVersion,
    Take,
)
from app.domain.errors import NotFound
from app.files.store import BlobStore
from app.services import custody, declaring, draw, hearing, measuring, opening, retention
from app.services.sheet_signing import first_broken_extra, first_broken_signature

T = TypeVar("T")

LEFT_OVER_SEC = 3600.0  # our choice: longer than any upload; younger recordings may be about to get their take


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was checked: how many of it, what is wrong, and what is worth knowing without being wrong."""

    name: str
    count: int
    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether nothing is wrong."""
        return not self.problems


def verify(session: Session, store: BlobStore) -> list[Check]:
    """Every check, in order. Reads every take once, so it takes as long as the disk does."""
    return [
        _database(session),
        _audit(session),
        _rules(session),
        _draws(session),
        _hearing_orders(session),
        _takes(session, store),
        _sheets(session),
        _standings(session),
        _findings(session),
    ]


def _database(session: Session) -> Check:
    if session.get_bind().dialect.name != "sqlite":
        return Check("database", 0, notes=("PostgreSQL checks itself; use its own tools for more.",))
    problems = [
        f"the database file is damaged: {row[0]}."
        for row in session.execute(sa.text("PRAGMA integrity_check")).all()
        if row[0] != "ok"
    ]
    broken = session.execute(sa.text("PRAGMA foreign_key_check")).all()
    problems += [f"a row of {row[0]} refers to a row of {row[2]} that is not there." for row in broken]
    return Check("database", 1, tuple(problems))


def _audit(session: Session) -> Check:
    chains = custody.chains(session)
    count, set_back, problems = 0, 0, []
    for chain in chains:
        entries = custody.chain_entries(session, chain)
        count += len(entries)
        set_back += sum(after.at < before.at for before, after in pairwise(entries))
        broken = custody.first_break(entries)
        if broken is not None:
            problems.append(broken)
    told = f"the clock was set back {set_back} time(s) while it was written; the order of entries is not in doubt."
    return Check("audit entries", count, tuple(problems), (told,) if set_back else ())


def _rules(session: Session) -> Check:
    declared = session.exec(select(Audition).where(col(Audition.rule_declared_at).is_not(None))).all()
    problems = [
        f"the rule of audition {row.id} is not the one that was declared."
        for row in declared
        if declaring.declaration_hash(row) != row.rule_hash
    ]
    return Check("declared rules", len(declared), tuple(problems))


def _draws(session: Session) -> Check:
    drawn = session.exec(select(Round).where(col(Round.sealed_at).is_not(None))).all()
    return Check("draws recomputed", len(drawn), tuple(_said(drawn, lambda row: draw.recompute(session, row.id))))


def _hearing_orders(session: Session) -> Check:
    drawn = session.exec(select(Round).where(col(Round.sealed_at).is_not(None))).all()
    recorded = [row for row in drawn if row.hearing_orders or hearing.is_recorded(row)]
    return Check(
        "orders of hearing", len(recorded), tuple(_said(recorded, lambda row: hearing.why_not_kept(session, row)))
    )


def _takes(session: Session, store: BlobStore) -> Check:
    takes = session.exec(select(Take).order_by(col(Take.id))).all()
    there = [take for take in takes if take.destroyed_at is None]
    practice = session.exec(
        select(ExtraHearing).where(ExtraHearing.sha256 != "", col(ExtraHearing.take_id).is_(None))
    ).all()
    wanted = {
        sha256: f"practice take {one.id}"
        for one in practice
        if one.destroyed_at is None
        for sha256 in (one.sha256, one.playback_sha256)
    } | {sha256: f"take {take.id}" for take in there for sha256 in (take.sha256, take.playback_sha256)}
    days = session.exec(select(DayRecording).order_by(col(DayRecording.id))).all()
    wanted |= {day.sha256: f"day recording {day.id}" for day in days if day.removed_at is None}
    problems = []
    for sha256, what in wanted.items():
        try:
            if not store.is_true(sha256):
                problems.append(f"a recording of {what} is not what was received.")
        except NotFound:
            problems.append(f"a recording of {what} is missing.")
    every: list[Take | ExtraHearing] = [*takes, *practice]
    once = {sha256 for one in every for sha256 in (one.sha256, one.playback_sha256)} | {day.sha256 for day in days}
    gone = once - set(wanted)
    problems += [f"recording {sha256[:12]}… was destroyed and is still here." for sha256 in gone if store.holds(sha256)]
    spare = sum(sha256 not in wanted and sha256 not in gone for sha256 in store.every())
    left = f"{spare} recording(s) belong to no take: left by uploads that were cut off; --repair removes them."
    lost = sum(one.destroyed_at is not None for one in every)
    destroyed = f"{lost} recording(s) were destroyed; their results are kept."
    notes = (*((left,) if spare else ()), *((destroyed,) if lost else ()))
    return Check("takes", len(every), tuple(problems), notes)


def _sheets(session: Session) -> Check:
    sheets = session.exec(select(AdjudicationSheet)).all()
    versions: dict[str, list[SheetVersion]] = {}
    for version in session.exec(select(SheetVersion).order_by(col(SheetVersion.version))).all():
        versions.setdefault(version.sheet_id, []).append(version)
    problems = list(_said(sheets, lambda sheet: first_broken_signature(sheet, versions.get(sheet.id, []))))
    extra = session.exec(select(ExtraSheet)).all()
    problems += _said(extra, first_broken_extra)
    return Check("adjudication sheets", len(sheets) + len(extra), tuple(problems))


def _standings(session: Session) -> Check:
    opened = session.exec(select(Round).where(Round.state == "opened")).all()
    problems = _said(opened, lambda row: opening.recompute(session, row.id))
    return Check("opened standings", len(opened), tuple(problems))


def _findings(session: Session) -> Check:
    newest: dict[str, Findings] = {}
    for found in session.exec(select(Findings).order_by(col(Findings.created_at))).all():
        newest[found.take_id] = found
    stale = sum(measuring.is_stale(session, found) for found in newest.values())
    notes = (f"{stale} take(s) were measured before the piece, a setting or the algorithm changed.",) if stale else ()
    return Check("findings", len(newest), notes=notes)


def remove_left_over(database: Database, store: BlobStore, *, older_than_sec: float = LEFT_OVER_SEC) -> int:
    """Remove recordings that belong to no take and have lain there for a while. Returns how many.

    They are what a sudden end left between keeping a recording and writing its row: nobody was told that they are kept.
    """

    def is_used(sha256: str) -> bool:
        with database.read() as session:
            return retention.is_wanted(session, sha256)

    return sum(
        store.remove_unused(sha256, older_than_sec=older_than_sec, is_used=is_used) for sha256 in list(store.every())
    )


def _said(rows: Iterable[T], check: Callable[[T], str | None]) -> Iterator[str]:
    return (sentence for row in rows if (sentence := check(row)) is not None)

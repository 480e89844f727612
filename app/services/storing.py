"""The take store that the settings name, and copying takes from one to another."""

import os
from collections.abc import Callable

from sqlmodel import col, select

from app.db.database import Database
from app.db.models import Candidate, DayRecording, ExtraHearing, Round, Take
from app.domain.errors import NotFound, Unavailable
from app.files.object_store import ObjectStore
from app.files.store import BlobStore, TakeStore
from app.settings import Settings


def open_store(settings: Settings) -> BlobStore:
    """The store of ``settings``: the data folder, or an object store with copies in the data folder."""
    if settings.takes_url is None:
        return TakeStore(settings.takes_dir)
    return ObjectStore(settings.takes_url, settings.takes_dir / "copies", dict(os.environ))


def copy_takes(
    database: Database,
    source: BlobStore,
    target: BlobStore,
    audition_id: str | None,
    told: Callable[[int, int], None],
) -> tuple[int, int]:
    """Copy every recording of an audition's takes (None: of all); returns how many were copied and were there.

    Each is read back from ``target`` and held against its hash. Nothing is removed from ``source``. ``told(done, all)``
    is called after each. Raises ``NotFound`` for a recording that is missing and ``Unavailable`` for a damaged one.
    """
    statement = (
        select(Take.sha256, Take.playback_sha256)
        .join(Candidate, col(Candidate.id) == Take.candidate_id)
        .join(Round, col(Round.id) == Candidate.round_id)
        .where(col(Take.destroyed_at).is_(None))
    )
    practice = (
        select(ExtraHearing.sha256, ExtraHearing.playback_sha256)
        .join(Round, col(Round.id) == ExtraHearing.round_id)
        .where(ExtraHearing.sha256 != "", col(ExtraHearing.take_id).is_(None), col(ExtraHearing.destroyed_at).is_(None))
    )
    days = (
        select(DayRecording.sha256, DayRecording.sha256)
        .join(Round, col(Round.id) == DayRecording.round_id)
        .where(col(DayRecording.removed_at).is_(None))
    )
    if audition_id is not None:
        days = days.where(Round.audition_id == audition_id)
        statement = statement.where(Round.audition_id == audition_id)
        practice = practice.where(Round.audition_id == audition_id)
    with database.read() as session:
        pairs = [*session.exec(statement).all(), *session.exec(practice).all(), *session.exec(days).all()]
    wanted = sorted({sha256 for both in pairs for sha256 in both})
    copied = there = 0
    for done, sha256 in enumerate(wanted, start=1):
        if _is_true(target, sha256):
            there += 1
        else:
            with source.local_path(sha256).open("rb") as recording, target.incoming(recording) as incoming:
                if incoming.sha256 != sha256:
                    raise Unavailable(
                        f"The recording {sha256[:12]}… is damaged where it is, so it was not copied; restore it from a "
                        "backup, then go on."
                    )
                target.keep(incoming)
            if not _is_true(target, sha256):
                raise Unavailable(f"The recording {sha256[:12]}… did not arrive whole; try again.")
            copied += 1
        told(done, len(wanted))
    return copied, there


def _is_true(store: BlobStore, sha256: str) -> bool:
    try:
        return store.is_true(sha256)
    except NotFound:
        return False

"""Destroying recordings: all of an audition or one student's, with a certificate that names each. Results stay.

Three steps, so that an interruption at any point is made good by asking again: takes are marked and the audit told,
files go, and only when they are gone the certificate is written. A recording whose bytes
another kept take shares stays.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.identities import Entry, TakeOrigin
from app.db.models import (
    Candidate,
    DayRecording,
    DestructionCertificate,
    ExtraHearing,
    Findings,
    Leader,
    Piece,
    Round,
    Take,
)
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import NotFound, WrongState
from app.domain.texts import one_line
from app.files.store import BlobStore
from app.services import custody, day_recordings, retention
from app.services.attendance import NOT_HEARD
from app.services.day_uploads import DayUploads
from app.services.declaring import get_audition
from app.services.handed_files import HandedFiles
from app.services.sheet_models import date_text, moment_text
from app.services.uploads import Uploads
from app.sheets import cautions
from app.sheets.certificate import CertificateModel, DestroyedDay, DestroyedLine, render

LONGEST_REASON = 300
REMOVALS = 2  # an object store sets a recording aside first and lets it go when asked again
HOWEVER_YOUNG_SEC = -3600.0  # its clock may differ from ours


@dataclass(frozen=True, slots=True)
class CertificateView:
    """A certificate in the list."""

    id: str
    made_at: datetime
    reason: str
    takes: int
    one_student: bool


@dataclass(frozen=True, slots=True)
class RecordingsView:
    """What is kept of an audition's recordings, and what was destroyed."""

    kept: int
    days: int  # long recordings of a whole day that are kept
    bytes: int
    destroyed: int
    unfinished: int
    retention_until: Any
    sentence: str
    not_opened: tuple[str, ...]  # rounds that are still heard: their recordings stay
    certificates: tuple[CertificateView, ...]


def recordings(session: Session, audition_id: str, uploads: Uploads, day_uploads: DayUploads) -> RecordingsView:
    """What is kept, until when, and the certificates."""
    audition = get_audition(session, audition_id)
    everything, kept, size_bytes = session.exec(
        select(sa.func.count(), *_kept_and_bytes()).where(
            Take.candidate_id == Candidate.id, Candidate.round_id == Round.id, Round.audition_id == audition_id
        )
    ).one()
    practice = _practice(session, audition_id)
    kept += sum(one.destroyed_at is None for one in practice)
    days = [day for day in _days(session, audition_id, None) if day.removed_at is None]
    made = session.exec(
        select(DestructionCertificate)
        .where(DestructionCertificate.audition_id == audition_id)
        .order_by(col(DestructionCertificate.made_at).desc())
    ).all()
    return RecordingsView(
        kept=kept,
        days=len(days),
        bytes=int(size_bytes or 0) + sum(day.size_bytes for day in days),
        destroyed=everything + len(practice) - kept,
        unfinished=len(uploads.unfinished(audition_id)) + len(day_uploads.unfinished(audition_id)),
        retention_until=audition.retention_until,
        sentence=retention.sentence(audition, kept + len(days), now_utc().date()),
        not_opened=tuple(_still_heard(session, audition_id)),
        certificates=tuple(
            CertificateView(one.id, one.made_at, one.reason, len(one.facts["takes"]), one.facts["one_student"])
            for one in made
        ),
    )


def destroy(
    database: Database,
    store: BlobStore,
    uploads: Uploads,
    handed: HandedFiles,
    day_uploads: DayUploads,
    audition_id: str,
    *,
    entry_id: str | None,
    reason: str,
    actor: Actor,
) -> CertificateView:
    """Destroy the recordings of an audition, or of the student of one roster line in it; returns the certificate.

    The long recording of a day goes with them: it holds everybody's playing, one student's too. Raises ``WrongState``
    while a round whose recordings would go is not opened (one student's may go any time), while cuts of such a long
    recording are undecided, or when nothing is left to destroy.
    """
    tidy = one_line(reason, what="reason", longest=LONGEST_REASON)
    take_ids, day_ids = database.write(lambda session: _mark(session, audition_id, entry_id, actor))
    with database.read() as session:
        takes = [_recording(session, take_id) for take_id in take_ids]
        shas = list(dict.fromkeys(sha for take in takes for sha in (take.sha256, take.playback_sha256)))
        shas += [session.get_one(DayRecording, day_id).sha256 for day_id in day_ids]
        candidates = {take.candidate_id for take in takes if take.candidate_id is not None}

    def is_used(sha256: str) -> bool:
        with database.read() as session:
            return retention.is_wanted(session, sha256)

    for sha256 in shas:
        for _ in range(REMOVALS):
            store.remove_unused(sha256, older_than_sec=HOWEVER_YOUNG_SEC, is_used=is_used)
    shared = [sha256 for sha256 in shas if store.holds(sha256)]
    for unfinished in uploads.unfinished(audition_id):
        if entry_id is None or unfinished.candidate_id in candidates:
            uploads.throw_away(unfinished.upload_id, audition_id=audition_id)
    handed.throw_away(audition_id, entry_id)
    for coming in day_uploads.unfinished(audition_id):  # they may hold anybody
        day_uploads.throw_away(coming.recording_id, audition_id=audition_id)
    return database.write(
        lambda session: _certify(session, audition_id, take_ids, day_ids, shared, entry_id is not None, tidy, actor)
    )


def certificate(session: Session, certificate_id: str) -> bytes:
    """The certificate as PDF; the same one gives the same bytes."""
    row = session.get(DestructionCertificate, certificate_id)
    if row is None:
        raise NotFound("This certificate is not there; reload the page.")
    audition = get_audition(session, row.audition_id)
    return render(
        CertificateModel(
            audition=audition.name,
            organisation=audition.organisation,
            held_on=date_text(audition.held_on),
            made=moment_text(row.made_at),
            made_by=_by(session, row.actor),
            reason=row.reason,
            retention_until=None if audition.retention_until is None else date_text(audition.retention_until),
            one_student=row.facts["one_student"],
            lines=tuple(DestroyedLine(**line) for line in row.facts["takes"]),
            days=tuple(DestroyedDay(**day) for day in row.facts.get("days", [])),
            kept=tuple(row.facts["kept"]),
            audit_hash=row.audit_hash,
            certificate_id=row.id,
            cautions=cautions.CERTIFICATE,
            paper="a4" if audition.paper == "a4" else "letter",
        )
    )


def _by(session: Session, actor: str) -> str:
    """Who destroyed them, by the name they sign in with."""
    role, _, actor_id = actor.partition(":")
    leader = session.get(Leader, actor_id) if role == "leader" else None
    return f"{leader.name}, section leader" if leader is not None else actor


def _takes(session: Session, audition_id: str, entry_id: str | None) -> Sequence[Take]:
    wanted = (
        select(Take)
        .where(Take.candidate_id == Candidate.id, Candidate.round_id == Round.id, Round.audition_id == audition_id)
        .order_by(col(Round.position), col(Candidate.playing_order), col(Take.received_at), col(Take.id))
    )
    if entry_id is not None:
        wanted = wanted.where(Candidate.entry_id == entry_id)
    return session.exec(wanted).all()


def _kept_and_bytes() -> tuple[Any, Any]:
    """How many takes are still there and how long they are together, counted by the database."""
    there = col(Take.destroyed_at).is_(None)
    return sa.func.count().filter(there), sa.func.sum(Take.size_bytes).filter(there)


def _practice(session: Session, audition_id: str) -> Sequence[ExtraHearing]:
    """Practice takes with a recording of their own; one that was chosen from an earlier round goes with its take."""
    return session.exec(
        select(ExtraHearing)
        .where(
            ExtraHearing.round_id == Round.id,
            Round.audition_id == audition_id,
            ExtraHearing.sha256 != "",
            col(ExtraHearing.take_id).is_(None),
        )
        .order_by(col(Round.position), col(ExtraHearing.id))
    ).all()


def _recording(session: Session, recording_id: str) -> Take | ExtraHearing:
    return session.get(Take, recording_id) or session.get_one(ExtraHearing, recording_id)


def _still_heard(session: Session, audition_id: str) -> list[str]:
    """Rounds that are not opened and have recordings: takes, or a practice take of their own and somebody to hear."""
    with_takes = sa.exists().where(col(Candidate.round_id) == Round.id, col(Take.candidate_id) == Candidate.id)
    with_days = select(DayRecording.round_id)
    with_practice = {one.round_id for one in _practice(session, audition_id) if one.destroyed_at is None}
    for round_id in list(with_practice):
        states = session.exec(select(Candidate.state).where(Candidate.round_id == round_id)).all()
        if states and set(states) <= set(NOT_HEARD):  # such a round can't be opened, and nobody waits for it
            with_practice.remove(round_id)
    names = session.exec(
        select(Round.name)
        .where(
            Round.audition_id == audition_id,
            Round.state != "opened",
            sa.or_(with_takes, col(Round.id).in_(with_days), col(Round.id).in_(with_practice)),
        )
        .order_by(col(Round.position))
    ).all()
    return list(names)


def _days(session: Session, audition_id: str, entry_id: str | None) -> Sequence[DayRecording]:
    """Long recordings of the audition, or of the rounds in which one student was to be heard."""
    wanted = (
        select(DayRecording)
        .where(DayRecording.round_id == Round.id, Round.audition_id == audition_id)
        .order_by(col(Round.position), col(DayRecording.received_at), col(DayRecording.id))
    )
    if entry_id is not None:
        wanted = wanted.where(
            col(DayRecording.round_id).in_(select(Candidate.round_id).where(Candidate.entry_id == entry_id))
        )
    return session.exec(wanted).all()


def _mark(session: Session, audition_id: str, entry_id: str | None, actor: Actor) -> tuple[list[str], list[str]]:
    get_audition(session, audition_id)
    if entry_id is None:
        heard = _still_heard(session, audition_id)
        if heard:
            raise WrongState(
                f"{heard[0]} is still being heard, so its recordings stay; open it first. (A round that will never be "
                "heard can be removed, or its practice take.)"
            )
    else:
        entry = session.get(Entry, entry_id)
        if entry is None or entry.audition_id != audition_id:
            raise NotFound("This line of the roster is not there any more; reload the page.")
    takes: list[Take | ExtraHearing] = list(_takes(session, audition_id, entry_id))
    if entry_id is None:  # whose playing a practice recording is, nobody noted
        takes += _practice(session, audition_id)
    before = session.exec(select(DestructionCertificate).where(DestructionCertificate.audition_id == audition_id)).all()
    certified = {line["take_id"] for one in before for line in one.facts["takes"]}
    named = {day["recording_id"] for one in before for day in one.facts.get("days", [])}
    days = [day for day in _days(session, audition_id, entry_id) if day.id not in named]
    for day in days:
        why = day_recordings.open_cuts(session, day) if entry_id is not None else None
        if why is not None:
            raise WrongState(f"The recording of the whole day holds this student too, so it would go as well. {why}")
    going = [take for take in takes if take.destroyed_at is None or take.id not in certified]
    if not going and not days:
        raise WrongState("No recording is left here to destroy.")
    at = now_utc()
    fresh = [take for take in going if take.destroyed_at is None]
    for take in fresh:
        take.destroyed_at, take.peaks = at, []
        session.add(take)
        for chosen in session.exec(select(ExtraHearing).where(ExtraHearing.take_id == take.id)).all():
            chosen.peaks = []  # the waveform of a practice take that was chosen from these
            session.add(chosen)
        origin = session.get(TakeOrigin, take.id)
        if origin is not None:
            origin.file_name = ""
            session.add(origin)
    for day in days:
        if day.removed_at is None:
            day_recordings.mark_removed(session, day, actor)
    session.flush()
    facts = {
        "takes": [take.id for take in going],
        "days": [day.id for day in days],
        "one_student": entry_id is not None,
    }
    custody.record(session, audition_id, actor, "destruction-begun", audition_id, facts)
    return [take.id for take in going], [day.id for day in days]


def _certify(
    session: Session,
    audition_id: str,
    take_ids: Sequence[str],
    day_ids: Sequence[str],
    shared: Sequence[str],
    one_student: bool,
    reason: str,
    actor: Actor,
) -> CertificateView:
    lines = [_line(session, _recording(session, take_id), shared) for take_id in take_ids]
    measured = session.exec(
        select(sa.func.count()).select_from(Findings).where(col(Findings.take_id).in_(list(take_ids)))
    ).one()
    facts = {
        "one_student": one_student,
        "takes": lines,
        "days": [_day_line(session, session.get_one(DayRecording, day_id), shared) for day_id in day_ids],
        "kept": [
            "marks, remarks, standing and printed sheets as they were",
            "no findings: nothing was measured from these recordings"
            if not measured
            else f"what was measured from these recordings ({measured} in all)",
            "the hash of every recording, so that it can be recognised if a copy turns up",
        ],
    }
    told = {
        "takes": len(lines),
        "days": len(day_ids),
        "content_hash": custody.content_hash(facts),
        "reason_hash": custody.content_hash(reason),
    }
    entry = custody.record(session, audition_id, actor, "recordings-destroyed", audition_id, told)
    row = DestructionCertificate(
        audition_id=audition_id, made_at=entry.at, actor=str(actor), reason=reason, facts=facts, audit_hash=entry.hash
    )
    session.add(row)
    session.flush()
    return CertificateView(row.id, row.made_at, reason, len(lines), one_student)


def _line(session: Session, take: Take | ExtraHearing, shared: Sequence[str]) -> dict[str, Any]:
    if isinstance(take, ExtraHearing):
        piece = session.get(Piece, take.piece_id) if take.piece_id is not None else None
        return {
            "take_id": take.id,
            "round_name": session.get_one(Round, take.round_id).name,
            "blind_number": "",
            "piece": piece.title if piece is not None else "",
            "received": moment_text(take.created_at),
            "duration_sec": take.duration_sec,
            "size_bytes": None,
            "sha256": take.sha256,
            "playback_sha256": take.playback_sha256,
            "note": "practice take of the panel",
            "shared": sum(sha in shared for sha in (take.sha256, take.playback_sha256)),
        }
    candidate = session.get_one(Candidate, take.candidate_id)
    return {
        "take_id": take.id,
        "round_name": session.get_one(Round, candidate.round_id).name,
        "blind_number": candidate.blind_number,
        "piece": session.get_one(Piece, take.piece_id).title,
        "received": moment_text(take.received_at),
        "duration_sec": take.duration_sec,
        "size_bytes": take.size_bytes,
        "sha256": take.sha256,
        "playback_sha256": take.playback_sha256,
        "note": "voided" if take.state == "voided" else "",
        "shared": sum(sha in shared for sha in (take.sha256, take.playback_sha256)),
    }


def _day_line(session: Session, day: DayRecording, shared: Sequence[str]) -> dict[str, Any]:
    return {
        "recording_id": day.id,
        "round_name": session.get_one(Round, day.round_id).name,
        "received": moment_text(day.received_at),
        "removed": moment_text(day.removed_at) if day.removed_at is not None else "",
        "duration_sec": day.duration_sec,
        "size_bytes": day.size_bytes,
        "sha256": day.sha256,
        "shared": int(day.sha256 in shared),
    }

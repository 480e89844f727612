"""Everything that is kept of one student, as one ZIP, for a family that asks.

Marks and remarks of a round that is still sealed are left out, and said to be: naming them would break its seal.
"""

import json
import shutil
import tempfile
import zipfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import IO, Any

from sqlmodel import Session, col, or_, select

from app.db.database import Database
from app.db.identities import Entry, Student, TakeOrigin
from app.db.models import (
    AccessToken,
    AdjudicationSheet,
    Adjudicator,
    AuditEntry,
    Audition,
    Candidate,
    ExtraHearing,
    ExtraSheet,
    Findings,
    Piece,
    RecordingRoom,
    Restart,
    Round,
    SheetVersion,
    SightSheet,
    Take,
    Turn,
)
from app.domain.actor import Actor
from app.domain.errors import NotFound
from app.files.store import BlobStore
from app.services import custody
from app.services.attendance import NOT_HEARD
from app.services.piece_reading import musicxml_of
from app.services.printed_round import load_round
from app.services.printing import ZIP_MOMENT, safe_file_name
from app.services.sheet_models import comment_sheet_model
from app.services.sight_sheets import with_seed
from app.sheets import comment_sheet

READ_ME = """Everything Fairhearing keeps of {name}.

about.json           what is noted of the student, consent, private links, and every number in every round: times at the
                     door and in the room, what was begun again, takes
recordings/          every recording as it was received, voided ones too
findings/            what was measured from each
sheets/              marks and remarks of the panel (adjudicators by letter), and the printed comment sheets
sight-reading/       the notes that were read at sight
audit.json           who did what when about these numbers

{left_out}
A mock result and a practice aid: no official score. School policy and local law come first.
"""


@dataclass(frozen=True, slots=True)
class FamilyZip:
    """The ZIP, open at its beginning, and what it may be called."""

    file: IO[bytes]
    file_name: str


def export(database: Database, store: BlobStore, entry_id: str, *, actor: Actor) -> FamilyZip:
    """Everything of the student of this roster line, across all auditions. The audit notes that it was given out."""
    with database.read() as session:
        entry = session.get(Entry, entry_id)
        if entry is None:
            raise NotFound("This line of the roster is not there any more; reload the page.")
        student = session.get_one(Student, entry.student_id)
        name = safe_file_name("", student.name).removesuffix(".pdf")
        audition_id = entry.audition_id
        out = tempfile.TemporaryFile()  # noqa: SIM115 - the answer reads it and closes it
        try:
            with zipfile.ZipFile(out, "w") as archive:
                _write(session, store, student, _Archive(archive))
        except BaseException:
            out.close()
            raise
    database.write(lambda session: custody.record(session, audition_id, actor, "family-export", entry_id, {}))
    out.seek(0)
    return FamilyZip(out, f"{name}.zip")


class _Archive:
    """A ZIP without a clock in it."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self._archive = archive

    def put(self, name: str, data: bytes) -> None:
        self._archive.writestr(self._entry(name, zipfile.ZIP_DEFLATED), data)

    def put_json(self, name: str, value: object) -> None:
        self.put(name, json.dumps(value, ensure_ascii=False, indent=1, default=str).encode())

    def put_recording(self, name: str, store: BlobStore, sha256: str) -> None:
        with (
            store.local_path(sha256).open("rb") as source,
            self._archive.open(self._entry(name, zipfile.ZIP_STORED), "w", force_zip64=True) as target,
        ):
            shutil.copyfileobj(source, target, 2**20)

    @staticmethod
    def _entry(name: str, how: int) -> zipfile.ZipInfo:
        entry = zipfile.ZipInfo(name, ZIP_MOMENT)
        entry.compress_type = how
        entry.external_attr = 0o644 << 16
        return entry


def _write(session: Session, store: BlobStore, student: Student, out: _Archive) -> None:
    entries = session.exec(select(Entry).where(Entry.student_id == student.id)).all()
    rows = session.exec(
        select(Candidate, Round, Audition)
        .where(
            col(Candidate.entry_id).in_([entry.id for entry in entries]),
            Candidate.round_id == Round.id,
            Round.audition_id == Audition.id,
        )
        .order_by(col(Audition.held_on), col(Round.position), col(Candidate.playing_order))
    ).all()
    sealed = []
    numbers = []
    for candidate, round_row, audition in rows:
        label = f"{audition.held_on} {round_row.name} {candidate.blind_number}"
        place = safe_file_name("", label).removesuffix(".pdf")
        numbers.append(
            {
                "audition": audition.name,
                "held_on": audition.held_on,
                "round": round_row.name,
                "blind_number": candidate.blind_number,
                "playing_order": candidate.playing_order,
                "instrument": candidate.instrument,
                "state": candidate.state,
                "state_reason": candidate.state_reason,
                "times": _times(session, candidate.id),
                "begun_again": _begun_again(session, candidate.id),
                "takes": [_take(session, store, take, place, out) for take in _takes(session, candidate.id)],
            }
        )
        _sight(session, candidate.id, place, out)
        if round_row.state == "opened":
            given = _sheets(session, candidate.id) + _repeats(session, candidate.id)
            out.put_json(f"sheets/{place} marks.json", given)
            if candidate.state not in NOT_HEARD:
                loaded = load_round(session, round_row.id, with_music=True)
                model = comment_sheet_model(session, loaded, candidate.id, detail=True)
                out.put(f"sheets/{place}.pdf", comment_sheet.render(model))
        else:
            sealed.append(f"{audition.name}, {round_row.name}")
    about = student.model_dump(mode="json", exclude={"id"})
    told = {"instrument", "accommodation", "extra_time_percent", "enlarged_music", "withdrawn"}
    lines = [
        {
            "audition": session.get_one(Audition, entry.audition_id).name,
            **entry.model_dump(mode="json", include=told),
            "private_links": _links(session, entry.id),
        }
        for entry in entries
    ]
    out.put_json("about.json", {"student": about, "roster_lines": lines, "numbers": numbers, "still_sealed": sealed})
    ids = {c.id for c, _, _ in rows} | {e.id for e in entries}
    ids |= {take.id for c, _, _ in rows for take in _takes(session, c.id)}
    deeds = session.exec(
        select(AuditEntry).where(or_(col(AuditEntry.subject).in_(ids))).order_by(col(AuditEntry.at))
    ).all()
    out.put_json("audit.json", [entry.model_dump(mode="json") for entry in deeds])
    left_out = (
        f"Left out, because still sealed: marks and remarks of {'; '.join(sealed)}. Ask again once opened.\n"
        if sealed
        else ""
    )
    out.put("READ ME.txt", READ_ME.format(name=student.name, left_out=left_out).encode())


def _takes(session: Session, candidate_id: str) -> Sequence[Take]:
    return session.exec(
        select(Take).where(Take.candidate_id == candidate_id).order_by(col(Take.received_at), col(Take.id))
    ).all()


def _take(session: Session, store: BlobStore, take: Take, place: str, out: _Archive) -> dict[str, Any]:
    origin = session.get(TakeOrigin, take.id)
    piece = session.get_one(Piece, take.piece_id)
    name = f"{place} {take.id[:8]}"
    if take.destroyed_at is None:
        out.put_recording(f"recordings/{name}.{take.container}", store, take.sha256)
    found = session.exec(select(Findings).where(Findings.take_id == take.id).order_by(col(Findings.created_at))).all()
    if found:
        out.put_json(f"findings/{name}.json", [one.payload for one in found])
    return {
        **take.model_dump(mode="json", exclude={"peaks", "candidate_id", "piece_id"}),
        "piece": piece.title,
        "file_name": origin.file_name if origin is not None else "",
    }


def _sight(session: Session, candidate_id: str, place: str, out: _Archive) -> None:
    for sheet in session.exec(select(SightSheet).where(SightSheet.candidate_id == candidate_id)).all():
        row = session.get_one(Piece, sheet.piece_id)
        out.put(f"sight-reading/{place} {sheet.piece_id[:8]}.musicxml", musicxml_of(with_seed(row, sheet.seed)))


def _sheets(session: Session, candidate_id: str) -> list[dict[str, Any]]:
    rows = session.exec(
        select(AdjudicationSheet, SheetVersion, Adjudicator.letter)
        .where(
            AdjudicationSheet.candidate_id == candidate_id,
            SheetVersion.sheet_id == AdjudicationSheet.id,
            Adjudicator.id == AdjudicationSheet.adjudicator_id,
        )
        .order_by(col(Adjudicator.letter), col(SheetVersion.version))
    ).all()
    titles = {piece.id: piece.title for piece in session.exec(select(Piece)).all()}
    return [
        {
            "adjudicator": letter,
            "version": version.version,
            "marks": {titles.get(key, key): marks for key, marks in version.marks.items()},
            "remarks": [
                {"piece": titles.get(one.get("piece_id") or "", ""), "bar": one.get("bar"), "text": one["text"]}
                for one in version.remarks
            ],
            "submitted_at": version.submitted_at,
            "why_corrected": version.reason,
        }
        for _, version, letter in rows
    ]


def _repeats(session: Session, candidate_id: str) -> list[dict[str, Any]]:
    """Marks of hidden repeats: the same takes heard once more under another number. They count nowhere."""
    rows = session.exec(
        select(ExtraSheet, ExtraHearing.blind_number, Adjudicator.letter)
        .where(
            ExtraHearing.candidate_id == candidate_id,
            ExtraSheet.extra_id == ExtraHearing.id,
            Adjudicator.id == ExtraSheet.adjudicator_id,
        )
        .order_by(col(Adjudicator.letter))
    ).all()
    titles = {piece.id: piece.title for piece in session.exec(select(Piece)).all()}
    return [
        {
            "adjudicator": letter,
            "heard_again_as": number,
            "version": version["version"],
            "marks": {titles.get(key, key): marks for key, marks in version["marks"].items()},
            "remarks": [
                {"piece": titles.get(one.get("piece_id") or "", ""), "bar": one.get("bar"), "text": one["text"]}
                for one in version["remarks"]
            ],
            "submitted_at": version["submitted_at"],
        }
        for sheet, number, letter in rows
        for version in sheet.versions
    ]


def _times(session: Session, candidate_id: str) -> dict[str, Any]:
    turn = session.get(Turn, candidate_id)
    if turn is None:
        return {}
    room = session.get(RecordingRoom, turn.room_id) if turn.room_id is not None else None
    return {
        "room": "" if room is None else room.name,
        **turn.model_dump(mode="json", exclude={"candidate_id", "room_id", "place"}),
    }


def _begun_again(session: Session, candidate_id: str) -> dict[str, int]:
    rows = session.exec(
        select(Piece.title).where(Restart.candidate_id == candidate_id, Restart.piece_id == Piece.id)
    ).all()
    return dict(Counter(rows))


def _links(session: Session, entry_id: str) -> list[dict[str, Any]]:
    """When private links were made and end; their secrets are kept nowhere."""
    rows = session.exec(
        select(AccessToken).where(AccessToken.entry_id == entry_id).order_by(col(AccessToken.created_at))
    ).all()
    return [row.model_dump(mode="json", include={"created_at", "expires_at", "withdrawn_at"}) for row in rows]

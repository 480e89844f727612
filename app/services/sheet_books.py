"""Where a sheet's draft and versions are kept: a candidate's in rows that count, all else in rows that count nowhere.

Both kinds of book answer alike, because an adjudicator must not be able to tell a hidden repeat from a candidate.
Keyed by random ids; no name can be reached from this module.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from sqlmodel import Session, select

from app.db.models import AdjudicationSheet, ExtraHearing, ExtraSheet, Recusal, SheetVersion
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import Duplicate
from app.services import custody
from app.services.sheet_cells import Cell, Marks, Remark
from app.services.sheet_signing import FIRST_SIGNATURE, signature_of, signed_extra, versions_of

OTHER_SHEET = "Another sheet was sent under this id; reload the page and look at what was kept."


@dataclass(frozen=True, slots=True)
class VersionView:
    """One submitted version of a sheet."""

    id: str
    version: int
    marks: Marks
    remarks: tuple[Remark, ...]
    reason: str
    signature: str
    submitted_at: datetime


class SheetBook(Protocol):
    """One adjudicator's sheet for one number."""

    @property
    def is_begun(self) -> bool:
        """Whether anything was entered."""

    @property
    def is_sent(self) -> bool:
        """Whether the sheet was submitted."""

    @property
    def is_recused(self) -> bool:
        """Whether the adjudicator does not score this number."""

    @property
    def draft(self) -> dict[str, Any]:
        """What was entered so far, empty once the sheet is sent."""

    def versions(self) -> list[VersionView]:
        """Every submitted version, first to last."""

    def known(self, version_id: str) -> VersionView | None:
        """The version of this id when it is this sheet's; ``Duplicate`` when it is another's."""

    def save_draft(self, draft: dict[str, Any], now: datetime) -> None:
        """Replace the draft."""

    def add_version(self, version_id: str, content: dict[str, Any], *, actor: Actor) -> None:
        """Lock the sheet and add a signed version."""


def book_of(session: Session, there: Cell) -> SheetBook:
    """The book that a cell's sheet is kept in."""
    return CandidateBook(session, there) if there.extra is None else ExtraBook(session, there, there.extra)


class CandidateBook:
    """A candidate's sheet: it counts."""

    def __init__(self, session: Session, there: Cell) -> None:
        self._session = session
        self._there = there
        self._row = session.exec(
            select(AdjudicationSheet).where(
                AdjudicationSheet.adjudicator_id == there.adjudicator.id,
                AdjudicationSheet.candidate_id == there.subject_id,
            )
        ).first()

    @property
    def is_begun(self) -> bool:
        """Whether anything was entered."""
        return self._row is not None

    @property
    def is_sent(self) -> bool:
        """Whether the sheet was submitted."""
        return self._row is not None and self._row.state == "submitted"

    @property
    def is_recused(self) -> bool:
        """Whether the adjudicator does not score this candidate."""
        return is_recused(self._session, self._there.adjudicator.id, self._there.subject_id)

    @property
    def draft(self) -> dict[str, Any]:
        """What was entered so far."""
        return self._row.draft if self._row is not None else {}

    def versions(self) -> list[VersionView]:
        """Every submitted version, first to last."""
        if self._row is None or not self.is_sent:  # a draft has none yet
            return []
        return [_seen(v) for v in versions_of(self._session, self._row.id)]

    def known(self, version_id: str) -> VersionView | None:
        """The version of this id when it is this sheet's."""
        kept = self._session.get(SheetVersion, version_id)
        if kept is None:
            return None
        if self._row is None or kept.sheet_id != self._row.id:
            raise Duplicate(OTHER_SHEET)
        return _seen(kept)

    def save_draft(self, draft: dict[str, Any], now: datetime) -> None:
        """Replace the draft."""
        row = self._own()
        row.draft, row.updated_at = draft, now
        self._session.add(row)
        self._session.flush()

    def add_version(self, version_id: str, content: dict[str, Any], *, actor: Actor) -> None:
        """Lock the sheet and add a signed version."""
        row = self._own()
        row.state, row.draft, row.updated_at = "submitted", {}, now_utc()
        self._session.add(row)
        self._session.flush()
        earlier = versions_of(self._session, row.id)
        version = SheetVersion.model_validate(
            {
                "id": version_id,
                "sheet_id": row.id,
                "version": len(earlier) + 1,
                **content,
                "signature": "",
                "submitted_at": now_utc(),
            }
        )
        version.signature = signature_of(version, row, earlier[-1].signature if earlier else FIRST_SIGNATURE)
        self._session.add(version)
        self._session.flush()
        facts = {
            "number": self._there.number,
            "letter": self._there.adjudicator.letter,
            "version": version.version,
            "signature": version.signature,
        }
        action = "sheet-corrected" if earlier else "sheet-submitted"
        custody.record(self._session, self._there.round.id, actor, action, self._there.subject_id, facts)

    def _own(self) -> AdjudicationSheet:
        if self._row is None:
            self._row = AdjudicationSheet(
                adjudicator_id=self._there.adjudicator.id, candidate_id=self._there.subject_id
            )
        return self._row


class ExtraBook:
    """The sheet of a practice take or a hidden repeat: it counts nowhere."""

    def __init__(self, session: Session, there: Cell, extra: ExtraHearing) -> None:
        self._session = session
        self._there = there
        self._extra = extra
        self._row = session.exec(
            select(ExtraSheet).where(ExtraSheet.adjudicator_id == there.adjudicator.id, ExtraSheet.extra_id == extra.id)
        ).first()

    @property
    def is_begun(self) -> bool:
        """Whether anything was entered."""
        return self._row is not None

    @property
    def is_sent(self) -> bool:
        """Whether the sheet was submitted."""
        return self._row is not None and self._row.state == "submitted"

    @property
    def is_recused(self) -> bool:
        """Whether the adjudicator does not score this number."""
        return self._row is not None and self._row.recused

    @property
    def draft(self) -> dict[str, Any]:
        """What was entered so far."""
        return self._row.draft if self._row is not None else {}

    def versions(self) -> list[VersionView]:
        """Every submitted version, first to last."""
        return extra_versions(self._row) if self._row is not None else []

    def known(self, version_id: str) -> VersionView | None:
        """The version of this id when it is this sheet's."""
        own = next((v for v in self.versions() if v.id == version_id), None)
        if own is None and self._session.get(SheetVersion, version_id) is not None:
            raise Duplicate(OTHER_SHEET)
        return own

    def save_draft(self, draft: dict[str, Any], now: datetime) -> None:
        """Replace the draft."""
        row = self._own()
        row.draft, row.updated_at = draft, now
        self._session.add(row)
        self._session.flush()

    def add_version(self, version_id: str, content: dict[str, Any], *, actor: Actor) -> None:
        """Lock the sheet and add a signed version."""
        row = self._own()
        row.state, row.draft, row.updated_at = "submitted", {}, now_utc()
        at = now_utc().isoformat(timespec="microseconds")
        version = {"id": version_id, "version": len(row.versions) + 1, **content, "submitted_at": at}
        version["signature"] = signed_extra(version, row)
        row.versions = [*row.versions, version]
        self._session.add(row)
        self._session.flush()
        facts = {"letter": self._there.adjudicator.letter, "version": version["version"]}
        facts |= {"kind": self._extra.kind, "signature": version["signature"]}
        custody.record(self._session, self._there.round.id, actor, "extra-sheet-submitted", self._extra.id, facts)

    def recuse(self, *, actor: Actor) -> None:
        """The adjudicator does not score this number. Harmless when recused already."""
        row = self._own()
        if row.recused:
            return
        row.recused, row.draft, row.updated_at = True, {}, now_utc()
        self._session.add(row)
        self._session.flush()
        facts = {"letter": self._there.adjudicator.letter, "kind": self._extra.kind}
        custody.record(self._session, self._there.round.id, actor, "extra-recused", self._extra.id, facts)

    def _own(self) -> ExtraSheet:
        if self._row is None:
            self._row = ExtraSheet(adjudicator_id=self._there.adjudicator.id, extra_id=self._extra.id)
        return self._row


def extra_versions(row: ExtraSheet) -> list[VersionView]:
    """The versions of a sheet that counts nowhere, first to last."""
    return [
        VersionView(
            id=v["id"],
            version=v["version"],
            marks=v["marks"],
            remarks=tuple(v["remarks"]),
            reason=v["reason"],
            signature=v["signature"],
            submitted_at=datetime.fromisoformat(v["submitted_at"]),
        )
        for v in row.versions
    ]


def is_recused(session: Session, adjudicator_id: str, candidate_id: str) -> bool:
    """Whether this adjudicator does not score this candidate."""
    there = session.exec(
        select(Recusal.id).where(Recusal.adjudicator_id == adjudicator_id, Recusal.candidate_id == candidate_id)
    ).first()
    return there is not None


def _seen(v: SheetVersion) -> VersionView:
    return VersionView(v.id, v.version, v.marks, tuple(v.remarks), v.reason, v.signature, v.submitted_at)

"""The chain of a sheet's versions: a signature covers content, adjudicator, candidate and the signature before it."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlmodel import Session, col, select

from app.db.models import AdjudicationSheet, ExtraSheet, SheetVersion
from app.services import custody

FIRST_SIGNATURE = "0" * 64


def versions_of(session: Session, sheet_id: str) -> list[SheetVersion]:
    """Every version of a sheet, first to last."""
    return list(
        session.exec(
            select(SheetVersion).where(SheetVersion.sheet_id == sheet_id).order_by(col(SheetVersion.version))
        ).all()
    )


def signature_of(version: SheetVersion, row: AdjudicationSheet, previous: str) -> str:
    """The signature a version must carry: sha256 over its content, adjudicator, candidate and predecessor."""
    return custody.content_hash(
        {
            "id": version.id,
            "adjudicator_id": row.adjudicator_id,
            "candidate_id": row.candidate_id,
            "version": version.version,
            "marks": version.marks,
            "remarks": version.remarks,
            "reason": version.reason,
            "submitted_at": version.submitted_at.isoformat(timespec="microseconds"),
            "previous": previous,
        }
    )


def first_broken_signature(row: AdjudicationSheet, versions: Sequence[SheetVersion]) -> str | None:
    """What is wrong with a sheet's chain of versions, as a sentence, or None when it holds."""
    previous = FIRST_SIGNATURE
    for expected, version in enumerate(versions, start=1):
        if version.version != expected:
            return f"version {expected} of sheet {row.id} is missing."
        if version.signature != signature_of(version, row, previous):
            return f"version {expected} of sheet {row.id} was changed after it was signed."
        previous = version.signature
    if row.state == "submitted" and not versions:
        return f"sheet {row.id} counts as sent but has no version."
    return None


def signed_extra(version: Mapping[str, Any], row: ExtraSheet) -> str:
    """The signature of a version of a sheet that counts nowhere, following the ones in ``row``."""
    earlier = row.versions[: version["version"] - 1]
    content = {key: value for key, value in version.items() if key != "signature"}
    previous = earlier[-1]["signature"] if earlier else FIRST_SIGNATURE
    return custody.content_hash(
        {**content, "adjudicator_id": row.adjudicator_id, "extra_id": row.extra_id, "previous": previous}
    )


def first_broken_extra(row: ExtraSheet) -> str | None:
    """What is wrong with the versions of a sheet that counts nowhere, as a sentence, or None when they hold."""
    for expected, version in enumerate(row.versions, start=1):
        if version["version"] != expected or version["signature"] != signed_extra(version, row):
            return f"version {expected} of practice or repeat sheet {row.id} was changed after it was signed."
    return None

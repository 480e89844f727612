"""Auditions: making, changing, rubric, rule, audit."""

from typing import Any

from fastapi import APIRouter, Response
from sqlmodel import Session

from app.api.access import LeaderHere
from app.api.paging import Limit, Offset, say_total
from app.api.resources import Held, ReadSession
from app.api.schemas.auditions import (
    AuditEntryOut,
    AuditionChangeIn,
    AuditionIn,
    AuditionOut,
    DefaultsOut,
    RubricIn,
    RuleIn,
)
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.db.models import AuditEntry
from app.judging.rubric import default_rubric
from app.judging.rule import default_rule, rule_choices
from app.material.instruments import INSTRUMENTS
from app.services import audition, declaring
from app.services.audition import AuditionView
from app.services.roster_csv import COLUMNS, REQUIRED

router = APIRouter(prefix="/api", tags=["auditions"], responses=SIGNED_IN_PROBLEMS)


@router.get("/defaults", response_model=DefaultsOut)
def defaults(_principal: LeaderHere) -> dict[str, Any]:
    """What forms start from."""
    return {
        "rubric": default_rubric().to_dict(),
        "rule": default_rule().to_dict(),
        "instruments": [{"key": one.key, "name": one.name, "unpitched": one.unpitched} for one in INSTRUMENTS.values()],
        "rules": rule_choices(),
        "roster_columns": [
            {"key": key, "holds": holds, "example": example, "needed": key in REQUIRED}
            for key, (holds, example) in COLUMNS.items()
        ],
    }


@router.get("/auditions", response_model=list[AuditionOut])
def auditions(_principal: LeaderHere, session: ReadSession) -> list[AuditionView]:
    """Every audition, the latest day first."""
    return audition.auditions(session)


@router.post("/auditions", response_model=AuditionOut, status_code=201)
def create(wanted: AuditionIn, principal: LeaderHere, held: Held) -> AuditionView:
    """A new audition."""
    return held.database.write(lambda s: audition.create(s, wanted.model_dump(), actor=principal.actor))


@router.get("/auditions/{audition_id}", response_model=AuditionOut)
def one(audition_id: PathId, _principal: LeaderHere, session: ReadSession) -> AuditionView:
    """One audition, with the one sentence that says what to do next."""
    return audition.one(session, audition_id)


@router.patch("/auditions/{audition_id}", response_model=AuditionOut)
def change(audition_id: PathId, wanted: AuditionChangeIn, principal: LeaderHere, held: Held) -> AuditionView:
    """Change settings."""
    changes = wanted.model_dump(exclude_unset=True)
    return held.database.write(lambda s: audition.change(s, audition_id, changes, actor=principal.actor))


@router.put("/auditions/{audition_id}/rubric", response_model=AuditionOut)
def set_rubric(audition_id: PathId, wanted: RubricIn, principal: LeaderHere, held: Held) -> AuditionView:
    """Replace the rubric, until the first take is in."""

    def work(session: Session) -> AuditionView:
        declaring.set_rubric(session, audition_id, wanted.model_dump(by_alias=True), actor=principal.actor)
        return audition.one(session, audition_id)

    return held.database.write(work)


@router.put("/auditions/{audition_id}/rule", response_model=AuditionOut)
def set_rule(audition_id: PathId, wanted: RuleIn, principal: LeaderHere, held: Held) -> AuditionView:
    """Replace the rule, until the first take is in."""

    def work(session: Session) -> AuditionView:
        declaring.set_rule(session, audition_id, wanted.model_dump(), actor=principal.actor)
        return audition.one(session, audition_id)

    return held.database.write(work)


@router.post("/auditions/{audition_id}/rule/declare", response_model=AuditionOut)
def declare(audition_id: PathId, principal: LeaderHere, held: Held) -> AuditionView:
    """Declare rubric and rule as they stand."""

    def work(session: Session) -> AuditionView:
        declaring.declare(session, audition_id, actor=principal.actor)
        return audition.one(session, audition_id)

    return held.database.write(work)


@router.get("/auditions/{audition_id}/audit", response_model=list[AuditEntryOut])
def audit(
    audition_id: PathId,
    _principal: LeaderHere,
    session: ReadSession,
    response: Response,
    offset: Offset = 0,
    limit: Limit = None,
) -> list[AuditEntry]:
    """Who did what when, in order; with ``limit`` a page of it."""
    if limit is None:
        return audition.audit_trail(session, audition_id)
    total, entries = audition.audit_page(session, audition_id, offset=offset, limit=limit)
    say_total(response, total)
    return entries

"""The roster, by form and from a table."""

from typing import Annotated

from fastapi import APIRouter, File, Query, Response, UploadFile

from app.api.access import LeaderHere
from app.api.paging import Find, Limit, Offset, say_total
from app.api.resources import Held, ReadSession
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.roster import EntryChangeIn, EntryIn, EntryOut, RosterReadingOut
from app.api.schemas.session import DoneOut
from app.services import roster
from app.services.roster import RosterEntry, RosterReading
from app.services.roster_csv import LARGEST_FILE, RosterLine, parse_roster

router = APIRouter(prefix="/api", tags=["roster"], responses=SIGNED_IN_PROBLEMS)


@router.get("/auditions/{audition_id}/roster", response_model=list[EntryOut])
def lines(
    audition_id: PathId,
    _principal: LeaderHere,
    session: ReadSession,
    response: Response,
    find: Find = "",
    offset: Offset = 0,
    limit: Limit = None,
) -> list[RosterEntry]:
    """Every line, by name; with ``limit`` a page of those that hold ``find``."""
    if limit is None:
        return roster.roster(session, audition_id)
    total, page = roster.roster_page(session, audition_id, find=find, offset=offset, limit=limit)
    say_total(response, total)
    return page


@router.post("/auditions/{audition_id}/roster", response_model=EntryOut, status_code=201)
def add(audition_id: PathId, wanted: EntryIn, principal: LeaderHere, held: Held) -> RosterEntry:
    """Add one student on one instrument."""
    line = RosterLine(**wanted.model_dump())
    return held.database.write(lambda s: roster.add(s, audition_id, line, actor=principal.actor))


@router.post("/auditions/{audition_id}/roster/csv", response_model=RosterReadingOut)
def add_table(
    audition_id: PathId,
    principal: LeaderHere,
    held: Held,
    file: Annotated[UploadFile, File(description="A CSV table with a line of column names.")],
    keep_good: Annotated[bool, Query(description="Add the good lines even when others are bad.")] = False,
) -> RosterReading:
    """Add students from a CSV table; every bad line is named."""
    parsed = parse_roster(file.file.read(LARGEST_FILE + 1))
    return held.database.write(
        lambda s: roster.add_table(s, audition_id, parsed, keep_good=keep_good, actor=principal.actor)
    )


@router.patch("/entries/{entry_id}", response_model=EntryOut)
def change(entry_id: PathId, wanted: EntryChangeIn, principal: LeaderHere, held: Held) -> RosterEntry:
    """Change a line."""
    changes = wanted.model_dump(exclude_unset=True)
    return held.database.write(lambda s: roster.change(s, entry_id, changes, actor=principal.actor))


@router.delete("/entries/{entry_id}", response_model=DoneOut)
def remove(entry_id: PathId, principal: LeaderHere, held: Held) -> DoneOut:
    """Remove a line that no round has drawn."""
    held.database.write(lambda s: roster.remove(s, entry_id, actor=principal.actor))
    return DoneOut()

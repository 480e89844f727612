"""The one address that says whether this server can do its work."""

from fastapi import APIRouter, Response

from app.api.resources import Held
from app.api.schemas.envelope import Out
from app.services import health

router = APIRouter(tags=["health"])


class HealthOut(Out):
    """What the probes found; no counts and no names, since anyone may ask."""

    ok: bool
    database: str
    store: str
    oldest_waiting_job_sec: float | None
    database_write_ms: float | None
    warnings: list[str]


@router.get("/healthz", response_model=HealthOut, responses={503: {"model": HealthOut, "description": "Not able."}})
def healthz(held: Held, response: Response) -> HealthOut:
    """200 when takes and sheets can be kept, 503 when not."""
    found = health.probe(held.database, held.store)
    response.status_code = 200 if found.ok else 503
    return HealthOut.model_validate(found)

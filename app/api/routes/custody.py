"""What the leader watches over: a candidate's history, and the server's own figures."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.api.access import LeaderHere
from app.api.resources import Held, ReadSession
from app.api.schemas.custody import HistoryOut
from app.api.schemas.envelope import SIGNED_IN_PROBLEMS, PathId
from app.services import health, history, measuring
from app.services.history import History

router = APIRouter(prefix="/api", tags=["custody"], responses=SIGNED_IN_PROBLEMS)


@router.get("/candidates/{candidate_id}/audit", response_model=HistoryOut)
def audit(candidate_id: PathId, _principal: LeaderHere, session: ReadSession) -> History:
    """Who did what to one candidate, in order, by number and letter."""
    return history.of_candidate(session, candidate_id)


@router.get(
    "/metrics",
    response_class=Response,
    responses={200: {"content": {"text/plain": {}}, "description": "Figures in the Prometheus text format."}},
)
def metrics(_principal: LeaderHere, held: Held, request: Request) -> Response:
    """Requests, jobs, the database's and the store's state, as figures."""
    found = health.probe(held.database, held.store)
    with held.database.read() as session:
        jobs = measuring.job_counts(session)
    gauges = {f'fairhearing_jobs{{state="{state}"}}': float(count) for state, count in sorted(jobs.items())}
    gauges |= {
        "fairhearing_healthy": float(found.ok),
        "fairhearing_database_write_seconds": (found.database_write_ms or 0.0) / 1000,
        "fairhearing_oldest_waiting_job_seconds": found.oldest_waiting_job_sec or 0.0,
        "fairhearing_store_free_bytes": float(held.store.free_bytes()),
    }
    return Response(request.app.state.metrics.text(gauges), media_type="text/plain; version=0.0.4")

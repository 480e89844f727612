"""A day kept on one recorder: sending the long file, looking at its cuts, changing and confirming them."""

from typing import Annotated

from fastapi import APIRouter, Body, Header, Path, Query
from starlette.responses import Response

from app.api.access import LeaderHere, ProctorHere
from app.api.resources import Held, ReadSession, Resources
from app.api.routes.takes import own_audition
from app.api.schemas.day_recordings import (
    MOST_SEC,
    SHA256_PATTERN,
    CandidateChoiceIn,
    ComingOut,
    ConfirmedOut,
    CutAddIn,
    CutChangeIn,
    CutSplitIn,
    DayBeginIn,
    DayListOut,
    DayOut,
    DaySettingsIn,
    EditionIn,
    OutcomeOut,
    PartOut,
    RecordingLineOut,
)
from app.api.schemas.envelope import ID_PATTERN, SIGNED_IN_PROBLEMS, PathId
from app.api.schemas.session import DoneOut
from app.api.serving_files import RECORDING_ANSWERS
from app.files.chunk_spool import MAX_CHUNKS
from app.services import day_cutting, day_editing, day_recordings
from app.services.access import LeaderPrincipal, ProctorPrincipal
from app.services.day_uploads import Coming, DayPlan, DayUploads

router = APIRouter(prefix="/api", tags=["day recordings"], responses=SIGNED_IN_PROBLEMS)

Principal = LeaderPrincipal | ProctorPrincipal
Seconds = Annotated[float, Query(ge=0, le=MOST_SEC)]


def day_uploads_of(held: Resources) -> DayUploads:
    """Long files on their way into this server."""
    return DayUploads(held.settings.data_dir, held.database, held.store)


@router.get("/day-recordings", response_model=DayListOut)
def listed(
    principal: ProctorHere, held: Held, session: ReadSession, round_id: Annotated[str, Query(pattern=ID_PATTERN)]
) -> DayListOut:
    """The long recordings of a round, and those still on their way."""
    lines = day_recordings.of_round(session, round_id, own_audition(principal))
    coming = [one for one in day_uploads_of(held).all_unfinished() if one.round_id == round_id]
    return DayListOut(
        recordings=[RecordingLineOut.model_validate(line) for line in lines],
        coming=[ComingOut.model_validate(one) for one in coming],
    )


@router.put("/day-recordings/{recording_id}", response_model=ComingOut)
def begin(recording_id: PathId, wanted: DayBeginIn, principal: ProctorHere, held: Held) -> Coming:
    """Begin to send a long file, or go on with it: says which parts are here."""
    return day_uploads_of(held).begin(_plan(recording_id, wanted), audition_id=own_audition(principal))


@router.put("/day-recordings/{recording_id}/parts/{seq}", response_model=PartOut)
def part(
    recording_id: PathId,
    seq: Annotated[int, Path(ge=0, lt=MAX_CHUNKS)],
    principal: ProctorHere,
    held: Held,
    data: Annotated[bytes, Body(media_type="application/octet-stream")],
    x_chunk_sha256: Annotated[str | None, Header(pattern=SHA256_PATTERN)] = None,
) -> PartOut:
    """Send one part of 2 MB; the last one may be shorter. Answered once it is durable; again is harmless."""
    day_uploads_of(held).put(recording_id, seq, x_chunk_sha256, data, audition_id=own_audition(principal))
    return PartOut(seq=seq)


@router.post("/day-recordings/{recording_id}/finish", response_model=DayOut)
def finish(recording_id: PathId, wanted: DayBeginIn, principal: ProctorHere, held: Held) -> DayOut:
    """Keep the whole and have it cut. While parts are missing the answer is 409 with their numbers."""
    own = own_audition(principal)
    day_uploads_of(held).finish(_plan(recording_id, wanted), actor=principal.actor, audition_id=own)
    return _shown(held, recording_id, principal)


@router.delete("/day-recordings/{recording_id}/parts", response_model=DoneOut)
def throw_away(recording_id: PathId, principal: ProctorHere, held: Held) -> DoneOut:
    """Forget a long file that was never finished."""
    day_uploads_of(held).throw_away(recording_id, audition_id=own_audition(principal))
    return DoneOut()


@router.get("/day-recordings/{recording_id}", response_model=DayOut)
def look(recording_id: PathId, principal: ProctorHere, held: Held) -> DayOut:
    """One recording: how far the cutting is, the timeline, its cuts, and who could have played them."""
    return _shown(held, recording_id, principal)


@router.patch("/day-recordings/{recording_id}", response_model=DayOut)
def settle(recording_id: PathId, wanted: DaySettingsIn, principal: ProctorHere, held: Held) -> DayOut:
    """Say when the recorder was started and where it stood; what nobody moved is proposed anew."""
    day_recordings.settle(
        held.database,
        recording_id,
        started_at=wanted.started_at,
        room_id=wanted.room_id,
        actor=principal.actor,
        audition_id=own_audition(principal),
    )
    return _shown(held, recording_id, principal)


@router.post("/day-recordings/{recording_id}/cut-again", response_model=DayOut)
def cut_again(recording_id: PathId, principal: ProctorHere, held: Held) -> DayOut:
    """Cut a recording once more after that failed."""
    own = own_audition(principal)
    held.database.write(
        lambda session: day_cutting.ask_again(session, day_recordings.get_recording(session, recording_id, own))
    )
    return _shown(held, recording_id, principal)


@router.post("/day-recordings/{recording_id}/set-aside", response_model=DayOut)
def set_rest_aside(recording_id: PathId, principal: ProctorHere, held: Held) -> DayOut:
    """Set aside everything in it that is still open."""
    held.database.write(
        lambda session: day_editing.set_rest_aside(
            session, recording_id, actor=principal.actor, audition_id=own_audition(principal)
        )
    )
    return _shown(held, recording_id, principal)


@router.post("/day-recordings/{recording_id}/remove", response_model=DayOut)
def remove(recording_id: PathId, principal: LeaderHere, held: Held) -> DayOut:
    """Remove the long file once everything in it is decided; the takes stay."""
    day_recordings.remove(held.database, held.store, recording_id, actor=principal.actor)
    return _shown(held, recording_id, principal)


@router.get(
    "/day-recordings/{recording_id}/sound", response_class=Response, responses=SIGNED_IN_PROBLEMS | RECORDING_ANSWERS
)
def sound(
    recording_id: PathId,
    principal: ProctorHere,
    held: Held,
    session: ReadSession,
    start_sec: Seconds,
    end_sec: Seconds,
) -> Response:
    """A stretch of the recording as a WAV, to listen to."""
    recording = day_recordings.get_recording(session, recording_id, own_audition(principal))
    with day_editing.cut_file(held.store, recording, start_sec, end_sec) as path:
        data = path.read_bytes()
    headers = {"Content-Disposition": "inline", "Cache-Control": "private, no-store"}
    return Response(data, media_type="audio/wav", headers=headers)


@router.post("/day-recordings/{recording_id}/cuts", response_model=DayOut)
def add(recording_id: PathId, wanted: CutAddIn, principal: ProctorHere, held: Held) -> DayOut:
    """Add a cut where none was found."""
    held.database.write(
        lambda session: day_editing.add(
            session,
            recording_id,
            wanted.id,
            wanted.start_sec,
            wanted.end_sec,
            actor=principal.actor,
            audition_id=own_audition(principal),
        )
    )
    return _shown(held, recording_id, principal)


@router.post("/day-recordings/{recording_id}/confirm", response_model=ConfirmedOut)
def confirm_all(recording_id: PathId, wanted: CandidateChoiceIn, principal: ProctorHere, held: Held) -> ConfirmedOut:
    """Confirm everything proposed for one candidate, but earlier tries."""
    outcomes = day_editing.confirm_all(
        held.database,
        held.store,
        recording_id,
        wanted.candidate_id,
        actor=principal.actor,
        audition_id=own_audition(principal),
    )
    return ConfirmedOut(
        outcomes=[OutcomeOut.model_validate(one) for one in outcomes], day=_shown(held, recording_id, principal)
    )


@router.patch("/day-cuts/{cut_id}", response_model=DayOut)
def change(cut_id: PathId, wanted: CutChangeIn, principal: ProctorHere, held: Held) -> DayOut:
    """Move a cut's borders, say whose it is, set it aside or propose it again."""
    said = wanted.model_dump(include=wanted.model_fields_set - {"edition"})
    changes = {key: value for key, value in said.items() if value is not None or key in ("candidate_id", "piece_id")}
    recording_id = day_editing.change(
        held.database, cut_id, wanted.edition, changes, actor=principal.actor, audition_id=own_audition(principal)
    )
    return _shown(held, recording_id, principal)


@router.post("/day-cuts/{cut_id}/split", response_model=DayOut)
def split(cut_id: PathId, wanted: CutSplitIn, principal: ProctorHere, held: Held) -> DayOut:
    """Make two cuts of one."""
    recording_id = held.database.write(
        lambda session: day_editing.split(
            session,
            cut_id,
            wanted.edition,
            wanted.at_sec,
            wanted.id,
            actor=principal.actor,
            audition_id=own_audition(principal),
        )
    )
    return _shown(held, recording_id, principal)


@router.post("/day-cuts/{cut_id}/join", response_model=DayOut)
def join(cut_id: PathId, wanted: EditionIn, principal: ProctorHere, held: Held) -> DayOut:
    """Make one cut of this and the next playing."""
    recording_id = held.database.write(
        lambda session: day_editing.join(
            session, cut_id, wanted.edition, actor=principal.actor, audition_id=own_audition(principal)
        )
    )
    return _shown(held, recording_id, principal)


@router.post("/day-cuts/{cut_id}/confirm", response_model=ConfirmedOut)
def confirm(cut_id: PathId, wanted: EditionIn, principal: ProctorHere, held: Held) -> ConfirmedOut:
    """Make the cut the candidate's take. Confirming twice makes one."""
    own = own_audition(principal)
    take_id = day_editing.confirm(
        held.database, held.store, cut_id, wanted.edition, actor=principal.actor, audition_id=own
    )
    with held.database.read() as session:
        recording_id = day_editing.recording_of(session, cut_id, own)
    return ConfirmedOut(
        outcomes=[OutcomeOut(cut_id=cut_id, take_id=take_id, sentence="")], day=_shown(held, recording_id, principal)
    )


def _plan(recording_id: str, wanted: DayBeginIn) -> DayPlan:
    return DayPlan(recording_id, wanted.round_id, wanted.size_bytes, wanted.room_id, wanted.started_at)


def _shown(held: Resources, recording_id: str, principal: Principal) -> DayOut:
    with held.database.read() as session:
        return DayOut.model_validate(day_recordings.look(session, recording_id, own_audition(principal)))

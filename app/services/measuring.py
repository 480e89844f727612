"""Having takes measured: what to measure, asking for it, doing it in a worker, telling how far it is.

One job per take, reading of the piece, settings and algorithm version: asking twice is harmless, and a result keeps the
hash of what it was made from, so a stale one is seen. The heavy rooms (listening, notation) are imported only where
the work is done, never in the server.
"""

import dataclasses
import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa
from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import Audition, Candidate, Findings, Job, Piece, Round, Take
from app.db.types import now_after
from app.domain.errors import NotFound, WrongState
from app.domain.findings import findings_to_dict
from app.files.store import BlobStore
from app.jobs.ledger import Progress, Save
from app.listening.version import ALGORITHM_VERSION
from app.material.instruments import INSTRUMENTS
from app.services import custody, declaring, queueing, room_sounds, sight_sheets
from app.services.piece_reading import has_notation

if TYPE_CHECKING:
    from app.domain.findings import Findings as MeasuredFindings
    from app.files.audio import Audio
    from app.listening.settings import ListeningSettings

KIND = "measure-take"
PRIORITY_IN_THE_ROOM = 10  # a take whose candidate waits comes before one that is measured again
PRIORITY_AGAIN = 0


@dataclasses.dataclass(frozen=True, slots=True)
class Measuring:
    """How far the measuring of one take is."""

    state: str  # queued | running | done | failed | none
    progress: float  # 0 to 1
    text: str


def input_hash(take: Take, piece: Piece, candidate: Candidate, audition: Audition) -> str:
    """Hash of everything the findings depend on besides the algorithm: the take, the piece as read, the settings."""
    made_from = {
        "take": take.sha256,
        "source": hashlib.sha256(piece.source).hexdigest(),
        "format": piece.source_format,
        "page_instrument": piece.instrument,
        "options": piece.options,
        "leader_marks": piece.leader_marks,
        "instrument": candidate.instrument,
        "a4_hz": audition.a4_hz,
        "temperament": audition.temperament,
        "rubric": [audition.rubric.get("low"), audition.rubric.get("high")],
        "yardsticks": audition.rule.get("yardsticks"),
    }
    if room_sounds.sounds_of(audition).click:
        made_from["click"] = True
    return custody.content_hash(made_from)


def is_measurable(take: Take) -> bool:
    """Whether the take's sound is still there to be measured; without notation less is measured, not nothing."""
    return take.destroyed_at is None


def ask(session: Session, take: Take, *, priority: int = PRIORITY_IN_THE_ROOM) -> Job | None:
    """Queue the measuring of a take as things stand now; None when its recording was destroyed."""
    if not is_measurable(take):
        return None
    around = _around(session, take)
    wanted = input_hash(take, around.piece, around.candidate, around.audition)
    key = f"{KIND}:{take.id}:{wanted[:32]}:{ALGORITHM_VERSION}"
    payload = {"take_id": take.id, "input_hash": wanted}
    return queueing.enqueue(session, KIND, key, payload, priority=priority, subject=take.id)


def ask_again(session: Session, take_id: str) -> Measuring:
    """Measure a take once more, also when that was done or given up before."""
    take = session.get(Take, take_id)
    if take is None:
        raise NotFound("This take is not there any more; reload the page.")
    if take.state == "voided":
        raise WrongState("This take is voided, so it is not measured; measure its re-take.")
    job = ask(session, take, priority=PRIORITY_AGAIN)
    if job is None:
        raise WrongState("This recording was destroyed, so its findings stay as they are.")
    return _shown(queueing.requeue(session, job))


def ask_for_piece(session: Session, piece_id: str) -> int:
    """Queue every kept take of a piece that changed (its marks, its bars). Returns how many are not measured yet."""
    takes = session.exec(select(Take).where(Take.piece_id == piece_id, Take.state == "kept")).all()
    jobs = [ask(session, take, priority=PRIORITY_AGAIN) for take in takes]
    return sum(job is not None and job.state in ("queued", "running") for job in jobs)


def states(session: Session, take_ids: Iterable[str]) -> dict[str, Measuring]:
    """How far the measuring of each take is: its newest job."""
    found = {take_id: Measuring("none", 0.0, "") for take_id in take_ids}
    for chunk in _chunks(list(found)):
        jobs = session.exec(
            select(Job).where(Job.kind == KIND, col(Job.subject).in_(chunk)).order_by(col(Job.created_at))
        ).all()
        found |= {job.subject: _shown(job) for job in jobs}
    return found


def job_counts(session: Session) -> dict[str, int]:
    """How many jobs are in each state."""
    counted = session.exec(select(Job.state, sa.func.count()).group_by(col(Job.state))).all()
    return {"queued": 0, "running": 0, "done": 0, "failed": 0} | {state: int(count) for state, count in counted}


def newest(session: Session, take_id: str) -> Findings | None:
    """The newest findings of a take, or None."""
    return session.exec(
        select(Findings).where(Findings.take_id == take_id).order_by(col(Findings.created_at).desc()).limit(1)
    ).first()


def newest_of(session: Session, take_ids: Sequence[str], until: datetime | None = None) -> dict[str, Findings]:
    """The newest findings of several takes, by take; those that were the newest at ``until`` when it is given."""
    wanted = select(Findings).where(col(Findings.take_id).in_(list(take_ids)))
    if until is not None:
        wanted = wanted.where(col(Findings.created_at) <= until)
    rows = session.exec(wanted.order_by(col(Findings.created_at))).all()
    return {row.take_id: row for row in rows}


def is_stale(session: Session, found: Findings) -> bool:
    """Whether the take would be measured differently today: another reading, other settings or a newer algorithm."""
    take = session.get(Take, found.take_id)
    if take is None:
        return True
    around = _around(session, take)
    now = input_hash(take, around.piece, around.candidate, around.audition)
    return (found.input_hash, found.algorithm_version) != (now, ALGORITHM_VERSION)


def bar_positions(payload: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Where each bar begins in the take: [{"bar", "at_sec"}], in the order played. Says nothing about how well."""
    found: list[dict[str, Any]] = []
    for note in payload.get("notes", []) if payload.get("notated", True) else ():
        if note["grace"] or note["onset_sec"] is None or note["status"] == "omitted":
            continue
        if not found or found[-1]["bar"] != note["bar"]:
            found.append({"bar": note["bar"], "at_sec": round(float(note["onset_sec"]), 3)})
    return sorted(found, key=lambda bar: float(bar["at_sec"]))


@dataclasses.dataclass(frozen=True, slots=True)
class Waveform:
    """What a player draws: says nothing about how well it was played."""

    duration_sec: float
    peaks: list[float]
    bars: list[dict[str, Any]]


def waveform(session: Session, take: Take) -> Waveform:
    """The waveform of a take and, once it is measured, where its bars begin."""
    found = newest(session, take.id)
    return Waveform(take.duration_sec, take.peaks, bar_positions(found.payload) if found is not None else [])


@dataclasses.dataclass(frozen=True, slots=True)
class _Around:
    candidate: Candidate
    piece: Piece
    audition: Audition


def _around(session: Session, take: Take) -> _Around:
    candidate = session.get_one(Candidate, take.candidate_id)
    piece = sight_sheets.as_read(session, session.get_one(Piece, take.piece_id), candidate.id)
    audition_id = session.get_one(Round, candidate.round_id).audition_id
    return _Around(candidate, piece, session.get_one(Audition, audition_id))


def _shown(job: Job) -> Measuring:
    text = {"queued": "waiting", "failed": job.error}.get(job.state, job.progress_text)
    return Measuring(job.state, round(job.progress, 3), text)


def _chunks(ids: Sequence[str], size: int = 500) -> Iterable[Sequence[str]]:
    return (ids[start : start + size] for start in range(0, len(ids), size))


# In a worker ------------------------------------------------------------------------------------------------------


class MeasureTake:
    """The task of kind ``measure-take``."""

    def __init__(self, database: Database, store: BlobStore) -> None:
        self._database = database
        self._store = store

    def __call__(self, payload: Mapping[str, Any], progress: Progress) -> Save:
        """Measure one take; the save writes its findings. Errors raised on purpose set the job aside."""
        from app.files.audio import decode
        from app.judging.yardsticks import measured_marks

        take_id = str(payload["take_id"])
        with self._database.read() as session:
            take = session.get(Take, take_id)
            if take is None:
                raise NotFound("The take was destroyed before it was measured.")
            around = _around(session, take)
            rubric, rule = declaring.rubric_of(around.audition), declaring.rule_of(around.audition)
        listen = _listening_to(around, progress)
        progress(0.02, "decoding")
        findings = listen(decode(self._store.local_path(take.sha256)))
        marks = measured_marks(findings, (rubric.low, rubric.high), rule.yardsticks)
        findings = dataclasses.replace(
            findings, marks={caption: dataclasses.asdict(mark) for caption, mark in marks.items()}
        )
        row = {
            "take_id": take_id,
            "input_hash": input_hash(take, around.piece, around.candidate, around.audition),
            "algorithm_version": findings.algorithm_version,
            "payload": findings_to_dict(findings),
        }

        return lambda session: save_findings(session, row)


def _listening_to(around: _Around, progress: Progress) -> "Callable[[Audio], MeasuredFindings]":
    """How a take of this piece is measured: through its notation, or by its sound alone where there is none."""
    settings = _settings(around.audition)
    if not has_notation(around.piece):
        from app.listening.untyped import measure_untyped

        played = INSTRUMENTS.get(around.candidate.instrument or around.piece.instrument)
        return lambda audio: measure_untyped(
            audio.samples,
            audio.sample_rate,
            settings,
            transposition_semitones=played.transposition_semitones if played is not None else 0,
            instrument=played.key if played is not None else "other",
            unpitched=played is not None and played.unpitched,
            progress=progress,
        )
    from app.listening.measuring import measure
    from app.services.pieces import load_piece

    progress(0.0, "reading the piece")
    piece = load_piece(around.piece, around.candidate.instrument or None)
    return lambda audio: measure(audio.samples, audio.sample_rate, piece, settings, progress)


def save_findings(session: Session, row: Mapping[str, Any]) -> None:
    """Save findings as the newest of their take, in place of those of the same reading and version."""
    same = (
        Findings.take_id == row["take_id"],
        Findings.input_hash == row["input_hash"],
        Findings.algorithm_version == row["algorithm_version"],
    )
    there = session.exec(select(Findings).where(*same)).first()
    if there is not None:
        session.delete(there)
        session.flush()
    latest = newest(session, row["take_id"])
    at = now_after(latest.created_at if latest is not None else None)
    session.add(Findings.model_validate({**row, "created_at": at}))


def _settings(audition: Audition) -> "ListeningSettings":
    from app.listening.settings import ListeningSettings

    return ListeningSettings(
        a4_hz=audition.a4_hz,
        temperament="just" if audition.temperament == "just" else "equal",
        click=room_sounds.sounds_of(audition).click,
    )


def warm_up() -> None:
    """Measure a short scale of our own, so that the first candidate does not wait for compilers."""
    import numpy as np

    from app.listening.measuring import measure
    from app.listening.settings import ListeningSettings
    from app.material.generating import generate
    from app.material.performing import Plan, perform
    from app.material.recipe import Recipe
    from app.material.sounding import SAMPLE_RATE_HZ, sound, voice_for

    piece = generate(Recipe(kind="scale", tonic="C", mode="major", octaves=1, instrument="clarinet-bb"))
    random = np.random.default_rng(1)
    samples = sound(perform(piece, Plan(), random), voice_for("clarinet-bb"), random)
    measure(samples, SAMPLE_RATE_HZ, piece, ListeningSettings())

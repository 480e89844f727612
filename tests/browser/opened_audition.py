"""An audition with takes, findings and sheets, its round opened: what a student's page shows."""

from pathlib import Path
from typing import Any

import httpx
from heard_take import heard_findings
from small_audition import Drawn
from sqlmodel import col, select

from app.api.resources import Resources
from app.db.models import Candidate, Findings, Piece, Take
from app.domain.findings import Findings as MeasuredFindings
from app.domain.findings import MeasuredNote, findings_to_dict
from app.domain.ids import new_id
from app.services.piece_reading import has_notation, load_piece

CAPTIONS = ("tone", "pitch", "rhythm", "musicianship")
FIRST_SEC = 0.5
NOTE_SEC = 0.2


def findings_for(row: Piece) -> MeasuredFindings:
    """Every note played in its turn: the third sharp, the fifth late, the second F higher than the first."""
    piece = load_piece(row, None)
    notes = tuple(
        MeasuredNote(
            note.note_id,
            note.bar,
            note.beat,
            note.written_pitch,
            note.sounding_midi,
            "omitted" if index == 9 else "played",
            onset_sec=None if index == 9 else FIRST_SEC + NOTE_SEC * index,
            offset_sec=None if index == 9 else FIRST_SEC + NOTE_SEC * (index + 0.9),
            deviation_cents=None if index == 9 else 22.0 if index == 2 else float(index % 5 - 2),
            deviation_uncertainty_cents=None if index == 9 else 2.0,
            timing_ms=None if index == 9 else 70.0 if index == 4 else float(index % 3 - 1) * 6.0,
            timing_beats=None if index == 9 else 0.1 if index == 4 else 0.01,
            level_db=-24.0 + index % 6,
        )
        for index, note in enumerate(piece.notes)
    )
    first, last = piece.notes[0], piece.notes[-1]
    back = {
        "first_note_id": first.note_id,
        "second_note_id": last.note_id,
        "written_pitch": first.written_pitch,
        "bar_first": first.bar,
        "bar_second": last.bar,
        "cents": 18.0,
        "uncertainty_cents": 3.0,
        "notes_between": len(notes) - 2,
        "sec_between": 2.0,
    }
    return MeasuredFindings(
        a4_hz_used=440.0,
        a4_hz_fitted=440.6,
        tempo_bpm_fitted=88.0,
        tempo_bpm_marked=90.0,
        notes=notes,
        extra_notes=(),
        breaks=(),
        pitch={
            "median_abs_cents": 2.0,
            "return_notes": [back],
            "tendencies": [],
            "chord_figures": [],
            "why_null": None,
        },
        rhythm={"held_notes": [], "landings": [], "runs": [], "tempo_curve": [], "why_null": None},
        musicianship={"phrases": [], "contrasts": [], "why_null": None},
        tone={"cracked": [], "why_null": None},
        warnings=(),
        algorithm_version="test",
    )


def open_round(url: str, drawn: Drawn, resources: Resources, take_file: Path) -> dict[str, str]:
    """A take, findings and two sheets for everybody; opened. Returns the private links by blind number."""
    cookies = {c["name"]: c["value"] for c in drawn.cookies}
    with httpx.Client(base_url=url, timeout=60) as client:

        def ok(reply: httpx.Response) -> Any:
            assert reply.is_success, reply.text
            return reply.json()

        tokens = {who: ok(client.post("/api/join", json={"link": link}))["token"] for who, link in drawn.links.items()}
        as_ = {who: {"Authorization": f"Bearer {token}"} for who, token in tokens.items()}
        for candidate in ok(client.get("/api/room", headers=as_["proctor"]))["candidates"]:
            form = {"id": new_id(), "candidate_id": candidate["candidate_id"], "piece_id": drawn.piece_id}
            with take_file.open("rb") as sound:
                ok(client.post("/api/takes", headers=as_["proctor"], data=form, files={"file": sound}))
        resources.database.write(lambda session: _measure(session, drawn.round_id))
        for letter in ("A", "B"):
            for candidate in ok(client.get("/api/panel", headers=as_[letter]))["candidates"]:
                remark = {"piece_id": drawn.piece_id, "bar": "2", "text": "Keep the air moving to the top."}
                marks = {drawn.piece_id: dict.fromkeys(CAPTIONS, 7)}
                body = {"version_id": new_id(), "marks": marks, "remarks": [remark] if letter == "A" else []}
                path = f"/api/panel/candidates/{candidate['candidate_id']}/sheet/submit"
                ok(client.post(path, headers=as_[letter], json=body))
    with httpx.Client(base_url=url, timeout=60, cookies=cookies, headers={"Origin": url}) as leader:
        opened = ok(leader.post(f"/api/rounds/{drawn.round_id}/open", json={"reason": "a rehearsal"}))
        return {
            row["blind_number"]: ok(leader.post(f"/api/candidates/{row['candidate_id']}/student-link"))["url"]
            for row in opened["rows"]
        }


def _measure(session: Any, round_id: str) -> None:
    """Findings for the takes of one round; other tests' auditions live on the same server."""
    own = select(Take).join(Candidate, col(Take.candidate_id) == Candidate.id).where(Candidate.round_id == round_id)
    for take in session.exec(own).all():
        piece = session.get_one(Piece, take.piece_id)
        payload = findings_to_dict(findings_for(piece) if has_notation(piece) else heard_findings())
        session.add(Findings(take_id=take.id, input_hash="0" * 64, algorithm_version="test", payload=payload))

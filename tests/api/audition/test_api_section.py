"""The section report over the public API: planted tendencies and faults come out, and nobody's name or number."""

import io
from typing import Any

from api_hall import ok
from pypdf import PdfReader
from sqlmodel import select

from app.db.models import Findings, Take


def plant(held: Any, hall: Any) -> None:
    """Three takes: written A4 about 14 cents sharp for all, bar 2 wrong for two of them."""
    with held.database.read() as session:
        takes = [take.id for take in session.exec(select(Take)).all()]

    def work(session: Any) -> None:
        for place, take_id in enumerate(takes):
            found = session.exec(select(Findings).where(Findings.take_id == take_id)).one()
            note = found.payload["notes"][0]
            wrong = {**note, "note_id": "n2", "bar": "2", "status": "wrong" if place < 2 else "played"}
            tendency = {"written_pitch": "A4", "sounding_midi": 67, "median_cents": 13.0 + place, "count": 4}
            pitch = {**found.payload["pitch"], "tendencies": [{**tendency, "uncertainty_cents": 1.0}]}
            found.payload = {**found.payload, "notes": [note, wrong], "pitch": pitch}
            session.add(found)

    held.database.write(work)


def test_the_report_says_what_to_rehearse_and_names_nobody(hall, held):
    plant(held, hall)
    address = f"/api/rounds/{hall.round_id}"
    report = ok(hall.leader.get(f"{address}/section"))
    assert report["takes"].startswith("First round, from 3 takes by 3 players")
    assert report["next_rehearsal"][0].startswith("A4 of the Clarinet in B♭ lies 14 cents sharp across 3 players")
    assert report["next_rehearsal"][1].startswith("Bar 2 of Scale: 2 of 3 fell there (2 with wrong notes)")
    assert report["pitch"][0]["svg"].count("<path") >= 3
    assert "Most in bar 2" in report["pieces"][0]["sentence"]
    assert report["doubts"] == [
        "Fewer than two adjudicators have marked the same candidate, so nothing can be said yet."
    ]
    pdf = hall.leader.get(f"{address}/section-report.pdf")
    text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf.content)).pages)
    assert "Bars where most fell" in text
    assert "+14 cents" in text
    assert hall.leader.get(f"{address}/section-report.pdf").content == pdf.content
    for secret in hall.secrets:
        assert secret not in str(report)
        assert secret not in text
    for candidate in hall.candidates:
        assert f"number {candidate['blind_number']}" not in text.casefold()
    for visitor in (hall.proctor, hall.panel["A"]):
        assert visitor.get(f"{address}/section").status_code == 403

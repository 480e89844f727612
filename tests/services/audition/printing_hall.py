"""A round of four to print: three adjudicators, a recusal, a measured take."""

import io
from typing import Any

import pypdf
import pytest
from audition_scene import LEADER, Scene
from sqlmodel import Session

from app.db.database import Database
from app.db.models import Findings, Take
from app.domain.findings import Findings as MeasuredFindings
from app.domain.findings import MeasuredNote, findings_to_dict
from app.services import opening, pieces, printing, rounds, sheets_in
from app.services.piece_reading import load_piece

NAMES = ("Mira Sund", "Jo Vale", "A/B: C? Ek", "Наталья Ёлкина")
RECIPE = {"kind": "scale", "tonic": "F", "mode": "major", "octaves": 1, "instrument": "clarinet-bb"}


def text_of(pdf: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(p.extract_text() for p in pages).replace("\u00a0", " ").split())


def marks(value: int) -> dict[str, int]:
    return dict.fromkeys(("tone", "pitch", "rhythm", "musicianship"), value)


class Hall(Scene):
    """Three adjudicators, four numbers, a scale and a piece known by its title; B is recused from the first number."""

    def __init__(self, database: Database) -> None:
        super().__init__(database)
        self.scale = self.do(pieces.add, self.audition_id, pieces.from_recipe(RECIPE, title="F major scale")).id
        self.etude = self.piece("Étude from paper", 1)
        self.judges = [self.adjudicator(name) for name in ("Ada Brandt", "Bo Sand", "Cy Lund")]
        for name in NAMES:
            self.student(name)
        self.declare(measured_weights={"pitch": 0.2}, piece_weights={self.scale: 30, self.etude: 70})
        drawn = self.drawn(seats=2)
        self.round_id = drawn.id
        self.numbers = [c.candidate_id for c in drawn.candidates]
        self.blind = [c.blind_number for c in drawn.candidates]
        self.do(sheets_in.recuse, self.judges[1], self.numbers[0])
        for place, number in enumerate(self.numbers):
            for column, judge in enumerate(self.judges):
                if (place, column) != (0, 1):
                    value = 9 - 2 * place - (column == 1)
                    given = {self.scale: marks(value), self.etude: marks(value)}
                    remarks = [{"piece_id": self.etude, "bar": "7", "text": f"Said to {self.blind[place]}."}]
                    self.submit(judge, number, given, remarks=remarks if column == 0 else [])
        self.measured(self.numbers[0], cents=31.0)

    def measured(self, candidate_id: str, *, cents: float) -> None:
        """A take of the scale whose B-flat lay off by ``cents``, with its findings."""

        def add(session: Session) -> None:
            row = pieces.get_piece(session, self.scale)
            take = Take.model_validate(
                {
                    "candidate_id": candidate_id,
                    "piece_id": self.scale,
                    "sha256": "0" * 64,
                    "size_bytes": 1,
                    "container": "wav",
                    "playback_sha256": "0" * 64,
                    "duration_sec": 9.0,
                    "sample_rate_hz": 44100,
                    "channels": 1,
                }
            )
            session.add(take)
            session.flush()
            payload = findings_to_dict(self.findings(row, cents))
            session.add(Findings(take_id=take.id, input_hash="1" * 64, algorithm_version="test", payload=payload))

        self.database.write(add)

    def findings(self, row: Any, cents: float) -> MeasuredFindings:
        piece = load_piece(row)
        notes = tuple(
            MeasuredNote(
                note_id=n.note_id,
                bar=n.bar,
                beat=n.beat,
                written_pitch=n.written_pitch,
                sounding_midi=n.sounding_midi,
                status="played",
                onset_sec=1.0 + 0.4 * i,
                heard_midi=n.sounding_midi,
                deviation_cents=cents if n.written_pitch.startswith("Bb") else 2.0,
                deviation_uncertainty_cents=1.5,
                timing_ms=3.0,
                timing_beats=0.004,
                level_db=-20.0 + i,
            )
            for i, n in enumerate(piece.notes)
        )
        flat = next(n for n in piece.notes if n.written_pitch.startswith("Bb"))
        tendency = {
            "written_pitch": flat.written_pitch,
            "sounding_midi": flat.sounding_midi,
            "median_cents": cents,
            "count": 2,
            "uncertainty_cents": 2.0,
        }
        pitch = {"median_abs_cents": 4.0, "share_within_10": 0.9, "notes_judged": len(notes), "tendencies": [tendency]}
        return MeasuredFindings(
            a4_hz_used=440.0,
            a4_hz_fitted=440.0,
            tempo_bpm_fitted=80.0,
            tempo_bpm_marked=80.0,
            notes=notes,
            extra_notes=(),
            breaks=(),
            pitch=pitch,
            rhythm={"median_abs_ms": 5.0},
            musicianship={"phrases": []},
            tone={"cracked": []},
            warnings=(),
            algorithm_version="test",
        )

    def open(self) -> None:
        opening.open_round(self.database, self.round_id, reason="", actor=LEADER)


def long_hall(database: Database, patch: pytest.MonkeyPatch, *, long_from: int = 3, at_once: int = 3) -> Hall:
    """A hall whose four candidates make a long round, and so many of whose comment sheets are drawn together."""
    made = Hall(database)
    patch.setattr(rounds, "LONG_ROUND", long_from)
    patch.setattr(printing, "AT_ONCE", at_once)
    return made

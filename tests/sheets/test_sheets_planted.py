"""From sound to sentence: faults planted in a synthesised take of the demonstration's étude come back as exercises.

What is listened to knows nothing of the plan; what is printed must name the very bars, notes and settings.
"""

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from words_examples import only

from app.domain.piece import Piece
from app.files.notation import read_notation
from app.listening.measuring import measure
from app.material.marking import apply_marks
from app.material.performing import Plan, perform
from app.material.sounding import SAMPLE_RATE_HZ, sound, voice_for
from app.sheets.findings_in_words import findings_in_words
from app.sheets.models import Exercise
from app.sheets.practice import practice_plan

pytestmark = pytest.mark.slow
SEED_DATA = Path(__file__).parents[2] / "seed_data"


@pytest.fixture(scope="module")
def etude() -> Piece:
    """The étude with the leader's phrases, peaks and tonic, as the demonstration has it."""
    plain = read_notation((SEED_DATA / "slack-water.musicxml").read_bytes(), file_name="slack-water.musicxml")
    told = json.loads((SEED_DATA / "scenario.json").read_text(encoding="utf-8"))
    piece = next(one for one in told["pieces"] if one.get("file") == "slack-water.musicxml")
    at = {(n.bar, n.beat): n.note_id for n in plain.notes if not n.grace}
    phrases = [{f"{edge}_note_id": at[bar, beat] for edge, (bar, beat) in one.items()} for one in piece["phrases"]]
    return apply_marks(plain, {"phrases": phrases, "tonic": piece["tonic"], "mode": piece["mode"]})


def heard(piece: Piece, *faults: dict[str, Any]) -> tuple[str, tuple[Exercise, ...]]:
    """The sentences and the plan for a take with these faults."""
    random = np.random.default_rng(11)
    plan = Plan(pitch_spread_cents=3.0, timing_spread_ms=6.0, faults=faults)
    samples = sound(perform(piece, plan, random), voice_for(piece.instrument), random)
    found = measure(samples, SAMPLE_RATE_HZ, piece)
    return " ".join(f.sentence for f in findings_in_words(piece, found)), practice_plan(piece, found)


def test_held_notes_a_pitch_a_landing_and_a_wrong_note_come_back_as_their_exercises(etude: Piece) -> None:
    said, plan = heard(
        etude,
        {"kind": "short-hold", "bar": "2", "beat": 1, "lost_beats": 0.35},
        {"kind": "short-hold", "bar": "9", "beat": 1, "lost_beats": 0.35},
        {"kind": "pitch", "written": "C6", "cents": 20},
        {"kind": "late", "bar": "20", "beat": 3, "ms": 95},
        {"kind": "wrong", "bar": "4", "beat": 2.5, "semitones": -1},
    )
    bars = list(dict.fromkeys(n.bar for n in etude.notes if n.written_pitch == "C6"))
    drone = only(plan, "drone")
    assert drone.title == "Bring C down"
    assert drone.where == f"bars {', '.join(bars[:-1])} and {bars[-1]}"
    lies = int(re.search(r"above the staff (\d+) cents sharp", drone.text)[1])  # type: ignore[index]
    assert abs(lies - 20) <= 3
    # the étude stands in D minor: its seventh gets a drone of its own, a tone lower for a clarinet in B-flat
    assert "set the drone to your C (concert B-flat) itself" in drone.text

    held = only(plan, "subdivision")
    assert (held.title, held.where) == ("Give tied notes their full length", "bars 2 and 9")
    # 0.35 of the tie's 2.5 quarters: 86 %; quarter = 76 clicks eighths at 152 (common practice)
    shares = [int(n) for n in re.search(r"held for (\d+)(?: to (\d+))? %", held.text).groups() if n]  # type: ignore[union-attr]
    assert all(abs(share - 86) <= 2 for share in shares)
    assert "by about an eighth" in held.text
    assert "Metronome on 152, one click to the eighth" in held.text

    landing = only(plan, "ornament")
    assert (landing.title, landing.where) == ("Land the note after the trill", "bar 20")
    assert abs(int(re.search(r"It came (\d+) ms late", landing.text)[1]) - 95) <= 10  # type: ignore[index]
    assert landing.text.endswith(" 152.")

    ladder = only(plan, "tempo-ladder")
    assert ladder.where == "bar 4"
    assert re.search(r"Other bars are clean at the marked tempo.* quarter = 61\. .* then up: 66, 71, 76\.", ladder.text)
    assert "Of 74 notes one note was another pitch than written (bar 4)." in said


def test_a_tempo_that_grows_and_a_peak_elsewhere_come_back_as_their_exercises(etude: Piece) -> None:
    said, plan = heard(
        etude, {"kind": "tempo-change", "percent": 14}, {"kind": "bump", "bar": "11", "beat": 2, "db": 7}
    )
    pulse = only(plan, "pulse")
    grew = int(re.search(r"You grew faster by (\d+) % a minute", pulse.text)[1])  # type: ignore[index]
    # 14 % from the first onset to the last, some 50 seconds
    assert abs(grew - 17) <= 2
    assert "Quarter = 76 means clicks at 152 a minute, one to each eighth." in pulse.text
    phrase = only(plan, "phrase-arc")
    assert phrase.where == "bars 8 to 13"
    assert phrase.text.startswith(
        "It was loudest in bar 11; the peak is the C in bar 9. Play the phrase on one note only"
    )
    assert "The phrase in bars 8 to 13 was loudest in bar 11, 7 beats too late; its peak is the C in bar 9." in said
    assert "stood out" not in said

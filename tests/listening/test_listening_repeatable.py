"""The same file gives the same findings to the last bit: again in one process, and in another one."""

import json
import os
import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np

from app.domain.findings import findings_to_dict
from app.listening.measuring import measure
from app.material.generating import generate
from app.material.performing import Plan, perform
from app.material.recipe import Recipe
from app.material.sounding import SAMPLE_RATE_HZ, Room, sound, voice_for

ELSEWHERE = """
import json, pickle, sys
from app.domain.findings import findings_to_dict
from app.listening.measuring import measure
with open(sys.argv[1], "rb") as file:
    samples, rate, piece = pickle.load(file)
print(json.dumps(findings_to_dict(measure(samples, rate, piece))))
"""


def test_measuring_the_same_take_again_changes_no_bit(tmp_path: Path) -> None:
    piece = generate(Recipe(kind="scale", tonic="D", mode="major", octaves=2, instrument="clarinet-bb", tempo_bpm=96))
    rng = np.random.default_rng(23)
    wrong = {"kind": "wrong", "bar": "2", "beat": 2, "semitones": 1}
    plan = Plan(rubato=0.05, tuning_cents=7.0, pitch_spread_cents=9.0, timing_spread_ms=12.0, faults=(wrong,))
    samples = sound(perform(piece, plan, rng), voice_for("clarinet-bb"), rng, room=Room(0.5, -16.0))
    said = json.dumps(findings_to_dict(measure(samples, SAMPLE_RATE_HZ, piece)))
    # Another take in between: nothing of it may be left. Samples that lie elsewhere in memory: no sum may notice.
    measure(samples[: 3 * SAMPLE_RATE_HZ], SAMPLE_RATE_HZ, piece)
    moved = np.concatenate([np.zeros(1, np.float32), samples])[1:]
    assert json.dumps(findings_to_dict(measure(moved, SAMPLE_RATE_HZ, piece))) == said

    take = tmp_path / "take.pickle"
    take.write_bytes(pickle.dumps((samples, SAMPLE_RATE_HZ, piece)))
    # With another number of threads for linear algebra, and another order in which sets are walked through.
    settings = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONHASHSEED": "2"}
    told = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", ELSEWHERE, str(take)],
        env=settings,
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert told.returncode == 0, told.stderr
    assert told.stdout.strip() == said

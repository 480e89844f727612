"""A short run of the benchmark that kills processes under load; ``benchmarks/README.md`` has the long one's figures."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.slow
def test_nothing_acknowledged_is_lost_or_doubled_when_processes_are_killed() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchmarks.custody", "--kills", "2", "--small", "--seed", "3"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=900,  # only what never ends is wrong
    )
    assert done.returncode == 0, done.stdout + done.stderr[-3000:]
    told = json.loads(done.stdout)
    assert (told["kills"], told["wrong"]) == (2, [])
    assert told["takes"] + told["sheets_and_corrections"] + told["drafts"] >= 2

"""Thousands of damaged recordings and notation files: a clear error or a reading, never a crash, a hang or 1 GB.

``FAIRHEARING_FUZZ_FILES=10000`` reads that many of each kind; a quick test reads some hundred.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

FILES = int(os.environ.get("FAIRHEARING_FUZZ_FILES", "250"))
PROGRAM = Path(__file__).with_name("fuzz_readers.py")


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["audio", "notation"])
def test_damaged_files_are_read_or_refused_in_a_sentence(kind: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(PROGRAM), kind, "0", str(FILES), str(tmp_path)], capture_output=True, text=True
    )
    stood_at = (tmp_path / "at").read_text() if (tmp_path / "at").exists() else "the seeds"
    assert done.returncode == 0, f"{kind} file {stood_at}: exit {done.returncode}\n{done.stderr[-3000:]}"
    found = json.loads(done.stdout)
    assert sum(found.values()) == FILES
    assert found["taken"] > FILES / 50  # some damage can be read over
    assert found[f"bad_{kind}"] > FILES / 10

"""The table of measures and their tests names tests that exist, and for every measure both kinds."""

import re
from pathlib import Path

HERE = Path(__file__).parent


def test_every_measure_has_a_test_with_planted_truth_and_one_that_it_cannot_tell() -> None:
    written = {
        name for path in HERE.glob("test_*.py") for name in re.findall(r"^def (test_\w+)", path.read_text(), re.M)
    }
    rows = [line.split("|")[1:-1] for line in (HERE / "MEASURES.md").read_text().splitlines() if line.startswith("| ")]
    assert len(rows) > 25
    for measure, planted, limits in rows[1:]:
        for cell in (planted, limits):
            named = re.findall(r"`(test_\w+)`", cell)
            assert named, measure
            assert set(named) <= written, (measure, set(named) - written)

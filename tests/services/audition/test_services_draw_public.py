"""What anybody could check: the README's ten lines, earlier rounds after later ones, no order that leaks."""

import math
import re
from collections import Counter
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest
from scipy import stats
from sqlmodel import select

from app.db.models import Candidate
from app.judging.draw import number_range
from app.services import draw, roster

README = Path(__file__).parents[3] / "README.md"
STUDENTS = 10
ROUNDS = 60


@pytest.fixture
def ten(scene: Any) -> Any:
    for number in range(STUDENTS):
        scene.student(f"Student {number:02d}")
    return scene


def test_the_readmes_ten_lines_recompute_a_round(ten: Any, capsys: pytest.CaptureFixture[str]) -> None:
    block = re.search(r"```python\n(from hashlib.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    assert block is not None
    lines = block.group(1)
    assert len([line for line in lines.splitlines() if line.strip()]) <= 10
    drawn = ten.drawn()
    keys = [line.entry_id for line in ten.look(roster.roster, ten.audition_id)]
    low, high = number_range("first", len(keys))
    given = {"seed": drawn.seed, "commitment": drawn.seed_commitment, "keys": keys, "low": low, "high": high}
    exec(lines, given)
    printed = [line.split() for line in capsys.readouterr().out.splitlines()]
    with ten.database.read() as session:
        rows = session.exec(select(Candidate).where(Candidate.round_id == drawn.id)).all()
    assert sorted(printed) == sorted([str(c.playing_order), c.blind_number, c.entry_id] for c in rows)
    with pytest.raises(AssertionError):
        exec(lines, {**given, "seed": drawn.seed[::-1]})


def test_earlier_rounds_recompute_after_later_ones_and_after_changes_of_the_roster(ten: Any) -> None:
    rounds = [
        ten.drawn(name=f"Round {n}", kind=kind).id for n, kind in enumerate(("first", "first", "rehearing", "final"))
    ]
    ten.student("Latecomer")
    entry = ten.look(roster.roster, ten.audition_id)[0].entry_id
    ten.do(roster.change, entry, {"withdrawn": True})
    rounds.append(ten.drawn(name="After all", kind="first").id)
    assert [ten.look(draw.recompute, round_id) for round_id in rounds] == [None] * 5
    excluded = [set(ten.look(draw.one_round, round_id).excluded_numbers) for round_id in rounds]
    assert [len(numbers) for numbers in excluded] == [0, 10, 20, 30, 40]


def test_every_order_of_three_comes_equally_often_from_real_rounds(scene: Any) -> None:
    """Chi-square over the six orders of three students, each round with a seed of its own."""
    for name in ("A", "B", "C"):
        scene.student(name)
    seen: Counter[tuple[str, ...]] = Counter()
    times = 120
    for number in range(times):
        drawn = scene.drawn(name=f"Round {number}")
        with scene.database.read() as session:
            rows = session.exec(select(Candidate).where(Candidate.round_id == drawn.id)).all()
        seen[tuple(c.entry_id for c in sorted(rows, key=lambda c: c.playing_order))] += 1
    entries = [line.entry_id for line in scene.look(roster.roster, scene.audition_id)]
    counts = [seen[order] for order in permutations(entries)]
    assert sum(counts) == times
    assert stats.chisquare(counts).pvalue > 1e-6


def test_nothing_the_panel_can_order_by_follows_the_roster(ten: Any) -> None:
    """Over many rounds: rank correlation of the roster's order with whatever an adjudicator's device could sort by."""
    place = {line.entry_id: n for n, line in enumerate(ten.look(roster.roster, ten.audition_id))}
    sums = dict.fromkeys(("playing order", "blind number", "random id", "row"), 0.0)
    for number in range(ROUNDS):
        drawn = ten.drawn(name=f"Round {number}")
        with ten.database.read() as session:
            rows = session.exec(select(Candidate).where(Candidate.round_id == drawn.id)).all()
        on_roster = [place[c.entry_id] for c in rows]
        orders = {
            "playing order": [c.playing_order for c in rows],
            "blind number": [int(c.blind_number) for c in rows],
            "random id": [int(c.id, 16) for c in rows],
            "row": list(range(len(rows))),  # as the table gives them without being asked for an order
        }
        for name, order in orders.items():
            sums[name] += float(stats.spearmanr(on_roster, [float(o) for o in order]).statistic)
    # Under independence one correlation has the variance 1 / (n - 1), exactly (Kendall), so that of the mean is known.
    spread = math.sqrt(1 / (STUDENTS - 1) / ROUNDS)
    assert {name: abs(total / ROUNDS) < 4.9 * spread for name, total in sums.items()} == dict.fromkeys(sums, True)

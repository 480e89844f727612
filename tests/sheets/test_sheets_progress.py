"""Progress: a change counts only beyond its own doubt; figures compare only where they mean the same."""

import math
from dataclasses import replace

import numpy as np
import pytest

from app.domain.findings import Findings, MeasuredNote
from app.sheets.progress import mean_figure, pitch_distance, progress_sentences, right_notes


def take(
    cents: float, beats: float = 0.02, *, wrong: int = 0, held: float = 0.9, count: int = 40, seed: int = 1
) -> Findings:
    """Notes scattered around so many cents and parts of a beat off, the first ``wrong`` of them wrong."""
    random = np.random.default_rng(seed)
    notes = tuple(
        MeasuredNote(
            f"n{i}", "1", 1.0, "C5", 70, "wrong" if i < wrong else "played",
            deviation_cents=float(cents + random.normal(0, 3)), deviation_uncertainty_cents=1.5,
            timing_beats=float(beats + random.normal(0, 0.004)),
        )
        for i in range(count)
    )  # fmt: skip
    ratios = [{"ratio": held + 0.02 * (i % 3 - 1), "uncertainty_ratio": 0.02} for i in range(6)]
    return Findings(
        a4_hz_used=440.0, a4_hz_fitted=440.0, tempo_bpm_fitted=60.0, tempo_bpm_marked=60.0, notes=notes, extra_notes=(),
        breaks=(), pitch={}, rhythm={"held_notes": ratios}, musicianship={}, tone={}, warnings=(),
        algorithm_version="7",
    )  # fmt: skip


def lines(now: Findings, before: Findings, **more: bool) -> dict[str, str]:
    said = progress_sentences([now], [before], since="First round, 1 May 2026", same_pieces=True, **more)
    return {line.partition(":")[0]: line.rpartition(": ")[2] for line in said[1:]}


def test_a_change_beyond_its_doubt_is_named_with_both_figures() -> None:
    said = progress_sentences(
        [take(6)], [take(16, held=0.75, seed=2)], since="First round of Spring mock, 1 May 2026", same_pieces=True
    )
    assert said[0] == (
        "Against First round of Spring mock, 1 May 2026, the same music. A change smaller than its doubt is no change."
    )
    pitch = next(line for line in said if line.startswith("Distance from the pitch"))
    assert pitch.endswith(": closer.")
    assert "cents now" in pitch
    assert lines(take(6), take(16, held=0.75, seed=2))["Length given to held notes"] == "fuller."
    assert lines(take(16), take(6))["Distance from the pitch"] == "farther off."
    assert lines(take(6), take(6, beats=0.2))["Distance from the pulse"] == "closer."
    assert lines(take(6), take(6, wrong=14))["Notes as written"] == "more of them."


def test_a_change_smaller_than_its_doubt_is_no_change() -> None:
    for seed in range(20):
        said = lines(take(8, seed=seed), take(8, seed=seed + 100))
        assert list(said.values()).count("no change.") >= 3, (seed, said)
    assert lines(take(6), take(6, wrong=1))["Notes as written"] == "no change."


def test_the_same_player_twice_is_called_no_change_about_nineteen_times_in_twenty() -> None:
    changed = sum(
        lines(take(8, seed=seed), take(8, seed=1000 + seed))["Distance from the pitch"] != "no change."
        for seed in range(200)
    )
    assert changed <= 0.08 * 200


def test_figures_that_mean_something_else_are_not_laid_side_by_side() -> None:
    other = replace(take(16), algorithm_version="6")
    said = progress_sentences([take(6)], [other], since="the first round", same_pieces=True)
    assert len(said) == 1
    assert "measured by another version" in said[0]
    assert progress_sentences([], [take(6)], since="x", same_pieces=True) == ()
    few = take(6, count=4)
    said = progress_sentences([few], [take(6)], since="x", same_pieces=True)
    assert [line for line in said if line.startswith("Distance")] == []
    elsewhere = progress_sentences([take(6)], [take(16)], since="x", same_pieces=False)
    assert "other music" in elsewhere[0]


def test_the_error_of_a_mean_is_the_textbooks() -> None:
    values = [3.0, 5.0, 4.0, 8.0, 6.0, 7.0, 2.0, 5.0]
    figure = mean_figure(values, [0.0] * 8, 8)
    assert figure is not None
    assert figure.value == 5.0
    assert figure.error == pytest.approx(math.sqrt(sum((v - 5) ** 2 for v in values) / 7 / 8))
    assert mean_figure(values, [0.0] * 8, 9) is None
    doubtful = mean_figure(values, [4.0] * 8, 8)
    assert doubtful is not None
    assert doubtful.error > figure.error
    whole = right_notes([take(6)])
    assert whole is not None
    assert (whole.value, whole.error > 1.0) == (100.0, True)
    assert pitch_distance([take(6, count=7)]) is None

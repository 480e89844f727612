"""Sentences over a standing read well for any marks: no negative coefficient, no NaN, nothing said twice."""

import re

import numpy as np
import pytest

from app.domain.panel import Rule
from app.judging.standing import make_standing


@pytest.mark.parametrize("seed", range(40))
def test_no_sentence_prints_a_coefficient_below_zero(seed, table_of):
    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(2, 9)), int(rng.integers(2, 6))
    marks = rng.integers(1, 11, (n, k, 3)).astype(float)
    marks[rng.random((n, k)) < 0.1] = np.nan
    marks[0] = 5.0
    standing = make_standing(table_of(marks, captions=("tone", "pitch", "rhythm")), Rule(), seats=1)
    said = [*standing.sentences, standing.agreement.sentence]
    said += [a.sentence for a in standing.caption_agreement.values()]
    said += [s for report in standing.adjudicators for s in report.sentences]
    for sentence in said:
        assert not re.search(r"(?<![\w.])-\d|nan\b", sentence), sentence
    assert len(set(standing.sentences)) == len(standing.sentences)


def test_a_caption_without_agreement_is_said_in_words(table_of):
    marks = np.zeros((5, 3, 2))
    marks[:, :, 0] = np.array([9, 7, 5, 3, 1])[:, None] + np.array([0, 1, 0])
    marks[:, :, 1] = [[1, 5, 9], [9, 1, 5], [5, 9, 1], [2, 6, 9], [8, 4, 2]]
    standing = make_standing(table_of(marks, captions=("tone", "rhythm")), Rule())
    assert standing.caption_agreement["rhythm"].icc["C,k"] < 0
    assert any("best on tone" in s and "not at all on rhythm" in s for s in standing.sentences)
    assert standing.caption_agreement["rhythm"].sentence.startswith("The panel does not agree at all on rhythm;")

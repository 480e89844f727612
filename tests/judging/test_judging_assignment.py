"""Who hears whom: balanced blocks against published designs, and what holds for every panel."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.domain.errors import BadInput
from app.judging.assignment import assign, assign_more, describe, hand_over
from app.judging.block_designs import balanced_blocks, is_balanced, pair_counts
from app.judging.severity import design_rank, fit_additive

# Source: the index of balanced incomplete block designs in Fisher & Yates, Statistical Tables, table XVIII, and in
# Cochran & Cox, Experimental Designs, table 11.3: (adjudicators, per candidate, replications, candidates, shared by
# two). Parameters from memory; the two equations below hold every line against the definition.
PUBLISHED = (
    (4, 3, 3, 4, 2), (5, 2, 4, 10, 1), (5, 3, 6, 10, 3), (5, 4, 4, 5, 3), (6, 2, 5, 15, 1), (6, 3, 5, 10, 2),
    (6, 4, 10, 15, 6), (6, 5, 5, 6, 4), (7, 2, 6, 21, 1), (7, 3, 3, 7, 1), (7, 4, 4, 7, 2), (7, 6, 6, 7, 5),
    (8, 2, 7, 28, 1), (8, 4, 7, 14, 3), (8, 7, 7, 8, 6), (9, 2, 8, 36, 1), (9, 3, 4, 12, 1), (9, 4, 8, 18, 3),
    (9, 5, 10, 18, 5), (9, 6, 8, 12, 5), (9, 8, 8, 9, 7), (10, 2, 9, 45, 1), (10, 3, 9, 30, 2), (10, 4, 6, 15, 2),
    (10, 5, 9, 18, 4), (10, 6, 9, 15, 5), (11, 5, 5, 11, 2), (11, 6, 6, 11, 3), (13, 3, 6, 26, 1), (13, 4, 4, 13, 1),
    (13, 9, 9, 13, 6), (15, 7, 7, 15, 3), (15, 8, 8, 15, 4), (16, 4, 5, 20, 1), (16, 6, 6, 16, 2), (19, 3, 9, 57, 1),
    (21, 3, 10, 70, 1), (21, 5, 5, 21, 1), (25, 4, 8, 50, 1),
)  # fmt: skip


def people(word, count):
    return [f"{word}{number}" for number in range(count)]


@pytest.mark.parametrize(("v", "k", "r", "b", "lam"), PUBLISHED)
def test_published_designs_are_found_with_as_few_blocks(v, k, r, b, lam):
    assert (b * k, lam * (v - 1)) == (v * r, r * (k - 1))
    blocks = balanced_blocks(v, k, b)
    assert blocks is not None
    assert len(blocks) == b
    table = pair_counts(blocks, v)
    assert set(np.diag(table)) == {r}
    assert set(table[~np.eye(v, dtype=bool)]) == {lam}


def test_the_fano_plane():
    """Seven adjudicators, three a candidate, seven candidates: any two candidates share exactly one adjudicator.

    Source: the Fano plane, the projective plane of order 2 (Fano 1892): two lines meet in one point.
    """
    shares = assign(people("c", 7), people("a", 7), 3, np.random.default_rng(5))
    blocks = [set(own) for own in shares.values()]
    assert all(len(blocks[i] & blocks[j]) == 1 for i in range(7) for j in range(i))
    report = describe(shares, people("a", 7))
    assert (report.smallest_share, report.largest_share, report.fewest_shared, report.most_shared) == (3, 3, 1, 1)
    assert report.connected


def test_there_is_no_design_where_none_can_be():
    assert balanced_blocks(7, 3, 6) is None  # fewer blocks than the smallest
    assert balanced_blocks(15, 5, 21) is None  # Nandi 1945: v = 15, b = 21, r = 7, k = 5, lambda = 2 does not exist
    assert balanced_blocks(5, 1, 100) is None
    assert balanced_blocks(3, 4, 100) is None
    assert balanced_blocks(4, 4, 5) == [(0, 1, 2, 3)]
    assert not is_balanced([(0, 1), (1, 2)], 3)


@settings(max_examples=40)
@given(st.data())
def test_loads_differ_by_one_at_most_and_the_design_hangs_together(data):
    k = data.draw(st.integers(2, 12), "adjudicators")
    size = data.draw(st.integers(2, min(k, 5)), "per candidate")
    n = data.draw(st.integers(max(1, -(-(k - 1) // (size - 1))), 60), "candidates")
    rng = np.random.default_rng(data.draw(st.integers(0, 999), "seed"))
    candidates, panel = people("c", n), people("a", k)
    shares = assign(candidates, panel, size, rng)
    assert list(shares) == candidates
    assert all(len(set(own)) == size for own in shares.values())
    report = describe(shares, panel)
    assert report.largest_share - report.smallest_share <= 1
    marks = np.array([[0.0 if a in own else np.nan for a in panel] for own in shares.values()])
    rank, needed = design_rank(marks)
    assert report.connected == (rank == needed)
    assert report.connected
    heard_by = [panel.index(a) for own in shares.values() for a in own]
    columns = np.hstack([np.eye(n)[np.repeat(np.arange(n), size)], np.eye(k)[heard_by]])
    if report.smallest_share:  # by decomposition: the additive model's own matrix, a row for each cell
        assert np.linalg.matrix_rank(columns) == n + k - 1


@settings(max_examples=40)
@given(st.integers(0, 999), st.integers(2, 6), st.integers(2, 3), st.integers(10, 60))
def test_recusals_are_respected_and_loads_stay_level(seed, spare, size, n):
    """With two adjudicators to spare for each candidate; with none, who is recused simply hears less."""
    k = size + spare
    rng = np.random.default_rng(seed)
    candidates, panel = people("c", n), people("a", k)
    recusals = {(panel[rng.integers(k)], c) for c in candidates if rng.random() < 0.3}
    shares = assign(candidates, panel, size, rng, recusals=recusals)
    assert not {(a, c) for c, own in shares.items() for a in own} & recusals
    assert all(len(set(own)) == min(size, k - sum((a, c) in recusals for a in panel)) for c, own in shares.items())
    report = describe(shares, panel)
    assert report.largest_share - report.smallest_share <= 1


def test_a_few_recusals_leave_a_balanced_design_balanced():
    candidates, panel = people("c", 24), people("a", 9)
    recusals = {("a0", "c0"), ("a3", "c5"), ("a3", "c6"), ("a8", "c20")}
    shares = assign(candidates, panel, 3, np.random.default_rng(11), recusals=recusals)
    report = describe(shares, panel)
    assert (report.smallest_share, report.largest_share, report.fewest_shared, report.most_shared) == (8, 8, 2, 2)


def test_the_same_seed_gives_the_same_design():
    def once(seed):
        return assign(people("c", 40), people("a", 10), 3, np.random.default_rng(seed))

    assert once(3) == once(3)
    assert once(3) != once(4)


def test_between_designs_pairs_are_nearly_even():
    """50 candidates for nine adjudicators: four times the design of 12, and two more."""
    report = describe(assign(people("c", 50), people("a", 9), 3, np.random.default_rng(2)), people("a", 9))
    assert (report.fewest_shared, report.most_shared) == (4, 5)
    large = describe(assign(people("c", 2000), people("a", 40), 3, np.random.default_rng(2)), people("a", 40))
    assert large.largest_share - large.smallest_share <= 1
    assert large.most_shared - large.fewest_shared <= 3


def test_severity_is_recovered_from_an_incomplete_panel():
    """Known truth: without noise the additive fit gives back every severity exactly, though nobody hears everybody."""
    rng = np.random.default_rng(8)
    candidates, panel = people("c", 30), people("a", 10)
    merit, severity = rng.normal(6, 1, 30), rng.normal(0, 0.7, 10)
    severity -= severity.mean()
    shares = assign(candidates, panel, 3, rng)
    marks = np.full((30, 10), np.nan)
    for i, own in enumerate(shares.values()):
        for a in own:
            marks[i, panel.index(a)] = merit[i] + severity[panel.index(a)]
    fit = fit_additive(marks)
    assert fit.effect == pytest.approx(severity, abs=1e-9)
    assert fit.merit == pytest.approx(merit, abs=1e-9)


def test_who_comes_late_goes_to_those_with_least():
    panel = people("a", 7)
    shares = assign(people("c", 7), panel, 3, np.random.default_rng(1))
    more = assign_more(shares, ["late1", "late2"], panel, 3, np.random.default_rng(2), recusals={("a0", "late1")})
    assert list(more) == ["late1", "late2"]
    assert "a0" not in more["late1"]
    report = describe({**shares, **more}, panel)
    assert report.largest_share - report.smallest_share == 1
    assert report.connected


def test_the_share_of_who_leaves_goes_to_the_others():
    panel, candidates = people("a", 7), people("c", 21)
    shares = assign(candidates, panel, 3, np.random.default_rng(4))
    heard = [c for c, own in shares.items() if "a2" in own][:4]
    recusals = {("a1", c) for c in candidates[:5] if "a1" not in shares[c]}
    after = hand_over(shares, "a2", heard, panel, np.random.default_rng(5), recusals=recusals)
    assert [c for c, own in after.items() if "a2" in own] == heard
    assert all(len(set(own)) == 3 for own in after.values())
    assert all(after[c] == shares[c] for c in candidates if "a2" not in shares[c] or c in heard)
    assert not {(a, c) for c, own in after.items() for a in own} & recusals
    report = describe(after, [a for a in panel if a != "a2"])
    assert report.connected
    assert report.largest_share - report.smallest_share <= 2


def test_what_can_not_be_assigned_is_refused_in_a_sentence():
    rng = np.random.default_rng(0)
    with pytest.raises(BadInput, match="heard by 2 adjudicators or more"):
        assign(people("c", 4), people("a", 3), 1, rng)
    with pytest.raises(BadInput, match="whole panel of 3"):
        assign(people("c", 4), people("a", 3), 4, rng)
    with pytest.raises(BadInput, match="twice"):
        assign(["c", "c"], people("a", 3), 2, rng)
    with pytest.raises(BadInput, match="Everybody is recused"):
        assign(["c", "d"], ["a", "b"], 2, rng, recusals={("a", "c"), ("b", "c")})
    with pytest.raises(BadInput, match="too few for 6 adjudicators to hang together"):
        assign(people("c", 4), people("a", 6), 2, rng)
    with pytest.raises(BadInput, match="Everybody is recused"):
        hand_over({"c": ("a",)}, "a", [], ["a", "b"], rng, recusals={("b", "c")})
    apart = {"c": ("a", "b"), "d": ("x", "y")}
    assert not describe(apart, ["a", "b", "x", "y"]).connected
    assert "A/B and X/Y share no candidate" in describe(apart, ["a", "b", "x", "y"], list("ABXY")).sentence
    with pytest.raises(BadInput, match="Nothing was changed"):
        hand_over(
            {"c": ("a", "b"), "e": ("b", "x"), "d": ("x", "y")}, "b", [], ["a", "b", "x", "y"], rng,
            recusals={("x", "c"), ("y", "c"), ("a", "e"), ("y", "e")},
        )  # fmt: skip

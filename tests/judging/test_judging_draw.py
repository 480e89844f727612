"""The draw: anyone can recompute it, nobody can guess it, every order is equally likely."""

import re
import secrets
import textwrap
from collections import Counter
from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from app.domain.errors import BadInput
from app.judging import draw as draw_module
from app.judging.draw import RANGES, commit, draw, further_numbers, number_range, verify

SEED = sha256(b"a seed for the tests").hexdigest()
KEYS = [sha256(bytes([i])).hexdigest()[:32] for i in range(12)]


def test_the_ten_lines_in_the_docstring_reproduce_the_draw(capsys):
    block = re.search(r"::\n\n((?:    .*\n)+)", draw_module.__doc__).group(1)
    lines = textwrap.dedent(block)
    assert len(lines.strip().splitlines()) <= 10
    low, high = number_range("first", len(KEYS))
    exec(lines, {"seed": SEED, "commitment": commit(SEED), "keys": sorted(KEYS), "low": low, "high": high})
    printed = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert [(key, number, int(place)) for place, number, key in printed] == draw(SEED, KEYS)


def test_the_commitment_is_the_sha256_of_the_seeds_digits():
    assert commit(SEED) == sha256(SEED.encode("ascii")).hexdigest()


def test_a_draw_that_was_made_once_stays_the_same():
    # Golden: a change here would make every published draw unverifiable.
    assert draw("00" * 32, ["x", "y", "z"], "first") == [("y", "15", 1), ("x", "57", 2), ("z", "55", 3)]


@given(st.lists(st.text(min_size=1, max_size=8), min_size=1, max_size=60, unique=True), st.sampled_from(list(RANGES)))
def test_every_candidate_gets_one_number_and_one_place(keys, style):
    drawn = draw(SEED, keys, style)
    assert sorted(key for key, _, _ in drawn) == sorted(keys)
    assert [place for _, _, place in drawn] == list(range(1, len(keys) + 1))
    numbers = [number for _, number, _ in drawn]
    assert len(set(numbers)) == len(keys)
    assert all(2 <= len(n) <= 3 and n.isdigit() and n[0] != "0" for n in numbers)


@given(st.permutations(KEYS))
def test_the_order_of_the_roster_does_not_matter(keys):
    assert draw(SEED, keys) == draw(SEED, KEYS)


def test_rounds_of_different_kinds_never_share_a_number():
    spans = {kind: {n for low, high in ranges for n in range(low, high + 1)} for kind, ranges in RANGES.items()}
    assert not spans["first"] & spans["rehearing"]
    assert not spans["first"] & spans["final"]
    assert not spans["rehearing"] & spans["final"]


def test_every_order_of_four_is_equally_likely():
    seeds = [sha256(f"order {i}".encode()).hexdigest() for i in range(4800)]
    count = Counter(tuple(key for key, _, _ in draw(seed, list("abcd"))) for seed in seeds)
    assert len(count) == 24
    assert stats.chisquare(list(count.values())).pvalue > 0.001


def test_numbers_are_equally_likely_and_say_nothing_about_the_playing_order():
    seeds = [sha256(f"number {i}".encode()).hexdigest() for i in range(4000)]
    first, pairs = Counter(), []
    for seed in seeds:
        drawn = draw(seed, list("abcde"))
        first[drawn[0][1]] += 1
        pairs += [(int(number), place) for _, number, place in drawn]
    assert stats.chisquare([first[str(n)] for n in range(10, 100)]).pvalue > 0.001
    assert abs(stats.spearmanr(*zip(*pairs, strict=True)).statistic) < 0.03


def test_excluded_numbers_do_not_come_again():
    before = {number for _, number, _ in draw(SEED, KEYS)}
    again = draw(SEED, KEYS, exclude=before)
    assert not before & {number for _, number, _ in again}
    assert verify(SEED, commit(SEED), again, exclude=before) is None


def test_a_true_draw_verifies_and_any_change_is_told():
    drawn = draw(SEED, KEYS)
    assert verify(SEED, commit(SEED), reversed(drawn)) is None
    assert "does not belong to the commitment" in verify(secrets.token_hex(32), commit(SEED), drawn)
    swapped = [(drawn[1][0], *drawn[0][1:]), (drawn[0][0], *drawn[1][1:]), *drawn[2:]]
    assert "Place 1 of the playing order" in verify(SEED, commit(SEED), swapped)
    renumbered = [(drawn[0][0], "99" if drawn[0][1] != "99" else "98", 1), *drawn[1:]]
    assert "is not what the seed gives" in verify(SEED, commit(SEED), renumbered)


@pytest.mark.parametrize("seed", ["", "abc", "g" * 64, "A" * 64, "0" * 63])
def test_a_malformed_seed_is_refused(seed):
    with pytest.raises(BadInput, match="64 hexadecimal digits"):
        commit(seed)
    with pytest.raises(BadInput, match="64 hexadecimal digits"):
        draw(seed, KEYS)


def test_an_entry_that_stands_in_the_draw_twice_is_refused():
    with pytest.raises(BadInput, match="drawn once"):
        draw(SEED, ["a", "a"])


def test_large_rounds_get_longer_numbers_and_too_large_ones_a_sentence():
    assert number_range("first", 60) == (10, 99)
    assert number_range("first", 61) == (100, 399)
    assert number_range("first", 500) == (1000, 3999)
    assert number_range("first", 20_000) == (10_000, 39_999)
    assert number_range("first", 20_001) == (100_000, 399_999)
    with pytest.raises(BadInput, match="split the round"):
        number_range("final", 200_001)
    with pytest.raises(BadInput, match="no kind of round"):
        number_range("encore", 4)


def test_further_numbers_continue_the_draw():
    keys = [f"k{i}" for i in range(20)]
    drawn = {number for _, number, _ in draw(SEED, keys)}
    more = further_numbers(SEED, len(keys), 5)
    assert len(set(more)) == 5
    assert not drawn & set(more)
    assert more == [number for _, number, _ in draw(SEED, [f"k{i}" for i in range(25)])][20:]
    assert "23" not in further_numbers(SEED, 3, 50, exclude=["23"])
    with pytest.raises(BadInput, match="not enough blind numbers"):
        further_numbers(SEED, 60, 31)

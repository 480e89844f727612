"""Joining numbers and words."""

import pytest

from app.judging.words import chance_text, counted, listed, numbers


def test_lists_and_numbers():
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert numbers(["14"]) == "Number 14"
    assert numbers(["14", "22"], capital=False) == "numbers 14 and 22"
    assert counted(1, "seat", "seats") == "one seat"
    assert counted(14, "seat", "seats") == "14 seats"


@pytest.mark.parametrize(
    ("chance", "text"),
    [(1.0, "certain"), (0.999, "0.99"), (0.814, "0.81"), (0.0004, "0.01"), (0.0, "none")],
)
def test_a_chance_is_certain_only_when_it_is(chance, text):
    assert chance_text(chance) == text

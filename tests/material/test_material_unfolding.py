"""The order of bars, by hand-made signs and against a reading of the rules in another way."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.domain.errors import BadNotation
from app.material import unfolding
from app.material.unfolding import unfold
from app.material.written import Navigation


def signs(text: str) -> list[Navigation]:
    """ "|: a  b1 :|  c2" like words: one word per bar; see the tests."""
    out = []
    for word in text.split():
        values: dict[str, Any] = {}
        if word.startswith("|:"):
            values["repeat_start"] = True
        if ":|" in word:
            values["repeat_end"] = int(word.partition(":|")[2] or 2)
        if "[" in word:
            values["endings"] = tuple(int(one) for one in word.partition("[")[2].partition("]")[0].split(","))
        values["segno"] = "S" in word
        values["coda"] = "O" in word
        values["to_coda"] = "T" in word
        values["fine"] = "F" in word
        values["jump"] = "dacapo" if "DC" in word else "dalsegno" if "DS" in word else ""
        if "DS" in word:
            values["segno"] = False
        out.append(Navigation(**values))
    return out


def order(text: str, **choices: bool) -> str:
    return "".join(chr(97 + one.index) for one in unfold(signs(text), **choices)[0])


@pytest.mark.parametrize(
    ("text", "played"),
    [
        ("x x x", "abc"),
        ("x x:| x", "ababc"),
        ("x |:x x:| x", "abcbcd"),
        ("|:x:|3 x", "aaab"),
        ("|:x :| |:x :|", "ababcdcd"),
        ("|:x [1]:| [2] x", "abacd"),
        ("|:x [1] [1]:| [2] [2] x", "abcadef"),
        ("|:x [1,2]:| [3] x", "ababacd"),
        ("|:x [1]:| [2]:| [3] x", "abacade"),
        ("|:x [1]:| x", "abac"),  # a lone first ending: the second time goes past it
        ("|:x [1]:| [2] |:x [1]:| [2]", "abacdedf"),
        ("xF xDC", "aba"),
        ("x xDC", "abab"),
        ("x:| xF x:| xDC", "aabcbcdab"),
        ("x Sx x xDS", "abcdbcd"),
        ("x Sx Tx xDS O", "abcdbce"),
        ("x Tx xDC O x", "abcabde"),
        ("|:x [1]:| [2] xFDC", "abacdacd"),
        ("x:|", "aa"),
    ],
)
def test_signs(text: str, played: str) -> None:
    assert order(text) == played


@pytest.mark.parametrize(
    ("text", "played"),
    [("x:| x", "ab"), ("|:x [1]:| [2] x", "acd"), ("|:x [1]:| x", "ac"), ("x:| xF xDC", "abcab")],
)
def test_without_repeats(text: str, played: str) -> None:
    assert order(text, repeats=False) == played


def test_after_a_jump_repeats_are_not_taken_and_the_last_ending_counts() -> None:
    assert order("|:x [1]:| [2] xDC") == "abacdacd"
    assert order("x:| xDC") == "aabab"


def test_passes_are_counted() -> None:
    passes, _ = unfold(signs("|:x [1]:| [2]"))
    assert [(one.index, one.pass_number) for one in passes] == [(0, 1), (1, 1), (0, 2), (2, 1)]


def test_signs_without_an_answer_are_told() -> None:
    assert unfold(signs("x xDS"))[1] == ("There is a D.S. but no segno; it was played as a D.C.",)
    assert unfold(signs("xT xDC"))[1] == ("There is a To Coda but no coda; it was not followed.",)
    assert unfold(signs("x xDC xDC"))[1] == ("Only the first D.C. or D.S. was followed.",)


def test_a_coda_before_its_to_coda_is_taken_once() -> None:
    passes, _ = unfold(signs("O Tx xDC"))
    assert [one.index for one in passes] == [0, 1, 2, 0, 1, 0, 1, 2]


def test_too_long_a_way_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unfolding, "MOST_BARS", 5)
    with pytest.raises(BadNotation, match="lead in circles"):
        unfold(signs("x x x:|"))


WORDS = st.lists(
    st.sampled_from(["x", "|:x", "x:|", "[1]:|", "[2]", "[1,2]:|", "xF", "xDC", "xDS", "Sx", "Tx", "O", "|:x:|3"]),
    min_size=1,
    max_size=14,
)


@given(WORDS, st.booleans())
def test_any_signs_come_to_an_end_inside_the_page(words: list[str], repeats: bool) -> None:
    there = signs(" ".join(words))
    passes, _ = unfold(there, repeats=repeats)
    assert all(0 <= one.index < len(there) for one in passes)
    counts: dict[int, int] = {}
    for one in passes:
        counts[one.index] = counts.get(one.index, 0) + 1
        assert one.pass_number == counts[one.index]

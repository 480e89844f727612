"""Joining numbers and words into sentences."""

from collections.abc import Sequence


def listed(words: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def numbers(words: Sequence[str], *, capital: bool = True) -> str:
    """ "Number 14" or "Numbers 14 and 22"."""
    word = "number" if len(words) == 1 else "numbers"
    return f"{word.capitalize() if capital else word} {listed(words)}"


def counted(count: int, one: str, many: str) -> str:
    """ "one seat", "three seats", "14 seats"."""
    small = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
    return f"{small[count] if count < len(small) else count} {one if count == 1 else many}"


def chance_text(chance: float) -> str:
    """A chance as a share of two decimals, but never 1.00 or 0.00 for what isn't certain: "certain", "0.91", "none"."""
    if chance >= 1.0 - 1e-9:
        return "certain"
    if chance <= 1e-9:
        return "none"
    return f"{min(max(chance, 0.01), 0.99):.2f}"

"""The draw: blind numbers and playing order from a committed seed, so that anyone can recompute them.

Only hashes from the standard library, no generator whose stream could change between versions. The seed is 64
hexadecimal digits made before the draw; its SHA-256 (of the digits as ASCII text) is shown at once, the seed after
the draw. The whole draw in ten lines, for anyone who wants to check it (``low`` and ``high`` as in :data:`RANGES`)::

    from hashlib import sha256
    def by_hash(seed, word, items):
        return sorted(items, key=lambda item: sha256(f"{seed}:{word}:{item}".encode()).hexdigest())
    assert sha256(seed.encode()).hexdigest() == commitment
    order = by_hash(seed, "order", keys)
    numbers = by_hash(seed, "number", [str(n) for n in range(low, high + 1)])
    for place, (key, number) in enumerate(zip(order, numbers), start=1):
        print(place, number, key)

Numbers that are excluded (see :func:`draw`) are left out of the range first.

Sorting by the hash of seed and key makes every order equally likely (as far as SHA-256 is a random function), and it
doesn't matter in which order the keys come in, so the roster's order can't leak into it.
"""

import re
from collections.abc import Collection, Iterable, Sequence
from hashlib import sha256
from typing import Literal

from app.domain.errors import BadInput

Style = Literal["first", "rehearing", "final"]

#: Inclusive ranges of blind numbers per kind of round, from small to large. No two kinds overlap, so a number heard in
#: the final can't be taken for one of the first round. No leading zero: tables drop them. Our choice.
RANGES: dict[str, tuple[tuple[int, int], ...]] = {
    "first": ((10, 99), (100, 399), (1000, 3999), (10_000, 39_999), (100_000, 399_999)),
    "rehearing": ((400, 699), (4000, 6999), (40_000, 69_999), (400_000, 699_999)),
    "final": ((700, 999), (7000, 9999), (70_000, 99_999), (700_000, 999_999)),
}
#: A range is used while at most this share of it is taken, so that numbers stay unguessable. Our choice.
FULLEST_SHARE = 2 / 3

_SEED = re.compile(r"[0-9a-f]{64}")


def check_seed(seed_hex: str) -> str:
    """The seed itself when it is 64 lower-case hexadecimal digits; raises :class:`BadInput`."""
    if not _SEED.fullmatch(seed_hex):
        raise BadInput("The seed must be 64 hexadecimal digits (0-9, a-f); make it with secrets.token_hex(32).")
    return seed_hex


def commit(seed_hex: str) -> str:
    """SHA-256 of the seed's digits as ASCII text, what is shown before the draw.

    The same as ``printf %s SEED | sha256sum``.
    """
    return sha256(check_seed(seed_hex).encode("ascii")).hexdigest()


def number_range(style: Style, count: int, exclude: Collection[str] = ()) -> tuple[int, int]:
    """The inclusive range that ``count`` blind numbers of this kind come from; :class:`BadInput` if none has room."""
    if style not in RANGES:
        raise BadInput(f"'{style}' is no kind of round; use one of {', '.join(RANGES)}.")
    taken = {int(n) for n in exclude if n.isdigit()}
    for low, high in RANGES[style]:
        free = high - low + 1 - sum(low <= n <= high for n in taken)
        if count <= FULLEST_SHARE * free:
            return low, high
    raise BadInput(f"{count} candidates are more than one round can number; split the round.", candidates=count)


def draw(
    seed_hex: str, keys: Sequence[str], style: Style = "first", *, exclude: Collection[str] = ()
) -> list[tuple[str, str, int]]:
    """Draw blind numbers and playing order: a list of (key, blind number, playing order from 1), in playing order.

    ``keys`` are the roster entries' ids in any order; ``exclude`` are blind numbers that must not come again (those
    of earlier rounds, those of hidden repeats). Raises :class:`BadInput` on a malformed seed or keys that repeat.
    """
    check_seed(seed_hex)
    if len(set(keys)) != len(keys):
        raise BadInput("A roster entry stands in the draw twice; every entry is drawn once.")
    low, high = number_range(style, len(keys), exclude)
    order = _by_hash(seed_hex, "order", keys)
    left_out = set(exclude)
    pool = [str(n) for n in range(low, high + 1) if str(n) not in left_out]
    numbers = _by_hash(seed_hex, "number", pool)
    return [(key, number, place) for place, (key, number) in enumerate(zip(order, numbers, strict=False), start=1)]


def further_numbers(
    seed_hex: str, drawn: int, count: int, style: Style = "first", *, exclude: Collection[str] = ()
) -> list[str]:
    """The ``count`` numbers that come after those of ``drawn`` candidates in the same draw: for hidden repeats.

    They are of the same range in the same order of chance, so nothing tells them from a candidate's.
    """
    low, high = number_range(style, drawn, exclude)
    left_out = set(exclude)
    pool = [str(n) for n in range(low, high + 1) if str(n) not in left_out]
    if drawn + count > len(pool):
        raise BadInput(f"There are not enough blind numbers for {count} hidden repeats; ask for fewer.")
    return _by_hash(check_seed(seed_hex), "number", pool)[drawn : drawn + count]


def verify(
    seed_hex: str,
    commitment: str,
    drawn: Iterable[tuple[str, str, int]],
    style: Style = "first",
    *,
    exclude: Collection[str] = (),
) -> str | None:
    """Recompute a draw; ``None`` when seed, commitment and draw belong together, else a sentence what does not."""
    if commit(seed_hex) != commitment:
        return "The seed does not belong to the commitment that was shown before the draw."
    stored = sorted(drawn, key=lambda row: row[2])
    again = draw(seed_hex, [key for key, _, _ in stored], style, exclude=exclude)
    for (key, number, place), (_, _, stored_place) in zip(again, stored, strict=True):
        if (key, number, place) not in stored:
            return (
                f"Place {stored_place} of the playing order is not what the seed gives; it should be number {number}."
            )
    return None


def _by_hash(seed_hex: str, word: str, items: Iterable[str]) -> list[str]:
    return sorted(items, key=lambda item: sha256(f"{seed_hex}:{word}:{item}".encode()).hexdigest())

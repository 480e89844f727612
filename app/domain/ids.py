"""Ids. Every row's id is random, so no id, list order or number carries the roster's order."""

import uuid


def new_id() -> str:
    """A random version-4 UUID as 32 lower-case hexadecimal digits."""
    return uuid.uuid4().hex


def is_id(text: str) -> bool:
    """Whether ``text`` could be an id made by :func:`new_id` (or by a client's random UUID)."""
    return len(text) == 32 and all(c in "0123456789abcdef" for c in text)

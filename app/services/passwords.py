"""Passwords of section leaders: argon2id, and an answer that takes as long for an unknown name as for a known one."""

from functools import cache

from pwdlib import PasswordHash
from pwdlib.exceptions import UnknownHashError
from pwdlib.hashers.argon2 import Argon2Hasher

from app.domain.errors import BadInput

SHORTEST_PASSWORD = 10  # characters; our choice (NIST SP 800-63B asks for at least 8)
LONGEST_PASSWORD = 200  # our choice: longer texts only cost hashing time
FEWEST_DIFFERENT = 4  # different characters; our choice, against "aaaaaaaaaa"


@cache
def _hashing() -> PasswordHash:
    return PasswordHash((Argon2Hasher(),))


def check_new_password(password: str, *, name: str = "") -> None:
    """Raise ``BadInput`` unless ``password`` may be chosen by the leader called ``name``."""
    if len(password) < SHORTEST_PASSWORD:
        raise BadInput(f"The password is too short; choose one of at least {SHORTEST_PASSWORD} characters.")
    if len(password) > LONGEST_PASSWORD:
        raise BadInput(f"The password is too long; choose one of at most {LONGEST_PASSWORD} characters.")
    if len(set(password)) < FEWEST_DIFFERENT or (name and password.casefold() == name.casefold()):
        raise BadInput("The password is too easy to guess; choose several words that do not belong together.")


def hash_password(password: str) -> str:
    """The argon2id hash to store."""
    return _hashing().hash(password)


@cache
def _hash_of_nobody() -> str:
    return hash_password("nobody signs in with this")


def password_is_right(password: str, stored_hash: str | None) -> bool:
    """Whether ``password`` fits ``stored_hash``. Without one (unknown name) the same work is done for a no."""
    try:
        fits = _hashing().verify(password[: LONGEST_PASSWORD + 1], stored_hash or _hash_of_nobody())
    except UnknownHashError:
        return False
    return fits and stored_hash is not None

"""Encrypting backups with age (version 1 of the format at age-encryption.org), for keys only.

A key file is the one that age's own tools write and read, so a backup can be opened without Fairhearing. What is
encrypted for a public key can be opened with its secret key alone: the machine that makes backups need not hold it.
"""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO

import pyrage

from app.domain.errors import BadInput, WrongState

ENDING = ".age"
MAGIC = b"age-encryption.org/v1\n"
LONGEST_KEY_FILE = 20_000  # bytes; our choice, a key file has some hundred


def new_key(place: Path) -> str:
    """Make a key, keep it in a new file that only its owner can read, and return the public half."""
    identity = pyrage.x25519.Identity.generate()
    public = str(identity.to_public())
    try:
        handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError as error:
        raise WrongState(f"{place} is there already and is left as it is; name another file for the key.") from error
    except OSError as error:
        raise BadInput(f"The key can't be written to {place} ({error.strerror}); name another file.") from error
    with os.fdopen(handle, "w", encoding="ascii") as out:
        out.write(f"# public key: {public}\n{identity}\n")
        out.flush()
        os.fsync(out.fileno())
    return public


def check_public(keys: Sequence[str]) -> list[pyrage.x25519.Recipient]:
    """The public keys as age knows them; raises ``BadInput`` for one that is none."""
    found = []
    for key in keys:
        try:
            found.append(pyrage.x25519.Recipient.from_str(key.strip()))
        except pyrage.RecipientError as error:
            # The text is not repeated: somebody may have given the secret half.
            raise BadInput("A public key begins with age1; the one given with --to can't be read.") from error
    return found


def is_sealed(source: Path) -> bool:
    """Whether a file is encrypted with age."""
    with source.open("rb") as file:
        return file.read(len(MAGIC)) == MAGIC


def seal(source: BinaryIO, target: BinaryIO, keys: Sequence[str]) -> None:
    """Encrypt everything ``source`` holds for every one of the public ``keys``."""
    pyrage.encrypt_io(source, target, check_public(keys))


def unseal(source: Path, target: Path, key_file: Path) -> None:
    """Decrypt ``source`` into the new file ``target``; ``BadInput`` when the key does not fit or it is damaged."""
    identities = _identities(key_file)
    with (
        source.open("rb") as sealed,
        os.fdopen(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out,
    ):
        try:
            pyrage.decrypt_io(sealed, out, identities)
        except (pyrage.DecryptError, OSError) as error:
            if getattr(error, "errno", None) is not None:
                raise  # the disk's fault, and the disk's sentence
            raise BadInput(
                f"{source} can't be opened with the key in {key_file}: it is for another key, or the file is damaged; "
                "nothing was restored."
            ) from error


def _identities(key_file: Path) -> list[pyrage.x25519.Identity]:
    try:
        with key_file.open("rb") as file:
            lines = file.read(LONGEST_KEY_FILE).decode("ascii", "replace").splitlines()
    except OSError as error:
        raise BadInput(f"The key file {key_file} can't be read ({error.strerror}).") from error
    try:
        found = [pyrage.x25519.Identity.from_str(line.strip()) for line in lines if line.startswith("AGE-SECRET-KEY-1")]
    except pyrage.IdentityError as error:
        raise BadInput(f"The key in {key_file} can't be read; use the file that was made for it.") from error
    if not found:
        raise BadInput(f"{key_file} holds no secret key; name the file that `fairhearing backup --new-key` made.")
    return found

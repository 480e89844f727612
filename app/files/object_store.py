"""Takes in an S3-compatible object store, each under ``sha256/ab/cdef...``; a local folder holds what is used just now.

A recording comes in to the local folder, is hashed there, and counts as kept once the object store has acknowledged all
of it (large ones go in parts). Decoders and players read the local copy, which is fetched again when it is gone; every
copy that is fetched is held against its hash. Old copies are removed when there are too many.
"""

import hashlib
import secrets
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, cast
from urllib.parse import urlsplit

import obstore
from obstore.exceptions import BaseError, NotFoundError
from obstore.store import S3Store

from app.domain.errors import BadInput, NotFound, Unavailable
from app.files.store import Incoming, Stored, TakeStore

if TYPE_CHECKING:
    from obstore.store import S3Config

PART_BYTES = 8 * 2**20  # S3 takes parts from 5 MB on; our choice
LOCAL_BYTES = 5 * 2**30  # our choice: some 200 takes of ten minutes
LOCAL_AT_LEAST_SEC = 900.0  # our choice: whoever was given a local copy has read it by then
TRIES, TRYING_SEC = 4, 30  # our choice: a short hiccup of the network goes unnoticed, a tablet does not wait longer
# Our choice. Some compatible servers write in place: while the same bytes are coming in a second time, they look cut.
AGAIN_AFTER_SEC = (0.1, 0.4, 1.6)
OBJECTS, ASIDE, PROBE = "sha256", "unused", "probe"
# What a refusal says (codes of the S3 API's "Error responses"; the last of each is an HTTP status), and our sentence.
REFUSALS = (
    (("NoSuchBucket",), "The object store does not have the bucket; make it, or check FAIRHEARING_TAKES_URL."),
    (
        ("RequestTimeTooSkewed",),
        "The object store refuses this machine's clock, so nothing was kept; set the clock right, then send the take "
        "again.",
    ),
    (
        ("/latest/api/token", "/latest/meta-data"),  # where keys are looked for last: a machine rented with the store
        "There are no keys for the object store, so nothing was kept; set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, "
        "then start the server again.",
    ),
    (
        ("InvalidAccessKeyId", "SignatureDoesNotMatch", "AccessDenied", "ExpiredToken", "403 Forbidden", "401 Unauth"),
        "The object store does not let this server in, so nothing was kept; check AWS_ACCESS_KEY_ID, "
        "AWS_SECRET_ACCESS_KEY and that they may read, write and delete in the bucket, then send the take again.",
    ),
)
NO_ANSWER = "The take store does not answer, so nothing was kept; check the object store, then send the take again."


class ObjectStore:
    """A :class:`app.files.store.BlobStore` at ``url`` (``s3://BUCKET/PREFIX``), with local copies in ``folder``.

    Who may enter and where the store is stand in the usual variables (AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY,
    AWS_REGION, AWS_ENDPOINT_URL), which ``environment`` holds.
    """

    def __init__(self, url: str, folder: Path, environment: dict[str, str], *, local_bytes: int = LOCAL_BYTES) -> None:
        self._local = TakeStore(folder)
        self._local_bytes = local_bytes
        self._added_bytes = 0
        self._counting = threading.Lock()
        self._remote = _remote(url, environment)

    def put(self, source: BinaryIO, max_bytes: int | None = None) -> Stored:
        """Keep everything ``source`` holds; returns once it is durable.

        Raises ``TooLarge`` over ``max_bytes`` and ``Unavailable`` when disk or object store refuse: nothing is kept.
        """
        with self._local.incoming(source, max_bytes) as incoming:
            return self.keep(incoming)

    def incoming(self, source: BinaryIO, max_bytes: int | None = None) -> AbstractContextManager[Incoming]:
        """Receive ``source`` into a temporary file that is gone at the end of the block unless it was kept."""
        return self._local.incoming(source, max_bytes)

    def keep(self, incoming: Incoming) -> Stored:
        """Keep what was received; returns once it is durable. What is there already is written anew, byte for byte."""
        place = _place(incoming.sha256)
        for wait_sec in (*AGAIN_AFTER_SEC, None):
            with _answers(), incoming.path.open("rb") as file:
                obstore.put(self._remote, place, file, chunk_size=PART_BYTES)
                whole = obstore.head(self._remote, place)["size"] == incoming.size_bytes
            if whole:
                break
            if wait_sec is None:
                raise Unavailable(
                    "The object store did not keep the whole recording; send it again.", sha256=incoming.sha256
                )
            time.sleep(wait_sec)
        stored = self._local.keep(incoming)
        self._make_room(stored.size_bytes)
        return stored

    def read(self, sha256: str) -> bytes:
        """All bytes of one object; raises ``NotFound``."""
        return self.local_path(sha256).read_bytes()

    def local_path(self, sha256: str) -> Path:
        """A local copy of one object, fetched when it is not there; stays for a quarter of an hour at least.

        Raises ``NotFound``, or ``Unavailable`` when what was fetched does not have its hash.
        """
        _place(sha256)
        if not self._local.holds(sha256):
            self._fetch(sha256)
        path = self._local.local_path(sha256)
        path.touch()  # in use
        return path

    def _fetch(self, sha256: str) -> None:
        with _answers(sha256):
            self._bring_back(sha256)
            reader = cast(BinaryIO, _Readable(obstore.open_reader(self._remote, _place(sha256))))
            with self._local.incoming(reader) as incoming:
                if incoming.sha256 != sha256:
                    raise Unavailable(
                        "The recording in the object store is damaged; restore it from a backup.", sha256=sha256
                    )
                stored = self._local.keep(incoming)
        self._make_room(stored.size_bytes)

    def holds(self, sha256: str) -> bool:
        """Whether the object store has the object (its bytes are not checked)."""
        place = _place(sha256)
        with _answers():
            return self._head(place) is not None or self._head(f"{ASIDE}/{sha256}") is not None

    def is_true(self, sha256: str) -> bool:
        """Whether the bytes in the object store still have their hash; raises ``NotFound``."""
        digest = hashlib.sha256()
        with _answers(sha256):
            self._bring_back(sha256)
            for chunk in obstore.get(self._remote, _place(sha256)).stream(min_chunk_size=PART_BYTES):
                digest.update(chunk)
        return digest.hexdigest() == sha256

    def every(self) -> Iterator[str]:
        """The hashes of all objects, in order; those set aside as unused are among them."""
        found: set[str] = set()
        with _answers():
            for folder in (OBJECTS, ASIDE):
                for batch in obstore.list(self._remote, prefix=folder):
                    found |= {one["path"].removeprefix(f"{folder}/").replace("/", "") for one in batch}
        yield from sorted(found)

    def remove_unused(self, sha256: str, *, older_than_sec: float, is_used: Callable[[str], bool]) -> bool:
        """Set aside an object that nothing refers to. Returns False when it is young, used, or gone already.

        An object store can't look and remove in one step, and an upload of the same bytes may come in between. So the
        object is moved aside, where :meth:`local_path` still finds it and brings it back; it goes for good when it is
        still unused at a later call, ``older_than_sec`` after that at the earliest.
        """
        place, aside = _place(sha256), f"{ASIDE}/{sha256}"
        before = datetime.now(UTC) - timedelta(seconds=older_than_sec)
        with _answers():
            there, moved = self._head(place), self._head(aside)
            if there is None and moved is not None:
                if is_used(sha256):
                    self._bring_back(sha256)
                elif moved <= before:
                    obstore.delete(self._remote, aside)
                return False
            if there is None or there > before or is_used(sha256):
                return False
            obstore.copy(self._remote, place, aside)
            obstore.delete(self._remote, place)
        self._local.remove_unused(sha256, older_than_sec=0.0, is_used=lambda _sha256: False)
        return True

    def _bring_back(self, sha256: str) -> None:
        """Undo a removal that turned out to be wrong. What is missing altogether may be the bucket: listing says so."""
        if self._head(_place(sha256)) is not None:
            return
        if self._head(f"{ASIDE}/{sha256}") is not None:
            obstore.copy(self._remote, f"{ASIDE}/{sha256}", _place(sha256))
        else:
            next(iter(obstore.list(self._remote, prefix=PROBE)), None)

    def _head(self, place: str) -> datetime | None:
        """When an object was written, or None when there is none."""
        try:
            return obstore.head(self._remote, place)["last_modified"]
        except (NotFoundError, FileNotFoundError):  # an answer without a body, so a missing bucket looks the same
            return None

    def clear_incoming(self) -> int:
        """Remove what interrupted uploads left locally. Returns how many."""
        return self._local.clear_incoming()

    def free_bytes(self) -> int:
        """Free space for what comes in."""
        return self._local.free_bytes()

    def probe(self) -> None:
        """Write and remove a small file and a small object; raises ``Unavailable`` when one of them is refused."""
        self._local.probe()
        place = f"{PROBE}/{secrets.token_hex(8)}"
        with _answers():
            obstore.put(self._remote, place, b"probe")
            obstore.delete(self._remote, place)

    def _make_room(self, added_bytes: int) -> None:
        """Remove the local copies that were not used for longest; looked at once a tenth of the room was added."""
        with self._counting:
            self._added_bytes += added_bytes
            if self._added_bytes < self._local_bytes / 10:
                return
            self._added_bytes = 0
        copies = []
        for sha256 in self._local.every():
            try:
                facts = self._local.local_path(sha256).stat()
            except (NotFound, FileNotFoundError):  # another process removed it
                continue
            copies.append((facts.st_mtime, facts.st_size, sha256))
        too_many = sum(size for _, size, _ in copies) - self._local_bytes
        for _, size, sha256 in sorted(copies):
            if too_many <= 0:
                return
            if self._local.remove_unused(sha256, older_than_sec=LOCAL_AT_LEAST_SEC, is_used=lambda _sha256: False):
                too_many -= size


def _remote(url: str, environment: dict[str, str]) -> S3Store:
    where = urlsplit(url)
    endpoint = environment.get("AWS_ENDPOINT_URL", "")
    if endpoint and not endpoint.startswith(("http://", "https://")):
        raise BadInput("AWS_ENDPOINT_URL must begin with https:// (or http://), or be left out.")
    config: S3Config = {"region": environment.get("AWS_REGION") or environment.get("AWS_DEFAULT_REGION") or "us-east-1"}
    if endpoint:
        config["endpoint"] = endpoint
    if "AWS_ACCESS_KEY_ID" in environment and "AWS_SECRET_ACCESS_KEY" in environment:
        config["access_key_id"] = environment["AWS_ACCESS_KEY_ID"]
        config["secret_access_key"] = environment["AWS_SECRET_ACCESS_KEY"]
    try:
        return S3Store(
            where.netloc,
            prefix=where.path.strip("/") or None,
            config=config,
            client_options={"allow_http": endpoint.startswith("http://")},
            retry_config={"max_retries": TRIES, "retry_timeout": timedelta(seconds=TRYING_SEC)},
        )
    except (BaseError, ValueError) as error:
        raise BadInput(
            f"The object store {url} can't be used; check the bucket's name and AWS_ENDPOINT_URL."
        ) from error


class _Readable:
    """A reader of the object store as a binary file gives bytes."""

    def __init__(self, reader: "obstore.ReadableFile") -> None:
        self._reader = reader

    def read(self, size: int = -1) -> bytes:
        """The next ``size`` bytes, fewer at the end."""
        return bytes(self._reader.read(size))


def _place(sha256: str) -> str:
    if len(sha256) != 64 or any(c not in "0123456789abcdef" for c in sha256):
        raise NotFound("There is no recording under this hash.")
    return f"{OBJECTS}/{sha256[:2]}/{sha256[2:]}"


@contextmanager
def _answers(sha256: str = "") -> Iterator[None]:
    """Errors of the object store as ours; their texts, which hold addresses, stay out of replies."""
    try:
        yield
    except (BaseError, OSError) as error:
        said = str(error)
        for words, sentence in REFUSALS:
            if any(word in said for word in words):
                raise Unavailable(sentence, reason=type(error).__name__) from error
        if isinstance(error, NotFoundError | FileNotFoundError) and sha256:
            raise NotFound(
                "The recording is missing from the take store; restore it from a backup.", sha256=sha256
            ) from error
        raise Unavailable(NO_ANSWER, reason=type(error).__name__) from error

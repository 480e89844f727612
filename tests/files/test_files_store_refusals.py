"""What people read when an object store refuses: which of the settings is wrong, and never an address or a key."""

import io
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
import s3_server
from obstore.exceptions import GenericError

from app.domain.errors import NotFound, Unavailable
from app.files import object_store
from app.files.object_store import NO_ANSWER, ObjectStore

HASH = "ab" * 32
DEEDS: dict[str, Callable[[ObjectStore], object]] = {
    "put": lambda store: store.put(io.BytesIO(b"a take")),
    "fetch": lambda store: store.read(HASH),
    "verify": lambda store: store.is_true(HASH),
    "list": lambda store: list(store.every()),
    "probe": lambda store: store.probe(),
}


def refusals(store: ObjectStore) -> dict[str, str]:
    """The sentence of every deed; nothing may stay behind in the local folder."""
    told = {}
    for name, deed in DEEDS.items():
        with pytest.raises(Unavailable) as refusal:
            deed(store)
        told[name] = refusal.value.sentence
        assert "127.0.0.1" not in told[name]
    return told


@pytest.fixture(autouse=True)
def _one_try(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(object_store, "TRIES", 0)


@pytest.mark.parametrize(
    ("wrong", "bucket", "sentence"),
    [
        ({"AWS_ACCESS_KEY_ID": "SOMEBODY"}, s3_server.BUCKET, "does not let this server in"),
        ({}, "no-such-bucket", "does not have the bucket"),
        ({"AWS_ENDPOINT_URL": "http://127.0.0.1:9"}, s3_server.BUCKET, "does not answer"),
    ],
    ids=["wrong key", "no bucket", "nobody there"],
)
def test_every_deed_says_what_is_wrong(
    s3: s3_server.Server, tmp_path: Path, wrong: dict[str, str], bucket: str, sentence: str
) -> None:
    store = ObjectStore(f"s3://{bucket}/x", tmp_path, {**s3.environment, **wrong})
    for name, told in refusals(store).items():
        assert sentence in told, name
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_a_recording_that_is_missing_is_no_missing_bucket(s3: s3_server.Server, tmp_path: Path) -> None:
    store = ObjectStore(f"s3://{s3_server.BUCKET}/x", tmp_path, s3.environment)
    with pytest.raises(NotFound, match="restore it from a backup"):
        store.read(HASH)


@pytest.fixture
def refusing() -> Iterator[Callable[[int, str], str]]:
    """A server that answers everything with one refusal, in the form that S3 documents; returns its address.

    Source: Amazon Simple Storage Service API Reference, "Error responses".
    """
    answer = {"status": 500, "code": ""}

    class Handler(BaseHTTPRequestHandler):
        def answer(self) -> None:
            self.rfile.read(int(self.headers.get("Content-Length", 0)))
            body = f"<?xml version='1.0'?><Error><Code>{answer['code']}</Code></Error>".encode()
            self.send_response(int(answer["status"]))
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            if self.command != "HEAD":
                self.wfile.write(body)

        do_GET = do_PUT = do_POST = do_DELETE = do_HEAD = answer

        def log_message(self, *_arguments: object) -> None:
            """Say nothing."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()

        def refuse(status: int, code: str) -> str:
            answer.update(status=status, code=code)
            return f"http://127.0.0.1:{server.server_port}"

        yield refuse
        server.shutdown()
        thread.join()


@pytest.mark.parametrize(
    ("status", "code", "sentence"),
    [
        (403, "AccessDenied", "does not let this server in"),
        (403, "SignatureDoesNotMatch", "does not let this server in"),
        (400, "ExpiredToken", "does not let this server in"),
        (403, "RequestTimeTooSkewed", "refuses this machine's clock"),
    ],
)
def test_refusals_of_other_servers(
    refusing: Callable[[int, str], str], tmp_path: Path, status: int, code: str, sentence: str
) -> None:
    environment = {
        "AWS_ENDPOINT_URL": refusing(status, code),
        "AWS_ACCESS_KEY_ID": "KEY",
        "AWS_SECRET_ACCESS_KEY": "SECRET",
    }
    store = ObjectStore("s3://takes/x", tmp_path, environment)
    told = {name: sentence_ for name, sentence_ in refusals(store).items() if name in ("put", "list", "probe")}
    assert all(sentence in one for one in told.values()), told  # looking for one object gets an answer without a body


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ("Error performing PUT http://169.254.169.254/latest/api/token in 5 ms", "There are no keys"),
        ("Error performing GET http://somewhere: connection reset", NO_ANSWER),
    ],
)
def test_no_keys_and_anything_else(said: str, sentence: str) -> None:
    with pytest.raises(Unavailable) as refusal, object_store._answers():
        raise GenericError(said)
    assert sentence in refusal.value.sentence
    assert "169.254" not in refusal.value.sentence

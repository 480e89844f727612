"""What every take store is held to, in a folder and on a real S3 server; then what only the latter can do wrong."""

import hashlib
import io
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import obstore
import pytest
import s3_server

from app.domain.errors import BadInput, NotFound, TooLarge, Unavailable
from app.domain.ids import new_id
from app.files import object_store
from app.files.object_store import PART_BYTES, ObjectStore
from app.files.store import BlobStore, TakeStore

DATA = b"a take" * 100_000
HASH = hashlib.sha256(DATA).hexdigest()
LARGE = np.random.default_rng(1).bytes(2 * PART_BYTES + 12_345)  # three parts
KINDS = ("folder", "object store")

Open = Callable[[], BlobStore]


@pytest.fixture
def open_again(request: pytest.FixtureRequest, tmp_path: Path) -> Open:
    """Opens the same store as another process would: an object store without local copies, as on another machine."""
    kind = getattr(request, "param", "object store")
    if kind == "folder":
        return lambda: TakeStore(tmp_path / "takes")
    server: s3_server.Server = request.getfixturevalue("s3")
    url = f"s3://{s3_server.BUCKET}/{new_id()}"
    return lambda: ObjectStore(url, tmp_path / new_id(), server.environment)


both_kinds = pytest.mark.parametrize("open_again", KINDS, indirect=True)


@both_kinds
def test_what_was_put_is_there_for_everybody(open_again: Open) -> None:
    stored = open_again().put(io.BytesIO(DATA))
    assert (stored.sha256, stored.size_bytes) == (HASH, len(DATA))
    other = open_again()
    assert other.holds(HASH)
    assert other.is_true(HASH)
    assert other.read(HASH) == DATA
    assert other.local_path(HASH).read_bytes() == DATA
    assert list(other.every()) == [HASH]


@both_kinds
def test_a_large_one_arrives_whole(open_again: Open) -> None:
    stored = open_again().put(io.BytesIO(LARGE))
    assert open_again().is_true(stored.sha256)
    assert open_again().read(stored.sha256) == LARGE


@both_kinds
def test_the_same_bytes_are_kept_once_however_many_send_them(open_again: Open) -> None:
    stores = [open_again() for _ in range(3)]
    with ThreadPoolExecutor(6) as pool:
        found = set(pool.map(lambda n: stores[n % 3].put(io.BytesIO(DATA)).sha256, range(6)))
    assert found == {HASH}
    assert list(open_again().every()) == [HASH]
    assert open_again().is_true(HASH)


@both_kinds
def test_what_came_in_and_was_not_kept_is_gone(open_again: Open) -> None:
    store = open_again()
    with store.incoming(io.BytesIO(DATA)) as incoming:
        assert incoming.path.read_bytes() == DATA
    assert not incoming.path.exists()
    with pytest.raises(TooLarge, match="larger"):
        store.put(io.BytesIO(DATA), max_bytes=1000)
    assert list(store.every()) == []
    assert not store.holds(HASH)


@both_kinds
@pytest.mark.parametrize("name", ["", "../../etc/passwd", "0" * 63, "G" * 64, "0" * 64])
def test_unknown_names_reach_nothing(open_again: Open, name: str) -> None:
    store = open_again()
    assert not store.holds("0" * 64)
    for ask in (store.local_path, store.read, store.is_true):
        with pytest.raises(NotFound):
            ask(name)


@both_kinds
def test_probing_leaves_nothing(open_again: Open) -> None:
    store = open_again()
    store.probe()
    assert list(store.every()) == []
    assert store.free_bytes() > 0
    assert store.clear_incoming() == 0


@both_kinds
def test_what_is_young_or_used_stays(open_again: Open) -> None:
    store = open_again()
    store.put(io.BytesIO(DATA))
    assert not store.remove_unused(HASH, older_than_sec=3600.0, is_used=lambda sha256: False)
    assert not store.remove_unused(HASH, older_than_sec=-5.0, is_used=lambda sha256: True)
    assert not store.remove_unused("0" * 64, older_than_sec=-5.0, is_used=lambda sha256: False)
    assert open_again().read(HASH) == DATA


@both_kinds
def test_what_is_unused_goes_in_the_end(open_again: Open) -> None:
    store = open_again()
    store.put(io.BytesIO(DATA))
    assert store.remove_unused(HASH, older_than_sec=-5.0, is_used=lambda sha256: False)
    store.remove_unused(HASH, older_than_sec=-5.0, is_used=lambda sha256: False)
    assert list(store.every()) == []
    with pytest.raises(NotFound):
        open_again().local_path(HASH)


# Only an object store -----------------------------------------------------------------------------------------------


def test_a_removal_is_undone_by_whoever_still_needs_the_object(open_again: Open) -> None:
    open_again().put(io.BytesIO(DATA))
    for need in (lambda store: store.local_path(HASH), lambda store: store.is_true(HASH)):
        assert open_again().remove_unused(HASH, older_than_sec=-5.0, is_used=lambda sha256: False)
        assert list(open_again().every()) == [HASH]  # set aside, not gone
        assert open_again().holds(HASH)
        assert need(open_again())
    assert open_again().remove_unused(HASH, older_than_sec=-5.0, is_used=lambda sha256: False)
    assert not open_again().remove_unused(HASH, older_than_sec=-5.0, is_used=lambda sha256: True)  # it has a row by now
    assert open_again().read(HASH) == DATA


def test_a_changed_object_is_noticed_and_never_handed_out(open_again: Open) -> None:
    store = open_again()
    store.put(io.BytesIO(DATA))
    obstore.put(store._remote, object_store._place(HASH), DATA[:-1] + b"!")  # type: ignore[attr-defined]
    other = open_again()
    assert not other.is_true(HASH)
    for _ in range(2):
        with pytest.raises(Unavailable, match="damaged"):
            other.local_path(HASH)


def test_objects_carry_hashes_and_nothing_else(open_again: Open) -> None:
    store = open_again()
    store.put(io.BytesIO(DATA))
    remote = store._remote  # type: ignore[attr-defined]
    assert [one["path"] for batch in obstore.list(remote) for one in batch] == [f"sha256/{HASH[:2]}/{HASH[2:]}"]
    told = obstore.get(remote, f"sha256/{HASH[:2]}/{HASH[2:]}").attributes
    assert set(told) <= {"Content-Type"}


def test_local_copies_give_way_to_newer_ones(
    s3: s3_server.Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(object_store, "LOCAL_AT_LEAST_SEC", 0.0)
    url, takes = f"s3://{s3_server.BUCKET}/{new_id()}", [np.random.default_rng(n).bytes(100_000) for n in range(8)]
    store = ObjectStore(url, tmp_path / "copies", s3.environment, local_bytes=300_000)
    names = [store.put(io.BytesIO(take)).sha256 for take in takes]
    copies = [path for path in (tmp_path / "copies").rglob("*") if path.is_file()]
    assert len(copies) == 3
    assert [store.read(name) for name in names] == takes  # the others are fetched again


@pytest.mark.parametrize("variable", ["AWS_ENDPOINT_URL", "bucket"])
def test_an_object_store_that_is_not_there_is_a_sentence(
    s3: s3_server.Server, tmp_path: Path, variable: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(object_store, "TRIES", 1)
    wrong = {"AWS_ENDPOINT_URL": "http://127.0.0.1:9"} if variable == "AWS_ENDPOINT_URL" else {}
    bucket = s3_server.BUCKET if wrong else "no-such-bucket"
    store = ObjectStore(f"s3://{bucket}", tmp_path, {**s3.environment, **wrong})
    for deed in (lambda: store.put(io.BytesIO(DATA)), store.probe):
        with pytest.raises(Unavailable, match="check") as refusal:
            deed()
        assert "127.0.0.1" not in refusal.value.sentence
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


@pytest.mark.parametrize("cut_short", [1, 99])
def test_what_the_object_store_has_only_a_part_of_is_sent_again(
    s3: s3_server.Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cut_short: int
) -> None:
    """Once, as when another upload of the same bytes is being written in place; then always."""
    monkeypatch.setattr(object_store, "AGAIN_AFTER_SEC", (0.0, 0.0))
    put, sent = obstore.put, []

    def put_a_part(remote: obstore.store.ObjectStore, place: str, file: io.BytesIO, **more: int) -> None:
        sent.append(place)
        put(remote, place, file.read(1000) if len(sent) <= cut_short else file, **more)

    monkeypatch.setattr(obstore, "put", put_a_part)
    store = ObjectStore(f"s3://{s3_server.BUCKET}/{new_id()}", tmp_path, s3.environment)
    if cut_short == 1:
        assert store.put(io.BytesIO(DATA)).sha256 == HASH
        assert (len(sent), store.is_true(HASH)) == (2, True)
    else:
        with pytest.raises(Unavailable, match="send it again"):
            store.put(io.BytesIO(DATA))
        assert len(sent) == 3
        assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_an_address_that_can_not_be_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="AWS_ENDPOINT_URL must begin with"):
        ObjectStore("s3://takes", tmp_path, {"AWS_ENDPOINT_URL": "not an address"}).probe()


def test_a_server_that_ends_in_the_middle_of_the_parts_keeps_none_of_them(
    tmp_path: Path, s3: s3_server.Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert s3.process.poll() is None  # so the program is there; this one is ended, the shared one is not
    with s3_server.running(s3_server.program() or "") as own:
        store = ObjectStore(f"s3://{s3_server.BUCKET}/x", tmp_path / "one", own.environment)
        store.put(io.BytesIO(DATA))

        class CutOff(io.BytesIO):
            def read(self, size: int | None = -1) -> bytes:
                if self.tell() > PART_BYTES:
                    own.process.kill()
                return super().read(size)

        put = obstore.put
        monkeypatch.setattr(
            obstore, "put", lambda remote, place, file, **more: put(remote, place, CutOff(file.read()), **more)
        )
        with pytest.raises(Unavailable, match="nothing was kept"):
            store.put(io.BytesIO(LARGE))
        assert own.process.wait(timeout=30) != 0
        kept = [path.read_bytes() for path in own.folder.rglob("*_object") if "sha256" in path.parts]
        assert kept == [DATA]

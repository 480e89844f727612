"""What only PostgreSQL has to be held to: many writers at once, and what happens when it is not there."""

import multiprocessing
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import chain_writers
import pytest
import sqlalchemy as sa
from postgres_cluster import Cluster
from sqlalchemy.exc import IntegrityError, InternalError
from sqlmodel import Session, col, select

from app.db import schema, transactions
from app.db.database import Database
from app.db.models import AuditEntry, Leader
from app.domain.errors import BadInput, Unavailable
from app.services import custody

PATIENCE_SEC = 600  # a shared machine may be slow; only what never ends is wrong


@pytest.fixture
def engine() -> str:
    return "postgresql"


@pytest.fixture
def database(url: str) -> Iterator[Database]:
    database = Database(url)
    yield database
    database.close()


def add(session: Session, name: str, **more: Any) -> str:
    leader = Leader.model_validate({"name": name, "password_hash": "x", **more})
    session.add(leader)
    session.flush()
    return leader.id


def names(database: Database) -> list[str]:
    with database.read() as session:
        return sorted(session.exec(select(Leader.name)).all())


def test_two_who_looked_at_the_same_moment_do_not_both_write(database: Database) -> None:
    """Each writes only when nobody is there: at read committed, both would find nobody."""
    both_looked = threading.Barrier(2)
    tries = []

    def only_if_empty(session: Session, name: str) -> bool:
        tries.append(name)
        empty = session.exec(select(sa.func.count()).select_from(Leader)).one() == 0
        if len(tries) <= 2:
            both_looked.wait(timeout=PATIENCE_SEC)
        if empty:
            add(session, name)
        return empty

    with ThreadPoolExecutor(2) as pool:
        wrote = list(pool.map(lambda name: database.write(lambda s: only_if_empty(s, name)), ["a", "b"]))
    assert sorted(wrote) == [False, True]
    assert len(names(database)) == 1
    assert len(tries) == 3  # the one who was overtaken looked again


def test_the_same_row_sent_twice_at_once_is_found_by_the_second(database: Database) -> None:
    both_looked = threading.Barrier(2)
    seen = []

    def send(session: Session) -> str:
        there = session.exec(select(Leader).where(Leader.name == "a")).first()
        seen.append(there is not None)
        if len(seen) <= 2:
            both_looked.wait(timeout=PATIENCE_SEC)
        return there.id if there is not None else add(session, "a")

    with ThreadPoolExecutor(2) as pool:
        first, second = pool.map(lambda _: database.write(send), range(2))
    assert first == second
    assert names(database) == ["a"]


def test_a_row_that_is_really_there_is_refused_without_end(database: Database) -> None:
    database.write(lambda s: add(s, "Zoë Sample"))
    with pytest.raises(IntegrityError) as caught:
        database.write(lambda s: add(s, "Zoë Sample"))
    assert "Zoë" not in str(caught.value)


def test_who_is_always_overtaken_is_told_so(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(transactions, "LONGEST_PAUSE_SEC", 0.001)
    tries = []

    def overtaken(session: Session) -> None:
        tries.append(add(session, "undone"))
        session.execute(sa.text("DO $$ BEGIN RAISE EXCEPTION USING ERRCODE = '40001'; END $$"))

    with pytest.raises(Unavailable, match="nothing was kept"):
        database.write(overtaken)
    assert len(tries) == transactions.MOST_TRIES
    assert names(database) == []


def test_an_error_undoes_its_own_work_and_lets_go_of_its_turn(database: Database) -> None:
    def fails(session: Session) -> None:
        transactions.take_turns(session, "a round")
        add(session, "undone")
        raise BadInput("No.")

    with pytest.raises(BadInput, match=r"No\."):
        database.write(fails)
    assert names(database) == []
    with ThreadPoolExecutor(1) as pool:
        pool.submit(database.write, lambda s: transactions.take_turns(s, "a round")).result(timeout=PATIENCE_SEC)


def test_several_processes_on_several_chains_keep_every_chain_whole(database: Database, url: str) -> None:
    spawn = multiprocessing.get_context("spawn")
    entries, plan = 40, [("shared", "one"), ("shared", "two"), ("alone", "three")]
    writers = [spawn.Process(target=chain_writers.append, args=(url, chain, writer, entries)) for chain, writer in plan]
    for process in writers:
        process.start()
    for process in writers:
        process.join(PATIENCE_SEC)
    assert [process.exitcode for process in writers] == [0] * 3
    with database.read() as session:
        for chain, writer in plan:
            found = custody.chain_entries(session, chain)
            assert custody.first_break(found) is None
            own = [entry.facts["n"] for entry in found if entry.subject == writer]
            assert own == list(range(entries))  # each writer's in its order
        assert len(custody.chain_entries(session, "shared")) == 2 * entries


def test_chains_of_different_rounds_do_not_wait_for_each_other(database: Database) -> None:
    inside, leave = threading.Event(), threading.Event()

    def stay(session: Session) -> None:
        custody.record(session, "one round", chain_writers.ACTOR, "stays", "", {})
        inside.set()
        assert leave.wait(PATIENCE_SEC)

    with ThreadPoolExecutor(2) as pool:
        staying = pool.submit(database.write, stay)
        assert inside.wait(PATIENCE_SEC)
        other = lambda s: custody.record(s, "another round", chain_writers.ACTOR, "passes", "", {}).seq  # noqa: E731
        assert pool.submit(database.write, other).result(timeout=PATIENCE_SEC) == 1
        leave.set()
        staying.result(timeout=PATIENCE_SEC)
    with database.read() as session:
        assert session.exec(select(sa.func.count()).select_from(AuditEntry)).one() == 2


def test_readers_see_a_snapshot_and_can_not_write(database: Database) -> None:
    database.write(lambda s: add(s, "a"))
    with database.read() as session:
        assert session.exec(select(Leader.name)).all() == ["a"]
        database.write(lambda s: add(s, "b"))
        assert session.exec(select(Leader.name)).all() == ["a"]
        with pytest.raises(InternalError, match="read-only"):
            add(session, "c")
    assert names(database) == ["a", "b"]


def test_times_come_back_in_utc_whatever_zone_the_server_keeps(cluster: Cluster, url: str) -> None:
    name = sa.make_url(url).database
    cluster.say(f"ALTER DATABASE {name} SET timezone TO 'Pacific/Auckland'")
    database = Database(url)
    told = datetime(2026, 3, 29, 2, 30, tzinfo=timezone(timedelta(hours=5, minutes=45)))
    try:
        database.write(lambda s: add(s, "a", created_at=told))
        with database.read() as session:
            found = session.exec(select(Leader.created_at)).one()
            assert session.execute(sa.text("SHOW timezone")).scalar() == "UTC"
            later = session.exec(select(Leader.name).where(col(Leader.created_at) > told + timedelta(seconds=1))).all()
    finally:
        database.close()
    assert (found, found.tzinfo, later) == (told, UTC, [])


def test_more_readers_than_connections_take_turns(database: Database) -> None:
    def look_then_write(n: int) -> str:
        with database.read() as session:
            session.exec(select(Leader.name)).all()
            return database.write(lambda s: add(s, f"{n:02}"))  # while the reading connection is held

    with ThreadPoolExecutor(40) as pool:
        ids = list(pool.map(look_then_write, range(40)))
    assert len(set(ids)) == len(names(database)) == 40


def test_servers_that_start_at_the_same_moment_migrate_once(cluster: Cluster) -> None:
    name = cluster.make()
    try:
        with ThreadPoolExecutor(4) as pool:
            list(pool.map(lambda _: schema.upgrade(cluster.url(name)), range(4)))
        database = Database(cluster.url(name))
        database.write(lambda s: add(s, "a"))
        database.close()
    finally:
        cluster.drop(name)


def test_a_connection_that_was_cut_is_made_anew(database: Database, cluster: Cluster) -> None:
    database.write(lambda s: add(s, "a"))
    assert names(database) == ["a"]
    cluster.say("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'fairhearing'")
    assert names(database) == ["a"]
    database.write(lambda s: add(s, "b"))
    assert names(database) == ["a", "b"]


def test_a_connection_cut_in_the_middle_is_a_sentence_and_keeps_nothing(database: Database, cluster: Cluster) -> None:
    def cut(session: Session) -> None:
        add(session, "undone")
        pid = session.execute(sa.text("SELECT pg_backend_pid()")).scalar()
        cluster.say(f"SELECT pg_terminate_backend({pid})")
        add(session, "never")

    with pytest.raises(Unavailable, match="does not answer"):
        database.write(cut)
    assert names(database) == []


def test_a_server_that_is_not_there_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(Unavailable, match=r"does not answer .*FAIRHEARING_DATABASE_URL is right\."):
        schema.upgrade(f"postgresql+psycopg://nobody@/nothing?host={tmp_path}")

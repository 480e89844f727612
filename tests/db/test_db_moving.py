"""Every row of every table goes from SQLite to an empty PostgreSQL database, or none does."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import postgres_cluster
import pytest
import sqlalchemy as sa
from rows_everywhere import ROWS, fill

from app.db import moving, schema
from app.db.database import make_engine
from app.domain.errors import Unavailable, WrongState

# The only rows that may point to one of their own table: the second to the first, though it comes before it by key.
POINTING = (
    "UPDATE take SET replaces = (SELECT max(id) FROM take) WHERE id = (SELECT min(id) FROM take)",
    "UPDATE round SET carried_from = (SELECT max(id) FROM round) WHERE id = (SELECT min(id) FROM round)",
)
# JSON whose text another writer would spell otherwise, and its null beside no value at all.
SPELLED = '{"b":1.50,  "a": [1e2, "\\u00e9\\u0000"]}'
SPELLINGS = (
    f"UPDATE round SET standing = '{SPELLED}' WHERE id = (SELECT min(id) FROM round)",
    "UPDATE round SET standing = NULL WHERE id = (SELECT max(id) FROM round)",
    "UPDATE piece SET options = 'null'",
)


@pytest.fixture
def source(_sqlite_template: Path, tmp_path: Path) -> str:
    """Two rows in every table."""
    place = tmp_path / "fairhearing.db"
    shutil.copy(_sqlite_template, place)
    engine = make_engine(f"sqlite:///{place}", writing=True)
    with engine.begin() as connection:
        fill(connection)
        for statement in (*POINTING, *SPELLINGS):
            connection.exec_driver_sql(statement)
    engine.dispose()
    return f"sqlite:///{place}"


@pytest.fixture
def target(cluster: postgres_cluster.Cluster, _postgresql_template: str) -> Iterator[str]:
    """No row in any table."""
    name = cluster.make(_postgresql_template)
    yield cluster.url(name)
    cluster.drop(name)


def rows(url: str, statement: str) -> list[tuple[Any, ...]]:
    engine = make_engine(url, writing=False)
    with engine.connect() as connection:
        found = [tuple(row) for row in connection.execute(sa.text(statement))]
    engine.dispose()
    return found


def change(url: str, statement: str) -> None:
    engine = make_engine(url, writing=True)
    with engine.begin() as connection:
        connection.execute(sa.text(statement))
    engine.dispose()


def counts(url: str) -> set[int]:
    return {rows(url, f'SELECT count(*) FROM "{table.name}"')[0][0] for table in schema.metadata().sorted_tables}


def all_of(url: str) -> dict[str, set[str]]:
    """Every row as the present code reads it, by table."""
    engine = make_engine(url, writing=False)
    with engine.connect() as connection:
        found = {
            table.name: {repr(tuple(row)) for row in connection.execute(sa.select(table))}
            for table in schema.metadata().sorted_tables
        }
    engine.dispose()
    return found


def test_everything_arrives_as_it_is(source: str, target: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(moving, "AT_ONCE", 1)  # so that what comes in parts does
    told: dict[str, int] = {}
    carried = moving.carry(source, target, lambda table, count: told.update({table: count}))
    tables = {table.name for table in schema.metadata().sorted_tables}
    assert told == dict.fromkeys(tables, ROWS)
    assert (carried.tables, carried.rows) == (len(tables), ROWS * len(tables))
    assert all_of(target) == all_of(source)
    assert rows(target, "SELECT CAST(standing AS text) FROM round ORDER BY id") == [(SPELLED,), (None,)]
    assert rows(target, "SELECT count(*) FROM piece WHERE CAST(options AS text) = 'null'") == [(ROWS,)]
    for table, column in (("take", "replaces"), ("round", "carried_from")):
        statement = f"SELECT {column} IS NOT NULL FROM {table} ORDER BY id"
        assert rows(target, statement) == [(True,), (False,)]


def test_what_is_there_is_never_written_over(source: str, target: str) -> None:
    change(target, "INSERT INTO leader VALUES ('x', 'Somebody', 'x', now())")
    with pytest.raises(WrongState, match="not empty"):
        moving.carry(source, target, lambda table, count: None)
    assert rows(target, "SELECT name FROM leader") == [("Somebody",)]
    assert counts(target) == {0, 1}


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        ("UPDATE job SET worker = 'a' || char(0)", "NUL"),  # PostgreSQL keeps no such text
        ("UPDATE job SET key = 'Quillfeather' || hex(zeroblob(200)) || id", "too long"),
    ],
)
def test_what_postgresql_refuses_leaves_it_empty_and_names_no_value(
    source: str, target: str, spoil: str, said: str
) -> None:
    change(source, spoil)
    with pytest.raises(Unavailable, match=said) as refusal:
        moving.carry(source, target, lambda table, count: None)
    assert "Quillfeather" not in refusal.value.sentence
    assert counts(target) == {0}


def test_a_row_that_arrives_otherwise_is_noticed(source: str, target: str) -> None:
    change(
        target,
        "CREATE FUNCTION meddle() RETURNS trigger LANGUAGE plpgsql AS "
        "'BEGIN NEW.name = NEW.name || ''!''; RETURN NEW; END'",
    )
    change(target, "CREATE TRIGGER meddle BEFORE INSERT ON student FOR EACH ROW EXECUTE FUNCTION meddle()")
    with pytest.raises(Unavailable, match="table student did not arrive as it is"):
        moving.carry(source, target, lambda table, count: None)
    assert counts(target) == {0}


def test_a_server_that_starts_meanwhile_waits_for_the_end(source: str, target: str) -> None:
    """Its first write comes after everything, so nothing of it is taken for data that were there."""
    told: list[str] = []

    def try_to_write(table: str, count: int) -> None:
        told.append(table)
        engine = make_engine(target, writing=True)
        with engine.connect() as connection:
            connection.execute(sa.text("SET LOCAL lock_timeout = '50ms'"))
            with pytest.raises(sa.exc.OperationalError, match="lock timeout"):
                connection.execute(sa.text("INSERT INTO leader VALUES ('x', 'Somebody', 'x', now())"))
        engine.dispose()

    moving.carry(source, target, lambda table, count: try_to_write(table, count) if not told else None)
    assert told


def test_tables_of_something_else_are_known(cluster: postgres_cluster.Cluster, target: str) -> None:
    name = cluster.make()
    try:
        assert not moving.is_foreign(cluster.url(name))
        change(cluster.url(name), "CREATE TABLE invoices (id int)")
        assert moving.is_foreign(cluster.url(name))
        assert not moving.is_foreign(target)
    finally:
        cluster.drop(name)
    with pytest.raises(Unavailable, match="does not answer"):
        moving.is_foreign(cluster.url(name))
